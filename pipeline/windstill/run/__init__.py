"""Orders the stages, keeps results between runs, spreads the work."""

from __future__ import annotations

from windstill.run.errors import ReviewError
from windstill.run.places import default_out
from windstill.run.progress import Progress, Silent
from windstill.run.review import Options, reviewed

__all__ = ["Options", "Progress", "ReviewError", "Silent", "default_out", "reviewed"]
