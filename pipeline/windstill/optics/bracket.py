"""Exposure brackets: how many frames a scene's range takes, and where they lie."""

from __future__ import annotations

import math

from windstill.optics.checks import positive

_WHOLE = 1e-9


def bracket_count(scene_ev: float, sensor_ev: float, step_ev: float) -> int:
    """Frames a bracket needs, ceil((scene EV - sensor EV) / step) + 1.

    Parameters
    ----------
    scene_ev : float
        Range of the scene from the deepest shadow wanted to the brightest highlight wanted, EV, above 0.
    sensor_ev : float
        Range one frame holds at the quality wanted, EV, above 0.
    step_ev : float
        Step from frame to frame, EV, above 0.

    Returns
    -------
    int
        At least 1.

    Raises
    ------
    ValueError
        A value is out of range.

    Notes
    -----
    From memory.
    """
    positive("range of the scene", scene_ev, "EV")
    positive("range of the sensor", sensor_ev, "EV")
    positive("bracket step", step_ev, "EV")
    return 1 + max(0, math.ceil((scene_ev - sensor_ev) / step_ev - _WHOLE))


def bracket_offsets_ev(count: int, step_ev: float) -> tuple[float, ...]:
    """Exposure of each frame against the middle one, darkest first.

    Parameters
    ----------
    count : int
        Frames, at least 1; an even number lies half a step to each side of the metered exposure.
    step_ev : float
        Step from frame to frame, EV, above 0.

    Returns
    -------
    tuple of float
        EV, negative = darker.

    Raises
    ------
    ValueError
        A value is out of range.
    """
    if count < 1:
        raise ValueError(f"frames of a bracket must be 1 or more, not {count}")
    positive("bracket step", step_ev, "EV")
    return tuple((i - (count - 1) / 2.0) * step_ev for i in range(count))
