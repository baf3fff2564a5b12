"""The values a camera shows for shutter, aperture and ISO, in third stops, and the exact values behind them.

Exact series: t = 2^(5 - i/3) s, N = 2^(i/6), ISO = 100 x 2^(i/3). The marks are common practice.
"""

from __future__ import annotations

import math
from typing import Literal

_SHUTTER_MARKS = (
    "30 25 20 15 13 10 8 6 5 4 3.2 2.5 2 1.6 1.3 1 0.8 0.6 0.5 0.4 0.3 1/4 1/5 1/6 1/8 1/10 1/13 1/15 1/20 1/25 1/30 "
    "1/40 1/50 1/60 1/80 1/100 1/125 1/160 1/200 1/250 1/320 1/400 1/500 1/640 1/800 1/1000 1/1250 1/1600 1/2000 "
    "1/2500 1/3200 1/4000 1/5000 1/6400 1/8000"
)
_APERTURE_MARKS = (
    "1 1.1 1.2 1.4 1.6 1.8 2 2.2 2.5 2.8 3.2 3.5 4 4.5 5 5.6 6.3 7.1 8 9 10 11 13 14 16 18 20 22 25 29 32 36 40 45 "
    "51 57 64"
)
_ISO_MARKS = (
    "50 64 80 100 125 160 200 250 320 400 500 640 800 1000 1250 1600 2000 2500 3200 4000 5000 6400 8000 10000 12800 "
    "16000 20000 25600 32000 40000 51200 64000 80000 102400"
)
_SHUTTERS, _APERTURES, _ISOS = _SHUTTER_MARKS.split(), _APERTURE_MARKS.split(), _ISO_MARKS.split()
_ISO_FROM = -3

FASTEST_S = 2.0 ** (5 - (len(_SHUTTERS) - 1) / 3)
"""The shortest time with a mark, 1/8000 s."""
LONGEST_S = 32.0
"""The longest time with a mark, shown as 30 s."""

# Thirds of a stop by which a value may miss its mark and still be it: half a third would be the next one.
_SLACK = 1e-6


def shutter_step(exposure_s: float, rounding: Literal["near", "faster"] = "near") -> float:
    """Exact time (s) of the mark nearest to `exposure_s`, or of the next faster one; bulb times stay as they are."""
    if exposure_s > LONGEST_S:
        return exposure_s
    thirds = 3.0 * (5.0 - math.log2(exposure_s))
    index = math.ceil(thirds - _SLACK) if rounding == "faster" else round(thirds)
    return float(2.0 ** (5.0 - min(max(index, 0), len(_SHUTTERS) - 1) / 3.0))


def iso_step(iso: float) -> float:
    """Exact ISO of the mark nearest to `iso`."""
    index = _clamp(round(3.0 * math.log2(iso / 100.0)) - _ISO_FROM, _ISOS)
    return float(100.0 * 2.0 ** ((index + _ISO_FROM) / 3.0))


def shutter_mark(exposure_s: float) -> str:
    """The time as a camera shows it, with its unit: ``"1/125 s"``, ``"0.8 s"``, ``"75 s"``, ``"2 min 30 s"``."""
    if exposure_s > LONGEST_S * 2 ** (1 / 6):
        whole = round(exposure_s)
        if whole < 120:
            return f"{whole} s"
        return f"{whole // 60} min {whole % 60} s" if whole % 60 else f"{whole // 60} min"
    if exposure_s < FASTEST_S * 2 ** (-1 / 6):
        return f"1/{round(1.0 / exposure_s)} s"
    return f"{_SHUTTERS[_clamp(round(3.0 * (5.0 - math.log2(exposure_s))), _SHUTTERS)]} s"


def aperture_mark(f_number: float) -> str:
    """The aperture as a lens shows it: ``"f/11"``."""
    return f"f/{aperture_written(f_number):g}"


def aperture_written(f_number: float) -> float:
    """The number on the lens nearest to `f_number`: 11 for 11.31."""
    return float(_APERTURES[_clamp(round(6.0 * math.log2(f_number)), _APERTURES)])


def iso_mark(iso: float) -> str:
    """The ISO as a camera shows it: ``"ISO 400"``."""
    return f"ISO {_ISOS[_clamp(round(3.0 * math.log2(iso / 100.0)) - _ISO_FROM, _ISOS)]}"


def apertures_between(low: float, high: float) -> tuple[float, ...]:
    """Numbers on the lens in third stops from `low` to `high`."""
    slack = 2 ** (1 / 18)
    return tuple(float(mark) for mark in _APERTURES if low / slack <= float(mark) <= high * slack)


def _clamp(index: int, marks: list[str]) -> int:
    return min(max(index, 0), len(marks) - 1)
