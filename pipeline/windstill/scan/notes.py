"""Where a maker's note keeps its directory. The notes are TIFF directories with beginnings of their own."""

from __future__ import annotations

import contextlib
import io
from typing import BinaryIO, Literal

from windstill.scan.guard import HeaderTooLongError, guard
from windstill.scan.tags import MAKER_NOTE, Tags, TagTable, read_directory, text, tiff_head, whole
from windstill.settings.scan import ScanSettings

# Notes whose offsets count from the file's beginning are found again by their bytes, which stand near it.
_NEAR, _SEARCHED = 131_072, 2_000_000
_OLYMPUS_SETTINGS = 0x2020


def read_note(file: BinaryIO, table: TagTable, settings: ScanSettings) -> None:
    """Read the maker's note of a TIFF structure into ``table.note``; a note of no known form is left alone.

    Parameters
    ----------
    file : BinaryIO
        The structure the note is part of.
    table : TagTable
        Its tags, as `read_tiff` gives them.
    """
    note = table.exif.get(MAKER_NOTE)
    if not isinstance(note, bytes) or len(note) < 16:
        return
    with contextlib.suppress(HeaderTooLongError, OSError, SyntaxError, ValueError, TypeError, KeyError, IndexError):
        table.note = _directory(note, file, table, settings)


def _directory(note: bytes, file: BinaryIO, table: TagTable, settings: ScanSettings) -> Tags:
    maker = (text(table.image.get(0x010F)) or "").casefold()
    file.seek(0)
    order = file.read(2)
    if note.startswith(b"Nikon\0") and tiff_head(note[10:26]):
        inner = note[10:]
        return _read(inner, inner[:8], int.from_bytes(inner[4:8], _ENDIAN[inner[:2]]), settings)
    if note.startswith(b"FUJIFILM"):
        return _read(note, b"II*\0" + note[8:12], int.from_bytes(note[8:12], "little"), settings)
    for name, first in ((b"OLYMPUS\0", 12), (b"OM SYSTEM\0", 16)):
        if note.startswith(name) and note[first - 4: first - 2] in _ENDIAN:
            return _olympus(note, note[first - 4: first - 2], first, settings)
    if note.startswith((b"SONY DSC", b"SONY CAM", b"SONY MOBILE", b"Panasonic\x00")):
        return _read_in_place(note, 12, order, _place(note, file), settings)
    if maker.startswith(("canon", "sony")):
        return _read_in_place(note, 0, order, _canon_place(note, order, maker) or _place(note, file), settings)
    return {}


_ENDIAN: dict[bytes, Literal["little", "big"]] = {b"II": "little", b"MM": "big"}


def _read(data: bytes, head: bytes, offset: int, settings: ScanSettings) -> Tags:
    return read_directory(guard(io.BytesIO(data), settings), head, offset, everything=True)[0]


def _read_in_place(note: bytes, first: int, order: bytes, place: int | None, settings: ScanSettings) -> Tags:
    """A note whose offsets count from the beginning of the structure, `place` bytes before the note."""
    if place is None:
        return {}
    head = (b"II*\0" if order == b"II" else b"MM\0*") + bytes(4)
    return _read(bytes(place) + note, head, place + first, settings)


def _place(note: bytes, file: BinaryIO) -> int | None:
    for reach in (_NEAR, _SEARCHED):
        file.seek(0)
        place = file.read(reach).find(note[:4096])
        if place >= 0:
            return place
    return None


def _canon_place(note: bytes, order: bytes, maker: str) -> int | None:
    """Canon ends its note with where it stood, so that it can be read after a program has moved it."""
    if not maker.startswith("canon") or note[-8:-4] not in (b"II*\0", b"MM\0*"):
        return None
    place = int.from_bytes(note[-4:], _ENDIAN[order])
    return place if 0 < place < _SEARCHED else None


def _olympus(note: bytes, order: bytes, first: int, settings: ScanSettings) -> Tags:
    head = (b"II*\0" if order == b"II" else b"MM\0*") + bytes(4)
    tags = _read(note, head, first, settings)
    pointer = tags.get(_OLYMPUS_SETTINGS)
    if isinstance(pointer, tuple):
        for tag, value in _read(note, head, whole(pointer) or 0, settings).items():
            tags[(_OLYMPUS_SETTINGS << 16) + tag] = value
    return tags
