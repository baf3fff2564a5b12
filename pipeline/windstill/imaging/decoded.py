"""What the room gives: a decoded picture, what a header says, and the one error it raises."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Bytes2D = NDArray[np.uint8]
RGB = NDArray[np.uint8]


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
        ``"jpeg"``, ``"png"``, ``"tiff"``, ``"webp"``, ``"heic"`` or ``"raw"``, by content, never by extension.
    """

    width_px: int
    height_px: int
    format: str


@dataclass(frozen=True, slots=True, eq=False)
class Decoded:
    """One picture from one decode, upright.

    Attributes
    ----------
    luma : uint8 array (H, W)
        Displayed brightness: Rec. 601 luma of the sRGB-encoded values, 0..255.
    colour_small : uint8 array (h, w, 3)
        RGB, area-averaged, long side at most 1024.
    clip_high, clip_low : bool arrays (ceil(H/4), ceil(W/4))
        Sampled at every 4th pixel of the decoded picture: any channel at least 254; all channels at most 1.
    bits : int
        Bits per channel in the file.
    decoder : str
        What was used, such as ``"jpeg"``, ``"embedded preview"`` or ``"raw half size"``.
    width_px, height_px : int
        Upright full-resolution size.
    luma_scale : float
        Pixels of `luma` per full-resolution pixel, along each axis: 1.0 unless a smaller picture was decoded.
    """

    luma: Bytes2D
    colour_small: RGB
    clip_high: NDArray[np.bool_]
    clip_low: NDArray[np.bool_]
    bits: int
    decoder: str
    width_px: int
    height_px: int
    luma_scale: float = 1.0
