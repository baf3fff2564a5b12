"""The figures of a sway map, by the contract's definitions."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from windstill.records import FloatMap, SwayField
from windstill.settings import AssessSettings


def known_tiles(textured: NDArray[np.bool_], confidence: FloatMap, settings: AssessSettings) -> NDArray[np.bool_]:
    """Tiles whose displacement is known: with something to measure, and measured."""
    return np.asarray(textured & (confidence >= settings.measured_confidence))


def counted_tiles(field: SwayField, settings: AssessSettings) -> NDArray[np.bool_]:
    """Tiles whose sway counts: relevant, and known."""
    return (field.relevance >= settings.relevant_from) & known_tiles(field.textured, field.confidence, settings)


def weighted_percentile(values: NDArray[np.float32], weights: NDArray[np.float32], percent: float) -> float | None:
    """Percentile of values under weights; ``None`` without any weight.

    Parameters
    ----------
    values, weights : float arrays, shape (n,)
        Weights at least 0.
    percent : float
        0..100.

    Returns
    -------
    float or None
        The smallest value whose cumulative weight reaches the percentage.
    """
    total = float(weights.sum())
    if values.size == 0 or total <= 0:
        return None
    order = np.argsort(values, kind="stable")
    reached = np.cumsum(weights[order], dtype=np.float64) / total
    return float(values[order][min(int(np.searchsorted(reached, percent / 100 - 1e-9)), values.size - 1)])


def robust_maximum(values: FloatMap, valid: NDArray[np.bool_], picture_tiles: float) -> float | None:
    """The largest value that edge-connected tiles reach over two tiles or 0.05 % of the picture.

    Parameters
    ----------
    values : FloatMap
        Per tile, at least 0.
    valid : bool map
        Tiles that count.
    picture_tiles : float
        The picture's area in tiles.

    Returns
    -------
    float or None
        ``None`` when no connected group of valid tiles is large enough.
    """
    return _robust_maximum_at(values, valid, picture_tiles)[0]


def robust_maximum_place(
    values: FloatMap, valid: NDArray[np.bool_], picture_tiles: float
) -> tuple[float | None, NDArray[np.bool_]]:
    """`robust_maximum` and the tiles of the group that reaches it."""
    return _robust_maximum_at(values, valid, picture_tiles)


def _robust_maximum_at(
    values: FloatMap, valid: NDArray[np.bool_], picture_tiles: float
) -> tuple[float | None, NDArray[np.bool_]]:
    need = int(np.ceil(max(2.0, 0.0005 * picture_tiles) - 1e-9))
    nothing = np.zeros(values.shape, bool)
    if not valid.any():
        return None, nothing

    def group(level: float) -> NDArray[np.bool_] | None:
        mask = (valid & (values >= level)).astype(np.uint8)
        _, labels, stats, _ = cv2.connectedComponentsWithStats(mask, connectivity=4)
        areas = stats[1:, cv2.CC_STAT_AREA]
        if areas.size == 0 or areas.max() < need:
            return None
        largest: NDArray[np.bool_] = labels == 1 + int(areas.argmax())
        return largest

    most = _reached_by_few(values, valid, need)
    if not np.isfinite(most):
        return None, nothing
    if (found := group(most)) is not None:
        return most, found
    candidates = np.unique(values[valid])
    candidates = candidates[candidates <= most]
    found = group(float(candidates[0]))
    if found is None:
        return None, nothing
    low, high = 0, candidates.size - 1
    while low < high:
        middle = (low + high + 1) // 2
        at = group(float(candidates[middle]))
        if at is None:
            high = middle - 1
        else:
            low, found = middle, at
    return float(candidates[low]), found


def _reached_by_few(values: FloatMap, valid: NDArray[np.bool_], need: int) -> float:
    """The largest value that so many edge-connected tiles reach, if these are two or three; no less for more.

    Three hang together where one of them has the two others beside it.
    """
    padded = np.full((values.shape[0] + 2, values.shape[1] + 2), -np.inf, np.float32)
    here = padded[1:-1, 1:-1]
    here[valid] = values[valid]
    up, down, left, right = padded[:-2, 1:-1], padded[2:, 1:-1], padded[1:-1, :-2], padded[1:-1, 2:]
    higher, wider = np.maximum(up, down), np.maximum(left, right)
    if need <= 2:
        beside = np.maximum(higher, wider)
    else:
        beside = np.maximum(np.minimum(higher, wider), np.maximum(np.minimum(up, down), np.minimum(left, right)))
    return float(np.minimum(here, beside).max())
