"""Working planes of frames under way, on disk: written by `score`, mapped by `assess`, gone when their set is done.

A process that does all the work itself, on a few frames, keeps them in its memory instead.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import numpy as np
import psutil
from numpy.typing import NDArray

_PREFIX = "planes-"
_ALIVE = "owner"
_held: dict[Path, NDArray[np.uint8]] = {}
_holding = False


@contextmanager
def planes_in_memory() -> Iterator[None]:
    """Planes stored meanwhile stay in this process's memory; another process does not see them."""
    global _holding
    before, _holding = _holding, True
    try:
        yield
    finally:
        _holding = before


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
    if _holding:
        _held[target] = work
        return int(work.nbytes)
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
    """A plane, read-only: mapped, unless it is in memory; None when it is not there."""
    path = plane_path(folder, frame)
    if path in _held:
        kept = _held[path].view()
        kept.setflags(write=False)
        return kept
    try:
        plane: NDArray[np.uint8] = np.load(path, mmap_mode="r", allow_pickle=False)
    except (OSError, ValueError):
        return None
    return plane


def drop_plane(folder: Path, frame: str) -> None:
    """Forget a plane."""
    path = plane_path(folder, frame)
    if _held.pop(path, None) is None:
        with suppress(OSError):
            path.unlink()


def remove_scratch(folder: Path) -> None:
    """Remove a scratch folder with all planes."""
    for path in [path for path in _held if path.parent == folder]:
        del _held[path]
    shutil.rmtree(folder, ignore_errors=True)
