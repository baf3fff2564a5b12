"""A decoding process beside the caller's, so that a decoder's crash, hang or hunger costs one file.

One process is kept per calling process and started again when it ends; jobs wait for each other.
"""

from __future__ import annotations

import atexit
import os
import threading
from pathlib import Path
from typing import Any

from numpy.typing import NDArray

from windstill.imaging import wire
from windstill.imaging.decoded import Decoded, ImageInfo, ImagingError
from windstill.imaging.faults import COPY_AGAIN, Unforeseen
from windstill.separate import Separate
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


class _Worker(Separate):
    """A decoding process that has said it is ready."""

    def __init__(self, start_timeout_s: float) -> None:
        self.jobs_done = 0
        package_at = str(Path(__file__).resolve().parents[2])
        super().__init__(["-c", _START, package_at], {**os.environ, **dict.fromkeys(_ONE_THREAD, "1")})
        with self.deadline(start_timeout_s):
            wire.receive(self.answers)

    def ask(self, job: dict[str, Any], timeout_s: float) -> wire.Message:
        """Send a job and wait for its answer; `wire.Broken` when the process ended, `TimeoutError` when stopped."""
        with self.deadline(timeout_s):
            try:
                wire.send(self.jobs, job)
            except OSError as err:
                raise wire.Broken from err
            answer = wire.receive(self.answers)
        self.jobs_done += 1
        return answer


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
