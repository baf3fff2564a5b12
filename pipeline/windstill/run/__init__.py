"""Orders the stages, keeps results between runs, spreads the work."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from windstill.run.errors import ReviewError
    from windstill.run.places import default_out
    from windstill.run.progress import Progress, Silent
    from windstill.run.review import Options, reviewed

# Loaded on first use, so that `windstill --help` does not wait for the libraries.
_WHERE = {
    "ReviewError": "errors", "default_out": "places", "Progress": "progress", "Silent": "progress",
    "Options": "review", "reviewed": "review",
}  # fmt: skip

__all__ = ["Options", "Progress", "ReviewError", "Silent", "default_out", "reviewed"]


def __getattr__(name: str) -> Any:
    if name in _WHERE:
        return getattr(import_module(f"windstill.run.{_WHERE[name]}"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
