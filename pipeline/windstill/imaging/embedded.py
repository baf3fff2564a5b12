"""Previews embedded in a JPEG file, and JPEG streams inside other files.

An embedded picture stands in an application segment (the Exif thumbnail, a maker's preview) or after the
main picture, listed in a Multi-Picture index (CIPA DC-007) or only in a maker's note. Inside scan data
``FF D8`` cannot occur (ITU-T T.81, B.1.1.5), so every start of image beyond the first is a picture of its own.
"""

from __future__ import annotations

import io
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from windstill.imaging.decoded import ImagingError
from windstill.imaging.jpeg import Incomplete, JpegHeader, read_header

SOI = b"\xff\xd8\xff"
_APP1, _APP2, _APP15 = 0xE1, 0xE2, 0xEF
_MPF = b"MPF\0"
_MP_ENTRY = 0xB002
# Individual image types of DC-007: 0x01xxxx are large thumbnails; others are further views, depth or gain maps.
_MP_THUMBNAIL = 0x01
MOST_STREAMS = 64


@dataclass(frozen=True, slots=True)
class MpEntry:
    """One picture of a Multi-Picture index; `start` counts from the beginning of the file."""

    start: int
    length: int
    thumbnail: bool


def mp_index(data: bytes, header: JpegHeader) -> tuple[MpEntry, ...]:
    """Multi-Picture index of a file, the main picture first; empty where there is none or it is broken."""
    for code, first, end in header.segments:
        if code == _APP2 and data[first : first + 4] == _MPF:
            base = first + 4
            return tuple(_mp_entries(bytes(data[base:end]), base))
    return ()


def streams_in_header(data: bytes, header: JpegHeader) -> Iterator[tuple[int, int]]:
    """Start and end of JPEG streams inside the application segments."""
    for code, first, end in header.segments:
        if _APP1 <= code <= _APP15:
            for start in starts(data, first, end):
                yield start, end


def starts(data: bytes, first: int, end: int) -> Iterator[int]:
    """Offsets of starts of image in [first, end), at most `MOST_STREAMS`."""
    at = first - 1
    for _ in range(MOST_STREAMS):
        at = data.find(SOI, at + 1, end)
        if at < 0:
            return
        yield at


def header_at(data: bytes, start: int) -> JpegHeader | None:
    """Header of the stream at `start`, ``None`` where it is no picture this room's decoder takes in one pass."""
    try:
        header = read_header(memoryview(data)[start:])
    except (Incomplete, ImagingError):
        return None
    return header if header.plain and header.width_px and header.height_px else None


def _mp_entries(block: bytes, base: int) -> Iterator[MpEntry]:
    from PIL.TiffImagePlugin import ImageFileDirectory_v2

    order = "big" if block[:2] == b"MM" else "little"
    try:
        directory: Any = ImageFileDirectory_v2(block[:8])
        file = io.BytesIO(block)
        file.seek(directory.next)
        directory.load(file)
        table = bytes(directory[_MP_ENTRY])
    except Exception:  # the library raises whatever a broken directory provokes; a broken index is no index
        return
    for at in range(0, len(table) - 15, 16):
        attributes, length, offset = (int.from_bytes(table[at + k : at + k + 4], order) for k in (0, 4, 8))  # type: ignore[arg-type]
        start = base + offset if offset else 0
        yield MpEntry(start, length, (attributes >> 16) & 0xFF == _MP_THUMBNAIL)
