"""Noise that may be left in what tiles show of detail: no model of a camera and its files knows all of it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from windstill.records import FloatMap, FrameScore

_ROUNDING_STEPS = 0.6  # 8-bit steps per pixel: the gradient that rounding and compression leave
_NOISE_GRADIENT = 0.7  # the gradient that noise alone leaves, over its standard deviation
_LEFT_NOISE = 2.5  # times the energy expected: what may be left of it
_SOFT_BANDS = 1.3  # energy in the fine band over that in the coarse one, of detail blurred by far more than the pixel
_NOISE_BANDS = 93.0  # the same of white noise


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
    coarse = fine / np.where(told, score.fineness, 1)
    grain = np.clip(fine - _SOFT_BANDS * coarse, 0, _LEFT_NOISE)
    clean = (fine - grain) / np.maximum(coarse - grain / _NOISE_BANDS, 1e-9)
    return np.asarray(np.where(told, clean, score.fineness), np.float32)
