"""Tags as a file holds them, read by the libraries, before anything is made of them."""

from __future__ import annotations

import contextlib
import logging
import warnings
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import BinaryIO, NamedTuple

import exifread
from PIL import TiffImagePlugin

from windstill.scan.guard import HeaderTooLongError, guard
from windstill.settings.scan import ScanSettings

logging.getLogger("exifread").setLevel(logging.CRITICAL)
logging.getLogger("PIL").setLevel(logging.ERROR)

EXIF_POINTER = 0x8769
SUB_DIRECTORIES = 0x014A
MAKER_NOTE = 0x927C
XMP_PACKET = 0x02BC
MAX_DIRECTORIES = 16
# Longer texts are no camera's; they would only swell tables and pages.
MAX_TEXT = 200


class Ratio(NamedTuple):
    """A rational as written, not reduced: numerator FFFFFFFF and 0/0 mean something in Exif."""

    numerator: int
    denominator: int


Number = int | float | Ratio
Value = str | bytes | tuple[Number, ...]
Tags = dict[int, Value]


@dataclass(slots=True)
class TagTable:
    """All tags of one file: the first directory, the Exif directory, the maker's note, XMP properties."""

    image: Tags = field(default_factory=dict)
    exif: Tags = field(default_factory=dict)
    maker: dict[str, Value] = field(default_factory=dict)
    xmp: dict[str, str] = field(default_factory=dict)
    pictures: list[Tags] = field(default_factory=list)

    def find(self, tag: int) -> Value | None:
        """A tag of the Exif directory; TIFF/EP and some cameras keep it in the first one."""
        return self.exif.get(tag, self.image.get(tag))


def numbers(value: Value | None) -> tuple[float, ...]:
    """The finite numbers of a value; 0/0 and the like are left out."""
    if not isinstance(value, tuple):
        return ()
    found = []
    for entry in value:
        if isinstance(entry, Ratio):
            if entry.denominator == 0:
                continue
            entry = entry.numerator / entry.denominator
        if abs(entry) < 1e300:  # leaves out NaN and infinity as well
            found.append(float(entry))
    return tuple(found)


def number(value: Value | None) -> float | None:
    """The first finite number, or ``None``."""
    return next(iter(numbers(value)), None)


def whole(value: Value | None) -> int | None:
    """The first number as a whole one, or ``None``."""
    found = number(value)
    return None if found is None else int(found)


def text(value: Value | str | None) -> str | None:
    """One line of text: up to the first NUL, without control characters and outer blanks; ``None`` if empty."""
    if isinstance(value, bytes):
        value = value.decode("latin-1")
    if not isinstance(value, str):
        return None
    value = value.split("\0", 1)[0]
    with contextlib.suppress(UnicodeError):  # Pillow reads text as Latin-1; many programs write UTF-8
        value = value.encode("latin-1").decode("utf-8")
    cleaned = "".join(c if c.isprintable() else " " for c in value[: MAX_TEXT * 4])
    cleaned = " ".join(cleaned.split())[:MAX_TEXT].rstrip()
    return cleaned or None


def read_tiff(file: BinaryIO, settings: ScanSettings) -> TagTable:
    """Read a TIFF structure: a TIFF or raw file, or the block an Exif segment holds.

    Pillow's reading comes first: it keeps rationals as they are written and skips nothing it knows. `exifread`
    adds the makers' notes and the raw variants of TIFF that Pillow does not take.

    Raises
    ------
    OSError
        The file cannot be read any more.
    """
    table = TagTable()
    for read in (_read_with_pillow, _read_with_exifread):
        try:
            read(file, table, settings)
        except (HeaderTooLongError, OSError) as err:
            if isinstance(err, OSError) and err.errno is not None:
                raise
        except Exception:  # both libraries raise whatever a broken structure leads them to
            continue
    return table


def read_directory(file: BinaryIO, head: bytes, offset: int) -> tuple[TiffImagePlugin.ImageFileDirectory_v2, Tags]:
    """One TIFF directory with Pillow: the directory object and its decoded tags."""
    directory = TiffImagePlugin.ImageFileDirectory_v2(head)
    file.seek(offset)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        directory.load(file)
        tags: Tags = {}
        for tag in directory:
            if tag in _BULK:
                continue
            try:
                value = _from_pillow(directory[tag])
            except Exception:  # a single value that cannot be decoded
                continue
            if value is not None:
                tags[tag] = value
    return directory, tags


