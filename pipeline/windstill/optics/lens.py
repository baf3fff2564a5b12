"""The thin lens: image distance, magnification, field of view, pixel pitch."""

from __future__ import annotations

import math

from windstill.optics.checks import beyond_focal, positive


def image_distance_mm(focal_mm: float, focus_m: float) -> float:
    """Distance from lens to sharp image, v = f s / (s - f).

    Parameters
    ----------
    focal_mm : float
        Focal length, millimetres, above 0.
    focus_m : float
        Distance in focus, metres, beyond the focal length; ``inf`` gives the focal length itself.

    Returns
    -------
    float
        Millimetres.

    Raises
    ------
    ValueError
        A value is out of range.

    Notes
    -----
    The Gaussian lens equation 1/f = 1/s + 1/v (any optics text).
    """
    positive("focal length", focal_mm, "mm")
    beyond_focal("focus distance", focus_m, focal_mm)
    return focal_mm / (1.0 - focal_mm / (focus_m * 1000.0))


def magnification(focal_mm: float, subject_m: float) -> float:
    """Size at the sensor over size in the scene, m = f / (s - f), of a subject in focus.

    Parameters
    ----------
    focal_mm : float
        Focal length, millimetres, above 0.
    subject_m : float
        Subject distance, metres, beyond the focal length; ``inf`` gives 0.

    Returns
    -------
    float
        Dimensionless, 1 at life size.

    Raises
    ------
    ValueError
        A value is out of range.
    """
    positive("focal length", focal_mm, "mm")
    beyond_focal("subject distance", subject_m, focal_mm)
    return focal_mm / (subject_m * 1000.0 - focal_mm)


def field_of_view_deg(sensor_mm: float, focal_mm: float) -> float:
    """Angle across one side of the picture, 2 atan(w / 2f), focused at infinity.

    Parameters
    ----------
    sensor_mm : float
        Side of the sensor, millimetres, above 0.
    focal_mm : float
        Focal length of a rectilinear lens, millimetres, above 0.

    Returns
    -------
    float
        Degrees, 0 to 180.

    Raises
    ------
    ValueError
        A value is out of range.
    """
    positive("sensor side", sensor_mm, "mm")
    positive("focal length", focal_mm, "mm")
    return math.degrees(2.0 * math.atan(sensor_mm / (2.0 * focal_mm)))


def pixel_pitch_um(sensor_mm: float, pixels: int) -> float:
    """Distance from pixel to pixel: sensor side over the pixels along it.

    Parameters
    ----------
    sensor_mm : float
        Side of the sensor, millimetres, above 0.
    pixels : int
        Pixels along that side, above 0.

    Returns
    -------
    float
        Micrometres.

    Raises
    ------
    ValueError
        A value is out of range.
    """
    positive("sensor side", sensor_mm, "mm")
    positive("pixels along the side", pixels)
    return sensor_mm * 1000.0 / pixels
