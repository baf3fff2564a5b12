"""How one value stands in a table: unknown is empty, names read back exactly, nothing runs in a spreadsheet."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from datetime import datetime

import numpy as np

from windstill.records import encode_name

_FORMULA_START = ("=", "+", "-", "@", "\t", "\r")
_UNPRINTABLE = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\ud800-\udfff]")


def known(value: float | None) -> float | None:
    """The value, or ``None`` where it is not a number."""
    return None if value is None or math.isnan(value) else float(value)


def fixed(value: float | None, decimals: int) -> str:
    """A number with fixed decimals and no negative zero; empty when unknown, ``inf`` at infinity."""
    value = known(value)
    if value is None:
        return ""
    text = f"{value:.{decimals}f}"
    return text.lstrip("-") if float(text) == 0 else text


def significant(value: float | None, digits: int = 7) -> str:
    """A number to so many significant digits, never with an exponent; empty when unknown."""
    value = known(value)
    if value is None:
        return ""
    if math.isinf(value):
        return str(value)
    return np.format_float_positional(value, precision=digits, unique=False, fractional=False, trim="-")


def moment(when: datetime | None, resolution_s: float | None) -> str:
    """ISO 8601 with the fraction the camera wrote (none where it wrote none), and the offset if known."""
    if when is None:
        return ""
    digits = 6 if resolution_s is None else min(6, max(0, round(-math.log10(resolution_s))))
    if resolution_s is None and when.microsecond == 0:
        digits = 0
    whole = when.replace(microsecond=0).isoformat()
    fraction = f".{when.microsecond:06d}"[: digits + 1] if digits else ""
    return whole[:19] + fraction + whole[19:]


def clean_text(text: str) -> str:
    """The text without characters that break readers of the table (line breaks and tabs stay)."""
    return _UNPRINTABLE.sub("\ufffd", text)


def text_cell(text: str | None) -> str:
    """A text as it stands in a cell; one a spreadsheet would take for a formula gets a leading ``'``."""
    if not text:
        return ""
    text = clean_text(text)
    return f"'{text}" if text.startswith(_FORMULA_START) else text


def phrases_cell(phrases: Iterable[str]) -> str:
    """Short phrases joined by ``;``; a ``;`` inside a phrase becomes a comma so that the cell splits right."""
    return text_cell(";".join(p.replace(";", ",") for p in phrases))


def names_cell(names: Iterable[str]) -> str:
    """Frame, file or set names joined by ``;``, each encoded."""
    return ";".join(encode_name(n) for n in names)
