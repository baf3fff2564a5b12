"""Which shutter and sensitivity would have held the subject, from how far it moved."""

from __future__ import annotations

import math

from windstill.optics.exposure import snap_exposure_s, snap_iso
from windstill.records import CameraData

_HIGHEST_ISO = 6400  # beyond this the noise costs more than a reshoot in a lull: common practice, no source
_TIMES = [1 / 30, 1 / 60, 1 / 125, 1 / 250, 1 / 500, 1 / 1000, 1 / 2000]


def shutter_phrase(camera: CameraData, smear_px: float, tolerance_px: float) -> str | None:
    """A shutter and ISO that would have kept smear within tolerance, as a phrase; ``None`` without exposure data.

    Parameters
    ----------
    camera : CameraData
        Settings the frame was taken with.
    smear_px : float
        Smear measured at that shutter, or the sway expected within it, full-resolution pixels.
    tolerance_px : float

    Notes
    -----
    Over times much shorter than a sway period (half a second and more for flowers on stems) smear grows in
    proportion to the exposure time, so the time to ask for is t * tolerance / smear.
    """
    if not camera.exposure_s or smear_px <= tolerance_px:
        return None
    wanted = camera.exposure_s * tolerance_px / smear_px
    slower = [t for t in _TIMES if t <= wanted * 1.05]
    time = slower[0] if slower else _TIMES[-1]
    if not camera.iso:
        return f"1/{round(1 / time)} s"
    iso = snap_iso(camera.iso * camera.exposure_s / snap_exposure_s(time))
    if iso <= _HIGHEST_ISO * 1.05:
        return f"1/{round(1 / time)} s at ISO {round_iso(iso)}"
    stops = math.log2(iso / _HIGHEST_ISO)
    return f"1/{round(1 / time)} s at ISO {_HIGHEST_ISO}, opened {stops:.0f} stops or with more light"


def round_iso(iso: float) -> int:
    """The nominal figure shown for an exact ISO value: 403 -> 400, 1613 -> 1600."""
    nominal = [first * 2.0**octave for first in (100, 125, 160) for octave in range(-1, 11)]
    nearest: float = min(nominal, key=lambda n: abs(math.log2(n / iso)))
    return round(nearest)
