"""Turning a picture the way the camera was held (Exif Orientation 1..8)."""

from __future__ import annotations

from typing import Any, TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray

from windstill.imaging.decoded import Region

T = TypeVar("T", bound=np.generic)


def upright(picture: NDArray[T], orientation: int) -> NDArray[T]:
    """Turn a picture upright.

    Parameters
    ----------
    picture : array (H, W) or (H, W, C), uint8, uint16, float32 or bool
    orientation : int
        Exif Orientation (tag 0x0112), 1..8; anything else counts as 1, as Exif 2.32 has it for reserved values.

    Returns
    -------
    array
        The same values, C-contiguous; (W, H) for orientations 5 to 8.
    """
    as_bool = picture.dtype == np.bool_
    source: NDArray[Any] = picture.view(np.uint8) if as_bool else picture
    turned = _turn(source, orientation)
    return turned.view(np.bool_) if as_bool else turned


def swaps_sides(orientation: int) -> bool:
    """Whether width and height change places."""
    return 5 <= orientation <= 8


def mirrored(orientation: int) -> tuple[bool, bool]:
    """Whether recorded columns (x), and rows (y), run against the upright picture's axis they end on."""
    return orientation in (2, 3, 7, 8), orientation in (3, 4, 6, 7)


def as_recorded(region: Region, orientation: int, recorded: tuple[int, int]) -> Region:
    """Where a region of the upright picture lies in the recorded one, of `recorded` width and height."""
    left, top, width, height = region
    if swaps_sides(orientation):
        left, top, width, height = top, left, height, width
    flip_x, flip_y = mirrored(orientation)
    return (
        recorded[0] - left - width if flip_x else left,
        recorded[1] - top - height if flip_y else top,
        width,
        height,
    )


def _turn(picture: NDArray[Any], orientation: int) -> NDArray[Any]:
    match orientation:
        case 2:
            turned: Any = cv2.flip(picture, 1)
        case 3:
            turned = cv2.rotate(picture, cv2.ROTATE_180)
        case 4:
            turned = cv2.flip(picture, 0)
        case 5:
            turned = cv2.transpose(picture)
        case 6:
            turned = cv2.rotate(picture, cv2.ROTATE_90_CLOCKWISE)
        case 7:
            turned = cv2.flip(cv2.transpose(picture), -1)
        case 8:
            turned = cv2.rotate(picture, cv2.ROTATE_90_COUNTERCLOCKWISE)
        case _:
            turned = np.ascontiguousarray(picture)
    result: NDArray[Any] = turned
    return result
