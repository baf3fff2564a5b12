"""The reference reader of camera data (Debian's libimage-exiftool-perl), for comparison in tests."""

from __future__ import annotations

import json
import shutil
import subprocess
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest

# An order of trust like the scan's: Exif, what the maker's note adds, XMP last.
_GROUPS = ("EXIF", "File", "Composite", "MakerNotes", "XMP")


def read(paths: Sequence[Path]) -> dict[Path, dict[str, Any]]:
    """All tags of each file by name, as numbers; the test is skipped where the reader is not installed."""
    command = shutil.which("exiftool")
    if command is None:
        pytest.skip("the reference reader is not installed (Debian: libimage-exiftool-perl)")
    done = subprocess.run(
        [command, "-j", "-n", "-a", "-G0:1:4", "-charset", "filename=utf8", *map(str, paths)],
        capture_output=True, check=False,
    )
    listed = json.loads(done.stdout.decode("utf-8", "replace"))
    return {Path(entry["SourceFile"]): _by_trust(entry) for entry in listed}


def _by_trust(entry: dict[str, Any]) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for group in _GROUPS:
        for name, value in entry.items():
            place, _, tag = name.rpartition(":")
            # IFD1 describes the thumbnail, sub-directories the embedded previews.
            if place.split(":")[0] == group and "IFD1" not in place and "SubIFD" not in place and "Track" not in place:
                found.setdefault(tag, value)
    return found


def words(path: Path, tag: str) -> str:
    """One tag of one file as the reader words it."""
    done = subprocess.run(["exiftool", "-s3", f"-{tag}", str(path)], capture_output=True, check=False)
    return done.stdout.decode("utf-8", "replace")