# Strip and tile tables, colour maps, profiles, thumbnails: long, and nothing of them is used.
_BULK = frozenset({
    0x0111, 0x0117, 0x0140, 0x0144, 0x0145, 0x015B, 0x83BB, 0x8649, 0x8773, 0x935C, 0xC634,
})


def tiff_head(start: bytes) -> bytes | None:
    """An 8-byte TIFF header Pillow takes, for the maker's variants of its magic number too."""
    if start[:2] not in (b"II", b"MM") or len(start) < 8:
        return None
    if start[2:4] in (b"*\0", b"\0*"):
        return start[:8]
    if start[2:4] in (b"+\0", b"\0+"):
        return start[:16]
    if start[:4] in (b"IIU\0", b"IIRO", b"IIRS"):
        return b"II*\0" + start[4:8]
    if start[:4] == b"MMOR":
        return b"MM\0*" + start[4:8]
    return None


def _read_with_pillow(file: BinaryIO, table: TagTable, settings: ScanSettings) -> None:
    guarded = guard(file, settings)
    guarded.seek(0)
    head = tiff_head(guarded.read(16))
    if head is None:
        return
    first, table.image = read_directory(guarded, head, TiffImagePlugin.ImageFileDirectory_v2(head).next)
    table.pictures.append(table.image)
    _pointed(guarded, head, table.image.get(EXIF_POINTER), table.exif.update)
    for offset in _offsets(table.image.get(SUB_DIRECTORIES)):
        _pointed(guarded, head, (offset,), table.pictures.append)
    seen = {0}
    following = first.next
    while following and following not in seen and len(seen) < MAX_DIRECTORIES:
        seen.add(following)
        directory, tags = read_directory(guarded, head, following)
        table.pictures.append(tags)
        following = directory.next


def _pointed(file: BinaryIO, head: bytes, pointer: Value | None, take: Callable[[Tags], None]) -> None:
    offset = whole(pointer)
    if not offset or offset < 8:
        return
    try:
        take(read_directory(file, head, offset)[1])
    except (SyntaxError, ValueError, TypeError, KeyError):
        return


def _offsets(value: Value | None) -> Iterable[int]:
    return [int(offset) for offset in numbers(value)[:MAX_DIRECTORIES]]


def _from_pillow(value: object) -> Value | None:
    if isinstance(value, str | bytes):
        return value
    entries = value if isinstance(value, tuple) else (value,)
    found: list[Number] = []
    for entry in entries[:1000]:
        if isinstance(entry, TiffImagePlugin.IFDRational):
            found.append(Ratio(int(entry.numerator), int(entry.denominator)))
        elif isinstance(entry, int | float):
            found.append(entry)
        else:
            return None
    return tuple(found)


def _read_with_exifread(file: BinaryIO, table: TagTable, settings: ScanSettings) -> None:
    guarded = guard(file, settings, short_notes=True)
    found: Mapping[str, object] = exifread.process_file(guarded, details=True, extract_thumbnail=False)
    for name, entry in found.items():
        directory, _, rest = name.partition(" ")
        value = _from_exifread(getattr(entry, "values", None))
        tag = getattr(entry, "tag", None)
        if value is None or not isinstance(tag, int):
            continue
        if directory == "Image":
            table.image.setdefault(tag, value)
        elif directory == "EXIF" and not rest.startswith("SubIFD"):
            table.exif.setdefault(tag, value)
        elif directory == "MakerNote":
            table.maker[rest] = value


def _from_exifread(value: object) -> Value | None:
    if isinstance(value, str | bytes):
        return value
    if isinstance(value, int | float):
        return (value,)
    if not isinstance(value, list):
        return None
    found: list[Number] = []
    for entry in value:
        if hasattr(entry, "num"):
            found.append(Ratio(int(entry.num), int(entry.den)))
        elif isinstance(entry, int | float):
            found.append(entry)
        elif isinstance(entry, tuple):  # floats come as one-element tuples
            found.extend(entry)
    return tuple(found)
