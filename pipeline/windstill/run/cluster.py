"""The same work spread over the workers of a dask scheduler, on this machine or many.

Workers that see the shoot folder read it there; to others the files are sent with each task. Tasks are those of the
local run and hand back the same bytes.
"""

from __future__ import annotations

import contextlib
import logging
import tempfile
import time
from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace
from importlib import import_module
from pathlib import Path
from types import TracebackType
from typing import Any

from windstill.records import Frame
from windstill.run.errors import ReviewError
from windstill.run.keys import versions
from windstill.run.listing import listing_digest
from windstill.run.pool import Failure, LocalPool
from windstill.run.progress import Progress
from windstill.run.tasks import Done, HashTask, MeasureTask, ScoreTask

_AHEAD = 2  # tasks waiting per worker thread
_CONNECT_S = 8.0
_WORKERS_S = 15.0
_TICK_S = 1.0
_ROOMS = ("scan", "imaging", "score", "group", "assess", "run")
_START = "start one with `dask scheduler` and workers with `dask worker ADDRESS --nthreads 1`"

Task = ScoreTask | MeasureTask | HashTask


class ClusterPool:
    """Workers of a dask scheduler.

    Parameters
    ----------
    address : str
        Such as ``tcp://127.0.0.1:8786``.
    root : Path
        Shoot folder; workers that cannot see it are sent the files.
    scratch : Path or None
        Folder for working planes; used where every worker sees it, else planes are decoded a second time.
    timeout_s : float
        Seconds without any result before the run gives up.

    Raises
    ------
    ReviewError
        dask is not installed, no scheduler or worker answers, or a worker runs another version.
    """

    def __init__(self, address: str, root: Path, scratch: Path | None, timeout_s: float, progress: Progress) -> None:
        try:
            # By name, because the library is not typed.
            self._dask: Any = import_module("distributed")
        except ModuleNotFoundError as err:
            raise ReviewError("--scheduler needs dask: pip install 'windstill[cluster]'") from err
        self._levels = _quiet()
        self._timeout_s = timeout_s
        self._address = address
        self._asked, self._counted = float("-inf"), 0
        try:
            self._client: Any = self._dask.Client(address, timeout=_CONNECT_S, set_as_default=False, name="windstill")
        except (OSError, TimeoutError, ValueError) as err:
            raise ReviewError(f"{address}: no dask scheduler answers there; {_START}", 2) from err
        try:
            self._client.wait_for_workers(1, timeout=_WORKERS_S)
            self._same_version()
            here = listing_digest(root)
            self._ships = any(found != here for found in self._client.run(_listing, str(root)).values())
            self._scratch = scratch is not None and all(self._client.run(_sees, str(scratch)).values())
        except TimeoutError as err:
            self._client.close()
            raise ReviewError(f"{address}: the scheduler has no workers; {_START}", 2) from err
        except BaseException:
            self._client.close()
            raise
        if self._client.dashboard_link:
            progress.note(f"cluster dashboard: {self._client.dashboard_link}")
        if self._ships:
            progress.note("some workers do not see the shoot folder: files are sent to them, and decoded twice")

    def __enter__(self) -> ClusterPool:
        return self

    def __exit__(self, kind: type[BaseException] | None, value: BaseException | None, tb: TracebackType | None) -> None:
        with contextlib.suppress(OSError, TimeoutError):
            self._client.close()
        for logger, level in self._levels.items():
            logger.setLevel(level)

    def run(self, function: Callable[[Any], Done], tasks: Iterable[Task]) -> Iterator[tuple[Task, Done | Failure]]:
        """Apply a function to every task; results come as they are ready, each with its task."""
        source = iter(tasks)
        flight: dict[Any, Task] = {}
        news = time.monotonic()
        try:
            while True:
                while len(flight) < max(1, self._threads()) * _AHEAD and (task := next(source, None)) is not None:
                    flight[self._submit(function, task)] = task
                if not flight:
                    return
                for future in self._finished(list(flight), news):
                    task = flight.pop(future)
                    yield task, self._result(future, function, task)
                    news = time.monotonic()
        except (OSError, self._dask.CancelledError) as err:  # its errors of connection are OSErrors
            raise self._lost() from err
        finally:
            with contextlib.suppress(OSError, TimeoutError, self._dask.CancelledError):
                self._client.cancel(list(flight), force=True)

    def _submit(self, function: Callable[[Any], Done], task: Task) -> Any:
        task = task if self._scratch or isinstance(task, HashTask) else _without_scratch(task)
        if not self._ships:
            return self._client.submit(_work, function, task, pure=False)
        files = {frame.pixels_from: _content(Path(task.root) / frame.pixels_from) for frame in _frames(task)}
        sent = self._client.scatter(files, hash=False, direct=False)
        return self._client.submit(_work_on_sent, function, task, sent, pure=False)

    def _finished(self, futures: list[Any], news: float) -> list[Any]:
        """The futures that are done; waits for the first."""
        while True:
            try:
                with self._client.as_current():
                    return list(self._dask.wait(futures, timeout=_TICK_S, return_when="FIRST_COMPLETED").done)
            except TimeoutError:
                if self._client.status != "running":
                    raise self._lost() from None
                if time.monotonic() - news > self._timeout_s:
                    raise ReviewError(
                        f"{self._address}: nothing came back in {self._timeout_s:.0f} s; look at the workers, then run "
                        "again: what was measured is kept"
                    ) from None

    def _result(self, future: Any, function: Callable[[Any], Done], task: Task) -> Done | Failure:
        try:
            result: Done | Failure = future.result()
        except self._dask.CancelledError:
            raise
        except Exception as err:
            if isinstance(err, OSError) and self._client.status != "running":
                raise
            result = Failure(" ".join(str(err).split()) or type(err).__name__)
        future.release()
        if isinstance(result, Failure) or (result.data is None and result.problem is not None):
            # Its workers may have died of it, or miss a file that is there: what this machine finds counts.
            result = self._here(function, task)
        return result

    def _here(self, function: Callable[[Any], Done], task: Task) -> Done | Failure:
        with LocalPool(1, self._timeout_s) as pool:
            _, result = next(iter(pool.run(function, [task])))
        return result

    def _threads(self) -> int:
        """Threads of all workers; asking the scheduler takes as long as handing out a task, so not for every one."""
        now = time.monotonic()
        if now - self._asked > _TICK_S:
            self._asked, self._counted = now, sum(self._client.nthreads().values())
        return self._counted

    def _same_version(self) -> None:
        ours = versions(_ROOMS)
        for worker, theirs in self._client.run(versions, _ROOMS).items():
            if theirs != ours:
                raise ReviewError(
                    f"{worker}: runs another version of windstill or of its libraries than this machine; install the "
                    "same on both",
                    2,
                )

    def _lost(self) -> ReviewError:
        return ReviewError(
            f"{self._address}: the scheduler was lost; start it again and run again: what was measured is kept"
        )


