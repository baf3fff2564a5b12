"""The room's entry points: one decode per call, by content, never by extension.

What cameras write most, sequential JPEG, is decoded here by libjpeg-turbo; everything else in a separate process.
"""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Iterator
from pathlib import Path

import cv2

from windstill.imaging import isolated
from windstill.imaging.decoded import U8, Decoded, ImageInfo, ImagingError, Region
from windstill.imaging.derive import SMALL_LONG_PX, as_rgb, derive
from windstill.imaging.faults import damaged, no_memory
from windstill.imaging.jpeg import Buffer, JpegHeader, OddJpeg, decode_jpeg, header_of
from windstill.imaging.kinds import look, read_whole
from windstill.imaging.previews import jpeg_preview, read_jpeg_head
from windstill.imaging.upright import as_recorded, upright
from windstill.settings.imaging import ImagingSettings

_mine = threading.local()


def decode(path: Path, orientation: int, settings: ImagingSettings, *, reduction: int = 1) -> Decoded:
    """Decode a picture once.

    Parameters
    ----------
    path : Path
        Opened for reading only.
    orientation : int
        Exif Orientation as recorded, 1..8; not applied to HEIC, which turns itself.
    settings : ImagingSettings
    reduction : int
        2, 4 or 8 where the caller works on `luma` reduced by that anyway: a JPEG whose sides are multiples of it is
        then decoded at that fraction, which costs a third less and equals averaging but for rounding
        (`Decoded.luma_scale` says whether it was). Sizes and clipping stay those of the full picture.

    Returns
    -------
    Decoded
        Full size unless `reduction` was asked for; half size for raw files without a large embedded JPEG.

    Raises
    ------
    ImagingError
        The file cannot be used: unreadable, cut off, damaged, too large, of no known kind, or its decoder is
        not installed, crashed, or took too long.

    Notes
    -----
    Embedded colour profiles are not applied: values are taken as sRGB-encoded.
    """
    plain = _plain_jpeg(path, settings)
    if plain is not None:
        with _in_words():
            return derive(decode_jpeg(*plain, settings, _buffer(), reduction), orientation)
    return isolated.decode(path, orientation, settings, reduction)


def _buffer() -> Buffer:
    """This thread's memory to decode into."""
    if not hasattr(_mine, "buffer"):
        _mine.buffer = Buffer()
    kept: Buffer = _mine.buffer
    return kept


def decode_rgb(path: Path, orientation: int, settings: ImagingSettings, region: Region | None = None) -> U8:
    """Decode a picture to full-resolution colour, for crops at 100 %.

    Parameters
    ----------
    path, orientation, settings
        As for `decode`.
    region : (int, int, int, int), optional
        Left, top, width and height, inside the upright picture, where no more than that is wanted: it is decoded into
        memory that is there already, and what is handed out is small.

    Returns
    -------
    uint8 array (H, W, 3)
        Upright RGB. Without a region, H and W are `Decoded.height_px` and `Decoded.width_px`.

    Raises
    ------
    ImagingError
        As `decode`.
    """
    plain = _plain_jpeg(path, settings)
    if plain is not None:
        with _in_words():
            picture = decode_jpeg(*plain, settings, None if region is None else _buffer()).picture
            if region is not None:
                picture = _cut(picture, as_recorded(region, orientation, (picture.shape[1], picture.shape[0])))
            return upright(as_rgb(picture), orientation)
    picture = isolated.decode_rgb(path, orientation, settings)
    return picture if region is None else _cut(picture, region)


def _cut(picture: U8, region: Region) -> U8:
    """A copy of a part of a picture."""
    left, top, width, height = region
    return picture[top : top + height, left : left + width].copy()


def preview(
    path: Path, orientation: int, settings: ImagingSettings, *, allow_scaled: bool = False,
    small_long_px: int = SMALL_LONG_PX,
) -> Decoded | None:
    """The largest embedded preview, for the quick check.

    Parameters
    ----------
    path, orientation, settings
        As for `decode`.
    allow_scaled : bool
        For a JPEG without a preview of `ImagingSettings.preview_min_px`, decode the picture itself at reduced
        size (about half the cost of a full decode).
    small_long_px : int
        Long side of `Decoded.colour_small` of a JPEG, where the caller is content with less.

    Returns
    -------
    Decoded or None
        Size is that of the full picture, `luma_scale` below 1. ``None`` when nothing large enough is embedded.

    Raises
    ------
    ImagingError
        As `decode`; a file that is cut off is an error even where its preview is whole.
    """
    kind, size = look(path, settings)
    if kind in ("png", "webp", "heic", "bmp"):
        return None
    if kind != "jpeg":
        return isolated.preview(path, orientation, settings)
    with _in_words():
        pixels = jpeg_preview(path, size, settings, allow_scaled=allow_scaled, buffer=_buffer())
        return None if pixels is None else derive(pixels, orientation, small_long_px)
    return None


def probe(path: Path, settings: ImagingSettings | None = None) -> ImageInfo:
    """Recorded size and format, from headers only.

    Raises
    ------
    ImagingError
        As `decode`, as far as a header can tell.
    """
    settings = settings or ImagingSettings()
    kind, _ = look(path, settings)
    if kind != "jpeg":
        return isolated.info(path, settings)
    _, header = read_jpeg_head(path, settings)
    return ImageInfo(header.width_px, header.height_px, "jpeg")


@contextlib.contextmanager
def _in_words() -> Iterator[None]:
    """Go on after a JPEG that another decoder may take; put a library's complaints in plain words."""
    try:
        yield
    except OddJpeg:
        pass
    except (MemoryError, cv2.error) as err:
        if no_memory(err):
            raise ImagingError("there is not enough free memory to decode the picture; use fewer workers") from err
        raise damaged() from err


def _plain_jpeg(path: Path, settings: ImagingSettings) -> tuple[bytes, JpegHeader] | None:
    """Bytes and header of a JPEG to be decoded in this process, ``None`` for everything else."""
    kind, _ = look(path, settings)
    if kind != "jpeg":
        return None
    data = read_whole(path, settings)
    header = header_of(data, settings)
    return (data, header) if header.plain else None


