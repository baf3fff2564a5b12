"""A similarity fitted to windows that mostly agree, by reweighting: compiled, for it is done for every pair twice."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from windstill.assess.geometry import Matrix

ROUNDS = 6
TRUSTED = 0.3  # weight from which a window tells how well the others fit
_FEWEST = 4  # trusted windows
FIRST_SPREAD_PX = 0.6
_LEAST_SPREAD_PX = 0.03
_REACH = 4.5  # times the spread at which a window no longer counts
_SPREAD_OF_MEDIAN = 1.2
TRUSTED_REACH = _REACH * (1 - TRUSTED**0.5) ** 0.5  # times the spread within which a window is trusted


def reweighted_similarity(
    src: NDArray[np.float64],
    dst: NDArray[np.float64],
    weight: NDArray[np.float64],
    base: NDArray[np.float64],
) -> tuple[Matrix, float]:
    """Scale, rotation and shift from src to dst by Tukey's biweight around a robust spread.

    Parameters
    ----------
    src, dst : float64 arrays, shape (n, 2)
    weight : float64 array, shape (n,)
        Weights to start from, 0..1; holds the last ones afterwards.
    base : float64 array, shape (n,)
        How far each window is to be trusted, whatever it leaves: one over its squared error.

    Returns
    -------
    matrix : Matrix
    spread : float
        Of what trusted windows leave, in the unit of the places.
    """
    matrix = np.eye(3)
    spread = _reweighted(
        np.ascontiguousarray(src, np.float64), np.ascontiguousarray(dst, np.float64), weight, base, matrix
    )
    return matrix, float(spread)


def reweigh(left: NDArray[np.float64], weight: NDArray[np.float64]) -> float:
    """New weights, in place, from what a fit leaves; the spread, or 0 where too few windows are trusted."""
    return float(_reweigh(left, weight))


def weights(left: NDArray[np.float64], spread: float) -> NDArray[np.float64]:
    """Weights, 0..1, of windows by what a fit leaves, where right ones leave about `spread`."""
    weight = np.empty(len(left))
    _weigh(left, spread, weight)
    return weight


@njit(cache=True, nogil=True)
def _weigh(left, spread, weight):  # type: ignore[no-untyped-def]
    """Tukey's biweight."""
    reach = _REACH * spread
    for k in range(left.shape[0]):
        weight[k] = (1 - (left[k] / reach) ** 2) ** 2 if left[k] < reach else 0.0


@njit(cache=True, nogil=True)
def _reweigh(left, weight):  # type: ignore[no-untyped-def]
    near = left[weight > TRUSTED]
    if near.shape[0] < _FEWEST:
        return 0.0
    spread = max(np.median(near) * _SPREAD_OF_MEDIAN, _LEAST_SPREAD_PX)
    _weigh(left, spread, weight)
    return spread


@njit(cache=True, nogil=True)
def _reweighted(src, dst, weight, base, matrix):  # type: ignore[no-untyped-def]
    count = src.shape[0]
    left = np.empty(count)
    spread = FIRST_SPREAD_PX
    for _ in range(ROUNDS):
        total, px, py, qx, qy = 0.0, 0.0, 0.0, 0.0, 0.0
        for k in range(count):
            w = weight[k] * base[k]
            total += w
            px += w * src[k, 0]
            py += w * src[k, 1]
            qx += w * dst[k, 0]
            qy += w * dst[k, 1]
        px, py, qx, qy = px / total, py / total, qx / total, qy / total
        den, along, turned = 0.0, 0.0, 0.0
        for k in range(count):
            w = weight[k] * base[k]
            ax, ay, bx, by = src[k, 0] - px, src[k, 1] - py, dst[k, 0] - qx, dst[k, 1] - qy
            den += w * (ax * ax + ay * ay)
            along += w * (ax * bx + ay * by)
            turned += w * (ax * by - ay * bx)
        cos, sin = along / den, turned / den
        tx, ty = qx - (cos * px - sin * py), qy - (sin * px + cos * py)
        for k in range(count):
            x, y = src[k, 0], src[k, 1]
            left[k] = np.hypot(cos * x - sin * y + tx - dst[k, 0], sin * x + cos * y + ty - dst[k, 1])
        matrix[0, 0], matrix[0, 1], matrix[0, 2] = cos, -sin, tx
        matrix[1, 0], matrix[1, 1], matrix[1, 2] = sin, cos, ty
        found = _reweigh(left, weight)
        if found <= 0:
            break
        spread = found
    return spread
