"""Memory from picture to picture: what one needed is there for the next, not handed back and asked for again."""

from __future__ import annotations

import contextlib
import ctypes
import gc
from collections.abc import Iterator

_TRIM_THRESHOLD, _MMAP_THRESHOLD = -1, -3  # glibc's malloc.h
_KEPT_BYTES = 64 << 20  # free memory that may stay with us: some ten planes of previews
_LARGEST_KEPT_BYTES = 32 << 20  # glibc takes no more


def keep_freed() -> None:
    """Have the C library keep freed planes for this process, up to 64 MB; elsewhere than on glibc nothing happens.

    The system clears every page it gives: of a check of previews that was a tenth of the time.
    """
    with contextlib.suppress(OSError, AttributeError, TypeError):
        mallopt = ctypes.CDLL(None).mallopt
        mallopt(_MMAP_THRESHOLD, _LARGEST_KEPT_BYTES)
        mallopt(_TRIM_THRESHOLD, _KEPT_BYTES)


@contextlib.contextmanager
def uncollected() -> Iterator[None]:
    """No searches for rings of garbage meanwhile: libraries being loaded make much that stays, and nothing to find."""
    was = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was:
            gc.enable()
