"""What the room gives: a decoded picture, what a header says, and the one error it raises."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

U8 = NDArray[np.uint8]
Region = tuple[int, int, int, int]  # of the upright full-size picture: left, top, width, height


class ImagingError(Exception):
    """A picture that cannot be used; the message is one line in plain words: what is wrong, what to do."""


@dataclass(frozen=True, slots=True)
class ImageInfo:
    """What a file's header says, as recorded (not upright).

    Attributes
    ----------
    width_px, height_px : int
        Size of the full picture, at least 1.
    format : str
        ``"jpeg"``, ``"png"``, ``"tiff"``, ``"webp"``, ``"heic"``, ``"bmp"`` or ``"raw"``, by content, not by
        extension.
    turned : bool
        The container turns the picture itself (HEIC), so the size is upright already and the recorded
        orientation must not be applied to it.
    """

    width_px: int
    height_px: int
    format: str
    turned: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class Decoded:
    """One picture from one decode, upright.

    Attributes
    ----------
    luma : uint8 array (H, W)
        Displayed brightness: Rec. 601 luma of the encoded (taken as sRGB) values, 0..255.
    colour_small : uint8 array (h, w, 3)
        RGB, area-averaged, long side 1024 (that of `luma` where it is shorter).
    clip_high, clip_low : bool arrays (ceil(height_px / clip_step_px), ceil(width_px / clip_step_px))
        Entry [i, j] is about full-resolution pixel [i, j] times the step (the nearest decoded one): any channel at
        least 254; all channels at most 1.
    bits : int
        Bits per channel in the file.
    decoder : str
        What was used, such as ``"jpeg"``, ``"embedded preview"`` or ``"raw half size"``.
    width_px, height_px : int
        Upright full-resolution size.
    luma_scale : float
        Pixels of `luma` per full-resolution pixel, along each axis. From `decode` 1.0, or 1 over the reduction
        asked for, or 0.5 for a halved raw (odd sizes go up or down); below 1 from `preview`.
    clip_step_px : float
        Full-resolution pixels from one entry of `clip_high` to the next: 4, or more from a `preview` of which little
        colour was asked for.
    """

    luma: U8
    colour_small: U8
    clip_high: NDArray[np.bool_]
    clip_low: NDArray[np.bool_]
    bits: int
    decoder: str
    width_px: int
    height_px: int
    luma_scale: float = 1.0
    clip_step_px: float = 4.0


@dataclass(frozen=True, slots=True, eq=False)
class Pixels:
    """Decoded pixels before anything is derived from them.

    Attributes
    ----------
    picture : uint8 array (H, W, 3) RGB or (H, W) gray
        Encoded values (taken as sRGB), as recorded, or upright where `turned`.
    bits : int
        Bits per channel in the file.
    decoder : str
        What was used.
    full_size : (width, height) or None
        Size of the full picture in the same position, where `picture` is smaller.
    scale : float
        Pixels of `picture` per full-resolution pixel; 0.5 for a halved picture of odd size, too.
    turned : bool
        Already upright.
    """

    picture: U8
    bits: int
    decoder: str
    full_size: tuple[int, int] | None = None
    scale: float = 1.0
    turned: bool = False
