"""Smear from speed, the shutter time that holds it, and the speed of a swaying stem."""

from __future__ import annotations

import math

from windstill.optics.checks import not_negative, positive
from windstill.optics.lens import magnification


def smear_px(speed_mps: float, focal_mm: float, subject_m: float, exposure_s: float, pitch_um: float) -> float:
    """Length of the trace of a thing moving across the view at a steady speed, v m t / p.

    Parameters
    ----------
    speed_mps : float
        Speed across the line of sight, metres per second, 0 or more.
    focal_mm : float
        Focal length, millimetres, above 0.
    subject_m : float
        Subject distance, metres, beyond the focal length.
    exposure_s : float
        Exposure time, seconds, above 0.
    pitch_um : float
        Pixel pitch, micrometres, above 0.

    Returns
    -------
    float
        Pixels of the full-resolution picture.

    Raises
    ------
    ValueError
        A value is out of range.
    """
    positive("exposure time", exposure_s, "s")
    not_negative("speed", speed_mps, "m/s")
    pitch_m = positive("pixel pitch", pitch_um, "um") * 1e-6
    return speed_mps * exposure_s * magnification(focal_mm, subject_m) / pitch_m


def shutter_for_smear_s(
    speed_mps: float, focal_mm: float, subject_m: float, pitch_um: float, tolerance_px: float
) -> float:
    """Longest exposure time whose smear stays within the tolerance: `smear_px` solved for time.

    Parameters
    ----------
    speed_mps : float
        Speed across the line of sight, metres per second, 0 or more.
    focal_mm, subject_m, pitch_um : float
        As in `smear_px`.
    tolerance_px : float
        Smear allowed, full-resolution pixels, above 0.

    Returns
    -------
    float
        Seconds; ``inf`` when nothing moves.

    Raises
    ------
    ValueError
        A value is out of range.
    """
    positive("tolerance", tolerance_px, "px")
    per_second = smear_px(speed_mps, focal_mm, subject_m, 1.0, pitch_um)
    return math.inf if per_second == 0 else tolerance_px / per_second


def smear_mtf(length_px: float, cycles_per_px: float) -> float:
    """Contrast a uniform smear leaves along its direction, |sinc(L nu)|, sinc x = sin(pi x) / (pi x).

    Parameters
    ----------
    length_px : float
        Smear length, pixels, 0 or more.
    cycles_per_px : float
        Spatial frequency, cycles per pixel, 0 or more.

    Returns
    -------
    float
        0..1; 0 where length times frequency is a whole number.

    Raises
    ------
    ValueError
        A value is out of range.
    """
    x = math.pi * not_negative("smear", length_px, "px") * not_negative("frequency", cycles_per_px, "cycles/px")
    return 1.0 if x == 0 else abs(math.sin(x) / x)


def stem_peak_speed_mps(amplitude_m: float, frequency_hz: float) -> float:
    """Largest speed of a stem's tip swaying as a sine, 2 pi f A, passed twice in each swing.

    Parameters
    ----------
    amplitude_m : float
        From rest to one side, metres, 0 or more.
    frequency_hz : float
        Swings per second, above 0.

    Returns
    -------
    float
        Metres per second.

    Raises
    ------
    ValueError
        A value is out of range.

    References
    ----------
    Journal of Experimental Biology, commentary, 2018: flowers on stems sway at about 1.7 Hz, up to 2 Hz.
    """
    return 2.0 * math.pi * positive("sway frequency", frequency_hz, "Hz") * not_negative(
        "sway amplitude", amplitude_m, "m"
    )


def handheld_limit_s(focal_mm: float, crop: float = 1.0) -> float:
    """Longest hand-held exposure by the rule of thumb t = 1 / (f x crop).

    Parameters
    ----------
    focal_mm : float
        Focal length, millimetres, above 0.
    crop : float
        Diagonal of 36 x 24 mm over the sensor's diagonal, above 0.

    Returns
    -------
    float
        Seconds.

    Raises
    ------
    ValueError
        A value is out of range.

    Notes
    -----
    Common practice, no source.
    """
    return 1.0 / (positive("focal length", focal_mm, "mm") * positive("crop factor", crop))
