"""The same files and settings give the same tables, on one process, on two, on a cluster."""

from __future__ import annotations

import re
from contextlib import ExitStack
from pathlib import Path

from reliability_base import SAMPLE, TABLES, Torture, ended, same_outputs, state, windstill

SECTION = "determinism"


def torture_sameness(torture: Torture, shoot: Path = SAMPLE) -> None:
    """Review one shoot in several ways and compare everything written, byte for byte."""
    base = torture.folder("same")
    before = state(shoot)

    def review(name: str, *words: str | Path) -> str:
        done = windstill("review", shoot, "--out", base / name, *words, cache=base / f"{name}-cache")
        return ended(done.returncode, 0) and done.stderr[-300:]

    if not torture.check("review on one process", review("one", "--workers", "1")):
        return
    held = torture.check("two processes", review("two", "--workers", "2"), same_outputs(base / "two", base / "one"))
    torture.row(SECTION, "2 processes against 1: every file but run.json", 1, int(held))
    again = windstill(
        "review", shoot, "--out", base / "again", "--workers", "2", "--fresh", cache=base / "two-cache"
    )  # fmt: skip
    held = torture.check(
        "measured again", ended(again.returncode, 0), same_outputs(base / "again", base / "one")
    )  # fmt: skip
    torture.row(SECTION, "everything measured again over a full cache", 1, int(held))
    try:
        from run.test_cluster import started, worker
    except BaseException as err:  # the test module skips itself where dask is missing
        torture.left_out.append(f"determinism on a cluster: {err}")
        return
    with ExitStack() as stack:
        scheduler = ("scheduler", "--host", "127.0.0.1", "--port", "0", "--no-dashboard")
        _, line = stack.enter_context(started(*scheduler, says="Scheduler at:", cwd=base))
        found = re.search(r"tcp://\S+", line)
        address = found.group() if found else ""
        for name in ("a", "b"):
            (base / name).mkdir()
            stack.enter_context(worker(address, base / name))  # type: ignore[arg-type]
        wrong = review("cluster", "--scheduler", address)
    held = torture.check("cluster", wrong, same_outputs(base / "cluster", base / "one", TABLES))
    torture.row(SECTION, "a dask cluster of 2 workers on this machine against 1 process: tables", 1, int(held))
    torture.check("determinism", torture.untouched(before, shoot))
