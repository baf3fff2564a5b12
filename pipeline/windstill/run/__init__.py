"""Orders the stages, keeps results between runs, spreads the work."""

from __future__ import annotations

from typing import TYPE_CHECKING

from windstill.lazily import loaded_on_use

if TYPE_CHECKING:
    from windstill.run.errors import ReviewError
    from windstill.run.places import default_out
    from windstill.run.progress import Progress, Silent
    from windstill.run.review import Options, reviewed

__all__ = ["Options", "Progress", "ReviewError", "Silent", "default_out", "reviewed"]

__getattr__ = loaded_on_use(__name__, {
    "ReviewError": "errors", "default_out": "places", "Progress": "progress", "Silent": "progress",
    "Options": "review", "reviewed": "review",
})  # fmt: skip
