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
    vertical = "upper" if y < 1 / 3 else "lower" if y > 2 / 3 else ""
    horizontal = "left" if x < 1 / 3 else "right" if x > 2 / 3 else ""
    if not vertical and not horizontal:
        return "in the centre"
    if vertical and horizontal:
        return f"at {vertical} {horizontal}"
    if vertical:
        return f"at {vertical} centre"
    return f"at the {horizontal}"
