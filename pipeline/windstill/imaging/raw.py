"""Camera raw and DNG by LibRaw (rawpy, optional extra ``raw``).

The embedded full-size JPEG serves where there is one: it is what the photographer sees, and costs what a JPEG
costs. Otherwise the mosaic is brought to half size, 2 x 2 sites to a pixel, without interpolation.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from windstill.imaging import embedded
from windstill.imaging.decoded import U8, ImageInfo, ImagingError, Pixels
from windstill.imaging.display import displayed
from windstill.imaging.faults import check_memory, check_size, cut_off, damaged, missing
from windstill.imaging.jpeg import Incomplete, JpegHeader, decode_jpeg, decode_scaled, read_header
from windstill.imaging.kinds import read_whole
from windstill.imaging.tiff import check_whole
from windstill.settings.imaging import ImagingSettings

_BYTES_HALF, _BYTES_FULL = 6, 14  # per pixel of the mosaic: the mosaic, LibRaw's four 16-bit planes, the result
_EMPTY_ROWS = 8


@dataclass(frozen=True, slots=True, eq=False)
class _Preview:
    """The largest JPEG a raw file holds."""

    data: bytes
    header: JpegHeader

    @property
    def size(self) -> tuple[int, int]:
        return self.header.width_px, self.header.height_px


class NotRaw(Exception):
    """LibRaw does not know the file."""


def info(path: Path, settings: ImagingSettings) -> ImageInfo:
    """Size of the full picture that `read` refers to.

    Raises
    ------
    NotRaw, ImagingError
        As `read`.
    """
    with _opened(path, settings) as raw:
        found = _serving(raw, settings)
        width, height = _size(raw) if found is None else found.size
        return ImageInfo(width, height, "raw", turned=found is not None and _turned(found, raw))


def read(path: Path, settings: ImagingSettings, *, full: bool, reduction: int = 1) -> Pixels:
    """Decode a raw file.

    Parameters
    ----------
    full : bool
        Full size is needed: where no embedded JPEG serves, interpolate the mosaic instead of halving it.
    reduction : int
        As for `decode_jpeg`, for the embedded JPEG.

    Raises
    ------
    NotRaw
        LibRaw does not know the file, and no large JPEG is inside.
    ImagingError
        rawpy is not installed; cut off, damaged or too large.
    """
    check_whole(path)
    try:
        with _opened(path, settings) as raw:
            found = _serving(raw, settings)
            if found is None:
                return _developed(raw, settings, full=full)
            turned = _turned(found, raw)
    except NotRaw:
        found = _largest_inside(path, settings)
        if found is None:
            raise
        turned = False
    decoded = decode_jpeg(found.data, found.header, settings, reduction=reduction)
    return replace(decoded, decoder=decoded.decoder.replace("jpeg", "embedded preview", 1), turned=turned)


def preview(path: Path, settings: ImagingSettings) -> Pixels | None:
    """The embedded preview at no more than the size the quick check needs.

    Raises
    ------
    NotRaw, ImagingError
        As `read`.
    """
    check_whole(path)
    try:
        with _opened(path, settings) as raw:
            found = _preview(raw)
            size = _size(raw)
            turned = found is not None and _turned(found, raw)
            if found is not None and _serves(found, raw, settings):
                size = found.size
    except NotRaw:
        found = _largest_inside(path, settings)
        if found is None:
            raise
        size, turned = found.size, False
    if found is None or max(found.size) < settings.preview_min_px:
        return None
    if turned and found.size != size:
        size = size[1], size[0]
    picture, divisor = decode_scaled(found.data, found.header, settings)
    scale = max(found.size) / max(size) / divisor
    return Pixels(picture, 8, "embedded preview", full_size=size, scale=scale, turned=turned)


@contextmanager
def _opened(path: Path, settings: ImagingSettings) -> Iterator[Any]:
    """The file, its header read, its size checked, LibRaw's errors in plain words."""
    try:
        import rawpy
    except ImportError as err:
        raise missing("camera raw and DNG", "raw") from err
    raw = rawpy.RawPy()
    try:
        _open(raw, path)
        check_size(*_size(raw), settings)
        mosaic = int(raw.sizes.raw_width), int(raw.sizes.raw_height)
        check_size(*mosaic, settings)
        if path.stat().st_size * 8 < settings.raw_least_bits * mosaic[0] * mosaic[1]:
            raise cut_off()
        yield raw
    except rawpy.LibRawFileUnsupportedError as err:
        raise NotRaw from err
    except rawpy.LibRawUnsufficientMemoryError as err:
        raise MemoryError from err
    except rawpy.LibRawIOError as err:
        raise cut_off() from err
    except (rawpy.LibRawError, rawpy.NotSupportedError) as err:
        raise damaged("the raw data") from err
    finally:
        raw.close()


