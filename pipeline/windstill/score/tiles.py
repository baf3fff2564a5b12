"""The tile grid and fast statistics over it."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from windstill.records import FloatMap, TileGrid
from windstill.settings import ScoreSettings


def reduction_for(long_px: int, settings: ScoreSettings) -> int:
    """Full-resolution pixels per working-plane pixel: the power of two that makes the long side fit."""
    reduction = 1
    while long_px / reduction > settings.working_long_px:
        reduction *= 2
    return reduction


def grid_for(width_px: int, height_px: int, reduction: int, settings: ScoreSettings) -> TileGrid:
    """Whole square tiles of a picture; the side is a multiple of `reduction` and at most 1/80 of the long side.

    Pictures shorter than 80 pixels get tiles of one working pixel.
    """
    side = max(max(width_px, height_px) // settings.tiles_along_long_side // reduction, 1) * reduction
    return TileGrid(tile_px=side, rows=max(height_px // side, 1), cols=max(width_px // side, 1))


def tile_share(mask: NDArray[np.bool_], grid: TileGrid, mask_step_px: float) -> FloatMap:
    """Share of True per tile for a mask sampled every `mask_step_px` full-resolution pixels."""
    if not mask.any():
        return np.zeros(grid.shape, np.float32)
    rows, cols = mask.shape
    side = grid.tile_px / mask_step_px
    if side >= 1 and rows >= int(grid.rows * side) and cols >= int(grid.cols * side):
        from windstill.score.kernels import share_by_tile  # compiled: not for who only asks for sizes

        return share_by_tile(mask, grid, side)
    # Tiles need not be a multiple of the mask's step: sample on a common fine grid through area averaging.
    height, width = grid.rows * side, grid.cols * side
    cropped = mask[: max(min(round(height), rows), 1), : max(min(round(width), cols), 1)]
    share: FloatMap = cv2.resize(
        cropped.astype(np.float32), (grid.cols, grid.rows), interpolation=cv2.INTER_AREA
    )
    return np.clip(share, 0.0, 1.0)
