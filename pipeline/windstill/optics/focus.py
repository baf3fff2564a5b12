"""Depth of field, defocus, and the focus positions that cover a range of distances."""

from __future__ import annotations

import bisect
import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

from windstill.optics.checks import beyond_focal, near_before_far, positive, share_below_one
from windstill.optics.lens import image_distance_mm

# Below this a count that should be whole is taken as whole: keeps 25.000000001 from becoming 26.
_WHOLE = 1e-9


@dataclass(frozen=True, slots=True)
class DepthOfField:
    """Nearest and farthest distance within the circle of confusion, metres; `far_m` may be ``inf``."""

    near_m: float
    far_m: float


def hyperfocal_m(focal_mm: float, f_number: float, circle_mm: float) -> float:
    """Focus distance from which everything to infinity stays within the circle, H = f^2 / (N c) + f.

    Parameters
    ----------
    focal_mm : float
        Focal length, millimetres, above 0.
    f_number : float
        Aperture, above 0.
    circle_mm : float
        Circle of confusion at the sensor (diameter), millimetres, above 0.

    Returns
    -------
    float
        Metres. Everything from about H/2 to infinity is then within the circle.

    Raises
    ------
    ValueError
        A value is out of range.

    Notes
    -----
    Geometrical optics of a thin lens (any optics text). Some published tables leave out the last ``+ f``.
    """
    return infinity_near_limit_m(focal_mm, f_number, circle_mm) + focal_mm / 1000.0


def infinity_near_limit_m(focal_mm: float, f_number: float, circle_mm: float) -> float:
    """Nearest distance within the circle when focused at infinity, h = f^2 / (N c) = H - f.

    Parameters and errors are those of `hyperfocal_m`.

    Returns
    -------
    float
        Metres.
    """
    positive("focal length", focal_mm, "mm")
    positive("aperture", f_number)
    positive("circle of confusion", circle_mm, "mm")
    return focal_mm**2 / (f_number * circle_mm) / 1000.0


def depth_of_field(focal_mm: float, f_number: float, circle_mm: float, focus_m: float) -> DepthOfField:
    """Distances within the circle of confusion for one focus distance.

    near = s (H - f) / (H + s - 2f); far = s (H - f) / (H - s), infinity from s = H on.

    Parameters
    ----------
    focal_mm : float
        Focal length, millimetres, above 0.
    f_number : float
        Aperture, above 0.
    circle_mm : float
        Circle of confusion at the sensor (diameter), millimetres, above 0.
    focus_m : float
        Focus distance, metres, beyond the focal length; ``inf`` allowed.

    Returns
    -------
    DepthOfField

    Raises
    ------
    ValueError
        A value is out of range.

    Notes
    -----
    Geometrical optics of a thin lens (any optics text).
    """
    hyperfocal = hyperfocal_m(focal_mm, f_number, circle_mm)
    beyond_focal("focus distance", focus_m, focal_mm)
    focal = focal_mm / 1000.0
    if math.isinf(focus_m):
        return DepthOfField(hyperfocal - focal, math.inf)
    near = focus_m * (hyperfocal - focal) / (hyperfocal + focus_m - 2.0 * focal)
    far = math.inf if focus_m >= hyperfocal else focus_m * (hyperfocal - focal) / (hyperfocal - focus_m)
    return DepthOfField(near, far)


def blur_disc_mm(focal_mm: float, f_number: float, focus_m: float, subject_m: float) -> float:
    """Diameter of the defocus disc of a point, b = f^2 |x - s| / (N x (s - f)).

    Parameters
    ----------
    focal_mm : float
        Focal length, millimetres, above 0.
    f_number : float
        Aperture, above 0.
    focus_m, subject_m : float
        Distance in focus and distance of the point, metres, beyond the focal length; either may be ``inf``.

    Returns
    -------
    float
        Millimetres at the sensor.

    Raises
    ------
    ValueError
        A value is out of range.

    Notes
    -----
    Similar triangles behind a thin lens: b = (f / N) |1 - v_s / v_x|, v the image distances.
    """
    positive("aperture", f_number)
    at_focus = image_distance_mm(focal_mm, focus_m)
    at_subject = image_distance_mm(focal_mm, beyond_focal("subject distance", subject_m, focal_mm))
    return focal_mm / f_number * abs(1.0 - at_focus / at_subject)


