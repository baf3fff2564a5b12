"""Exposure values (APEX) and the exact series behind the rounded numbers cameras show.

A camera set to 1/60 s exposes for 1/64 s: shutter times, f-numbers and ISO settings run in exact thirds or
halves of a stop and are rounded for display. Differences between frames are right only after each value has
been put back on its series.

Sources: Exif 2.32 (CIPA DC-X008-2019), Annex C, for the APEX units; the series are powers of two by definition
of the stop; the rounded numbers are those engraved on cameras and lenses (common practice).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cache, lru_cache
from typing import Literal

from windstill.optics.checks import positive

Step = Literal["third", "half"]

# Written values agree with the shown number, or with the exact one, to about one percent (1/1.3 s is written as
# 0.769 or 0.77). Anything farther off is a measured value of a camera without fixed steps, and stays.
SAME_EV = 0.02

# 30 s is the slowest timed shutter (32 s exactly); longer exposures are counted out, not stepped.
_THIRD_SHUTTER = (
    "30 25 20 15 13 10 8 6 5 4 3.2 2.5 2 1.6 1.3 1 0.8|1/1.3 0.6|1/1.6 1/2 0.4 0.3|1/3 1/4 1/5 1/6 1/8 1/10 1/13 "
    "1/15 1/20 1/25 1/30 1/40 1/50 1/60 1/80 1/100 1/125 1/160 1/200 1/250 1/320 1/400 1/500 1/640 1/800 1/1000 "
    "1/1250 1/1600 1/2000 1/2500 1/3200 1/4000 1/5000 1/6400 1/8000 1/10000 1/12800 1/16000 1/20000 1/25600 "
    "1/32000"
)
_HALF_SHUTTER = (
    "30 20 15 10 8 6 4 3 2 1.5 1 0.7|1/1.5 1/2 0.3|1/3 1/4 1/6 1/8 1/10 1/15 1/20 1/30 1/45 1/60 1/90 1/125 1/180 "
    "1/250 1/350 1/500 1/750 1/1000 1/1500 1/2000 1/3000 1/4000 1/6000 1/8000 1/12000 1/16000 1/24000 1/32000"
)
_THIRD_APERTURE = (
    "0.7 0.8 0.9 1 1.1 1.2 1.4 1.6 1.8 2 2.2 2.5 2.8 3.2 3.5 4 4.5 5|5.1 5.6 6.3 7.1 8 9 10 11 13 14 16 18 20 22 "
    "25 29 32 36 40 45 51 57 64"
)
_HALF_APERTURE = (
    "0.7 0.8 1 1.2 1.4 1.7|1.8 2 2.4|2.5 2.8 3.3|3.4|3.5 4 4.5|4.8 5.6 6.7 8 9.5 11 13 16 19 22 27 32 38 45 54 64"
)
_THIRD_ISO = (
    "25 32 40 50 64 80 100 125 160 200 250 320 400 500 640 800 1000 1250 1600 2000 2500 3200 4000 5000 6400 8000 "
    "10000 12800 16000 20000 25600 32000 40000 51200 64000 80000 102400 128000 160000 204800 256000 320000 409600"
)
_HALF_ISO = (
    "25 35 50 70 100 140 200 280 400 560|570 800 1100 1600 2200 3200 4500 6400 9000 12800 18000 25600 36000 51200 "
    "72000 102400"
)


@dataclass(frozen=True, slots=True)
class SeriesValue:
    """One member of a series: its exact value, the numbers it is shown as, and the step it belongs to."""

    exact: float
    shown: tuple[float, ...]
    step: Step


@lru_cache(4096)
def snap_exposure_s(exposure_s: float, prefer: Step = "third") -> float:
    """Exact exposure time behind a written one.

    Parameters
    ----------
    exposure_s : float
        Seconds as written, above 0.
    prefer : {"third", "half"}
        The series taken where a number stands for a member of either (1/6 s, f/3.5).

    Returns
    -------
    float
        Seconds from t = 2^(5 - i/3) or 2^(5 - i/2); the value itself where it is no member of either.
    """
    return _snap(exposure_s, _shutter(), 1.0, prefer)


@lru_cache(4096)
def snap_f_number(f_number: float, prefer: Step = "third") -> float:
    """Exact f-number behind a written one, from N = 2^(i/6) or 2^(i/4); the value itself if of neither."""
    return _snap(f_number, _aperture(), 2.0, prefer)


@lru_cache(4096)
def snap_iso(iso: float, prefer: Step = "third") -> float:
    """Exact sensitivity behind a written one, from 100 * 2^(i/3) or 100 * 2^(i/2); else the value itself."""
    return _snap(iso, _iso(), 1.0, prefer)


def step_of(exposures_s: Iterable[float], f_numbers: Iterable[float]) -> Step:
    """Which step a camera is set to, told by values that only one of the series has.

    Parameters
    ----------
    exposures_s, f_numbers : iterable of float
        Values as written, of one camera.

    Returns
    -------
    {"third", "half"}
        ``half`` only if values of the half-stop series alone occur and none of the third-stop series alone.
    """
    seen: set[Step] = set()
    for value in set(exposures_s):
        seen |= _only_step(value, _shutter(), 1.0)
    for value in set(f_numbers):
        seen |= _only_step(value, _aperture(), 2.0)
    return "half" if seen == {"half"} else "third"


def time_value(exposure_s: float) -> float:
    """APEX Tv = -log2 t."""
    positive("exposure time", exposure_s, "s")
    return -math.log2(exposure_s)


def aperture_value(f_number: float) -> float:
    """APEX Av = 2 log2 N."""
    positive("f-number", f_number)
    return 2.0 * math.log2(f_number)


def speed_value(iso: float) -> float:
    """APEX Sv = log2(ASA / 3.125)."""
    positive("ISO", iso)
    return math.log2(iso / 3.125)


def exposure_value(exposure_s: float, f_number: float) -> float:
    """APEX Ev = Av + Tv = log2(N^2 / t), EV at the camera's own sensitivity."""
    return aperture_value(f_number) + time_value(exposure_s)