def _quiet() -> dict[logging.Logger, int]:
    """Silence dask's own log: what goes wrong is told in our words. Gives the levels to restore."""
    names = [name for name in logging.root.manager.loggerDict if name.split(".")[0] == "distributed"]
    levels = {logger: logger.level for logger in map(logging.getLogger, names)}
    for logger in levels:
        logger.setLevel(logging.CRITICAL + 1)
    return levels


def _work(function: Callable[[Any], Done], task: Task) -> Done:
    """Runs on a worker."""
    import cv2

    cv2.setNumThreads(1)
    return function(task)


def _work_on_sent(function: Callable[[Any], Done], task: Task, files: dict[str, bytes | None]) -> Done:
    """Runs on a worker that was sent the files."""
    with tempfile.TemporaryDirectory(prefix="windstill-sent-") as folder:
        for name, data in files.items():
            if data is not None:
                target = Path(folder, name)
                target.parent.mkdir(parents=True, exist_ok=True)
                target.write_bytes(data)
        return _work(function, replace(task, root=folder))


def _listing(folder: str) -> str:
    """Runs on a worker: what it sees at this path, so that another folder of the same name is not mistaken for it."""
    return listing_digest(Path(folder))


def _sees(folder: str) -> bool:
    """Runs on a worker: whether it has this folder, whose name is drawn by chance for every run."""
    return Path(folder).is_dir()


def _without_scratch(task: ScoreTask | MeasureTask) -> Task:
    return replace(task, scratch=None)


def _frames(task: Task) -> tuple[Frame, ...]:
    return task.frames if isinstance(task, MeasureTask) else (task.frame,)


def _content(path: Path) -> bytes | None:
    try:
        return path.read_bytes()
    except OSError:
        return None
