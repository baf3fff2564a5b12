"""What kind of picture a file is, by its first bytes."""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO, Literal

from windstill.imaging.decoded import ImagingError
from windstill.imaging.faults import COPY_AGAIN, cut_off, not_a_picture
from windstill.settings.imaging import ImagingSettings

Kind = Literal["jpeg", "png", "webp", "heic", "tiff", "raw", "bmp"]

HEAD_BYTES = 32
_HEIC_BRANDS = (b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"hevm", b"hevs", b"mif1", b"msf1")
_TIFF = (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")
_RAW = (
    b"FUJIFILMCCD-RAW", b"IIRO", b"IIRS", b"MMOR", b"IIU\0", b"\0MRM", b"FOVb", b"IIII", b"MMMM",
    b"II\x1a\0\0\0HEAPCCDR",
)  # fmt: skip
# For TIFF containers without the tags that say what they hold.
RAW_SUFFIXES = frozenset(
    "." + name
    for name in (
        "3fr", "arw", "cr2", "cr3", "crw", "dcr", "dng", "erf", "fff", "gpr", "iiq", "kdc", "mef", "mos", "mrw", "nef",
        "nrw", "orf", "pef", "raf", "raw", "rw2", "rwl", "sr2", "srf", "srw", "x3f",
    )
)  # fmt: skip


def kind_of(head: bytes) -> Kind | None:
    """Kind by content; ``"tiff"`` may yet turn out to be a raw. ``None`` when it is nothing known."""
    if head.startswith(b"\xff\xd8\xff"):
        return "jpeg"
    if head.startswith(b"\x89PNG\r\n\x1a\n"):
        return "png"
    if head.startswith(b"RIFF") and head[8:12] == b"WEBP":
        return "webp"
    if head.startswith(_TIFF) and head[8:10] == b"CR":
        return "raw"
    if head.startswith(_TIFF):
        return "tiff"
    if head.startswith(_RAW):
        return "raw"
    if head[4:8] == b"ftyp":
        if head[8:12] == b"crx ":
            return "raw"
        if head[8:12] in _HEIC_BRANDS:
            return "heic"
    if head.startswith(b"BM") and head[6:10] == bytes(4):
        return "bmp"
    return None


def look(path: Path, settings: ImagingSettings) -> tuple[Kind, int]:
    """Kind and size in bytes of a regular file; one with a raw format's extension may be a raw without a mark.

    Raises
    ------
    ImagingError
        Not a readable regular file, empty, too large, or of no known kind.
    """
    with opened(path) as file:
        size = _checked_size(file, settings)
        head = _read(file, HEAD_BYTES)
    kind = kind_of(head)
    if kind is None:
        if not any(head):
            raise ImagingError(f"the file holds only zeros at its start; {COPY_AGAIN}")
        if path.suffix.lower() not in RAW_SUFFIXES:
            raise not_a_picture()
        kind = "raw"
    return kind, size


def read_whole(path: Path, settings: ImagingSettings) -> bytes:
    """All bytes of a regular file, opened for reading only.

    Read, not mapped: a card pulled out under a mapping ends the process, under a read it is an error.

    Raises
    ------
    ImagingError
        As `look`, or the file shrank while it was read.
    """
    with opened(path) as file:
        size = _checked_size(file, settings)
        data = _read(file, size)
    if len(data) < size:
        raise cut_off()
    return data


def read_part(path: Path, start: int, length: int) -> bytes:
    """Up to `length` bytes from `start`."""
    with opened(path) as file:
        file.seek(start)
        return _read(file, length)


def unreadable(err: Exception) -> ImagingError:
    """The operating system refuses."""
    reason = (getattr(err, "strerror", None) or str(err) or type(err).__name__).lower()
    return ImagingError(f"the file cannot be read ({reason}); check the card and the permissions")


@contextmanager
def opened(path: Path) -> Iterator[BinaryIO]:
    """Open for reading only, and without ever waiting on a pipe or a device.

    Raises
    ------
    ImagingError
        The operating system refuses.
    """
    flags = os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_CLOEXEC", 0) | getattr(os, "O_BINARY", 0)
    try:
        file = os.fdopen(os.open(path, flags), "rb")
    except (OSError, ValueError) as err:
        raise unreadable(err) from err
    with file:
        yield file


def _read(file: BinaryIO, length: int) -> bytes:
    try:
        return file.read(length)
    except OSError as err:
        raise unreadable(err) from err


def _checked_size(file: BinaryIO, settings: ImagingSettings) -> int:
    status = os.fstat(file.fileno())
    if not stat.S_ISREG(status.st_mode):
        raise ImagingError("this is no regular file; take it out of the folder")
    if status.st_size == 0:
        raise ImagingError(f"the file is empty; {COPY_AGAIN}")
    check_size(status.st_size, settings)
    return status.st_size


def check_size(size_bytes: int, settings: ImagingSettings) -> None:
    """Refuse a file by its size alone.

    Raises
    ------
    ImagingError
        It is larger than any photograph.
    """
    if size_bytes > settings.max_file_bytes:
        raise ImagingError(
            f"the file is {size_bytes / 1e6:.0f} MB, over the limit of {settings.max_file_mb:.0f} MB; "
            "raise imaging.max_file_mb if the picture is real"
        )
