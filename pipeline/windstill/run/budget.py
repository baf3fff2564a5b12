"""How many processes, how much disk: what the machine and the settings allow."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterable
from pathlib import Path

import psutil

from windstill.records import Frame
from windstill.settings import RunSettings

_MAIN_MB = 250  # this process with its libraries and what it holds of the shoot
_WORKER_MB = 150  # a worker with its libraries, before it opens a picture
_BYTES_PER_PIXEL = 12  # colour and luma of the frame being decoded, with their working copies
_ASSUMED_PIXELS = 24_000_000  # where only decoding can tell a frame's size
_FREE_SHARE = 0.5  # of the disk's free space that planes may take


def workers_for(frames: Iterable[Frame], settings: RunSettings) -> int:
    """Worker processes: one per core unless the settings say otherwise or memory is too small for so many."""
    largest = max((frame.width_px * frame.height_px or _ASSUMED_PIXELS for frame in frames), default=0)
    each_mb = _WORKER_MB + largest * _BYTES_PER_PIXEL / 1e6
    allowed_mb = settings.memory_mb or psutil.virtual_memory().total / 2e6
    fitting = int((allowed_mb - _MAIN_MB) // each_mb)
    return max(1, min(settings.workers or cores(), fitting))


def cores() -> int:
    """Cores this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def scratch_bytes(folder: Path, settings: RunSettings) -> int:
    """Bytes of planes the scratch folder may hold."""
    try:
        free = shutil.disk_usage(folder).free
    except OSError:
        return 0
    return min(settings.scratch_mb * 1_000_000, int(free * _FREE_SHARE))
