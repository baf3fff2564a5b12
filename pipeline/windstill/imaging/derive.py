"""From full-size pixels to what later rooms need, upright.

Everything here runs once per frame on the full picture, so each step is one pass of an OpenCV kernel:
halving by 2 x 2 means (its vectorised case) instead of one area reduction by an uneven factor costs a fifth.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from windstill.imaging.decoded import U8, Decoded, Pixels
from windstill.imaging.upright import mirrored, swaps_sides, upright

SMALL_LONG_PX = 1024
CLIP_STEP = 4
CLIPPED_HIGH = 254
CLIPPED_LOW = 1


def derive(pixels: Pixels, orientation: int, small_long_px: int = SMALL_LONG_PX) -> Decoded:
    """Build the room's result.

    Parameters
    ----------
    pixels : Pixels
        Its memory is free for re-use afterwards: nothing in the result shares it unless it is gray.
    orientation : int
        Exif Orientation, 1..8; not applied where the pixels are upright already.
    small_long_px : int
        Long side of `Decoded.colour_small`; where that is less than usual, every other pixel is colour enough.
    """
    picture = pixels.picture
    turn = 1 if pixels.turned else orientation
    height, width = picture.shape[:2]
    full_w, full_h = pixels.full_size or (width, height)
    luma: Any = picture if picture.ndim == 2 else cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY)
    if swaps_sides(turn):
        full_w, full_h = full_h, full_w
    quick = small_long_px < SMALL_LONG_PX
    clip_high, clip_low, coarse = _clipping(picture, turn, (full_w, full_h), quick)
    colour = coarse if quick and max(coarse.shape[:2]) >= small_long_px else picture
    return Decoded(
        luma=upright(luma, turn),
        colour_small=upright(as_rgb(area_reduced(colour, small_long_px)), turn),
        clip_high=clip_high,
        clip_low=clip_low,
        bits=pixels.bits,
        decoder=pixels.decoder,
        width_px=full_w,
        height_px=full_h,
        luma_scale=pixels.scale,
        clip_step_px=max(float(CLIP_STEP), full_w / clip_high.shape[1]),
    )


def area_reduced(picture: U8, long_px: int) -> U8:
    """Average areas until the long side is `long_px`; a copy where it is no longer than that already.

    Halved by 2 x 2 means down to less than twice the size, then resampled linearly. An odd last row or
    column is left out of a halving, so places agree to within half a pixel of the result.
    """
    reduced = halved(picture, long_px)
    height, width = picture.shape[:2]
    scale = min(1.0, long_px / max(height, width))
    size = (max(1, round(width * scale)), max(1, round(height * scale)))
    if size == (width, height):
        return picture.copy()
    return np.asarray(cv2.resize(reduced, size, interpolation=cv2.INTER_LINEAR), np.uint8)


def halved(picture: U8, long_px: int) -> U8:
    """Halve by 2 x 2 means while the long side stays at least `long_px`; an odd last row or column is left out.

    The picture itself where it is less than twice as long.
    """
    reduced: Any = picture
    while max(reduced.shape[:2]) >= 2 * long_px and min(reduced.shape[:2]) >= 2:
        rows, cols = reduced.shape[0] // 2, reduced.shape[1] // 2
        reduced = cv2.resize(reduced[: 2 * rows, : 2 * cols], (cols, rows), interpolation=cv2.INTER_AREA)
    return np.asarray(reduced, np.uint8)


def as_rgb(picture: U8) -> U8:
    """Three equal channels from gray; RGB as it is."""
    return np.repeat(picture[..., None], 3, axis=2) if picture.ndim == 2 else picture


def _clipping(
    picture: U8, orientation: int, full_size: tuple[int, int], quick: bool
) -> tuple[NDArray[np.bool_], NDArray[np.bool_], U8]:
    """What is clipped high and low at every 4th full-resolution pixel, upright; and the pixels looked at.

    `full_size` is (width, height) upright. Where it is `quick`, of a preview no more entries than were looked at.
    """
    recorded = full_size[::-1] if swaps_sides(orientation) else full_size
    for step in (4, 2, 1):
        if (picture.shape[1] * CLIP_STEP, picture.shape[0] * CLIP_STEP) == (recorded[0] * step, recorded[1] * step):
            sampled = _sampled(picture, orientation, step)
            high, low = _clipped(sampled)
            return upright(high, orientation), upright(low, orientation), sampled
    size = -(-full_size[0] // CLIP_STEP), -(-full_size[1] // CLIP_STEP)
    if min(picture.shape[:2]) >= min(size) and picture.ndim == 3:
        # A preview: every other of its pixels, which are means already, tells the share of a tile as well; every third
        # is some forty a tile.
        picture = _sampled(picture, orientation, 3 if quick else 2)
    high, low = (upright(mask, orientation) for mask in _clipped(picture))
    if quick and high.shape[0] < size[1] and high.shape[1] < size[0]:
        return high, low, picture
    return _spread(high, size), _spread(low, size), picture


def _spread(mask: NDArray[np.bool_], size: tuple[int, int]) -> NDArray[np.bool_]:
    """A mask at another (width, height), by the nearest entries."""
    if not mask.any():
        return np.zeros(size[::-1], np.bool_)  # most masks, and untouched memory costs nothing
    spread = cv2.resize(mask.view(np.uint8), size, interpolation=cv2.INTER_NEAREST)
    return np.asarray(spread).view(np.bool_)


def _sampled(picture: U8, orientation: int, step: int) -> U8:
    """Every 4th (2nd, 1st) pixel, counted from the upright picture's upper left corner.

    Nearest-neighbour resizing by a whole number reads the same pixels as slicing and is three times faster.
    """
    height, width = picture.shape[:2]
    flip_x, flip_y = mirrored(orientation)
    left = (width - 1) % step if flip_x else 0
    top = (height - 1) % step if flip_y else 0
    rows = picture[top::step]
    whole = (width - left) // step
    count = -(-(width - left) // step)
    sampled = np.empty((rows.shape[0], count, *picture.shape[2:]), np.uint8)
    if whole:
        block = rows[:, left : left + step * whole]
        sampled[:, :whole] = cv2.resize(block, (whole, rows.shape[0]), interpolation=cv2.INTER_NEAREST)
    if count > whole:
        sampled[:, whole] = rows[:, left + step * whole]
    return sampled


def _clipped(sampled: U8) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Where the brightest channel is clipped high, and where it is clipped low."""
    if sampled.ndim == 2:
        return sampled >= CLIPPED_HIGH, sampled <= CLIPPED_LOW
    below, low = (cv2.inRange(sampled, (0, 0, 0), (most,) * 3) for most in (CLIPPED_HIGH - 1, CLIPPED_LOW))
    return np.asarray(below) == 0, np.asarray(low) > 0
