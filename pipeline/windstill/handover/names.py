"""Folder and file names every common file system takes, none of two alike on one that ignores letter case."""

from __future__ import annotations

import hashlib
import re
import unicodedata
from collections.abc import Sequence

# What some file system refuses in a name: control characters, separators, wildcards, bytes that are not text.
_REFUSED = re.compile(r'[\x00-\x1f\x7f-\x9f\u2028\u2029/\\:*?"<>|\ud800-\udfff]')
_RESERVED = re.compile(r"(?i)(con|prn|aux|nul|com[0-9]|lpt[0-9])(\.|$)")
# 255 bytes is the longest name of most file systems; encrypted ones take a third less.
LONGEST_BYTES = 140


def portable(name: str) -> str:
    """The name as every common file system takes it: what one refuses is percent-encoded; others stay as they are."""
    encoded = _REFUSED.sub(lambda match: _hex(match.group()), name)
    if encoded[-1:] in (".", " "):
        encoded = encoded[:-1] + _hex(encoded[-1])
    return f"_{encoded}" if _RESERVED.match(encoded) else encoded


def shortened(name: str, room: int = LONGEST_BYTES) -> str:
    """The name within so many bytes; a cut one carries a digest of the whole, so that two stay two."""
    if len(name.encode("utf-8", "surrogateescape")) <= room:
        return name
    digest = hashlib.blake2b(name.encode("utf-8", "surrogateescape"), digest_size=4).hexdigest()
    return name.encode("utf-8", "surrogateescape")[: room - 9].decode("utf-8", "ignore").rstrip("%. ") + f"~{digest}"


def alike(name: str) -> str:
    """What two names share that one folder may not tell apart: letter case, composed and decomposed accents."""
    return unicodedata.normalize("NFC", unicodedata.normalize("NFC", name).casefold())


def frame_file_names(stem: str, names: Sequence[str], taken: set[str]) -> list[str]:
    """Names for the files of one exposure in one folder, all with the same stem so that they stay together.

    Parameters
    ----------
    stem : str
        File name of the exposure without extension.
    names : sequence of str
        File names as they are, no two of them alike.
    taken : set of str
        `alike` forms of the names in use; the new ones are added.

    Returns
    -------
    list of str
        As given where that is possible; else the stem ends in ``~2``, ``~3`` ...
    """
    number = 1
    while True:
        mark = "" if number == 1 else f"~{number}"
        found = [_renamed(name, stem, mark) for name in names]
        forms = [alike(name) for name in found]
        if len(set(forms)) == len(forms) and not taken.intersection(forms):
            taken.update(forms)
            return found
        number += 1


def _renamed(name: str, stem: str, mark: str) -> str:
    # "THRF0007.JPG.xmp" and "THRF0007.NEF" keep what follows the stem; another stem keeps its last extension.
    end = len(stem) if name.startswith(stem) else name.rfind(".") if "." in name[1:] else len(name)
    head, tail = name[:end], name[end:]
    tail = shortened(portable(tail), 40)
    room = LONGEST_BYTES - len(mark) - len(tail.encode())
    return portable(shortened(portable(head), room) + mark + tail)


def _hex(text: str) -> str:
    return "".join(f"%{byte:02X}" for byte in text.encode("utf-8", "surrogateescape"))
