"""A decoding process beside the caller's, so that a decoder's crash, hang or hunger costs one file.

One process is kept per calling process and started again when it ends; jobs wait for each other.
"""

from __future__ import annotations

import atexit
import contextlib
import os
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from numpy.typing import NDArray

from windstill.imaging import wire
from windstill.imaging.decoded import Decoded, ImageInfo, ImagingError
from windstill.imaging.faults import COPY_AGAIN, Unforeseen
from windstill.settings.imaging import ImagingSettings
from windstill.threads import THREAD_COUNTS

_ONE_THREAD = (*THREAD_COUNTS, "OPENCV_FOR_THREADS_NUM")


# The package may stand where only the caller's search path leads; last, so that it hides nothing.
_START = "import sys; sys.path.append(sys.argv[1]); from windstill.imaging.worker import main; main()"


def decode(path: Path, orientation: int, settings: ImagingSettings, reduction: int = 1) -> Decoded:
    """As `windstill.imaging.decode`, in the separate process."""
    return _decoded(_ask("decode", path, settings, orientation, reduction))


def decode_rgb(path: Path, orientation: int, settings: ImagingSettings) -> NDArray[Any]:
    """As `windstill.imaging.decode_rgb`, in the separate process."""
    return _ask("rgb", path, settings, orientation)[1]["picture"]


def preview(path: Path, orientation: int, settings: ImagingSettings) -> Decoded | None:
    """As `windstill.imaging.preview`, in the separate process."""
    answer = _ask("preview", path, settings, orientation)
    return None if answer[0].get("none") else _decoded(answer)


def info(path: Path, settings: ImagingSettings) -> ImageInfo:
    """As `windstill.imaging.probe`, in the separate process."""
    return ImageInfo(**_ask("info", path, settings)[0])


def _decoded(answer: wire.Message) -> Decoded:
    message, arrays = answer
    fields: dict[str, Any] = {**message, **arrays}
    return Decoded(**fields)


class _Worker:
    """One process and the pipes to it. Not for two threads at once."""

    def __init__(self, start_timeout_s: float) -> None:
        self.owner = os.getpid()
        self.jobs_done = 0
        environment = dict(os.environ, **dict.fromkeys(_ONE_THREAD, "1"))
        package_at = str(Path(__file__).resolve().parents[2])
        self._process = subprocess.Popen(
            # -P: the folder the caller stands in, which may be a stranger's card, is no place to import from.
            [sys.executable, "-P", "-c", _START, package_at],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, env=environment,
        )  # fmt: skip
        with _deadline(self._process, start_timeout_s):
            self._receive()

    def ask(self, job: dict[str, Any], timeout_s: float) -> wire.Message:
        """Send a job and wait for its answer; `wire.Broken` when the process ended, `TimeoutError` when stopped."""
        assert self._process.stdin is not None
        with _deadline(self._process, timeout_s):
            try:
                wire.send(self._process.stdin, job)
            except OSError as err:
                raise wire.Broken from err
            answer = self._receive()
        self.jobs_done += 1
        return answer

    def alive(self) -> bool:
        """Whether it can take a job from this very process (not from a fork of the one that started it)."""
        return self.owner == os.getpid() and self._process.poll() is None

    def end(self) -> None:
        """Close the pipes; end and reap the process if it is ours."""
        for pipe in (self._process.stdin, self._process.stdout):
            with contextlib.suppress(OSError):
                if pipe is not None:
                    pipe.close()
        if self.owner == os.getpid():
            self._process.kill()
            self._process.wait()

    def _receive(self) -> wire.Message:
        assert self._process.stdout is not None
        return wire.receive(self._process.stdout)


@contextlib.contextmanager
def _deadline(process: subprocess.Popen[bytes], seconds: float) -> Iterator[None]:
    """Kill the process when the time is up, which ends any reading from it."""
    late = threading.Event()

    def stop() -> None:
        late.set()
        process.kill()

    timer = threading.Timer(seconds, stop)
    timer.daemon = True
    timer.start()
    try:
        yield
    except wire.Broken as err:
        if late.is_set():
            raise TimeoutError from err
        raise
    finally:
        timer.cancel()


_lock = threading.Lock()
_worker: _Worker | None = None


def _ask(
    task: str, path: Path, settings: ImagingSettings, orientation: int = 1, reduction: int = 1
) -> wire.Message:
    """One job; a process that other files may have spoilt gets no blame, the job is tried again in a fresh one."""
    job = {
        "task": task,
        "path": os.path.abspath(path),  # noqa: PTH100  (links stay as they are)
        "orientation": orientation,
        "reduction": reduction,
        "settings": settings.model_dump(),
    }
    with _lock:
        while True:
            worker = _ready(settings)
            fresh = worker.jobs_done == 0
            try:
                message, arrays = worker.ask(job, settings.file_timeout_s)
            except TimeoutError as err:
                end()
                raise ImagingError(
                    f"the decoder did not finish within {settings.file_timeout_s:g} s and was stopped; {COPY_AGAIN}, "
                    "or raise imaging.file_timeout_s"
                ) from err
            except wire.Broken as err:
                end()
                if fresh:
                    raise ImagingError(f"the decoder broke down on this file; {COPY_AGAIN}") from err
                continue
            except BaseException:
                end()
                raise
            if not message.get("memory"):
                break
            end()
            if fresh:
                break
    if "error" in message:
        raise ImagingError(message["error"])
    if "fault" in message:
        raise Unforeseen from RuntimeError(message["fault"])
    return message, arrays


def _ready(settings: ImagingSettings) -> _Worker:
    global _worker
    if _worker is not None and _worker.alive():
        return _worker
    end()
    try:
        _worker = _Worker(settings.start_timeout_s)
    except (OSError, TimeoutError, wire.Broken) as err:
        raise ImagingError("the separate decoding process does not start; check the installation") from err
    return _worker


def end() -> None:
    """End the separate process, if there is one; the next job starts another."""
    global _worker
    if _worker is not None:
        _worker.end()
        _worker = None


def _forked() -> None:
    """A fork shares its parent's pipes but not its jobs."""
    global _lock
    _lock = threading.Lock()
    end()


atexit.register(end)
if hasattr(os, "register_at_fork"):
    os.register_at_fork(after_in_child=_forked)
