"""Range checks shared by the formulas: one clear line, naming the quantity and what it must be."""

from __future__ import annotations

import math


def positive(name: str, value: float, unit: str = "") -> float:
    """Give back `value`, finite and above zero, or raise `ValueError`."""
    if not math.isfinite(value) or value <= 0:
        raise ValueError(f"{name} must be above 0{_of(unit)}, not {value:g}")
    return value


def not_negative(name: str, value: float, unit: str = "") -> float:
    """Give back `value`, finite and zero or more, or raise `ValueError`."""
    if not math.isfinite(value) or value < 0:
        raise ValueError(f"{name} must be 0{_of(unit)} or more, not {value:g}")
    return value


def beyond_focal(name: str, distance_m: float, focal_mm: float) -> float:
    """Give back a distance in metres (infinity allowed) that lies beyond the focal length, or raise `ValueError`."""
    if math.isnan(distance_m) or distance_m * 1000.0 <= focal_mm:
        if focal_mm == 0:
            raise ValueError(f"{name} must be above 0 m, not {distance_m:g}")
        raise ValueError(f"{name} must be farther than the focal length ({focal_mm:g} mm), not {distance_m:g} m")
    return distance_m


def near_before_far(near_m: float, far_m: float, focal_mm: float) -> None:
    """Raise `ValueError` unless focal length < near < far (far may be infinity)."""
    beyond_focal("nearest distance", near_m, focal_mm)
    beyond_focal("farthest distance", far_m, focal_mm)
    if not math.isfinite(near_m):
        raise ValueError("nearest distance must be a number of metres, not infinity")
    if far_m <= near_m:
        raise ValueError(f"farthest distance ({far_m:g} m) must be beyond the nearest ({near_m:g} m)")


def share_below_one(name: str, value: float) -> float:
    """Give back a share with 0 <= value < 1, or raise `ValueError`."""
    if not math.isfinite(value) or not 0 <= value < 1:
        raise ValueError(f"{name} must be at least 0 and under 1 (0.3 is 30 %), not {value:g}")
    return value


def _of(unit: str) -> str:
    return f" {unit}" if unit else ""
