"""Tags as a file holds them, read by the libraries, before anything is made of them."""

from __future__ import annotations

import contextlib
import logging
import warnings
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import BinaryIO, NamedTuple

from PIL import TiffImagePlugin

from windstill.scan.guard import HeaderTooLongError, guard
from windstill.settings.scan import ScanSettings

logging.getLogger("exifread").setLevel(logging.CRITICAL)
logging.getLogger("PIL").setLevel(logging.ERROR)

EXIF_POINTER = 0x8769
SUB_DIRECTORIES = 0x014A
MAKER_NOTE = 0x927C
XMP_PACKET = 0x02BC
_MAX_DIRECTORIES = 16
# Longer texts are no camera's; they would only swell tables and pages.
_MAX_TEXT = 200

# The tags something is made of; all others (strip tables, profiles, thumbnails) are left as they are.
_WANTED = frozenset({
    0x0004, 0x0005, 0x0006, 0x0007, 0x0017, 0x002E,  # one maker's raw: borders, sensitivity, embedded JPEG
    0x00FE, 0x0100, 0x0101, 0x010F, 0x0110, 0x0112, 0x0131, 0x014A, 0x02BC, 0x829A, 0x829D, 0x8769, 0x8827, 0x8831,
    0x8832, 0x8833, 0x9003, 0x9004, 0x9011, 0x9012, 0x9201, 0x9202, 0x9204, 0x9206, 0x920A, 0x927C, 0x9291, 0x9292,
    0xA002, 0xA003, 0xA20E, 0xA210, 0xA402, 0xA405, 0xA420, 0xA431, 0xA432, 0xA434, 0xA460, 0xC612, 0xC62F, 0xCD44,
})


class Ratio(NamedTuple):
    """A rational as written, not reduced: numerator FFFFFFFF and 0/0 mean something in Exif."""

    numerator: int
    denominator: int


Number = int | float | Ratio
Value = str | bytes | tuple[Number, ...]
Tags = dict[int, Value]


@dataclass(slots=True)
class TagTable:
    """The tags of one file.

    Attributes
    ----------
    image, exif : dict
        The first directory, and the Exif directory it points to.
    pictures : list of dict
        Every directory that describes a picture, the first one included.
    note : dict
        The maker's note; sub-directories of it under (pointer << 16) + tag.
    xmp : dict
        Simple XMP properties by prefixed name.
    """

    image: Tags = field(default_factory=dict)
    exif: Tags = field(default_factory=dict)
    pictures: list[Tags] = field(default_factory=list)
    note: Tags = field(default_factory=dict)
    xmp: dict[str, str] = field(default_factory=dict)

    def find(self, tag: int) -> Value | None:
        """A tag of the Exif directory; TIFF/EP and some cameras keep it in the first one."""
        return self.exif.get(tag, self.image.get(tag))


def numbers(value: Value | None) -> tuple[float, ...]:
    """The finite numbers of a value; 0/0 and the like are left out."""
    if isinstance(value, bytes):
        return tuple(map(float, value))
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


def text(value: Value | None) -> str | None:
    """One line of text: up to the first NUL, without control characters and outer blanks; ``None`` if empty."""
    if isinstance(value, bytes):
        value = value.decode("latin-1")
    if not isinstance(value, str):
        return None
    value = value.split("\0", 1)[0][: _MAX_TEXT * 4]
    with contextlib.suppress(UnicodeError):  # Pillow reads text as Latin-1; many programs write UTF-8
        value = value.encode("latin-1").decode("utf-8")
    cleaned = "".join(c if c.isprintable() else " " for c in value)
    return " ".join(cleaned.split())[:_MAX_TEXT].rstrip() or None


def read_tiff(file: BinaryIO, settings: ScanSettings, *, first_only: bool = False) -> TagTable:
    """Read a TIFF structure: a TIFF or raw file, or the block an Exif segment holds.

    Pillow's reading comes first: it keeps rationals as they are written (`exifread` reduces them, which loses
    "infinity") and drops no type it knows. What a broken structure keeps Pillow from reaching, `exifread` may
    still find, entry by entry.

    Parameters
    ----------
    first_only : bool
        Leave out every picture but the first: behind it an Exif segment describes its thumbnail.

    Raises
    ------
    OSError
        The file cannot be read any more.
    """
    table = TagTable()
    try:
        _read_with_pillow(file, table, settings, first_only)
    except HeaderTooLongError:
        return table
    except Exception as err:  # the library raises whatever a broken structure leads it to
        if isinstance(err, OSError) and err.errno is not None:
            raise
    if not table.image or (EXIF_POINTER in table.image and not table.exif):
        with contextlib.suppress(Exception):
            _read_with_exifread(file, table, settings)
    return table


