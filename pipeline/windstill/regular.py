"""Opening what was a photograph when the folder was listed, and may be anything by now."""

from __future__ import annotations

import errno
import os
import stat


def regular_only(path: str, flags: int) -> int:
    """For the argument `opener` of `open`: never waits for a pipe or a device, and opens files only.

    Raises
    ------
    OSError
        It cannot be opened, or is no file.
    """
    handle = os.open(path, flags | getattr(os, "O_NONBLOCK", 0))
    if not stat.S_ISREG(os.fstat(handle).st_mode):
        os.close(handle)
        raise OSError(errno.EINVAL, "it is no file any more", path)
    return handle
