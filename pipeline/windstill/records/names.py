"""File names as they stand in tables: readable back exactly, safe to join, safe in a spreadsheet."""

from __future__ import annotations

import re
from urllib.parse import unquote_to_bytes

_ALWAYS = re.compile(r"[%;>\x00-\x1f\x7f-\x9f\u2028\u2029\u202a-\u202e\u2066-\u2069\udc80-\udcff]")
_LEADING = "=+-@'"


def encode_name(name: str) -> str:
    """Percent-encode a path so that joined cells split and read back exactly.

    Parameters
    ----------
    name : str
        A path as `os.fsdecode` gives it: bytes that are not UTF-8 appear as surrogate escapes.

    Returns
    -------
    str
        The name with ``%``, ``;``, ``>``, control and direction-changing characters, undecodable bytes and
        a leading ``=``, ``+``, ``-``, ``@`` or ``'`` percent-encoded as UTF-8 (or raw) bytes.
    """

    def hexed(match: re.Match[str]) -> str:
        return _hex(match.group())

    encoded = _ALWAYS.sub(hexed, name)
    if encoded and encoded[0] in _LEADING:
        encoded = _hex(encoded[0]) + encoded[1:]
    return encoded


def decode_name(cell: str) -> str:
    """Give back the name `encode_name` was given."""
    return unquote_to_bytes(cell.encode("utf-8", "surrogateescape")).decode("utf-8", "surrogateescape")


def _hex(text: str) -> str:
    return "".join(f"%{byte:02X}" for byte in text.encode("utf-8", "surrogateescape"))
