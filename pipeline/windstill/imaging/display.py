"""From whatever numbers a file holds to 8-bit displayed brightness."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from windstill.imaging.decoded import U8

# Floating-point pictures with values above this are not scaled to white = 1: they hold 8- or 16-bit counts.
_COUNTS_ABOVE = 16.0


def displayed(values: NDArray[Any], bits: int | None = None) -> U8:
    """Scale to 8 bits.

    Integers are taken as encoded for display and scaled from their full range; floating-point values as linear
    light with white at 1 (the custom for such files) and encoded by the sRGB curve (IEC 61966-2-1), unless
    their size says that they are counts of 8 or 16 bits. Negative values and NaN are black.

    Parameters
    ----------
    values : array (H, W) or (H, W, C), C at most 4
    bits : int, optional
        Significant bits of an integer type, where fewer than it has.
    """
    if values.dtype == np.bool_:
        return values.astype(np.uint8) * np.uint8(255)
    if values.dtype.kind == "f":
        return _from_float(values)
    used = bits or values.dtype.itemsize * 8
    if values.dtype == np.uint8 and used == 8:
        return np.ascontiguousarray(values)
    if values.dtype.kind == "i":
        used -= 1  # one is the sign
        values = np.maximum(values, 0)
    if values.dtype.itemsize > 2:
        values = (values >> max(0, used - 16)).clip(0, 65535).astype(np.uint16)
        used = min(used, 16)
    source = np.ascontiguousarray(values).view(f"u{values.dtype.itemsize}")
    scaled: Any = cv2.convertScaleAbs(source, alpha=255.0 / (2**used - 1))
    return np.asarray(scaled, np.uint8).reshape(values.shape)


def over_black(picture: U8, alpha: U8) -> U8:
    """Weigh by opacity: what is transparent shows nothing, so its hidden colours must not be measured."""
    if alpha.min() == 255:
        return picture
    weights = alpha if picture.ndim == 2 else cv2.merge([alpha] * picture.shape[2])
    return np.asarray(cv2.multiply(picture, np.asarray(weights), scale=1 / 255.0), np.uint8)


def _from_float(values: NDArray[Any]) -> U8:
    linear = np.nan_to_num(values.astype(np.float32, copy=False), nan=0.0, posinf=np.inf, neginf=0.0)
    finite = linear[np.isfinite(linear)]
    top = float(finite.max()) if finite.size else 0.0
    if top > _COUNTS_ABOVE:
        white = 255.0 if top <= 255.0 else 65535.0
        return _steps(np.clip(linear / white, 0, 1))
    linear = np.clip(linear, 0, 1)
    encoded = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)
    return _steps(encoded)


def _steps(share: NDArray[Any]) -> U8:
    return np.asarray(np.rint(share * 255), np.uint8)
