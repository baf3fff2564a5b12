"""What a photographer types, turned into numbers: distances, apertures, wind, light, shares."""

from __future__ import annotations

import math
import re

from windstill.optics import beaufort_from_words
from windstill.optics.exposure import exposure_value_100, snap_exposure_s, snap_f_number, snap_iso

_NUMBER = r"\d+(?:[.,]\d+)?|[.,]\d+"
_METRES = {"": 1.0, "m": 1.0, "cm": 0.01, "mm": 0.001, "ft": 0.3048, "in": 0.0254}
_MPS = {"": 1.0, "m/s": 1.0, "mps": 1.0, "km/h": 1 / 3.6, "kmh": 1 / 3.6, "kn": 1852 / 3600, "kt": 1852 / 3600,
        "knots": 1852 / 3600, "mph": 0.44704}  # fmt: skip


def distance_m(text: str) -> float:
    """``"0.6"``, ``"60 cm"``, ``"2 ft"``, ``"infinity"`` in metres; raises `ValueError`."""
    said = text.strip().lower()
    if said in ("infinity", "inf", "∞"):
        return math.inf
    return _with_unit(said, _METRES, f"distance {text!r}: give metres, '60 cm', '2 ft' or infinity")


def wind_mps(text: str) -> float:
    """``"4"``, ``"15 km/h"``, ``"8 knots"``, ``"gentle breeze"``, ``"Beaufort 3"`` in metres per second.

    Words of the Beaufort scale stand for the middle of their step; raises `ValueError`.
    """
    said = text.strip().lower()
    if re.fullmatch(rf"({_NUMBER})\s*[a-z/]*", said) and not re.match(r"(?:b|f)", said):
        return _with_unit(said, _MPS, f"wind {text!r}: give m/s, '15 km/h', '8 knots' or words such as 'gentle breeze'")
    return beaufort_from_words(text).middle_mps


def aperture_range(text: str) -> tuple[float, float]:
    """``"8"``, ``"f/8"``, ``"5.6-11"``, ``"f/5.6 to f/11"``; raises `ValueError`."""
    found = re.fullmatch(
        rf"(?:f\s*/?\s*)?({_NUMBER})(?:\s*(?:-|–|to)\s*(?:f\s*/?\s*)?({_NUMBER}))?", text.strip().lower()
    )
    if found is None:
        raise ValueError(f"aperture {text!r}: give one such as 8, or a range such as 5.6-11")
    low = _number(found.group(1))
    return low, _number(found.group(2)) if found.group(2) else low


def light_ev100(text: str) -> float:
    """``"9"``, ``"EV 9"``, or a metered setting such as ``"f/8 1/15 s ISO 100"`` in EV at ISO 100; raises `ValueError`.

    A metered setting is put back on the exact series first (1/60 s is 1/64 s).
    """
    said = text.strip().lower()
    value = re.fullmatch(rf"(?:ev\s*)?([-−+]?(?:{_NUMBER}))(?:\s*ev)?", said)
    if value is not None:
        return _number(value.group(1).replace("−", "-"))
    aperture = re.search(rf"f\s*/?\s*({_NUMBER})", said)
    rest = said if aperture is None else said.replace(aperture.group(), " ", 1)
    iso = re.search(r"iso\s*(\d+)", rest)
    rest = rest if iso is None else rest.replace(iso.group(), " ", 1)
    shutter = re.fullmatch(rf"[\s,;at]*(?:1\s*/\s*({_NUMBER})|({_NUMBER}))\s*s?(?:ec)?[\s,;at]*", rest)
    if aperture is None or iso is None or shutter is None or not _number(shutter.group(1) or shutter.group(2)):
        raise ValueError(f"light {text!r}: give EV such as 9, or a metered setting such as 'f/8 1/15 ISO 100'")
    seconds = 1.0 / _number(shutter.group(1)) if shutter.group(1) else _number(shutter.group(2))
    return exposure_value_100(
        snap_exposure_s(seconds), snap_f_number(_number(aperture.group(1))), snap_iso(_number(iso.group(1)))
    )


def share(text: str, of: str) -> float:
    """``"30%"``, ``"30"`` or ``"0.3"`` as a share; raises `ValueError`."""
    found = re.fullmatch(rf"({_NUMBER})\s*(%?)", text.strip())
    if found is None:
        raise ValueError(f"{of} {text!r}: give a share such as 30%")
    value = _number(found.group(1))
    return value / 100.0 if found.group(2) or value >= 1 else value


def sides_mm(text: str) -> tuple[float, float]:
    """``"36x24"`` as long and short side in millimetres; raises `ValueError`."""
    long_side, short_side = _pair(text, "sensor", "36x24")
    return max(long_side, short_side), min(long_side, short_side)


def sides_px(text: str) -> tuple[int, int]:
    """``"6000x4000"`` as long and short side in pixels; raises `ValueError`."""
    long_side, short_side = _pair(text, "pixels", "6000x4000")
    if long_side != round(long_side) or short_side != round(short_side):
        raise ValueError(f"pixels {text!r}: give whole numbers such as 6000x4000")
    return int(max(long_side, short_side)), int(min(long_side, short_side))


def _pair(text: str, of: str, example: str) -> tuple[float, float]:
    found = re.fullmatch(rf"({_NUMBER})\s*(?:x|×|by)\s*({_NUMBER})", text.strip().lower())
    if found is None:
        raise ValueError(f"{of} {text!r}: give both sides such as {example}")
    return _number(found.group(1)), _number(found.group(2))


def _with_unit(said: str, units: dict[str, float], fault: str) -> float:
    found = re.fullmatch(rf"({_NUMBER})\s*([a-z/]*)", said)
    if found is None or found.group(2) not in units:
        raise ValueError(fault)
    return _number(found.group(1)) * units[found.group(2)]


def _number(text: str) -> float:
    return float(text.replace(",", "."))
