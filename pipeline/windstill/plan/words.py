"""Numbers as a photographer says them."""

from __future__ import annotations

import math
from collections.abc import Sequence


def metres(distance_m: float, finer: int = 0) -> str:
    """``"0.64 m"``, ``"2.3 m"``, ``"14 m"``, ``"infinity"``; `finer` adds decimals."""
    if math.isinf(distance_m):
        return "infinity"
    decimals = 2 if distance_m < 2 else 1 if distance_m < 10 else 0
    return f"{distance_m:.{decimals + finer}f} m"


def focus_marks(distances_m: Sequence[float]) -> list[str]:
    """Focus distances with as many decimals as it takes to tell neighbours apart, at most two more than usual."""
    for finer in range(3):
        said = [metres(d, finer) for d in distances_m]
        if len(set(said)) == len(said):
            break
    return said


def reach_marks(ends_m: Sequence[tuple[float, float]]) -> list[tuple[str, str]]:
    """Nearest and farthest distances with as many decimals as it takes for none to read as no depth at all."""
    for finer in range(3):
        said = [(metres(near, finer), metres(far, finer)) for near, far in ends_m]
        if all(near != far for near, far in said):
            break
    return said


def duration(seconds: float) -> str:
    """``"under 1 s"``, ``"8 s"``, ``"2 min 5 s"``, ``"1 h 4 min"``."""
    if seconds < 0.95:
        return "under 1 s"
    if seconds < 9.95:
        return f"{seconds:.1f} s" if seconds % 1 else f"{seconds:.0f} s"
    whole = round(seconds)
    if whole < 60:
        return f"{whole} s"
    if whole < 3600:
        return f"{whole // 60} min" + (f" {whole % 60} s" if whole % 60 else "")
    return f"{whole // 3600} h" + (f" {whole % 3600 // 60} min" if whole % 3600 // 60 else "")


def clock(seconds: float) -> str:
    """``"3:33"``, minutes and seconds, for a column; never nought for what takes any time."""
    whole = max(round(seconds), 1 if seconds > 0 else 0)
    return f"{whole // 60}:{whole % 60:02d}"


def pixels(length_px: float) -> str:
    """``"1.8 px"``, ``"62 px"``."""
    return f"{number(length_px)} px"


def number(value: float) -> str:
    """``"1.8"``, ``"62"``: two figures, for a column whose heading has the unit."""
    return f"{value:.1f}" if value < 9.95 else f"{value:.0f}"


def centimetres(length_cm: float) -> str:
    """``"2.2 cm"``, ``"0.4 mm"``, ``"30 µm"``."""
    if 0 < length_cm < 0.01:
        return f"{length_cm * 10_000:.0f} µm"
    if length_cm < 1:
        return f"{length_cm * 10:.1f} mm"
    return f"{length_cm:.1f} cm" if length_cm < 10 else f"{length_cm:.0f} cm"


def stops(value: float) -> str:
    """``"1 stop"``, ``"2.7 stops"``, ``"no stop"``."""
    rounded = round(value, 1)
    if rounded == 0:
        return "no stop"
    return f"{rounded:g} stop" if rounded == 1 else f"{rounded:g} stops"


def signed_ev(value: float) -> str:
    """``"+2 EV"``, ``"-0.7 EV"``, ``"0 EV"`` (with a true minus sign)."""
    rounded = round(value, 1)
    if rounded == 0:
        return "0 EV"
    return f"{'+' if rounded > 0 else '−'}{abs(rounded):g} EV"


def plural(count: int, one: str, many: str = "") -> str:
    """``"1 frame"``, ``"3 frames"``."""
    return f"{count} {one if count == 1 else many or one + 's'}"


def percent(share: float) -> str:
    """``"20 %"``."""
    return f"{share * 100:.0f} %"
