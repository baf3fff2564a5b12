"""Files read and written so that nothing is lost: originals read-only, copies verified, no name taken twice."""

from __future__ import annotations

import errno
import hashlib
import json
import os
import secrets
import stat
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any, Literal

from windstill.regular import NotAFileError, regular_only

_BLOCK = 4 << 20
_PART = (".windstill-", ".part")
# A file system that has no hard links says one of these.
_NO_LINKS = {errno.EPERM, errno.ENOTSUP, errno.EOPNOTSUPP, errno.ENOSYS, errno.EMLINK, errno.EXDEV}


class NotCopied(Exception):
    """One file that could not be handed on; the message says why, without its name."""


class Taken(NotCopied):
    """The name is in use by another file."""


@contextmanager
def opened(path: Path) -> Iterator[int]:
    """A descriptor to read an ordinary file by; a pipe or device is refused and never waited for.

    Raises
    ------
    NotCopied
        It cannot be opened, or is no file.
    """
    try:
        handle = regular_only(path, os.O_RDONLY | getattr(os, "O_BINARY", 0))
    except FileNotFoundError as err:
        raise NotCopied("is not there any more") from err
    except NotAFileError as err:
        raise NotCopied("is not a file") from err
    except OSError as err:
        raise NotCopied(f"cannot be read ({err.strerror})") from err
    try:
        yield handle
    finally:
        os.close(handle)


def read_json(text: str) -> Any:
    """What a JSON document says that anyone may have written.

    Raises
    ------
    ValueError
        It is none, or nested so deeply that no parser follows.
    """
    try:
        return json.loads(text)
    except RecursionError:
        raise ValueError("lists or objects within each other without end") from None


def digest_of(path: Path) -> str:
    """SHA-256 of a file's content, in hexadecimal.

    Raises
    ------
    NotCopied
        It cannot be read.
    """
    digest = hashlib.sha256()
    try:
        with opened(path) as handle:
            while block := os.read(handle, _BLOCK):
                digest.update(block)
    except OSError as err:
        raise NotCopied(f"cannot be read ({err.strerror})") from err
    return digest.hexdigest()


def copied_aside(original: Path, folder: Path) -> tuple[Path, str, int]:
    """Copy a file to a temporary name in a folder, and read it back from the disk to compare.

    Returns
    -------
    part : Path
        The copy, with the original's times; `settle` gives it its name.
    sha256 : str
    size_bytes : int

    Raises
    ------
    NotCopied
        The original cannot be read, changes meanwhile, or the copy reads back different.
    OSError
        The copy cannot be written.
    """
    part = folder / f"{_PART[0]}{secrets.token_hex(6)}{_PART[1]}"
    try:
        with opened(original) as source:
            before = os.fstat(source)
            digest = hashlib.sha256()
            # Write permission for the owner: a copy from a locked card is there to be worked on.
            mode = stat.S_IMODE(before.st_mode) & 0o777 | stat.S_IRUSR | stat.S_IWUSR
            target = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0), 0o600)
            try:
                while block := _read(source):
                    digest.update(block)
                    view = memoryview(block)
                    while view:
                        view = view[os.write(target, view) :]
                if hasattr(os, "fchmod"):
                    with suppress(OSError):  # cards know no permissions
                        os.fchmod(target, mode)
                os.fsync(target)
                if hasattr(os, "posix_fadvise"):  # else reading back would only compare with memory
                    os.posix_fadvise(target, 0, 0, os.POSIX_FADV_DONTNEED)
            finally:
                os.close(target)
            after = os.fstat(source)
        if (before.st_size, before.st_mtime_ns) != (after.st_size, after.st_mtime_ns):
            raise NotCopied("changed while it was copied; run again")
        os.utime(part, ns=(before.st_atime_ns, before.st_mtime_ns))
        if digest_of(part) != digest.hexdigest():
            raise NotCopied("its copy reads back different; check the disk")
    except BaseException:
        part.unlink(missing_ok=True)
        raise
    return part, digest.hexdigest(), before.st_size


def settle(part: Path, target: Path) -> None:
    """Give a finished file its name, which nothing else may have.

    Raises
    ------
    Taken
        Something of that name is there; it stays as it is.
    """
    try:
        os.link(part, target, follow_symlinks=False)
        part.unlink()
    except FileExistsError as err:
        raise Taken("another file of that name is there") from err
    except OSError as err:
        if err.errno not in _NO_LINKS:
            raise
        if os.path.lexists(target):
            raise Taken("another file of that name is there") from err
        part.rename(target)


def remove_parts(folder: Path, *names: str) -> None:
    """Take away what an interrupted run left under temporary names; the caller holds the folder's lock.

    Parameters
    ----------
    folder : Path
    *names : str
        Files that `written_aside` writes in it.
    """
    for pattern in (f"{_PART[0]}*{_PART[1]}", *(f".{name}.*.part" for name in names)):
        for part in folder.glob(pattern):
            part.unlink(missing_ok=True)


def link(original: Path, target: Path) -> Literal["hard link", "symbolic link"]:
    """A further name for an original: a hard link on the same disk, else a symbolic link.

    A hard link looks like any file to every program and stays when the shoot is moved or deleted.

    Returns
    -------
    str
        ``"hard link"`` or ``"symbolic link"``.

    Raises
    ------
    Taken
        Something of that name is there.
    NotCopied
        The disk takes no links, or the original is no file.
    """
    with opened(original):
        pass
    real = Path(os.path.realpath(original))
    try:
        try:
            os.link(real, target, follow_symlinks=False)
            return "hard link"
        except OSError as err:
            if err.errno not in _NO_LINKS:
                raise
        target.symlink_to(real)
        return "symbolic link"
    except FileExistsError as err:
        raise Taken("another file of that name is there") from err
    except OSError as err:
        if err.errno in _NO_LINKS:
            raise NotCopied("the disk takes no links; gather copies") from err
        raise


def sync_folder(folder: Path) -> None:
    """Make the names in a folder last, where the system can."""
    with suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def _read(handle: int) -> bytes:
    try:
        return os.read(handle, _BLOCK)
    except OSError as err:
        raise NotCopied(f"cannot be read ({err.strerror})") from err
