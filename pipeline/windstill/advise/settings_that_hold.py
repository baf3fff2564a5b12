"""Which shutter and sensitivity would have held the subject, from how far it moved."""

from __future__ import annotations

import math

from windstill.optics.marks import FASTEST_S, iso_mark, shutter_mark, shutter_step
from windstill.optics.motion import stem_peak_speed_mps
from windstill.records import CameraData

_MOST_STOPS = 2  # more than these cannot be had by opening up or by waiting for a brighter moment
_STEM_HZ = 1.7  # flowers on stems, Journal of Experimental Biology commentary, 2018


def held_time_s(exposure_s: float, smear_px: float | None, sway_px: float | None, tolerance_px: float) -> float:
    """Longest exposure that keeps smear within tolerance, seconds; `exposure_s` itself where that already does.

    Parameters
    ----------
    exposure_s : float
        Time the frames were taken with.
    smear_px : float or None
        Smear measured at that time, full-resolution pixels; grows in proportion to it over times much shorter than a
        swing (half a second and more).
    sway_px : float or None
        Sway between frames: a thing that stood so far apart swings at least half as far to each side, and passes the
        middle at 2 pi f times that.
    tolerance_px : float
    """
    times = [exposure_s]
    if smear_px is not None and smear_px > tolerance_px:
        times.append(exposure_s * tolerance_px / smear_px)
    elif sway_px is not None and sway_px > tolerance_px:
        times.append(tolerance_px / stem_peak_speed_mps(sway_px / 2, _STEM_HZ))
    return min(times)


def shutter_phrase(
    camera: CameraData, smear_px: float | None, sway_px: float | None, tolerance_px: float, highest_iso: float = 6400.0
) -> str | None:
    """A shutter and ISO that would have kept smear within tolerance, as a phrase.

    Returns
    -------
    str or None
        ``"1/125 s at ISO 1600"``; ``None`` without exposure data, when the shutter used was short
        enough, and when no sensitivity would allow a shorter one.
    """
    if not camera.exposure_s:
        return None
    wanted = held_time_s(camera.exposure_s, smear_px, sway_px, tolerance_px)
    if wanted > 0.9 * camera.exposure_s:
        return None
    time = shutter_step(max(wanted, FASTEST_S), "faster")
    if not camera.iso:
        return shutter_mark(time)
    iso = camera.iso * camera.exposure_s / time
    if iso <= highest_iso * 1.05:
        return f"{shutter_mark(time)} at {iso_mark(iso)}"
    stops = math.ceil(math.log2(iso / highest_iso) - 0.1)
    if stops > _MOST_STOPS:
        return None
    more = f"{stops} {'stop' if stops == 1 else 'stops'}"
    return f"{shutter_mark(time)} at {iso_mark(highest_iso)} and {more} more light or aperture"
