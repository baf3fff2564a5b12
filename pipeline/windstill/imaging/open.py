"""The room's entry points: one decode per call, by content, never by extension."""

from __future__ import annotations

import io
from pathlib import Path

import cv2
import numpy as np
import simplejpeg
import tifffile
from numpy.typing import NDArray
from PIL import Image

from windstill.imaging.decoded import RGB, Decoded, ImageInfo, ImagingError
from windstill.imaging.derive import as_rgb, derive
from windstill.imaging.upright import upright
from windstill.settings.imaging import ImagingSettings

cv2.setNumThreads(1)


def decode(path: Path, orientation: int, settings: ImagingSettings) -> Decoded:
    """Decode a picture once.

    Raises
    ------
    ImagingError
        The file cannot be read, is damaged, too large or of no known kind.
    """
    picture, bits, decoder = _pixels(path, settings)
    return derive(picture, orientation, bits=bits, decoder=decoder)


def decode_rgb(path: Path, orientation: int, settings: ImagingSettings) -> RGB:
    """Upright full-resolution RGB, uint8 (H, W, 3)."""
    picture, _, _ = _pixels(path, settings)
    return upright(as_rgb(picture), orientation)


def preview(path: Path, orientation: int, settings: ImagingSettings, *, allow_scaled: bool = False) -> Decoded | None:
    """A smaller picture of the same frame, cheaply."""
    data = _read(path)
    if not allow_scaled or data[:2] != b"\xff\xd8":
        return None
    try:
        height, width, _, _ = simplejpeg.decode_jpeg_header(data)
        small = simplejpeg.decode_jpeg(data, "RGB", min_height=1, min_width=1, min_factor=4, fastupsample=True)
    except ValueError as err:
        raise ImagingError("the JPEG data is damaged; copy the file again from the card") from err
    return derive(small, orientation, bits=8, decoder="jpeg 1/4", full_size=(width, height))


def probe(path: Path) -> ImageInfo:
    """Recorded size and format, from headers only."""
    try:
        with Image.open(path) as image:
            return ImageInfo(image.width, image.height, (image.format or "").lower())
    except Exception as err:
        raise ImagingError("not a picture this program can read") from err


def _read(path: Path) -> bytes:
    try:
        data = path.read_bytes()
    except OSError as err:
        raise ImagingError(f"cannot be read ({err.strerror})") from err
    if not data:
        raise ImagingError("the file is empty; copy it again from the card")
    return data


def _pixels(path: Path, settings: ImagingSettings) -> tuple[NDArray[np.uint8], int, str]:
    data = _read(path)
    info = probe(path)
    if info.width_px * info.height_px > settings.max_megapixels * 1e6:
        raise ImagingError(f"{info.width_px} x {info.height_px} px is larger than any camera makes")
    try:
        if info.format == "jpeg":
            return simplejpeg.decode_jpeg(data, "RGB", fastupsample=True), 8, "jpeg"
        if info.format == "tiff":
            array = tifffile.imread(io.BytesIO(data))
            bits = array.dtype.itemsize * 8
            if array.dtype == np.uint16:
                array = (array >> 8).astype(np.uint8)
            if array.dtype == np.uint8 and array.ndim in (2, 3):
                return np.ascontiguousarray(array[..., :3] if array.ndim == 3 else array), bits, "tiff"
        with Image.open(io.BytesIO(data)) as image:
            return np.asarray(image.convert("RGB")), 8, info.format
    except Exception as err:
        raise ImagingError("the picture data is damaged; copy the file again from the card") from err
