"""Has anything in the shoot folder changed since the last run? Told from names, sizes and times alone."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterator
from pathlib import Path


def listing_digest(root: Path) -> str:
    """Hash of the folder's tree: every entry's path, kind, mode, size and time; links by their target too.

    Folders that cannot be read count as such. Links to folders are not entered: `scan` enters only those that stay
    inside the shoot, whose entries are listed where they lie.
    """
    digest = hashlib.blake2b(digest_size=20)
    for line in sorted(_entries(os.fsencode(root), b"")):
        digest.update(line)
        digest.update(b"\0\n")
    return digest.hexdigest()


def _entries(folder: bytes, below: bytes) -> Iterator[bytes]:
    waiting = [(folder, below)]
    while waiting:
        path, prefix = waiting.pop()
        try:
            with os.scandir(path) as found:
                entries = list(found)
        except OSError as err:
            yield b"%s unreadable %d" % (prefix, err.errno or 0)
            continue
        for entry in entries:
            name = prefix + entry.name
            try:
                known = entry.stat()
                target = os.readlink(entry.path) if entry.is_symlink() else b""  # noqa: PTH115 (bytes)
                is_folder = entry.is_dir(follow_symlinks=False)
            except OSError as err:
                yield b"%s unreadable %d" % (name, err.errno or 0)
                continue
            if is_folder:
                waiting.append((entry.path, name + b"/"))
                yield b"%s/ %o" % (name, known.st_mode)
            else:
                yield b"%s %o %d %d %s" % (name, known.st_mode, known.st_size, known.st_mtime_ns, target)
