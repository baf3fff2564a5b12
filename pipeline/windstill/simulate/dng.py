"""TIFF-based files with camera data: DNG raw frames (RGGB mosaic with a preview) and 16-bit TIFF.

tifffile writes the pixels, tifftools adds the camera's own tables (an Exif IFD) to the file.
"""

from __future__ import annotations

import struct
from pathlib import Path
from typing import Any

import numpy as np
import piexif
import tifffile
import tifftools
from numpy.typing import NDArray

from windstill.simulate.sensor import BLACK, LEVELS
from windstill.simulate.timeline import Exposure

Tables = dict[str, dict[int, object]]
_EXIF_IFD = 34665
_SEQUENCE_TYPES = {"exposure": "Exposure Bracket", "focus": "Focus Stack", "view": "Panorama Segment"}
# XYZ (D65) to linear sRGB, as ten-thousandths: the simulated sensor's primaries are those of sRGB.
_COLOUR_MATRIX = (32405, -15371, -4985, -9693, 18760, 416, 556, -2040, 10572)


def write_tiff(path: Path, rgb: NDArray[np.uint16], data: Tables | None) -> None:
    """Write a 16-bit colour picture, with an Exif IFD when there is camera data."""
    tifffile.imwrite(path, rgb, photometric="rgb", metadata=None)
    if data is not None:
        _add_tables(path, data, {})


def write_dng(path: Path, cfa: NDArray[np.uint16], preview: NDArray[np.uint8], data: Tables, frame: Exposure) -> None:
    """Write one raw frame: a preview in the first IFD, the mosaic in a SubIFD (DNG 1.7.1).

    Parameters
    ----------
    cfa : uint16 array, shape (height, width)
        RGGB, black at `BLACK`, white at `LEVELS`.
    preview : uint8 array, shape (h, w, 3)
    data : dict
        Camera data in piexif's form.
    """
    model = bytes(_as_bytes(data["0th"][piexif.ImageIFD.Model])).decode()
    raw_tags: list[tuple[Any, ...]] = [
        (33421, 3, 2, (2, 2), True), (33422, 1, 4, bytes((0, 1, 1, 2)), True), (50711, 3, 1, 1, True),
        (50714, 4, 1, BLACK, True), (50717, 4, 1, LEVELS, True),
    ]
    first_tags: list[tuple[Any, ...]] = [
        (50706, 1, 4, bytes((1, 4, 0, 0)), True), (50707, 1, 4, bytes((1, 3, 0, 0)), True),
        (50708, 2, 0, model, True), (50721, 10, 9, tuple(v for m in _COLOUR_MATRIX for v in (m, 10_000)), True),
        (50728, 5, 3, (1, 1, 1, 1, 1, 1), True), (50778, 3, 1, 21, True),
    ]
    with tifffile.TiffWriter(path) as tif:
        tif.write(preview, subifds=1, subfiletype=1, photometric="rgb", compression="jpeg",
                  compressionargs={"level": 85}, extratags=first_tags, metadata=None)
        tif.write(cfa, subfiletype=0, photometric=32803, extratags=raw_tags, metadata=None, rowsperstrip=cfa.shape[0])
    extra: dict[int, bytes] = {}
    if frame.marked in _SEQUENCE_TYPES:
        extra[52548] = sequence_info(frame)
    _add_tables(path, data, extra)


def sequence_info(frame: Exposure) -> bytes:
    """ImageSequenceInfo (tag 52548): id, type, frame info; index and count big-endian; final flag."""
    assert frame.marked is not None
    texts = (frame.mark_id, _SEQUENCE_TYPES[frame.marked], "")
    final = frame.mark_index == frame.mark_count
    head = b"".join(t.encode() + b"\0" for t in texts)
    return head + struct.pack(">IIB", frame.mark_index, frame.mark_count, int(final))


def _add_tables(path: Path, data: Tables, extra: dict[int, bytes]) -> None:
    """Put camera data into a TIFF-based file that holds pixels already."""
    info = tifftools.read_tiff(str(path))
    first = info["ifds"][0]["tags"]
    for tag, value in data["0th"].items():
        if tag not in first or tag in (piexif.ImageIFD.Software, piexif.ImageIFD.DateTime, piexif.ImageIFD.Orientation):
            first[tag] = _tag("Image", tag, value)
    for tag, blob in extra.items():
        first[tag] = {"datatype": tifftools.Datatype.UNDEFINED, "data": blob}
    table = {tag: _tag("Exif", tag, value) for tag, value in sorted(data["Exif"].items())}
    below = {"tags": table, "bigEndian": info["bigEndian"]}
    first[_EXIF_IFD] = {"datatype": tifftools.Datatype.LONG, "ifds": [[below]]}
    aside = path.with_name(path.name + ".tables")
    tifftools.write_tiff(info, str(aside), allowExisting=True)
    aside.replace(path)


def _tag(table: str, tag: int, value: object) -> dict[str, object]:
    """A tag for tifftools, typed as piexif's tables say."""
    kind = piexif.TAGS[table][tag]["type"]
    if kind == piexif.TYPES.Ascii:
        return {"datatype": tifftools.Datatype.ASCII, "data": _as_bytes(value).decode("latin-1")}
    if kind == piexif.TYPES.Undefined:
        return {"datatype": tifftools.Datatype.UNDEFINED, "data": _as_bytes(value)}
    datatype = {
        piexif.TYPES.Short: tifftools.Datatype.SHORT, piexif.TYPES.Long: tifftools.Datatype.LONG,
        piexif.TYPES.Rational: tifftools.Datatype.RATIONAL, piexif.TYPES.SRational: tifftools.Datatype.SRATIONAL,
        piexif.TYPES.Byte: tifftools.Datatype.BYTE,
    }[kind]
    return {"datatype": datatype, "data": list(value) if isinstance(value, tuple) else [value]}


def _as_bytes(value: object) -> bytes:
    assert isinstance(value, bytes)
    return value
