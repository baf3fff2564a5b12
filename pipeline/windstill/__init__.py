"""windstill: which frames belong together, where the subject moved, which sets will merge."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from windstill.run.library import ReviewedShoot, review

__version__ = "0.1.0"
__all__ = ["ReviewedShoot", "__version__", "review"]


def __getattr__(name: str) -> Any:
    # On first use, so that asking for the version does not load the libraries.
    if name in ("ReviewedShoot", "review"):
        from windstill.run import library

        return getattr(library, name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
