"""Places in the picture, in words."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray


def place_of(mask: NDArray[np.bool_]) -> str:
    """Where in the picture a mask lies, in words: "lower left", "centre"."""
    rows, cols = np.nonzero(mask)
    if rows.size == 0:
        return "nowhere"
    y, x = float(np.median(rows)) / mask.shape[0], float(np.median(cols)) / mask.shape[1]
    third = third_at(x, y)
    return "in the centre" if third == "centre" else f"at {third}" if " " in third else f"at the {third}"


def third_at(x: float, y: float) -> str:
    """Where in the picture a place lies, its distances from the left and the top as shares 0..1: "upper centre"."""
    row = "upper" if y < 1 / 3 else "lower" if y > 2 / 3 else ""
    column = "left" if x < 1 / 3 else "right" if x > 2 / 3 else "centre"
    return f"{row} {column}".strip()
