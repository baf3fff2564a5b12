"""One run at a time writes to one folder."""

from __future__ import annotations

import os
import time
from contextlib import suppress
from pathlib import Path
from types import TracebackType
from typing import IO

from windstill.run.errors import ReviewError

if os.name == "nt":  # pragma: no cover
    import msvcrt

    def _take(file: IO[bytes]) -> None:
        msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined,unused-ignore]
else:
    import fcntl

    def _take(file: IO[bytes]) -> None:
        # A record lock: the kernel drops it when the process ends however it ends, and workers do not inherit it.
        fcntl.lockf(file, fcntl.LOCK_EX | fcntl.LOCK_NB)


NAME = ".windstill-lock"
_RETRY_S = 0.1
_held: set[Path] = set()


class FolderLock:
    """Holds a folder for this process while the `with` block runs.

    Raises
    ------
    ReviewError
        Another run holds it (after `patience_s`), or the folder cannot be written to.
    """

    def __init__(self, folder: Path, patience_s: float = 1.0) -> None:
        self._folder = folder.resolve()
        self._path = self._folder / NAME
        self._patience_s = patience_s
        self._file: IO[bytes] | None = None

    def __enter__(self) -> FolderLock:
        give_up = time.monotonic() + self._patience_s
        while not self._try():
            if time.monotonic() > give_up:
                raise ReviewError(
                    f"{self._folder}: another windstill run is writing here; wait for it or give another --out"
                )
            time.sleep(_RETRY_S)
        return self

    def __exit__(self, kind: type[BaseException] | None, value: BaseException | None, tb: TracebackType | None) -> None:
        _held.discard(self._folder)
        if self._file is None:
            return
        if self.still_ours():
            with suppress(OSError):
                self._path.unlink()
        self._file.close()
        self._file = None

    def still_ours(self) -> bool:
        """Whether the folder is still there with our lock in it."""
        if self._file is None:
            return False
        try:
            found = self._path.stat()
        except OSError:
            return False
        ours = os.fstat(self._file.fileno())
        return (found.st_dev, found.st_ino) == (ours.st_dev, ours.st_ino)

    def _try(self) -> bool:
        if self._folder in _held:  # record locks do not keep two threads of one process apart
            return False
        try:
            file = self._path.open("ab")
        except OSError as err:
            raise ReviewError(f"{self._folder}: cannot be written to ({err.strerror}); give another --out") from err
        try:
            _take(file)
        except OSError:
            file.close()
            return False
        self._file = file
        if not self.still_ours():  # its last holder removed the file between our opening and locking it
            file.close()
            self._file = None
            return False
        _held.add(self._folder)
        return True
