"""Work spread over the cores of this machine, so that no single file can end the run.

The executor is the standard library's; what is added here is a bound on what is in flight and what to do when a
worker dies (the system's out-of-memory killer, a decoder that aborts) or stops answering.
"""

from __future__ import annotations

import contextlib
import importlib
import multiprocessing
import multiprocessing.connection
import os
import signal
import sys
import tempfile
import threading
import time
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from multiprocessing.context import BaseContext
from pathlib import Path
from types import TracebackType
from typing import Generic, TypeVar

import psutil

from windstill.memory import uncollected

T = TypeVar("T")
R = TypeVar("R")

_AHEAD = 2  # tasks waiting per worker: enough to keep it busy, few enough to bound what is held
_TICK_S = 0.5
_UNTOLD_S = 5.0  # the executor tells of a dead worker at once, unless it died with half a result written
_CLOSING_S = 30.0  # a worker starts within a second or two; one that cannot leave its id ends with this process
_GRACE_S = 2.0  # all is done: a worker that has not ended by then waits for something a killed one held
_ENDING = (signal.SIGINT, signal.SIGTERM)
# What every worker will need, loaded once and shared between them.
_PRELOAD = ("windstill.threads", "windstill.run.warm", "windstill.run.tasks", "windstill.run.planes")


@dataclass(frozen=True, slots=True)
class Failure:
    """A task that took its worker down, or never came back: `reason` in plain words."""

    reason: str


class LocalPool:
    """Worker processes on this machine.

    Parameters
    ----------
    workers : int
        Processes, at least 1.
    timeout_s : float
        Seconds without any result before the tasks in flight count as hung.
    """

    def __init__(self, workers: int, timeout_s: float) -> None:
        self.workers = workers
        self._timeout_s = timeout_s
        self._folder = tempfile.TemporaryDirectory(prefix="windstill-workers-")
        self._executor: ProcessPoolExecutor | None = None

    def __enter__(self) -> LocalPool:
        return self

    def __exit__(self, kind: type[BaseException] | None, value: BaseException | None, tb: TracebackType | None) -> None:
        self._kill(after_s=_GRACE_S if kind is None else 0.0)
        with contextlib.suppress(OSError):
            self._folder.cleanup()

    def run(self, function: Callable[[T], R], tasks: Iterable[T]) -> Iterator[tuple[T, R | Failure]]:
        """Apply a function to every task; results come as they are ready, each with its task.

        A task that was in flight when a worker died is tried once more, alone, so that only the one to blame
        fails.
        """
        waiting = deque[T]()
        source = iter(tasks)
        flight: dict[Future[R], T] = {}
        last_news = time.monotonic()
        while True:
            while len(flight) < self.workers * _AHEAD and (task := _next(waiting, source)) is not None:
                try:
                    flight[self._submit(function, task.value)] = task.value
                except BrokenProcessPool:
                    waiting.append(task.value)
                    if not flight:  # else its failed futures are about to say so
                        self._kill()
                    break
            if not flight and not waiting:
                return
            ready, _ = wait(flight, timeout=_TICK_S, return_when=FIRST_COMPLETED)
            suspects: list[T] = []
            for future in ready:
                task_value = flight.pop(future)
                last_news = time.monotonic()
                try:
                    result = future.result()
                except BrokenProcessPool:
                    suspects.append(task_value)
                    continue
                yield task_value, result
                last_news = time.monotonic()
            quiet_s = 0.0 if ready else time.monotonic() - last_news
            if suspects or self._over(quiet_s):
                suspects += flight.values()
                flight.clear()
                self._kill()
                for suspect in suspects:
                    yield suspect, self._alone(function, suspect)
                last_news = time.monotonic()

    def _alone(self, function: Callable[[T], R], task: T) -> R | Failure:
        """Run one task with nothing beside it."""
        began, quiet_s = time.monotonic(), 0.0
        try:
            future = self._submit(function, task)
            while not self._over(quiet_s):
                if wait([future], timeout=_TICK_S).done:
                    return future.result()
                quiet_s = time.monotonic() - began
        except BrokenProcessPool:
            quiet_s = 0.0
        self._kill()
        if quiet_s > self._timeout_s:
            return Failure(f"nothing came of it in {self._timeout_s:.0f} s (a card or network folder that stalls?)")
        return Failure("the process working on it was ended (out of memory, or a decoder that crashed)")

    def _over(self, quiet_s: float) -> bool:
        """Whether after so long without a result none is to be waited for.

        The executor itself waits for ever for the rest of a result whose writer was ended.
        """
        return quiet_s > self._timeout_s or (quiet_s > _UNTOLD_S and self._lost_one())

    def _submit(self, function: Callable[[T], R], task: T) -> Future[R]:
        if self._executor is not None:
            with _main_hidden():
                return self._executor.submit(function, task)
        context = _context()
        self._executor = ProcessPoolExecutor(
            self.workers,
            mp_context=context,
            initializer=_begin_worker,
            initargs=(self._folder.name,),
        )
        forks = context.get_start_method() == "fork"  # all workers at once, before the executor's own threads
        with _main_hidden(), _signals_held() if forks else contextlib.nullcontext():
            return self._executor.submit(function, task)

    def _kill(self, after_s: float = 0.0) -> None:
        """End our workers by the ids they left: whatever they are doing, or those that do not end by themselves."""
        executor, self._executor = self._executor, None
        if executor is None:
            self._kill_known()
            return
        closing = threading.Thread(
            target=executor.shutdown, kwargs={"wait": True, "cancel_futures": True}, daemon=True
        )
        if after_s > 0:
            closing.start()
            closing.join(after_s)
            if not closing.is_alive():
                return
        self._kill_known()
        # Its thread may wait for the rest of a result: with our end of the pipe closed too, there is none to come.
        answers = getattr(getattr(executor, "_result_queue", None), "_writer", None)
        if answers is not None:
            answers.close()
        if after_s <= 0:
            closing.start()
        # A worker that was only starting leaves its id now, and would wait for ever: for a lock of the queue between
        # us that a killed one held.
        until = time.monotonic() + _CLOSING_S
        while closing.is_alive() and time.monotonic() < until:
            closing.join(_TICK_S / 10)
            self._kill_known()

    def _kill_known(self) -> None:
        for mark in Path(self._folder.name).glob("*"):
            with contextlib.suppress(OSError, ValueError, psutil.Error):
                if (worker := _living(mark)) is not None:
                    worker.kill()
                mark.unlink()

    def _lost_one(self) -> bool:
        """Whether a worker that left its id is no more."""
        for mark in Path(self._folder.name).glob("*"):
            with contextlib.suppress(OSError, ValueError, psutil.Error):
                if _living(mark) is None:
                    return True
        return False


