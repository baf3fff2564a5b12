"""The separate decoding process, started by `windstill.imaging.isolated`.

It reads jobs from its standard input and ends when that does. What decoders print goes nowhere.
"""

from __future__ import annotations

import contextlib
import os
import signal
import sys
from dataclasses import asdict
from pathlib import Path
from typing import Any, BinaryIO

import cv2

from windstill.imaging import inside, wire
from windstill.imaging.decoded import ImagingError
from windstill.imaging.derive import as_rgb, derive
from windstill.imaging.faults import no_memory, out_of_memory
from windstill.imaging.upright import upright
from windstill.settings.imaging import ImagingSettings

try:
    import resource
except ImportError:  # Windows has no limits of this kind
    resource = None  # type: ignore[assignment]

_CPU_MARGIN_S = 5.0


def main() -> None:
    """Answer jobs until the input ends."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the caller decides what an interrupt ends
    jobs, answers = _private_streams()
    cv2.setNumThreads(1)
    wire.send(answers, {"ready": True})
    while True:
        try:
            job, _ = wire.receive(jobs)
        except wire.Broken:
            return
        settings = ImagingSettings.model_validate(job["settings"])
        _limit(settings)
        try:
            message, arrays = _do(job, settings)
        except ImagingError as err:
            message, arrays = {"error": str(err)}, {}
        except Exception as err:
            if no_memory(err):
                message, arrays = {"error": str(out_of_memory(settings)), "memory": True}, {}
            else:  # a fault of ours or a library's; the caller turns it into one line
                message, arrays = {"fault": f"{type(err).__name__}: {err}"}, {}
        wire.send(answers, message, arrays)


def _do(job: dict[str, Any], settings: ImagingSettings) -> wire.Message:
    path = Path(job["path"])
    match job["task"]:
        case "info":
            found = inside.info(path, settings)
            return asdict(found), {}
        case "rgb":
            pixels = inside.read(path, settings, full=True)
            return {}, {"picture": upright(as_rgb(pixels.picture), 1 if pixels.turned else job["orientation"])}
        case "preview":
            shown = inside.preview(path, settings)
            if shown is None:
                return {"none": True}, {}
        case _:
            shown = inside.read(path, settings, full=False, reduction=job["reduction"])
    made = derive(shown, job["orientation"])
    planes = {name: getattr(made, name) for name in ("luma", "colour_small", "clip_high", "clip_low")}
    rest = {name: getattr(made, name) for name in ("bits", "decoder", "width_px", "height_px", "luma_scale")}
    return rest, planes


def _private_streams() -> tuple[BinaryIO, BinaryIO]:
    """The pipes under numbers of their own, so that nothing a decoder prints gets into them."""
    jobs, answers = os.fdopen(os.dup(0), "rb"), os.fdopen(os.dup(1), "wb")
    nothing = os.open(os.devnull, os.O_RDWR)
    for number in (0, 1, 2):
        os.dup2(nothing, number)
    sys.stdout = sys.stderr = open(os.devnull, "w")  # noqa: PTH123, SIM115
    return jobs, answers


_base_bytes: int | None = None


def _limit(settings: ImagingSettings) -> None:
    """Memory beyond what the process began with; processor time for this job, should the caller be gone."""
    global _base_bytes
    if resource is None:
        return
    if _base_bytes is None:
        _base_bytes = _address_space()
    used = resource.getrusage(resource.RUSAGE_SELF)
    seconds = int(used.ru_utime + used.ru_stime + settings.file_timeout_s + _CPU_MARGIN_S) + 1
    with contextlib.suppress(ValueError, OSError):
        resource.setrlimit(resource.RLIMIT_CPU, (seconds, resource.getrlimit(resource.RLIMIT_CPU)[1]))
    if _base_bytes:
        limit = _base_bytes + int(settings.max_memory_mb * 1e6)
        with contextlib.suppress(ValueError, OSError):
            resource.setrlimit(resource.RLIMIT_AS, (limit, resource.getrlimit(resource.RLIMIT_AS)[1]))
    with contextlib.suppress(ValueError, OSError):
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))


def _address_space() -> int:
    """Bytes of address space in use, 0 where the system does not tell."""
    try:
        return int(Path("/proc/self/statm").read_text().split()[0]) * resource.getpagesize()
    except (OSError, ValueError, IndexError):
        return 0
