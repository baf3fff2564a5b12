"""From full-size RGB to what later rooms need, then upright."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from windstill.imaging.decoded import RGB, Decoded
from windstill.imaging.upright import swaps_sides, upright

SMALL_LONG_PX = 1024
CLIP_STEP = 4
CLIPPED_HIGH = 254
CLIPPED_LOW = 1


def derive(
    picture: NDArray[np.uint8],
    orientation: int,
    *,
    bits: int,
    decoder: str,
    full_size: tuple[int, int] | None = None,
) -> Decoded:
    """Build the room's result from recorded RGB or gray pixels.

    Parameters
    ----------
    picture : uint8 array (H, W, 3) RGB or (H, W) gray
        sRGB-encoded, as recorded (not yet upright).
    orientation : int
        Exif Orientation.
    bits : int
        Bits per channel in the file.
    decoder : str
        What decoded it.
    full_size : (width, height), optional
        Recorded size of the full picture where `picture` is smaller.
    """
    height, width = picture.shape[:2]
    full_w, full_h = full_size or (width, height)
    luma: Any = picture if picture.ndim == 2 else cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY)
    high, low = _clipping(picture)
    small = area_reduced(picture, SMALL_LONG_PX)
    if small.ndim == 2:
        small = np.repeat(small[..., None], 3, axis=2)
    if swaps_sides(orientation):
        full_w, full_h = full_h, full_w
    return Decoded(
        luma=upright(luma, orientation),
        colour_small=upright(small, orientation),
        clip_high=upright(high, orientation),
        clip_low=upright(low, orientation),
        bits=bits,
        decoder=decoder,
        width_px=full_w,
        height_px=full_h,
        luma_scale=1.0 if full_size is None else max(width, height) / max(full_w, full_h),
    )


def area_reduced(picture: NDArray[np.uint8], long_px: int) -> NDArray[np.uint8]:
    """Average areas until the long side is at most `long_px`; a smaller picture is given back as it is."""
    height, width = picture.shape[:2]
    scale = long_px / max(height, width)
    if scale >= 1:
        return np.ascontiguousarray(picture)
    size = (max(1, round(width * scale)), max(1, round(height * scale)))
    reduced: Any = cv2.resize(picture, size, interpolation=cv2.INTER_AREA)
    result: NDArray[np.uint8] = reduced
    return result


def as_rgb(picture: NDArray[np.uint8]) -> RGB:
    """Three equal channels from gray; RGB as it is."""
    return np.repeat(picture[..., None], 3, axis=2) if picture.ndim == 2 else picture


def _clipping(picture: NDArray[np.uint8]) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    sampled = np.ascontiguousarray(picture[::CLIP_STEP, ::CLIP_STEP])
    brightest = sampled
    if sampled.ndim == 3:
        brightest = np.maximum(np.maximum(sampled[..., 0], sampled[..., 1]), sampled[..., 2])
    return brightest >= CLIPPED_HIGH, brightest <= CLIPPED_LOW