def exposure_value_100(exposure_s: float, f_number: float, iso: float) -> float:
    """EV100 = log2(N^2 / t) - log2(S / 100): the scene's luminance that these settings expose rightly."""
    return exposure_value(exposure_s, f_number) - math.log2(iso / 100.0)


def recorded_level(exposure_s: float, f_number: float, iso: float) -> float:
    """log2(S t / (100 N^2)) in EV: how bright a still scene is recorded; equals minus EV100.

    Values are taken as they are; give exact ones (`snap_exposure_s`, `snap_f_number`, `snap_iso`) where
    differences between frames matter.
    """
    positive("ISO", iso)
    return -exposure_value_100(exposure_s, f_number, iso)


def exact_recorded_level(exposure_s: float, f_number: float, iso: float, prefer: Step = "third") -> float:
    """`recorded_level` of written values, each put back on its series first."""
    return recorded_level(
        snap_exposure_s(exposure_s, prefer), snap_f_number(f_number, prefer), snap_iso(iso, prefer)
    )


def _snap(value: float, series: Sequence[SeriesValue], ev_per_octave: float, prefer: Step) -> float:
    if not (math.isfinite(value) and value > 0):
        raise ValueError(f"only a value above 0 stands on a series of stops, not {value}")
    best: tuple[float, bool] | None = None
    exact = value
    for member in series:
        away = _away(value, member, ev_per_octave)
        rank = (round(away, 6), member.step != prefer)
        if away <= SAME_EV and (best is None or rank < best):
            best, exact = rank, member.exact
    return exact


def _away(value: float, member: SeriesValue, ev_per_octave: float) -> float:
    return min(abs(ev_per_octave * math.log2(value / known)) for known in (member.exact, *member.shown))


def _only_step(value: float, series: Sequence[SeriesValue], ev_per_octave: float) -> set[Step]:
    steps = {member.step for member in series if _away(value, member, ev_per_octave) <= SAME_EV}
    return steps if len(steps) == 1 else set()


@cache
def _shutter() -> tuple[SeriesValue, ...]:
    return _series(_THIRD_SHUTTER, "third", 5.0, -1 / 3) + _series(_HALF_SHUTTER, "half", 5.0, -1 / 2)


@cache
def _aperture() -> tuple[SeriesValue, ...]:
    return _series(_THIRD_APERTURE, "third", -0.5, 1 / 6) + _series(_HALF_APERTURE, "half", -0.5, 1 / 4)


@cache
def _iso() -> tuple[SeriesValue, ...]:
    base = math.log2(100.0)
    return _series(_THIRD_ISO, "third", base - 2, 1 / 3) + _series(_HALF_ISO, "half", base - 2, 1 / 2)


def _series(shown: str, step: Step, first_log2: float, step_log2: float) -> tuple[SeriesValue, ...]:
    return tuple(
        SeriesValue(2.0 ** (first_log2 + i * step_log2), tuple(map(_number, names.split("|"))), step)
        for i, names in enumerate(shown.split())
    )


def _number(text: str) -> float:
    over, _, under = text.partition("/")
    return float(over) / float(under or 1)
