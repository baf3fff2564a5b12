"""Measures of one frame, taken from its one decode."""

from windstill.score.frame import Scored, score_frame
from windstill.score.sharpness import blur_from_fineness, fineness_exponent
from windstill.score.tiles import grid_for, reduction_for

__all__ = ["Scored", "blur_from_fineness", "fineness_exponent", "grid_for", "reduction_for", "score_frame"]
