"""Measures of one frame, taken from its one decode."""

from __future__ import annotations

from typing import TYPE_CHECKING

from windstill.lazily import loaded_on_use

if TYPE_CHECKING:
    from windstill.score.frame import Scored, score_frame
    from windstill.score.sharpness import blur_from_fineness, fineness_exponent
    from windstill.score.tiles import grid_for, reduction_for

__all__ = ["Scored", "blur_from_fineness", "fineness_exponent", "grid_for", "reduction_for", "score_frame"]

__getattr__ = loaded_on_use(__name__, {
    "Scored": "frame", "score_frame": "frame", "blur_from_fineness": "sharpness", "fineness_exponent": "sharpness",
    "grid_for": "tiles", "reduction_for": "tiles",
})
