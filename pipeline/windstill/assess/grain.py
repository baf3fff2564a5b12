"""Noise that may be left in what tiles show of detail: no model of a camera and its files knows all of it."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from windstill.records import FloatMap, FrameScore

Energies = NDArray[np.floating[Any]]

_ROUNDING_STEPS = 0.6  # 8-bit steps per pixel: the gradient that rounding and compression leave
_NOISE_GRADIENT = 0.7  # the gradient that noise alone leaves, over its standard deviation
_LEFT_NOISE = 2.5  # times the energy expected: what may be left of it
_SOFT_BANDS = 1.3  # energy in the fine band over that in the coarse one, of detail blurred by far more than the pixel
NOISE_BANDS = 93.0
"""Energy of white noise in the fine band over that in the coarse one."""


COARSE_SIGMA = 2.0
"""Known blur, pixels of a plane, before and after which the energy of gradients tells how fine its detail is."""


def gradients(plane: NDArray[Any], sigma: float = 0.0) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Steps per pixel across and down a plane, by Scharr's kernel, after a Gaussian blur of `sigma` pixels."""
    smooth = plane.astype(np.float32)
    if sigma:
        smooth = cv2.GaussianBlur(smooth, (0, 0), sigma)
    across, down = (cv2.Scharr(smooth, cv2.CV_32F, dx, 1 - dx, scale=1 / 32) for dx in (1, 0))
    return np.asarray(across, np.float32), np.asarray(down, np.float32)


def noise_gradient(luma: FloatMap, noise: FloatMap) -> NDArray[np.float32]:
    """What noise and rounding alone would add to `FrameScore.sharp`, by brightness (0..1) and noise (8-bit steps)."""
    return np.asarray(np.maximum(_ROUNDING_STEPS, _NOISE_GRADIENT * noise) / (255 * luma + 8), np.float32)


def fineness_without_noise(score: FrameScore) -> FloatMap:
    """How fine the detail of a frame is at least, whatever noise may be left in it: `FrameScore.fineness` so cleaned.

    Compression flattens the finest part of noise, by which it is measured, and leaves coarser grain: by that a cloud,
    soft as it is, seems as fine as a flower.
    """
    told = score.fineness > _SOFT_BANDS
    fine = (score.sharp / noise_gradient(score.luma, score.noise)) ** 2
    _, clean = without_grain(fine, score.fineness, np.clip(most_grain(fine, score.fineness), 0, _LEFT_NOISE))
    return np.asarray(np.where(told, clean, score.fineness), np.float32)


def most_grain(fine: Energies, fineness: Energies) -> Energies:
    """What of the energy in the fine band is grain at the most: detail, however soft, has a little more than blur."""
    return np.asarray(fine * (1 - _SOFT_BANDS / np.maximum(fineness, 1.0)))


def without_grain(fine: Energies, fineness: Energies, grain: Energies) -> tuple[Energies, Energies]:
    """Energy left in the fine band without grain of white noise, and how fine the detail then is."""
    clean = np.maximum(fine - grain, 0)
    coarse = np.maximum(fine / np.maximum(fineness, 1.0) - grain / NOISE_BANDS, 1e-9)
    return clean, clean / coarse
