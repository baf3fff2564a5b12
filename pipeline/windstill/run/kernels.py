"""Compiled kernels are kept on disk by numba; a disk that takes no more must cost time only."""

from __future__ import annotations

import contextlib
from typing import Any

from numba.core import caching


def forgive_full_disks() -> None:
    """Let kernels that cannot be saved be compiled again next time: numba otherwise fails the first call of each.

    For processes of ours that measure; calling it again changes nothing.
    """
    save: Any = caching.Cache.save_overload
    if getattr(save, "forgiving", False):
        return

    def forgiving(cache: Any, sig: Any, data: Any) -> None:
        with contextlib.suppress(OSError):
            save(cache, sig, data)

    forgiving.forgiving = True  # type: ignore[attr-defined]
    caching.Cache.save_overload = forgiving  # type: ignore[method-assign]