def breathing_scale(focal_mm: float, focus_m: float) -> float:
    """Enlargement of the picture of a thin lens when focused at `focus_m` instead of infinity, s / (s - f).

    Parameters
    ----------
    focal_mm : float
        Focal length, millimetres, above 0.
    focus_m : float
        Focus distance, metres, beyond the focal length; ``inf`` gives 1.

    Returns
    -------
    float
        Dimensionless, at least 1. Real lenses that shorten their focal length when focusing differ.

    Raises
    ------
    ValueError
        A value is out of range.
    """
    return image_distance_mm(focal_mm, focus_m) / focal_mm


def focus_spread_mm(focal_mm: float, near_m: float, far_m: float) -> float:
    """Focus travel at the sensor from the farthest to the nearest distance, D = v(near) - v(far).

    Parameters
    ----------
    focal_mm : float
        Focal length, millimetres, above 0.
    near_m, far_m : float
        Nearest and farthest distance, metres; `far_m` may be ``inf``.

    Returns
    -------
    float
        Millimetres.

    Raises
    ------
    ValueError
        A value is out of range, or near is not before far.
    """
    positive("focal length", focal_mm, "mm")
    near_before_far(near_m, far_m, focal_mm)
    return image_distance_mm(focal_mm, near_m) - image_distance_mm(focal_mm, far_m)


def middle_focus_m(near_m: float, far_m: float) -> float:
    """Focus distance that blurs both ends alike: the harmonic mean, 2 / (1/near + 1/far).

    Parameters
    ----------
    near_m, far_m : float
        Metres, above 0; `far_m` may be ``inf`` and then twice the nearest distance is given.

    Returns
    -------
    float
        Metres.

    Raises
    ------
    ValueError
        A value is out of range, or near is not before far.
    """
    near_before_far(near_m, far_m, 0.0)
    return 2.0 / (1.0 / near_m + 1.0 / far_m)


def focus_count(
    focal_mm: float, f_number: float, circle_mm: float, near_m: float, far_m: float, overlap: float = 0.0
) -> int:
    """Number of focus positions whose depths of field cover the range.

    Parameters
    ----------
    focal_mm : float
        Focal length, millimetres, above 0.
    f_number : float
        Aperture, above 0.
    circle_mm : float
        Circle of confusion at the sensor (diameter), millimetres, above 0.
    near_m, far_m : float
        Nearest and farthest distance, metres; `far_m` may be ``inf``.
    overlap : float
        Share of each depth of field shared with the next one, 0 (touching) up to, not including, 1.

    Returns
    -------
    int
        At least 1.

    Raises
    ------
    ValueError
        A value is out of range, or near is not before far.

    Notes
    -----
    In reciprocal metres every depth of field is 2/h wide, h = f^2 / (N c), wherever it lies (distances much
    larger than the focal length; see `worst_blur_mm` for what is left near life size). Touching, they number
    k = ceil((1/n - 1/F) h/2); overlapping by a share o, k = 1 + ceil(((1/n - 1/F) h/2 - 1) / (1 - o)).
    """
    positive("focal length", focal_mm, "mm")
    near_before_far(near_m, far_m, focal_mm)
    share_below_one("overlap of focus positions", overlap)
    widths = (1.0 / near_m - 1.0 / far_m) * infinity_near_limit_m(focal_mm, f_number, circle_mm) / 2.0
    return 1 + max(0, math.ceil((widths - 1.0) / (1.0 - overlap) - _WHOLE))


def focus_positions(near_m: float, far_m: float, count: int, overlap: float = 0.0) -> tuple[float, ...]:
    """Focus distances that share a range evenly in reciprocal metres, nearest first.

    Touching: 1/u_i = 1/n - S (2i + 1) / (2k), S = 1/n - 1/F. Overlapping, each of the k depths of field
    is w = S / (1 + (k - 1)(1 - o)) wide, the first begins at the nearest distance, the last ends at the farthest.

    Parameters
    ----------
    near_m, far_m : float
        Nearest and farthest distance, metres, above 0; `far_m` may be ``inf``.
    count : int
        Number of positions, at least 1.
    overlap : float
        Share of each depth of field shared with the next one, 0 up to, not including, 1.

    Returns
    -------
    tuple of float
        `count` distances in metres.

    Raises
    ------
    ValueError
        A value is out of range, or near is not before far.
    """
    near_before_far(near_m, far_m, 0.0)
    share_below_one("overlap of focus positions", overlap)
    if count < 1:
        raise ValueError(f"number of focus positions must be 1 or more, not {count}")
    span = 1.0 / near_m - 1.0 / far_m
    width = span / (1.0 + (count - 1) * (1.0 - overlap))
    return tuple(1.0 / (1.0 / near_m - width * (0.5 + i * (1.0 - overlap))) for i in range(count))


