"""How noisy a frame is, read off its plainest tiles."""

from __future__ import annotations

import itertools

import cv2
import numpy as np
from numpy.typing import NDArray

from windstill.records import FloatMap

ROUNDING_VARIANCE = 1 / 12  # of rounding to whole steps
# Second difference of second differences: blind to planes and slopes (Immerkaer 1996).
_MASK = np.array([[1, -2, 1], [-2, 4, -2], [1, -2, 1]], np.float32)
_GAIN = 6.0  # the mask's root sum of squares: sigma of the response to white noise of sigma 1
_MEAN_ABS = float(np.sqrt(2 / np.pi))  # mean absolute value of a standard normal


def immerkaer_sigma(plane: NDArray[np.uint8]) -> float:
    """Noise of a whole plane by Immerkaer's mean absolute response.

    Parameters
    ----------
    plane : uint8 array, shape (h, w)

    Returns
    -------
    float
        Standard deviation in the plane's own steps. Texture counts as noise; see `noise_by_tile`. 0 for a strip too
        narrow for the mask: nothing is known of it.

    References
    ----------
    J. Immerkaer, Fast Noise Variance Estimation, Computer Vision and Image Understanding 64 (1996).
    """
    if min(plane.shape) < 3:
        return 0.0
    response = cv2.filter2D(plane, cv2.CV_32F, _MASK)[1:-1, 1:-1]
    return float(np.mean(np.abs(response)) / (_GAIN * _MEAN_ABS))


def noise_by_tile(response: FloatMap, luma: FloatMap, clipped: FloatMap) -> FloatMap:
    """Expected noise per tile, from the plainest tiles of similar brightness.

    Parameters
    ----------
    response : FloatMap
        Mean absolute response to Immerkaer's mask, 8-bit steps.
    luma, clipped : FloatMap
        Mean brightness 0..1 and clipped share of each tile.

    Returns
    -------
    FloatMap
        Standard deviation in 8-bit steps, at least that of rounding (1/sqrt(12)).

    Notes
    -----
    Noise depends on brightness (photon noise through the tone curve), so tiles are ranked within bands of
    brightness; the tenth percentile of a band is taken for its noise. Clipped tiles have none and are left out.
    """
    sigma = response / (_GAIN * _MEAN_ABS)
    floor = np.sqrt(ROUNDING_VARIANCE)
    usable = clipped < 0.05
    if not usable.any():
        return np.full(luma.shape, floor, np.float32)
    overall = np.percentile(sigma[usable], 10)
    edges = np.linspace(0, 1, 7)
    centres, levels = [], []
    for low, high in itertools.pairwise(edges):
        band = usable & (luma >= low) & (luma < high)
        # Too few tiles in a band: its plainest may all be textured.
        if band.sum() >= 40:
            centres.append((low + high) / 2)
            levels.append(min(np.percentile(sigma[band], 10), 3 * max(overall, floor)))
    if not centres:
        return np.full(luma.shape, max(overall, floor), np.float32)
    expected = np.interp(luma, centres, levels)
    return np.asarray(np.maximum(expected, floor), np.float32)
