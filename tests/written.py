"""What a run left on disk: tables as rows, and the state of every file below a folder."""

from __future__ import annotations

import csv
import hashlib
from pathlib import Path


def rows(path: Path) -> list[dict[str, str]]:
    """A CSV table."""
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def states(folder: Path) -> dict[str, tuple[str, int, int]]:
    """Content, time and mode of everything below a folder."""
    found = {}
    for path in sorted(folder.rglob("*")):
        known = path.lstat()
        digest = hashlib.sha256(path.read_bytes()).hexdigest() if path.is_file() else ""
        found[str(path.relative_to(folder))] = (digest, known.st_mtime_ns, known.st_mode)
    return found
