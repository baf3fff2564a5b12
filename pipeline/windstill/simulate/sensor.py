"""From light to numbers: photon and read noise, clipping, tone curve.

Noise follows EMVA 1288: the variance of a pixel in electrons is sigma_d^2 + mu_e, its quantisation comes on top.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numba import njit
from numpy.typing import NDArray

from windstill.simulate.describe import Body

Floats = NDArray[np.float32]
LEVELS = 16383
"""Of the 14-bit converter."""
BLACK = 512
"""Level of no light in raw files."""


@lru_cache(maxsize=2)
def tone_curve(flat: bool) -> NDArray[np.uint8]:
    """8-bit value of each converter level: the sRGB curve with a little more contrast, as cameras show it."""
    y = np.arange(LEVELS + 1) / LEVELS
    return np.asarray(np.round(255 * display(y, flat)), np.uint8)


def display(y: NDArray[np.float64], flat: bool) -> NDArray[np.float64]:
    """Displayed brightness 0..1 of a linear signal, 1 at clipping."""
    y = np.clip(y, 0, 1)
    if flat:
        return y
    g = np.where(y <= 0.0031308, 12.92 * y, 1.055 * np.maximum(y, 1e-9) ** (1 / 2.4) - 0.055)
    return np.asarray(g + 0.12 * g * (1 - g) * (2 * g - 1))


def noise_factors(body: Body, iso: float) -> tuple[float, float]:
    """(electrons at signal 1, read noise in electrons)."""
    return body.full_well_e * 100 / iso, body.read_noise_e


def develop(signal: Floats, body: Body, iso: float, rng: np.random.Generator) -> NDArray[np.uint8]:
    """8-bit colour picture of a linear signal, shape (height, width, 3)."""
    out = np.empty(signal.shape, np.uint8)
    well, read = noise_factors(body, iso)
    curve = tone_curve(body.flat_response)
    for top in range(0, signal.shape[0], 512):
        part = signal[top : top + 512]
        _to_eight(part, rng.standard_normal(part.shape, dtype=np.float32), np.float32(well), np.float32(read * read),
                  curve, out[top : top + 512])
    return out


def linear16(signal: Floats, body: Body, iso: float, rng: np.random.Generator) -> NDArray[np.uint16]:
    """16-bit colour picture, with the tone curve applied, shape (height, width, 3)."""
    noisy = _noisy(signal, body, iso, rng)
    return np.asarray(np.round(65535 * display(noisy.astype(np.float64), body.flat_response)), np.uint16)


def mosaic(signal: Floats, body: Body, iso: float, rng: np.random.Generator) -> NDArray[np.uint16]:
    """Converter levels behind an RGGB filter array, black at `BLACK`, shape (height, width)."""
    plane = np.empty(signal.shape[:2], np.float32)
    plane[0::2, 0::2] = signal[0::2, 0::2, 0]
    plane[0::2, 1::2] = signal[0::2, 1::2, 1]
    plane[1::2, 0::2] = signal[1::2, 0::2, 1]
    plane[1::2, 1::2] = signal[1::2, 1::2, 2]
    noisy = _noisy(plane, body, iso, rng)
    return np.asarray(np.clip(np.round(noisy * (LEVELS - BLACK) + BLACK), 0, LEVELS), np.uint16)


def _noisy(signal: Floats, body: Body, iso: float, rng: np.random.Generator) -> Floats:
    well, read = noise_factors(body, iso)
    electrons = np.maximum(signal, 0) * np.float32(well)
    sigma = np.sqrt(electrons + np.float32(read * read))
    electrons += sigma * rng.standard_normal(signal.shape, dtype=np.float32)
    return np.asarray(np.minimum(electrons / np.float32(well), 1.0), np.float32)


@njit(cache=True, nogil=True)
def _to_eight(signal, noise, well, read2, curve, out):  # type: ignore[no-untyped-def]
    top = np.float32(curve.size - 1)
    for y in range(signal.shape[0]):
        for x in range(signal.shape[1]):
            for ch in range(3):
                electrons = max(signal[y, x, ch], np.float32(0)) * well
                electrons += np.sqrt(electrons + read2) * noise[y, x, ch]
                level = electrons / well * top + np.float32(0.5)
                level = min(max(level, np.float32(0)), top)
                out[y, x, ch] = curve[int(level)]
