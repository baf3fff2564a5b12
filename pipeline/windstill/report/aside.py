"""Files appear whole or not at all: written aside, then renamed."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path


@contextmanager
def written_aside(target: Path) -> Iterator[Path]:
    """Give a path to write to; it takes the target's name when the block ends well, and vanishes otherwise.

    The path lies in the target's own folder, so that the rename is one step of the file system.

    Raises
    ------
    OSError
        The folder cannot be written or the disk is full; the target is then as it was before.
    """
    aside = target.with_name(f".{target.name[-80:]}.{os.getpid()}.part")
    try:
        yield aside
        aside.replace(target)
    finally:
        aside.unlink(missing_ok=True)
