"""Opening what was a photograph when the folder was listed, and may be anything by now."""

from __future__ import annotations

import errno
import os
import stat


class NotAFileError(OSError):
    """What is there is a folder, pipe, socket or device."""


def regular_only(path: str | os.PathLike[str], flags: int) -> int:
    """For the argument `opener` of `open`: never waits for a pipe or a device, and opens files only.

    Raises
    ------
    NotAFileError
        It is no file.
    OSError
        It cannot be opened.
    """
    handle = os.open(path, flags | getattr(os, "O_NONBLOCK", 0))
    if not stat.S_ISREG(os.fstat(handle).st_mode):
        os.close(handle)
        raise NotAFileError(errno.EINVAL, "it is no file any more", path)
    return handle
