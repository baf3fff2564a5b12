"""A file that can only be read, and only so much: what stands between header readers and hostile headers."""

from __future__ import annotations

import io
from typing import BinaryIO, cast

from windstill.settings.scan import ScanSettings


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
    """

    def __init__(self, file: BinaryIO, *, reads: int, size_bytes: int) -> None:
        super().__init__()
        self._file = file
        self._reads_left = reads
        self._bytes_left = size_bytes

    def readable(self) -> bool:
        """Always."""
        return True

    def seekable(self) -> bool:
        """Always."""
        return True

    def seek(self, offset: int, whence: int = io.SEEK_SET) -> int:
        """Move as in any file."""
        return self._file.seek(offset, whence)

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
        return data


def guard(file: BinaryIO, settings: ScanSettings) -> BinaryIO:
    """A `GuardedFile` with the budget of the settings, in the form libraries are typed for."""
    return cast(BinaryIO, GuardedFile(file, reads=settings.header_reads, size_bytes=settings.header_bytes))