def worst_blur_mm(focal_mm: float, f_number: float, positions_m: Sequence[float], near_m: float, far_m: float) -> float:
    """Largest defocus disc left anywhere in the range when every point is taken from its sharpest frame.

    Parameters
    ----------
    focal_mm : float
        Focal length, millimetres, above 0.
    f_number : float
        Aperture, above 0.
    positions_m : sequence of float
        Focus distances, metres, at least one.
    near_m, far_m : float
        Nearest and farthest distance, metres; `far_m` may be ``inf``.

    Returns
    -------
    float
        Millimetres at the sensor, by the exact thin-lens disc.

    Raises
    ------
    ValueError
        A value is out of range, near is not before far, or there are no positions.
    """
    positive("focal length", focal_mm, "mm")
    near_before_far(near_m, far_m, focal_mm)
    if not positions_m:
        raise ValueError("at least one focus position is needed")
    ordered = sorted(positions_m)
    # Blur only grows away from a focus, so the worst place is an end or where two neighbours blur alike.
    ends = [
        min(blur_disc_mm(focal_mm, f_number, s, end) for s in (ordered[0], ordered[-1], *_beside(ordered, end)))
        for end in (near_m, far_m)
    ]
    between = (
        blur_disc_mm(focal_mm, f_number, a, x)
        for a, b in itertools.pairwise(ordered)
        if near_m <= (x := _equal_blur_m(focal_mm, a, b)) <= far_m
    )
    return max(*ends, *between)


def _beside(ordered: Sequence[float], distance_m: float) -> Sequence[float]:
    """The positions on both sides of a distance."""
    place = bisect.bisect(ordered, distance_m)
    return ordered[max(0, place - 1) : place + 1]


def step_back_m(focal_mm: float, f_number: float, circle_mm: float, near_m: float, far_m: float) -> float:
    """How far to step back until one frame holds nearest and farthest within the circle.

    The whole scene recedes by the same way; focus goes to `middle_focus_m` of the new distances.

    Parameters
    ----------
    focal_mm : float
        Focal length, millimetres, above 0.
    f_number : float
        Aperture, above 0.
    circle_mm : float
        Circle of confusion at the sensor (diameter), millimetres, above 0.
    near_m, far_m : float
        Nearest and farthest distance from where the camera stands, metres; `far_m` may be ``inf``.

    Returns
    -------
    float
        Metres; 0 when one frame holds the range from here.

    Raises
    ------
    ValueError
        A value is out of range, or near is not before far.

    Notes
    -----
    With equal discs at both ends, e = N c / f: v(near) (1 - e) <= v(far) (1 + e). With v = f x / (x - f) this
    is a quadratic in the way back; with the far end at infinity, near = f (1 + 1/e) / 2, half the hyperfocal
    distance.
    """
    positive("focal length", focal_mm, "mm")
    near_before_far(near_m, far_m, focal_mm)
    share = positive("aperture", f_number) * positive("circle of confusion", circle_mm, "mm") / focal_mm
    if share >= 1.0:
        return 0.0
    f = focal_mm / 1000.0
    ratio = (1.0 + share) / (1.0 - share)
    if math.isinf(far_m):
        needed = f * ratio / (ratio - 1.0)
        return max(0.0, needed - near_m)
    # n (F - f) <= ratio F (n - f) with n, F moved back by d:  (ratio-1) d^2 + b d + c >= 0.
    a = ratio - 1.0
    b = ratio * (far_m + near_m - f) - (near_m + far_m - f)
    c = ratio * far_m * (near_m - f) - near_m * (far_m - f)
    if c >= 0:
        return 0.0
    return (-b + math.sqrt(b * b - 4.0 * a * c)) / (2.0 * a)


def _equal_blur_m(focal_mm: float, a_m: float, b_m: float) -> float:
    """Distance blurred alike by two focus distances: its image distance is the mean of theirs."""
    mean_v = (image_distance_mm(focal_mm, a_m) + image_distance_mm(focal_mm, b_m)) / 2.0
    vergence = 1000.0 / focal_mm - 1000.0 / mean_v
    return math.inf if vergence <= 0 else 1.0 / vergence
