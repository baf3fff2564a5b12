"""Where the merge draws on both frames of a pair; motion elsewhere does not matter."""

from __future__ import annotations

from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from windstill.assess.geometry import Matrix, at_reductions, inverse
from windstill.records import FloatMap, TileGrid

_OTHER_HOLDS = 0.2  # contract: the other frame holds at least a fifth of the sharpest frame's sharpness
_SHARPER_ALONE = 1.2  # times any other frame's sharpness: more than one tile's sharpness is off by
_WEIGHT_FLOOR = 0.2  # contract: 0 where both blend weights are under this


def to_grid_of_a(values: NDArray[np.float32], b_to_a: Matrix, grid_b: TileGrid, grid_a: TileGrid) -> FloatMap:
    """Carry a tile map of b to the tiles of a by the camera mapping; NaN where b shows nothing.

    Parameters
    ----------
    values : float map of `grid_b`'s shape
    b_to_a : Matrix
        Full-resolution mapping.
    """
    matrix, outside = _to_b(np.asarray(b_to_a, np.float64).tobytes(), grid_b, grid_a)
    carried: FloatMap = cv2.warpPerspective(
        np.asarray(values, np.float32),
        matrix,
        (grid_a.cols, grid_a.rows),
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    )
    carried[outside] = np.nan
    return carried


@lru_cache(maxsize=8)  # several maps of a pair are carried one after the other
def _to_b(b_to_a: bytes, grid_b: TileGrid, grid_a: TileGrid) -> tuple[Matrix, NDArray[np.bool_]]:
    """The mapping from tiles of a to tiles of b, and which tiles of a it takes out of b's picture."""
    matrix = at_reductions(inverse(np.frombuffer(b_to_a).reshape(3, 3)), grid_a.tile_px, grid_b.tile_px)
    # A turned camera's mapping has a positive determinant; scaled to its last number it may have come out negative
    # (where a's corner lies behind b), and what is in front of b would seem behind it.
    matrix *= np.sign(np.linalg.det(matrix))
    xs, ys = np.arange(grid_a.cols, dtype=np.float64)[None, :], np.arange(grid_a.rows, dtype=np.float64)[:, None]
    w = matrix[2, 0] * xs + matrix[2, 1] * ys + matrix[2, 2]
    u = (matrix[0, 0] * xs + matrix[0, 1] * ys + matrix[0, 2]) / w
    v = (matrix[1, 0] * xs + matrix[1, 1] * ys + matrix[1, 2]) / w
    outside = (u < -0.5) | (v < -0.5) | (u > grid_b.cols - 0.5) | (v > grid_b.rows - 0.5) | (w <= 0)
    return matrix, outside


def blend_weight(luma: FloatMap) -> FloatMap:
    """Weight an exposure merge gives a pixel of displayed brightness 0..1: exp(-(I - .5)^2 / .08)."""
    weight: FloatMap = np.exp(-((luma - 0.5) ** 2) / 0.08).astype(np.float32)
    return weight


def exposure_relevance(luma_a: FloatMap, luma_b: FloatMap) -> FloatMap:
    """Bracket: the smaller over the larger of the two blend weights, 0 where both are small or b has nothing."""
    weight_a, weight_b = blend_weight(luma_a), blend_weight(luma_b)
    larger = np.fmax(weight_a, weight_b)
    relevance = np.minimum(weight_a, weight_b) / np.maximum(larger, 1e-6)
    relevance[(larger < _WEIGHT_FLOOR) | ~np.isfinite(relevance)] = 0
    return np.asarray(relevance, np.float32)


def focus_relevance(sharp_a: FloatMap, sharp_b: FloatMap, sharpest_other: FloatMap) -> FloatMap:
    """Stack: 1 where the merge would switch between a and b, and along the outline of near objects.

    Parameters
    ----------
    sharp_a, sharp_b : FloatMap
        Sharpness on a's tiles, comparable; NaN where b shows nothing.
    sharpest_other : FloatMap
        Largest sharpness of any other frame of the set, 0 where there is none.

    Returns
    -------
    FloatMap
        0 or 1.
    """
    a, b, other = (smoothed(m) for m in (sharp_a, sharp_b, sharpest_other))
    larger, smaller = np.fmax(a, b), np.fmin(a, b)
    ours = (larger > 0) & (larger >= other)
    switch = ours & (smaller >= _OTHER_HOLDS * larger)
    # A head of two or three tiles is lost in the mean with what it stands before, which other frames hold sharper.
    high, low = np.fmax(sharp_a, sharp_b), np.fmin(sharp_a, sharp_b)
    with np.errstate(invalid="ignore"):
        switch |= (high > 0) & (high >= _SHARPER_ALONE * sharpest_other) & (low >= _OTHER_HOLDS * high)
    # The blurred outline: tiles of ours where the sharper frame changes from one tile to the next.
    a_wins = (ours & (a >= b)).astype(np.uint8)
    b_wins = (ours & (b > a)).astype(np.uint8)
    cross = cv2.getStructuringElement(cv2.MORPH_RECT, (3, 3))
    outline = (cv2.dilate(a_wins, cross) & b_wins) | (cv2.dilate(b_wins, cross) & a_wins)
    relevance = (switch | (outline > 0)).astype(np.float32)
    relevance[~np.isfinite(sharp_a + sharp_b)] = 0
    return np.asarray(relevance, np.float32)


def focus_shared(sharp_a: FloatMap, sharp_b: FloatMap, sharpest_other: FloatMap, share: float) -> NDArray[np.bool_]:
    """Stack: where a merge without some of the other frames might switch between a and b.

    Parameters
    ----------
    sharp_a, sharp_b, sharpest_other : FloatMap
        As for `focus_relevance`.
    share : float
        0..1, of the sharpest frame's sharpness, that the sharper of the two must hold.

    Returns
    -------
    bool map
    """
    a, b, other = (smoothed(m) for m in (sharp_a, sharp_b, sharpest_other))
    larger, smaller = np.fmax(a, b), np.fmin(a, b)
    shared = (larger > 0) & (larger >= share * other) & (smaller >= _OTHER_HOLDS * larger)
    return np.asarray(shared & np.isfinite(sharp_a + sharp_b))


def smoothed(values: FloatMap) -> FloatMap:
    """3 by 3 mean that ignores NaN: one tile's sharpness is a noisy figure."""
    known = np.isfinite(values)
    filled = np.where(known, values, 0).astype(np.float32)
    weight = cv2.blur(known.astype(np.float32), (3, 3))
    mean: FloatMap = np.where(known, cv2.blur(filled, (3, 3)) / np.maximum(weight, 1e-6), 0).astype(np.float32)
    return mean
