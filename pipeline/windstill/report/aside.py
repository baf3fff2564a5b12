"""Files appear whole or not at all: written aside, then renamed."""

from __future__ import annotations

import errno
import os
import stat
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path


@contextmanager
def written_aside(target: Path) -> Iterator[Path]:
    """Give a path to write to; it takes the target's name when the block ends well, and vanishes otherwise.

    The path lies in the target's own folder, so that the rename is one step of the file system.

    Raises
    ------
    OSError
        The folder cannot be written, the disk is full, or the target is a folder, pipe or device, whose name a file
        must not take; the target is then as it was before.
    """
    with suppress(FileNotFoundError):
        mode = target.lstat().st_mode
        if stat.S_ISDIR(mode):
            raise IsADirectoryError(errno.EISDIR, "it is a folder", str(target))
        if not (stat.S_ISREG(mode) or stat.S_ISLNK(mode)):
            raise OSError(errno.EINVAL, "it is no ordinary file", str(target))
    aside = target.with_name(f".{target.name[-80:]}.{os.getpid()}.part")
    try:
        yield aside
        aside.replace(target)
    finally:
        aside.unlink(missing_ok=True)
