"""What a file is, told by its name: photograph, raw, companion of a photograph, or neither."""

from __future__ import annotations

import re
from pathlib import PurePosixPath

IMAGES = frozenset({
    "jpg", "jpeg", "jpe", "jfif", "mpo", "tif", "tiff", "png", "webp", "heic", "heif", "hif", "bmp",
})
RAWS = frozenset({
    "3fr", "ari", "arw", "bay", "cr2", "cr3", "crw", "cap", "dcr", "dng", "erf", "fff", "gpr", "iiq", "k25", "kdc",
    "mdc", "mef", "mos", "mrw", "nef", "nrw", "orf", "ori", "pef", "raf", "raw", "rw2", "rwl", "rwz", "sr2", "srf",
    "srw", "x3f",
})
# Photographs this program has no reader for: said once per file rather than silently left out.
UNREAD = frozenset({"avif", "jxl", "jp2", "j2k"})
COMPANIONS = frozenset({"xmp", "wav", "thm"})

# Names a camera's or computer's own housekeeping leaves on a card, compared in lower case.
_SYSTEM_FOLDERS = frozenset({
    "$recycle.bin", "@eadir", "__macosx", "found.000", "lost+found", "lost.dir", "recycler",
    "system volume information",
    "misc", "canonmsc", "eosmisc",      # print orders and camera settings in DCIM
    "avf_info", "m4root", "avchd",      # video folders, whose JPEG files are video thumbnails
})
_SYSTEM_FILES = frozenset({"thumbs.db", "desktop.ini", "ehthumbs.db", "icon\r"})

_DCF = re.compile(r"[A-Za-z0-9_]{4}(\d{4})")


def extension(name: str) -> str:
    """Extension in lower case, without the dot."""
    return PurePosixPath(name).suffix[1:].lower()


def is_photograph(name: str) -> bool:
    """Whether the name promises a photograph that can be read."""
    return extension(name) in IMAGES or extension(name) in RAWS


def is_hidden(name: str, *, folder: bool) -> bool:
    """Whether a name belongs to the system or is hidden, and is passed over without a word."""
    return name.startswith(".") or name.lower() in (_SYSTEM_FOLDERS if folder else _SYSTEM_FILES)


def dcf_number(stem: str) -> int | None:
    """File number of a DCF name (4 free characters, then 0001 to 9999; JEITA CP-3461), else ``None``."""
    match = _DCF.fullmatch(stem)
    number = int(match[1]) if match else 0
    return number or None


def natural_key(path: str) -> tuple[tuple[int, int, str], ...]:
    """Sort key in which numbers inside names count as numbers, letters in either case alike."""
    parts: list[tuple[int, int, str]] = []
    for piece in re.split(r"(\d+)", path):
        if piece.isdecimal():
            # Over-long digit runs are compared as text of equal length, which is the same order.
            parts.append((0, len(piece.lstrip("0")), piece.lstrip("0")))
        elif piece:
            parts.append((1, 0, piece.casefold()))
    return (*parts, (2, 0, path))
