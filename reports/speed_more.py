"""What `speed.py` measures besides reviews: the plain script's cost, memory by length of a set, a second machine.

Every function runs the real thing in processes of its own and counts the whole tree's CPU.
"""

from __future__ import annotations

import contextlib
import json
import os
import re
import shutil
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import psutil
import pyarrow.parquet as pq

PLAIN = Path(__file__).resolve().with_name("speed_baseline.py")


@dataclass(frozen=True, slots=True)
class PlainPair:
    """Two frames measured by the plain script and by a review of a folder that holds just them."""

    shoot: str
    megapixels: float
    plain_cpu_s: float
    review_cpu_s: float
    tiles: int
    apart_px: float
    plain_moved_px: float
    review_moved_px: float


def plain_pair(
    name: str, files: Sequence[Path], megapixels: float, work: Path,
    run: Callable[..., float], review: Callable[[Path, Path, Path], float],
) -> PlainPair:  # fmt: skip
    """Measure the first two frames of a shoot both ways.

    Parameters
    ----------
    run : callable
        Runs a command, given the file its output goes to; CPU seconds.
    review : callable
        Reviews a folder (shoot, out, cache); CPU seconds.
    """
    folder = work / f"{name}-pair"
    folder.mkdir()
    for file in files:
        shutil.copyfile(file, folder / file.name)
    plain_out = work / f"{name}-plain.json"
    plain_cpu = run([sys.executable, PLAIN, *files], plain_out)
    out = work / f"{name}-pair-out"
    review_cpu = review(folder, out, work / f"{name}-pair-cache")
    plain = json.loads(plain_out.read_text("utf-8"))
    flow = np.asarray(plain["flow"])
    rows = pq.read_table(out / "tiles.parquet").to_pylist()
    sure = [r for r in rows if (r["confidence"] or 0) >= 0.5]
    at = np.array([(r["y_px"] // plain["side"], r["x_px"] // plain["side"]) for r in sure], int)
    at = np.minimum(at, np.array(flow.shape[1:]) - 1)
    ours = np.array([(r["sway_x_px"], r["sway_y_px"]) for r in sure])
    theirs = flow[:, at[:, 0], at[:, 1]].T
    return PlainPair(
        name, megapixels, plain_cpu, review_cpu, len(sure), float(np.median(np.hypot(*(ours - theirs).T))),
        float(np.percentile(np.hypot(*theirs.T), 99)), float(np.percentile(np.hypot(*ours.T), 99)),
    )  # fmt: skip


def long_set(source: Path, frames: int, target: Path, dated_copy: Callable[[Path, Path, datetime], None]) -> Path:
    """A burst: one frame over and over, a second apart."""
    for number in range(frames):
        dated_copy(
            source, target / f"BRST{number + 1:04d}.JPG", datetime(2031, 5, 28, 20, 0) + timedelta(seconds=number)
        )
    return target


@contextlib.contextmanager
def dask_workers(count: int, work: Path) -> Iterator[str]:
    """A scheduler and workers of one thread each on the loopback interface; its address."""
    started: list[subprocess.Popen[str]] = []
    work.mkdir()

    def start(*words: str, says: str) -> str:
        process = subprocess.Popen(
            [sys.executable, "-m", "dask", *words], stderr=subprocess.PIPE, stdout=subprocess.DEVNULL, text=True,
            cwd=work, env={**os.environ, "DASK_DISTRIBUTED__WORKER__DAEMON": "false", "OPENBLAS_NUM_THREADS": "1"},
        )  # fmt: skip
        started.append(process)
        assert process.stderr is not None
        end = time.monotonic() + 60
        while says not in (line := process.stderr.readline()):
            if time.monotonic() > end or process.poll() is not None:
                raise RuntimeError(f"dask {words[0]} did not start")
        return line

    try:
        line = start("scheduler", "--host", "127.0.0.1", "--port", "0", "--no-dashboard", says="Scheduler at:")
        found = re.search(r"tcp://\S+", line)
        assert found is not None
        for number in range(count):
            start("worker", found.group(), "--nthreads", "1", "--no-dashboard", "--no-nanny",
                  "--local-directory", str(work / f"worker-{number}"), says="Registered to:")  # fmt: skip
        yield found.group()
    finally:
        for process in started:
            with contextlib.suppress(psutil.Error):
                for child in psutil.Process(process.pid).children(recursive=True):
                    child.kill()
            process.kill()
            process.wait()