def read_directory(file: BinaryIO, head: bytes, offset: int, *, everything: bool = False) -> tuple[Tags, int]:
    """One TIFF directory with Pillow.

    Parameters
    ----------
    file : BinaryIO
    head : bytes
        A TIFF header: byte order and kind.
    offset : int
        Where the directory begins in the file.
    everything : bool
        All tags rather than the wanted ones.

    Returns
    -------
    dict, int
        Tags by number, and where the next directory is (0 for none).
    """
    directory = TiffImagePlugin.ImageFileDirectory_v2(head)
    directory.next = 0
    file.seek(offset)
    tags: Tags = {}
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        directory.load(file)
        for tag in directory if everything else _WANTED.intersection(directory):
            with contextlib.suppress(Exception):  # a single value that cannot be decoded
                value = _plain(directory[tag])
                if value is not None:
                    tags[tag] = value
    return tags, directory.next


def tiff_head(start: bytes) -> bytes | None:
    """A TIFF header Pillow takes, for the makers' variants of its magic number too; ``None`` if it is none."""
    if len(start) < 8:
        return None
    if start[:4] in (b"II*\0", b"MM\0*"):
        return start[:8]
    if start[:4] in (b"II+\0", b"MM\0+") and len(start) >= 16:
        return start[:16]
    if start[:4] in (b"IIU\0", b"IIRO", b"IIRS"):
        return b"II*\0" + start[4:8]
    if start[:4] == b"MMOR":
        return b"MM\0*" + start[4:8]
    return None


def _read_with_pillow(file: BinaryIO, table: TagTable, settings: ScanSettings, first_only: bool) -> None:
    guarded = guard(file, settings)
    guarded.seek(0)
    head = tiff_head(guarded.read(16))
    if head is None:
        return
    table.image, following = read_directory(guarded, head, TiffImagePlugin.ImageFileDirectory_v2(head).next)
    table.pictures.append(table.image)
    pointer = whole(table.image.get(EXIF_POINTER))
    if pointer:
        table.exif, _ = read_directory(guarded, head, pointer)
    if first_only:
        return
    pictures = [int(offset) for offset in numbers(table.image.get(SUB_DIRECTORIES))[:_MAX_DIRECTORIES]]
    seen: set[int] = set()
    while (pictures or following) and len(seen) < _MAX_DIRECTORIES:
        offset = pictures.pop(0) if pictures else following
        if offset <= 0 or offset in seen:
            following = 0
            continue
        seen.add(offset)
        tags, after = read_directory(guarded, head, offset)
        table.pictures.append(tags)
        if offset == following:
            following = after


def _plain(value: object) -> Value | None:
    if isinstance(value, str | bytes):
        return value
    found: list[Number] = []
    for entry in value if isinstance(value, tuple) else (value,):
        if isinstance(entry, TiffImagePlugin.IFDRational):
            found.append(Ratio(int(entry.numerator), int(entry.denominator)))
        elif isinstance(entry, int | float):
            found.append(entry)
        else:
            return None
    return tuple(found)


def _read_with_exifread(file: BinaryIO, table: TagTable, settings: ScanSettings) -> None:
    import exifread  # for the rare broken file, and slow to load

    guarded = guard(file, settings)
    found: Mapping[str, object] = exifread.process_file(guarded, details=False, extract_thumbnail=False)
    for name, entry in found.items():
        directory, _, _ = name.partition(" ")
        tag, value = getattr(entry, "tag", None), _plain_exifread(getattr(entry, "values", None))
        if value is None or tag not in _WANTED:
            continue
        if directory == "Image":
            table.image.setdefault(tag, value)
        elif directory == "EXIF":
            table.exif.setdefault(tag, value)
    if table.image and not table.pictures:
        table.pictures.append(table.image)


def _plain_exifread(value: object) -> Value | None:
    if isinstance(value, str | bytes):
        return value
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
