"""Decoding of everything but plain camera JPEGs. Called only in the separate process (see `isolated`)."""

from __future__ import annotations

import contextlib
from pathlib import Path

from windstill.imaging import heic, raster, raw, tiff
from windstill.imaging.decoded import ImageInfo, ImagingError, Pixels
from windstill.imaging.faults import not_a_picture, unsupported
from windstill.imaging.jpeg import OddJpeg, decode_jpeg, header_of
from windstill.imaging.kinds import HEAD_BYTES, RAW_SUFFIXES, Kind, kind_of, look, read_part, read_whole
from windstill.imaging.whole import check_length
from windstill.settings.imaging import ImagingSettings


def read(path: Path, settings: ImagingSettings, *, full: bool, reduction: int = 1) -> Pixels:
    """Decode a picture of any kind.

    Parameters
    ----------
    full : bool
        Full size is needed, whatever it costs.
    reduction : int
        As for `decode_jpeg`, where the pixels come from a JPEG.

    Raises
    ------
    ImagingError
        The file cannot be used.
    MemoryError
        Decoding takes more than it may.
    """
    kind = _kind(path, settings)
    match kind:
        case "raw":
            try:
                return raw.read(path, settings, full=full, reduction=reduction)
            except raw.NotRaw as err:
                raise _unknown(path) from err
        case "tiff":
            return tiff.read(path, settings)
        case "heic":
            return heic.read(path, settings)
        case "jpeg":
            return _jpeg(path, settings, reduction)
    return raster.read(path, kind, settings)


def preview(path: Path, settings: ImagingSettings) -> Pixels | None:
    """The embedded preview of a raw file; other kinds have none that serves."""
    if _kind(path, settings) != "raw":
        return None
    try:
        return raw.preview(path, settings)
    except raw.NotRaw as err:
        raise _unknown(path) from err


def info(path: Path, settings: ImagingSettings) -> ImageInfo:
    """What the header says."""
    kind = _kind(path, settings)
    match kind:
        case "raw":
            try:
                return raw.info(path, settings)
            except raw.NotRaw as err:
                raise _unknown(path) from err
        case "tiff":
            return tiff.info(path, settings)
        case "heic":
            return heic.info(path, settings)
    return raster.info(path, kind, settings)


def _kind(path: Path, settings: ImagingSettings) -> Kind:
    kind, size = look(path, settings)
    check_length(path, kind, size)
    if kind == "tiff" and tiff.is_raw(path, named_so=path.suffix.lower() in RAW_SUFFIXES):
        return "raw"
    return kind


def _unknown(path: Path) -> ImagingError:
    """What to say of a file that LibRaw does not know."""
    return not_a_picture() if kind_of(read_part(path, 0, HEAD_BYTES)) is None else unsupported("this camera's raw file")


def _jpeg(path: Path, settings: ImagingSettings, reduction: int) -> Pixels:
    """A progressive JPEG by libjpeg-turbo, the rest (CMYK, scans per component, odd sampling) by Pillow."""
    data = read_whole(path, settings)
    header = header_of(data, settings)
    if header.progressive and header.precision == 8 and header.components in (1, 3):
        with contextlib.suppress(OddJpeg):
            return decode_jpeg(data, header, settings, reduction=reduction)
    return raster.read(path, "jpeg", settings)


