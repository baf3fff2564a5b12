"""Detail per tile, against what the noise allows."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from windstill.records import FloatMap, TileGrid
from windstill.score.kernels import scharr_energy
from windstill.settings import ScoreSettings

# Scales (Gaussian sigma, working pixels) whose gradient energies are compared to tell blur from low contrast.
_COARSE_SIGMA = 2.0
# The same on a plane halved by means, in its pixels: those, and Scharr's kernel on wider pixels, blur as well. Within
# 1 % of the energy on rendered shoots, 2 % from tile to tile.
_COARSE_SIGMA_HALVED = 0.8
_OWN = 0.35  # squared blur of the gradient kernel and the pixel, working pixels squared
# Scharr gradients, per pixel: the kernel's weight and its gain on white noise.
_SCHARR = 1 / 32.0
_NOISE_FINE = 2 * (3**2 * 4 + 10**2 * 2) * _SCHARR**2  # both directions, sigma 1


@dataclass(frozen=True, slots=True, eq=False)
class Detail:
    """Maps of `detail_by_tile`, each of the grid's shape."""

    sharp: FloatMap
    textured: NDArray[np.bool_]
    fineness: FloatMap


def detail_by_tile(
    plane: NDArray[np.uint8],
    grid: TileGrid,
    reduction: int,
    luma: FloatMap,
    noise: FloatMap,
    clipped: FloatMap,
    settings: ScoreSettings,
    half: NDArray[np.uint8] | None = None,
) -> Detail:
    """Sharpness, texture and blur of each tile.

    Parameters
    ----------
    plane : uint8 array, shape (h, w)
        Working plane.
    luma, noise, clipped : FloatMap
        Brightness 0..1, expected noise in 8-bit steps, clipped share.
    half : uint8 array, optional
        The plane halved by means, where the coarse scale may be read off that.

    Returns
    -------
    Detail
        ``sharp``: root mean square gradient less the noise's part, per unit of brightness (so that frames of
        one bracket compare); ``textured``: something to be sharp here, in focus or not; ``fineness``: ratio of
        gradient energies before and after a known blur.

    References
    ----------
    Re-blur ratio: S. Zhuo and T. Sim, Defocus map estimation from a single image, Pattern Recognition 44 (2011).
    """
    fine = scharr_energy(plane, grid, reduction)
    if half is None:
        coarse = scharr_energy(cv2.GaussianBlur(plane, (0, 0), _COARSE_SIGMA), grid, reduction)
    else:  # per pixel of the plane, gradients are half as steep
        coarse = 0.25 * scharr_energy(cv2.GaussianBlur(half, (0, 0), _COARSE_SIGMA_HALVED), grid, 2 * reduction)
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
        fineness=np.where(textured, clean_fine / np.maximum(clean_coarse, 0.01), 0).astype(np.float32),
    )


def fineness_exponent(fineness: NDArray[np.float32]) -> float:
    """How the detail of sharp tiles loses energy under blur: 0.5 for plain edges, 1 for natural texture, more for grit.

    Parameters
    ----------
    fineness : float array
        Of textured tiles, of one frame or of the sharpest frame at each tile of a set.

    Notes
    -----
    Read off the finest tenth, which is taken to be in focus. A gradient energy E(s) after blur s falls as
    (s^2 + o^2)^-p, o the pixel's own blur: p = 1/2 for edges, 1 for a 1/f amplitude spectrum.
    """
    if fineness.size < 20:
        return 1.0
    finest = float(np.percentile(fineness, 90))
    return float(np.clip(np.log(max(finest, 1.0)) / np.log((_COARSE_SIGMA**2 + _OWN) / _OWN), 0.5, 1.6))


def blur_from_fineness(fineness: FloatMap, exponent: float) -> FloatMap:
    """Gaussian sigma, in working pixels, of the blur that explains a fineness; 20 where detail tells nothing.

    Parameters
    ----------
    fineness : FloatMap
    exponent : float
        From `fineness_exponent`.
    """
    ratio = np.maximum(fineness, 1.0) ** (1 / exponent)
    added = _COARSE_SIGMA**2
    with np.errstate(divide="ignore", invalid="ignore"):
        squared = (added + _OWN - _OWN * ratio) / (ratio - 1)
    blur = np.where(ratio > 1.01, np.sqrt(np.clip(squared, 0, 400)), 20.0)
    return np.asarray(blur, np.float32)
