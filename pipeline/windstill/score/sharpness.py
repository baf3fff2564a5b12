"""Detail per tile, against what the noise allows."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from windstill.records import FloatMap, TileGrid
from windstill.score.tiles import tile_mean
from windstill.settings import ScoreSettings

# Scales (Gaussian sigma, working pixels) whose gradient energies are compared to tell blur from low contrast.
_COARSE_SIGMA = 2.0
# Scharr gradients, per pixel: the kernel's weight and its gain on white noise.
_SCHARR = 1 / 32.0
_NOISE_FINE = 2 * (3**2 * 4 + 10**2 * 2) * _SCHARR**2  # both directions, sigma 1


@dataclass(frozen=True, slots=True, eq=False)
class Detail:
    """Maps of `detail_by_tile`, each of the grid's shape."""

    sharp: FloatMap
    textured: NDArray[np.bool_]
    blur_px: FloatMap


def detail_by_tile(
    plane: NDArray[np.uint8],
    grid: TileGrid,
    reduction: int,
    luma: FloatMap,
    noise: FloatMap,
    clipped: FloatMap,
    settings: ScoreSettings,
) -> Detail:
    """Sharpness, texture and blur of each tile.

    Parameters
    ----------
    plane : uint8 array, shape (h, w)
        Working plane.
    luma, noise, clipped : FloatMap
        Brightness 0..1, expected noise in 8-bit steps, clipped share.

    Returns
    -------
    Detail
        ``sharp``: root mean square gradient less the noise's part, per unit of brightness (so that frames of
        one bracket compare); ``textured``: something to be sharp here, in focus or not; ``blur_px``: Gaussian
        sigma of the blur in working pixels, from the ratio of gradient energies before and after a known blur.

    References
    ----------
    Re-blur ratio: S. Zhuo and T. Sim, Defocus map estimation from a single image, Pattern Recognition 44 (2011).
    """
    fine = _gradient_energy(plane, grid, reduction)
    blurred = cv2.GaussianBlur(plane, (0, 0), _COARSE_SIGMA)
    coarse = _gradient_energy(blurred, grid, reduction)
    variance = noise**2
    noise_fine = _NOISE_FINE * variance
    # White noise through a Gaussian: the gradient's energy falls as 1 / (8 pi sigma^4) per direction.
    noise_coarse = 2 * variance / (8 * np.pi * _COARSE_SIGMA**4) + 0.01
    clean_fine = np.maximum(fine - noise_fine, 0)
    clean_coarse = np.maximum(coarse - noise_coarse, 0)
    floor = settings.texture_floor_steps**2
    textured = (clipped < 0.5) & (
        (fine > settings.texture_over_noise * noise_fine + floor)
        | (coarse > settings.texture_over_noise**2 * noise_coarse + floor * 0.25)
    )
    sharp = np.sqrt(clean_fine) / (255 * luma + 8)
    sharp[~textured] = 0
    return Detail(
        sharp=sharp.astype(np.float32),
        textured=textured,
        blur_px=_blur_from_ratio(clean_fine, clean_coarse, textured),
    )


def _gradient_energy(plane: NDArray[np.uint8], grid: TileGrid, reduction: int) -> FloatMap:
    """Mean squared Scharr gradient per tile, 8-bit steps per pixel squared."""
    gx = cv2.Scharr(plane, cv2.CV_32F, 1, 0, scale=_SCHARR)
    gy = cv2.Scharr(plane, cv2.CV_32F, 0, 1, scale=_SCHARR)
    cv2.multiply(gx, gx, dst=gx)
    cv2.accumulateSquare(gy, gx)
    return tile_mean(gx, grid, reduction)


def _blur_from_ratio(fine: FloatMap, coarse: FloatMap, textured: NDArray[np.bool_]) -> FloatMap:
    """Gaussian sigma of the blur that explains the ratio of energies, for edges."""
    # An edge blurred by s has gradient energy proportional to 1/s: with s2 = s^2, ratio^2 = (s2 + c2) / (s2 + f2),
    # where the Scharr kernel itself smooths by about f2.
    own = 0.35
    ratio = np.where(coarse > 0, fine / np.maximum(coarse, 1e-6), 0) ** 2
    added = _COARSE_SIGMA**2
    with np.errstate(divide="ignore", invalid="ignore"):
        squared = (added + own - own * ratio) / (ratio - 1)
    blur = np.where(ratio > 1.02, np.sqrt(np.clip(squared, 0, 400)), 20.0)
    blur[~textured | (coarse <= 0)] = np.inf
    return blur.astype(np.float32)
