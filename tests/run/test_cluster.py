"""Spread over a real dask scheduler and workers: the same tables, whatever happens to a worker."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import psutil
import pytest

from run.small_shoots import write_shoot
from run.test_review import TABLES, Meddler
from windstill.run import Options, ReviewError, reviewed
from windstill.settings import Settings

pytest.importorskip("distributed")


@contextmanager
def started(*words: str, says: str, cwd: Path) -> Iterator[tuple[subprocess.Popen[str], str]]:
    """A `dask` command that runs until the block ends; gives what it said when it was ready."""
    process = subprocess.Popen(
        [sys.executable, "-m", "dask", *words], stderr=subprocess.PIPE, stdout=subprocess.DEVNULL, text=True, cwd=cwd,
        env={**os.environ, "DASK_DISTRIBUTED__WORKER__DAEMON": "false"},
    )  # fmt: skip
    try:
        assert process.stderr is not None
        line = ""
        end = time.monotonic() + 60
        while says not in line:
            assert time.monotonic() < end
            line = process.stderr.readline()
        yield process, line
    finally:
        for child in psutil.Process(process.pid).children(recursive=True) if process.poll() is None else []:
            child.kill()
        process.kill()
        process.wait()


@pytest.fixture(scope="module")
def scheduler(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    where = tmp_path_factory.mktemp("scheduler")
    words = ("scheduler", "--host", "127.0.0.1", "--port", "0", "--no-dashboard")
    with started(*words, says="Scheduler at:", cwd=where) as (_, line):
        found = re.search(r"tcp://\S+", line)
        assert found is not None
        yield found.group()


def worker(scheduler: str, cwd: Path) -> object:
    words = ("worker", scheduler, "--nthreads", "1", "--no-dashboard", "--no-nanny", "--local-directory", str(cwd))
    return started(*words, says="Registered to:", cwd=cwd)


@pytest.fixture(scope="module")
def shoot(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_shoot(tmp_path_factory.mktemp("shoots") / "thrift")


@pytest.fixture(scope="module")
def local(shoot: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    base = tmp_path_factory.mktemp("local")
    with reviewed(shoot, base / "out", Settings(), Options(cache_folder=base / "cache")):
        pass
    return base / "out"


def same_tables(out: Path, other: Path) -> None:
    for name in TABLES:
        assert (out / name).read_bytes() == (other / name).read_bytes(), name


def test_the_same_tables_though_a_worker_is_killed(
    scheduler: str, shoot: Path, local: Path, tmp_path: Path
) -> None:
    (tmp_path / "a").mkdir()
    (tmp_path / "b").mkdir()
    options = Options(cache_folder=tmp_path / "cache", scheduler=scheduler)
    with worker(scheduler, tmp_path / "a") as (first, _), worker(scheduler, tmp_path / "b"):  # type: ignore[attr-defined]
        meddler = Meddler("score", lambda: os.kill(first.pid, signal.SIGKILL), at_step=2)
        with reviewed(shoot, tmp_path / "out", Settings(), options, meddler) as review:
            assert review.run["decodes_per_frame"] == 1.0  # the planes lie where the workers see them
        assert first.wait() == -signal.SIGKILL
    same_tables(tmp_path / "out", local)


def test_a_worker_that_does_not_see_the_shoot_is_sent_the_files(
    scheduler: str, shoot: Path, local: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Another machine is stood in for by a listing that differs from ours."""
    monkeypatch.setattr("windstill.run.cluster.listing_digest", lambda root: "ours")
    (tmp_path / "a").mkdir()
    options = Options(cache_folder=tmp_path / "cache", scheduler=scheduler)
    meddler = Meddler("", lambda: None)
    with worker(scheduler, tmp_path / "a"), reviewed(shoot, tmp_path / "out", Settings(), options, meddler):  # type: ignore[attr-defined]
        pass
    assert any("files are sent" in note for note in meddler.notes)
    same_tables(tmp_path / "out", local)


def test_no_scheduler_is_one_line(shoot: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("windstill.run.cluster._CONNECT_S", 2.0)
    options = Options(cache_folder=tmp_path / "cache", scheduler="tcp://127.0.0.1:9")
    with pytest.raises(ReviewError, match="no dask scheduler answers") as caught, reviewed(
        shoot, None, Settings(), options
    ):
        pass
    assert caught.value.status == 2


def test_no_workers_is_one_line(
    scheduler: str, shoot: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("windstill.run.cluster._WORKERS_S", 1.0)
    options = Options(cache_folder=tmp_path / "cache", scheduler=scheduler)
    with pytest.raises(ReviewError, match="has no workers"), reviewed(shoot, None, Settings(), options):
        pass


def test_a_lost_scheduler_is_one_line_and_a_rerun_goes_on(shoot: Path, local: Path, tmp_path: Path) -> None:
    words = ("scheduler", "--host", "127.0.0.1", "--port", "0", "--no-dashboard")
    (tmp_path / "a").mkdir()
    with started(*words, says="Scheduler at:", cwd=tmp_path) as (process, line):
        address = re.search(r"tcp://\S+", line).group()  # type: ignore[union-attr]
        options = Options(cache_folder=tmp_path / "cache", scheduler=address)
        meddler = Meddler("score", process.kill, at_step=2)
        with (
            worker(address, tmp_path / "a"),  # type: ignore[attr-defined]
            pytest.raises(ReviewError, match="scheduler was lost"),
            reviewed(shoot, tmp_path / "out", Settings(), options, meddler),
        ):
            pass
    with reviewed(shoot, tmp_path / "out", Settings(), Options(cache_folder=tmp_path / "cache")) as review:
        assert review.run["reused"]["scores"] >= 2
    same_tables(tmp_path / "out", local)
