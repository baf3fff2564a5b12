"""windstill: which frames belong together, where the subject moved, which sets will merge."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from windstill.run.errors import ReviewError
    from windstill.run.library import ReviewedShoot, review
    from windstill.run.maps import SwayMap
    from windstill.settings import Settings, load_settings

__version__ = "0.1.0"
__all__ = ["ReviewError", "ReviewedShoot", "Settings", "SwayMap", "__version__", "load_settings", "review"]

# Loaded on first use, so that asking for the version does not load the libraries.
_WHERE = {
    "ReviewError": "windstill.run.errors", "ReviewedShoot": "windstill.run.library", "review": "windstill.run.library",
    "SwayMap": "windstill.run.maps", "Settings": "windstill.settings", "load_settings": "windstill.settings",
}  # fmt: skip


def __getattr__(name: str) -> Any:
    if name in _WHERE:
        return getattr(import_module(_WHERE[name]), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
