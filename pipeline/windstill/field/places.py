"""Where in the picture the subject moved, in the words of someone who stood there."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from windstill.records import PairMeasure

_THIRD = 1 / 3


def swayed(pair: PairMeasure, above_px: float, relevant_from: float, measured_from: float) -> NDArray[np.float32]:
    """Sway of a pair's measured, relevant tiles above a length, in full-resolution pixels; 0 elsewhere."""
    field = pair.field
    if field is None:
        return np.zeros((1, 1), np.float32)
    counted = (field.relevance >= relevant_from) & field.textured & (field.confidence >= measured_from)
    length = np.hypot(field.sway_x_px, field.sway_y_px)
    return np.where(counted & (length > above_px), length, 0).astype(np.float32)


def place_words(weight: NDArray[np.float32]) -> str:
    """Where the weight of a map lies, by thirds of the upright picture.

    Parameters
    ----------
    weight : float array, shape (rows, cols)

    Returns
    -------
    str
        "left foreground", "upper right", "middle" ...; empty where there is no weight. The lower third is called the
        foreground.
    """
    total = float(weight.sum())
    if total <= 0:
        return ""
    x = _median(weight.sum(axis=0)) / weight.shape[1]
    y = _median(weight.sum(axis=1)) / weight.shape[0]
    side = "left" if x < _THIRD else "right" if x > 1 - _THIRD else "centre"
    if y > 1 - _THIRD:
        return f"{side} foreground"
    if y < _THIRD:
        return f"upper {side}"
    return "middle" if side == "centre" else f"{side} middle"


def _median(profile: NDArray[np.float32]) -> float:
    """Position, in cells, that halves a profile's weight."""
    running = np.cumsum(profile)
    return float(np.searchsorted(running, running[-1] / 2)) + 0.5
