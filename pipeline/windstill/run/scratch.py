"""Working planes of frames under way, on disk: written by `score`, mapped by `assess`, gone when their set is done."""

from __future__ import annotations

import hashlib
import os
import shutil
import tempfile
import time
from contextlib import suppress
from pathlib import Path

import numpy as np
import psutil
from numpy.typing import NDArray

_PREFIX = "planes-"
_ALIVE = "owner"


def make_scratch(parent: Path) -> Path:
    """A new folder for planes; folders that killed runs left behind are removed.

    Raises
    ------
    OSError
        `parent` cannot be written to.
    """
    parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    for old in parent.glob(f"{_PREFIX}*"):
        if not _owner_lives(old):
            shutil.rmtree(old, ignore_errors=True)
    folder = Path(tempfile.mkdtemp(prefix=_PREFIX, dir=parent))
    (folder / _ALIVE).write_text(str(os.getpid()), "ascii")
    return folder


def _owner_lives(folder: Path) -> bool:
    try:
        pid = int((folder / _ALIVE).read_text("ascii"))
    except (OSError, ValueError):
        # Just being made by another run, unless it is old.
        return _age_s(folder) < 60
    return psutil.pid_exists(pid)


def _age_s(folder: Path) -> float:
    try:
        return time.time() - folder.stat().st_mtime
    except OSError:
        return 0.0


def plane_path(folder: Path, frame: str) -> Path:
    """Where a frame's plane lies; a hash, because frame names are paths."""
    digest = hashlib.blake2b(os.fsencode(frame), digest_size=12).hexdigest()
    return folder / f"{digest}.npy"


def store_plane(folder: Path, frame: str, work: NDArray[np.uint8]) -> int:
    """Keep a plane; gives its bytes, 0 when the disk would not take it (it is decoded again when needed)."""
    target = plane_path(folder, frame)
    aside = target.with_suffix(f".{os.getpid()}.part")
    try:
        with aside.open("wb") as file:
            np.save(file, work, allow_pickle=False)
        aside.replace(target)
    except OSError:
        with suppress(OSError):
            aside.unlink()
        return 0
    return int(work.nbytes)


def load_plane(folder: Path, frame: str) -> NDArray[np.uint8] | None:
    """Map a plane read-only, None when it is not there."""
    try:
        plane: NDArray[np.uint8] = np.load(plane_path(folder, frame), mmap_mode="r", allow_pickle=False)
    except (OSError, ValueError):
        return None
    return plane


def drop_plane(folder: Path, frame: str) -> None:
    """Forget a plane."""
    with suppress(OSError):
        plane_path(folder, frame).unlink()


def remove_scratch(folder: Path) -> None:
    """Remove a scratch folder with all planes."""
    shutil.rmtree(folder, ignore_errors=True)
