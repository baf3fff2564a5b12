"""Smear seen in a frame by itself: how far things moved during its exposure."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from windstill.records import FloatMap, TileGrid
from windstill.settings import ScoreSettings


@dataclass(frozen=True, slots=True, eq=False)
class SmearMaps:
    """Smear per tile; every map has the grid's shape.

    Attributes
    ----------
    length_px : FloatMap
        Peak-to-peak extent of the motion during the exposure, full-resolution pixels, 0 upwards.
    angle_deg : FloatMap
        Direction, 0..180 counter-clockwise as seen, 0 along x; 0 where there is no smear.
    confidence : FloatMap
        0..1; 0 where nothing can be said. A length of 0 with confidence means: looked, and there is none.
    """

    length_px: FloatMap
    angle_deg: FloatMap
    confidence: FloatMap


def blind_smear(
    plane: NDArray[np.uint8],
    grid: TileGrid,
    reduction: int,
    usable: NDArray[np.bool_],
    noise_sigma: float,
    settings: ScoreSettings,
) -> SmearMaps:
    """Nothing is claimed yet."""
    zero = np.zeros(grid.shape, np.float32)
    return SmearMaps(zero, zero.copy(), zero.copy())


def summarise(maps: SmearMaps, usable: NDArray[np.bool_]) -> tuple[float | None, float | None, float | None]:
    """Frame smear, its angle, and the smear common to the whole frame."""
    return None, None, None