def _open(raw: Any, path: Path) -> None:
    try:
        str(path).encode("utf-8")
    except UnicodeEncodeError:  # a name that is not UTF-8, which rawpy cannot pass on
        with path.open("rb") as file:
            raw.open_buffer(file)
    else:
        raw.open_file(str(path))


def _size(raw: Any) -> tuple[int, int]:
    return int(raw.sizes.width), int(raw.sizes.height)


def _preview(raw: Any) -> _Preview | None:
    import rawpy

    try:
        thumb = raw.extract_thumb()
    except rawpy.LibRawError:
        return None
    if thumb.format != rawpy.ThumbFormat.JPEG:
        return None
    data = bytes(thumb.data)
    try:
        header = read_header(data)
    except (Incomplete, ImagingError):
        return None
    return _Preview(data, header) if header.plain and header.width_px and header.height_px else None


def _serving(raw: Any, settings: ImagingSettings) -> _Preview | None:
    found = _preview(raw)
    return found if found is not None and _serves(found, raw, settings) else None


def _serves(found: _Preview, raw: Any, settings: ImagingSettings) -> bool:
    check_size(*found.size, settings)
    return max(found.size) >= settings.raw_preview_share * max(_size(raw))


def _turned(found: _Preview, raw: Any) -> bool:
    """Whether the camera stored the preview upright beside a raw that lies on its side."""
    (width, height), (raw_width, raw_height) = found.size, _size(raw)
    return (width > height) != (raw_width > raw_height) and raw_width != raw_height


def _developed(raw: Any, settings: ImagingSettings, *, full: bool) -> Pixels:
    """The mosaic as an sRGB picture of one fixed curve, so that the frames of a bracket stay apart."""
    import rawpy

    width, height = _size(raw)
    raw_pixels = int(raw.sizes.raw_width) * int(raw.sizes.raw_height)
    check_memory(raw_pixels * (_BYTES_FULL if full else _BYTES_HALF), settings)
    raw.unpack()
    _check_rows(raw)
    developed = raw.postprocess(
        half_size=not full,
        demosaic_algorithm=rawpy.DemosaicAlgorithm.LINEAR,
        use_camera_wb=True,
        no_auto_bright=True,
        adjust_maximum_thr=0.0,
        output_color=rawpy.ColorSpace.sRGB,
        gamma=(2.4, 12.92),
        output_bps=8,
        user_flip=0,
    )
    picture: U8 = displayed(np.asarray(developed))
    if picture.ndim == 3 and picture.shape[2] == 1:
        picture = np.ascontiguousarray(picture[..., 0])
    halved = max(picture.shape[:2]) <= 0.75 * max(width, height)
    bits = int(raw.white_level).bit_length() if raw.white_level else 16
    if not halved:
        return Pixels(picture, bits, "raw")
    return Pixels(picture, bits, "raw half size", full_size=(width, height), scale=0.5)


def _check_rows(raw: Any) -> None:
    """LibRaw fills what is missing with zeros; a sensor's own rows are never all zero."""
    mosaic = raw.raw_image_visible
    if mosaic is None or mosaic.shape[0] < 2 * _EMPTY_ROWS or mosaic[-_EMPTY_ROWS:].any():
        return
    present = np.flatnonzero(mosaic.any(axis=tuple(range(1, mosaic.ndim))))
    raise cut_off(100.0 * (int(present[-1]) + 1) / mosaic.shape[0] if present.size else 0.0)


def _largest_inside(path: Path, settings: ImagingSettings) -> _Preview | None:
    """Largest JPEG in a raw file LibRaw does not know, if it is large enough to measure on."""
    data = read_whole(path, settings)
    best: tuple[int, JpegHeader] | None = None
    for start in embedded.starts(data, 0, len(data)):
        header = embedded.header_at(data, start)
        if header is not None and (best is None or header.width_px > best[1].width_px):
            best = start, header
    if best is None or max(best[1].width_px, best[1].height_px) < settings.preview_enough_px:
        return None
    check_size(best[1].width_px, best[1].height_px, settings)
    return _Preview(data[best[0] :], best[1])
