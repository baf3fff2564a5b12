"""What just shows in the finished picture: the scale of circle of confusion and of motion tolerance."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Literal

from windstill.optics.checks import positive

PRINT_DETAIL_MM = 0.2
"""Smallest blur seen on a print at 25 cm, millimetres; it gives .03 mm on a 36 mm sensor printed 24 cm wide.
Common practice, no source."""

_SCREENS_PX = {"4k": 3840, "uhd": 3840, "hd": 1920, "fullhd": 1920, "8k": 7680, "5k": 5120}


@dataclass(frozen=True, slots=True)
class OutputSize:
    """What the picture is made for.

    `kind` is ``"full"`` (looked at pixel by pixel), ``"screen"`` (`size` = its long side in pixels) or ``"print"``
    (`size` = its long side in centimetres).
    """

    kind: Literal["full", "screen", "print"] = "full"
    size: float = 0.0

    @property
    def words(self) -> str:
        """The size in words."""
        if self.kind == "screen":
            return f"screen {self.size:g} px wide"
        if self.kind == "print":
            return f"print {self.size:g} cm wide"
        return "full size, pixel by pixel"


def visible_px(output: OutputSize, long_px: int, full_size_px: float = 2.0) -> float:
    """Length that just shows in the finished picture, in pixels of the full-resolution picture.

    Circle of confusion and motion tolerance are both this length: full size 2 px; on a screen 2 of its pixels; on a
    print .2 mm. It is never under the full-size figure, since a larger output shows no detail the file lacks.

    Parameters
    ----------
    output : OutputSize
        What the picture is made for.
    long_px : int
        Long side of the full-resolution picture, pixels, above 0.
    full_size_px : float
        What just shows pixel by pixel, above 0.

    Returns
    -------
    float
        Full-resolution pixels, at least `full_size_px`.

    Raises
    ------
    ValueError
        A value is out of range.
    """
    positive("long side", long_px, "px")
    positive("tolerance at full size", full_size_px, "px")
    if output.kind == "screen":
        return full_size_px * max(1.0, long_px / positive("screen", output.size, "px"))
    if output.kind == "print":
        return max(full_size_px, PRINT_DETAIL_MM * long_px / (positive("print", output.size, "cm") * 10.0))
    return full_size_px


def output_from_words(words: str) -> OutputSize:
    """Output size told in words.

    Parameters
    ----------
    words : str
        ``"full"``, ``"4K"`` or another screen by name, ``"2560 px"``, ``"60 cm"`` (with or without "print").

    Raises
    ------
    ValueError
        The words name no output size.
    """
    said = words.lower().strip()
    compact = re.sub(r"[\s_-]|screen|print|wide", "", said)
    if compact in ("full", "fullsize"):
        return OutputSize()
    if compact in _SCREENS_PX:
        return OutputSize("screen", float(_SCREENS_PX[compact]))
    sized = re.fullmatch(r"(\d+(?:\.\d+)?)(px|cm|m)", compact)
    if sized and float(sized.group(1)) > 0:
        size, unit = float(sized.group(1)), sized.group(2)
        if unit == "px":
            return OutputSize("screen", size)
        return OutputSize("print", size * (100.0 if unit == "m" else 1.0))
    raise ValueError(f"output {words!r} is not understood: give full, 4K, a screen ('2560 px') or a print ('60 cm')")