def _living(mark: Path) -> psutil.Process | None:
    """The worker that left an id, unless it ended: the system may have given its id to a stranger."""
    started = float(mark.read_text("ascii"))
    try:
        worker = psutil.Process(int(mark.name))
        there = worker.create_time() == started and worker.status() != psutil.STATUS_ZOMBIE
    except psutil.NoSuchProcess:
        return None
    return worker if there else None


@dataclass(frozen=True, slots=True)
class _Taken(Generic[T]):
    value: T


def _next(waiting: deque[T], source: Iterator[T]) -> _Taken[T] | None:
    if waiting:
        return _Taken(waiting.popleft())
    for value in source:
        return _Taken(value)
    return None


def _context() -> BaseContext:
    """How workers start: forked with the libraries loaded, or spawned where that is not had.

    From this process where it is a single thread: what it loads for itself is then loaded once. Where it is not, from
    a clean process: a library's threads (OpenCV's pool, a notebook's) do not survive a fork, and what they held
    stays locked for ever.
    """
    methods = multiprocessing.get_all_start_methods()
    if "fork" in methods and _alone():
        with uncollected():
            for module in _PRELOAD:
                importlib.import_module(module)
        if _alone():  # still: a library may have started threads when it was loaded
            return multiprocessing.get_context("fork")
    if "forkserver" not in methods:
        return multiprocessing.get_context("spawn")
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(list(_PRELOAD))
    return context


def _alone() -> bool:
    """Whether this process has one thread, those that Python does not know of counted; only Linux tells."""
    try:
        return len(os.listdir("/proc/self/task")) == 1  # noqa: PTH208  (no entry is looked at)
    except OSError:
        return False


@contextlib.contextmanager
def _signals_held() -> Iterator[None]:
    """Let no signal reach a new worker before it has its own way of answering it."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, _ENDING)
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


@contextlib.contextmanager
def _main_hidden() -> Iterator[None]:
    """Keep new workers from importing the user's script, which without a guard would start a review in each."""
    main = sys.modules["__main__"]
    spec, file = getattr(main, "__spec__", None), getattr(main, "__file__", None)
    main.__spec__ = None
    if file is not None:
        del main.__file__
    try:
        yield
    finally:
        main.__spec__ = spec
        if file is not None:
            main.__file__ = file


def _begin_worker(folder: str) -> None:
    # Ctrl-C reaches the whole group; only the main process answers it.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, signal.SIG_DFL)
    if hasattr(signal, "pthread_sigmask"):
        signal.pthread_sigmask(signal.SIG_UNBLOCK, _ENDING)
    with contextlib.suppress(OSError):
        (Path(folder) / str(os.getpid())).write_text(repr(psutil.Process().create_time()), "ascii")
    threading.Thread(target=_end_with_parent, daemon=True).start()
    import windstill.threads  # noqa: F401, I001  # before OpenCV, which loads NumPy: spawned workers start bare
    import cv2

    cv2.setNumThreads(1)


def _end_with_parent() -> None:
    """A main process that was killed cannot tell its workers; its end of a pipe closes, though."""
    parent = multiprocessing.parent_process()
    if parent is not None:
        multiprocessing.connection.wait([parent.sentinel])
    os._exit(1)
