"""A file that can only be read, and only so much: what stands between header readers and hostile headers."""

from __future__ import annotations

import io
from typing import BinaryIO, Literal, cast

from windstill.settings.scan import ScanSettings

# A MakerNote entry's tag 0x927C as it stands in a big- and in a little-endian directory.
_BIG, _LITTLE = b"\x92\x7c", b"\x7c\x92"
# The makers' notes are told apart by their first bytes.
_NOTE_BYTES = 64


class HeaderTooLongError(Exception):
    """A header asked for more reads or bytes than any camera's header needs."""


class GuardedFile(io.RawIOBase):
    """Read-only view of a file that ends the reading when a budget is spent.

    Parameters
    ----------
    file : BinaryIO
        The open file; it stays the caller's to close.
    reads, size_bytes : int
        Read calls and bytes allowed, all together.
    short_notes : bool
        Shorten the count of a MakerNote entry as it is read. `exifread` fetches the note byte by byte (some 100 ms
        for a modern one, hours for an absurd count) though it needs only the first bytes to know the maker.

    Notes
    -----
    An Exif directory entry is tag (2 bytes), type (2), count (4), value (4). `exifread` seeks to each of these and
    reads it, so a count is known by where it stands: 4 bytes after the tag read before it.
    """

    def __init__(self, file: BinaryIO, *, reads: int, size_bytes: int, short_notes: bool = False) -> None:
        super().__init__()
        self._file = file
        self._reads_left = reads
        self._bytes_left = size_bytes
        self._short_notes = short_notes
        self._at = 0
        self._note_at: int | None = None
        self._note_tag = b""

    def readable(self) -> bool:
        """Always."""
        return True

    def seekable(self) -> bool:
        """Always."""
        return True

    def seek(self, offset: int, whence: int = io.SEEK_SET) -> int:
        """Move as in any file."""
        self._at = self._file.seek(offset, whence)
        return self._at

    def tell(self) -> int:
        """Where the next read begins."""
        return self._file.tell()

    def read(self, size: int | None = -1) -> bytes:
        """Read at most `size` bytes.

        Raises
        ------
        HeaderTooLongError
            The budget is spent.
        """
        self._reads_left -= 1
        if self._reads_left < 0 or self._bytes_left < 0:
            raise HeaderTooLongError("its camera data is endless or circular")
        most = self._bytes_left + 1
        data = self._file.read(most if size is None or size < 0 else min(size, most))
        self._bytes_left -= len(data)
        return self._with_short_note(data) if self._short_notes else data

    def _with_short_note(self, data: bytes) -> bytes:
        if len(data) == 2 and data in (_BIG, _LITTLE):
            self._note_at, self._note_tag = self._at, data
        elif len(data) == 4 and self._note_at is not None and self._at == self._note_at + 4:
            order: Literal["big", "little"] = "big" if self._note_tag == _BIG else "little"
            return min(int.from_bytes(data, order), _NOTE_BYTES).to_bytes(4, order)
        return data


def guard(file: BinaryIO, settings: ScanSettings, *, short_notes: bool = False) -> BinaryIO:
    """A `GuardedFile` with the budget of the settings, in the form libraries are typed for."""
    return cast(
        BinaryIO,
        GuardedFile(
            file, reads=settings.header_reads, size_bytes=settings.header_bytes, short_notes=short_notes
        ),
    )
