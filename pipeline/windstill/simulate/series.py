"""Exact exposure series of cameras and the nominal values they write."""

from __future__ import annotations

import math
from fractions import Fraction

_SLOW = [
    "30", "25", "20", "15", "13", "10", "8", "6", "5", "4", "3.2", "2.5", "2", "1.6", "1.3", "1", "0.8", "0.6", "0.5",
    "0.4", "0.3",
]
_FAST = [
    4, 5, 6, 8, 10, 13, 15, 20, 25, 30, 40, 50, 60, 80, 100, 125, 160, 200, 250, 320, 400, 500, 640, 800, 1000, 1250,
    1600, 2000, 2500, 3200, 4000, 5000, 6400, 8000,
]
_SHUTTERS = [Fraction(s) for s in _SLOW] + [Fraction(1, n) for n in _FAST]
_APERTURES = [
    1, 1.1, 1.2, 1.4, 1.6, 1.8, 2, 2.2, 2.5, 2.8, 3.2, 3.5, 4, 4.5, 5, 5.6, 6.3, 7.1, 8, 9, 10, 11, 13, 14, 16, 18, 20,
    22, 25, 29, 32, 36, 40, 45,
]
_ISOS = [100, 125, 160, 200, 250, 320, 400, 500, 640, 800, 1000, 1250, 1600, 2000, 2500, 3200, 4000, 5000, 6400, 8000,
         10000, 12800, 16000, 20000, 25600]


def exact_shutter(seconds: float) -> float:
    """Nearest of t = 2^(5 - i/3) s, from 30 s (exactly 32) to 1/8000 s; longer ones by the same rule."""
    return float(2.0 ** (round(3 * math.log2(seconds)) / 3))


def exact_aperture(number: float) -> float:
    """Nearest of N = 2^(i/6)."""
    return float(2.0 ** (round(6 * math.log2(number)) / 6))


def exact_iso(value: float) -> float:
    """Nearest of 100 * 2^(i/3)."""
    return float(100 * 2.0 ** (round(3 * math.log2(value / 100)) / 3))


def nominal_shutter(seconds: float) -> Fraction:
    """The value a camera writes for an exact shutter time, in seconds."""
    i = round(3 * (5 - math.log2(seconds)))
    if 0 <= i < len(_SHUTTERS):
        return _SHUTTERS[i]
    return Fraction(round(seconds)) if seconds > 1 else Fraction(1, max(1, round(1 / seconds)))


def nominal_aperture(number: float) -> Fraction:
    """The f-number a camera writes."""
    i = round(6 * math.log2(number))
    return Fraction(str(_APERTURES[i])) if 0 <= i < len(_APERTURES) else Fraction(round(number * 10), 10)


def nominal_iso(value: float) -> int:
    """The ISO value a camera writes."""
    i = round(3 * math.log2(value / 100))
    return _ISOS[i] if 0 <= i < len(_ISOS) else round(value)
