"""Panoramas: how far to turn between views and how many views a span takes."""

from __future__ import annotations

import math

from windstill.optics.checks import positive, share_below_one

_WHOLE = 1e-9


def view_step_deg(fov_deg: float, overlap: float) -> float:
    """Turn from view to view, FOV (1 - overlap).

    Parameters
    ----------
    fov_deg : float
        Field of view along the turn, degrees, above 0, under 180.
    overlap : float
        Share of a view shared with the next, 0 up to, not including, 1.

    Returns
    -------
    float
        Degrees.

    Raises
    ------
    ValueError
        A value is out of range.
    """
    if positive("field of view", fov_deg, "degrees") >= 180:
        raise ValueError(f"field of view must be under 180 degrees, not {fov_deg:g}")
    return fov_deg * (1.0 - share_below_one("overlap of views", overlap))


def full_circle_views(fov_deg: float, overlap: float) -> int:
    """Views of a full circle with at least the overlap, ceil(360 / step). Parameters as in `view_step_deg`."""
    return math.ceil(360.0 / view_step_deg(fov_deg, overlap) - _WHOLE)


def view_count(fov_deg: float, overlap: float, span_deg: float) -> int:
    """Views that cover a span with at least the overlap.

    Parameters
    ----------
    fov_deg, overlap : float
        As in `view_step_deg`.
    span_deg : float
        Angle the finished picture shows, degrees, above 0, at most 360 (a closed circle).

    Returns
    -------
    int
        1 + ceil((span - FOV) / step), or `full_circle_views` for 360 degrees; at least 1.

    Raises
    ------
    ValueError
        A value is out of range.
    """
    step = view_step_deg(fov_deg, overlap)
    if positive("span", span_deg, "degrees") > 360:
        raise ValueError(f"span must be at most 360 degrees, not {span_deg:g}")
    if span_deg == 360:
        return full_circle_views(fov_deg, overlap)
    needed = 1 + max(0, math.ceil((span_deg - fov_deg) / step - _WHOLE))
    return min(needed, full_circle_views(fov_deg, overlap))
