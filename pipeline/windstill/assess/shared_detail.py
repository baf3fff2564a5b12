"""How fine the detail is that two frames share: noise is another in each, and drops out."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from windstill.assess.geometry import Matrix, at_reduction, inverse
from windstill.assess.grain import COARSE_SIGMA, gradients
from windstill.assess.pyramid import Pyramid
from windstill.records import FloatMap, TileGrid

_MARGIN_PX = 8  # working pixels about the tiles looked at: the blur reaches so far
_ALIKE = 0.5  # correlation of the coarse gradients under which there is more noise than detail
_AS_SHARP = 2.0  # times the one's coarse gradients may be the other's, by brightness: blur takes more


def shared_fineness(
    a: Pyramid, b: Pyramid, b_to_a: Matrix, grid: TileGrid, x_px: FloatMap, y_px: FloatMap, tiles: NDArray[np.bool_]
) -> FloatMap:
    """As `FrameScore.fineness`, of what is alike in both frames.

    Parameters
    ----------
    a, b : Pyramid
    b_to_a : Matrix
        Full resolution.
    grid : TileGrid
        Frame a's tiles.
    x_px, y_px : FloatMap
        How far each tile moved beyond that mapping, full-resolution pixels.
    tiles : bool map
        The tiles looked at.

    Returns
    -------
    FloatMap
        At least 1, and 1 where the frames share less than noise hides; NaN on tiles not looked at, and where one frame
        is much softer than the other: of the two the crisper tells then.

    Notes
    -----
    The product of the gradients of both frames, summed over a tile, is the energy of what they share: of independent
    noise its expectation is nothing, whatever the noise's grain, and in noise that a camera has smoothed that is known
    in no other way.
    """
    found = np.full(grid.shape, np.nan, np.float32)
    if not tiles.any():
        return found
    step = grid.tile_px / a.reduction
    rows, cols = (np.nonzero(tiles.any(axis=axis))[0] for axis in (1, 0))
    plane_a, plane_b = a.levels[0], b.levels[0]
    top, left = int(rows[0] * step) - _MARGIN_PX, int(cols[0] * step) - _MARGIN_PX
    bottom, right = int((rows[-1] + 1) * step) + _MARGIN_PX, int((cols[-1] + 1) * step) + _MARGIN_PX
    top, left, bottom, right = max(top, 0), max(left, 0), min(bottom, plane_a.shape[0]), min(right, plane_a.shape[1])
    xs, ys = np.meshgrid(np.arange(left, right, dtype=np.float32), np.arange(top, bottom, dtype=np.float32))
    at = (
        np.clip((ys[:, 0] + 0.5) / step, 0, grid.rows - 1).astype(int)[:, None],
        np.clip((xs[0] + 0.5) / step, 0, grid.cols - 1).astype(int)[None],
    )
    moved = np.where(tiles, x_px, 0) / a.reduction, np.where(tiles, y_px, 0) / a.reduction
    to_b = at_reduction(inverse(b_to_a), a.reduction).astype(np.float32)
    u, v = xs + moved[0][at].astype(np.float32), ys + moved[1][at].astype(np.float32)
    depth = to_b[2, 0] * u + to_b[2, 1] * v + to_b[2, 2]
    brought = cv2.remap(
        plane_b, (to_b[0, 0] * u + to_b[0, 1] * v + to_b[0, 2]) / depth,
        (to_b[1, 0] * u + to_b[1, 1] * v + to_b[1, 2]) / depth, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT_101,
    )  # fmt: skip
    own = plane_a[top:bottom, left:right]

    def by_tile(values: NDArray[np.float32]) -> FloatMap:
        sums = np.zeros(grid.shape, np.float32)
        index = (at[0] * grid.cols + at[1]).ravel()
        sums.ravel()[:] = np.bincount(index, values.ravel(), minlength=grid.rows * grid.cols)
        return sums

    def energies(sigma: float) -> tuple[FloatMap, FloatMap, FloatMap]:
        (ax, ay), (bx, by) = (gradients(plane, sigma) for plane in (own, brought))
        return by_tile(ax * bx + ay * by), by_tile(ax * ax + ay * ay), by_tile(bx * bx + by * by)

    fine, _, _ = energies(0.0)
    coarse, coarse_a, coarse_b = energies(COARSE_SIGMA)
    alike = coarse / np.sqrt(np.maximum(coarse_a * coarse_b, 1e-6))
    light_a, light_b = by_tile(own.astype(np.float32)), by_tile(brought.astype(np.float32))
    softer = np.sqrt(coarse_a / np.maximum(coarse_b, 1e-6)) * light_b / np.maximum(light_a, 1.0)
    told = tiles & ((alike < _ALIKE) | ((softer < _AS_SHARP) & (softer > 1 / _AS_SHARP)))
    ratio = np.where(alike >= _ALIKE, fine / np.maximum(coarse, 1e-6), 1.0)
    found[told] = np.maximum(ratio[told], 1.0)
    return found
