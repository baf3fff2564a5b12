"""Focus positions for an aperture, and the apertures worth comparing."""

from __future__ import annotations

import math

from windstill.optics import (
    airy_diameter_um,
    balanced_aperture_for_circle,
    combined_blur_um,
    depth_of_field,
    focus_count,
    focus_positions,
    worst_blur_mm,
)
from windstill.optics.marks import apertures_between
from windstill.plan.result import FocusPosition, StackPlan
from windstill.plan.terms import Terms

# More positions than anyone shoots; beyond this the request is a slip.
_MOST = 500
# Defocus this little over the circle is rounding.
_ROUNDING = 1.005


def candidate_apertures(terms: Terms) -> tuple[float, ...]:
    """The range's ends, its full stops, and the mark nearest to balance; one aperture when the range is one."""
    low, high = terms.request.apertures
    if position_count(terms, high) > _MOST:
        raise ValueError(
            f"{position_count(terms, high)} focus positions at f/{high:g}: more than {_MOST} cannot be meant; bring "
            "the farthest distance nearer, step back, or ask for a smaller picture"
        )
    if low == high:
        return (low,)
    marks = apertures_between(low, high)
    full = {n for n in marks if abs(2.0 * math.log2(n) - round(2.0 * math.log2(n))) < 0.12}
    balanced = balanced_aperture_for_circle(terms.circle_mm)
    nearest = min(marks, key=lambda n: abs(math.log2(n / balanced))) if marks else low
    return tuple(sorted(n for n in full | {low, high, nearest} if position_count(terms, n) <= _MOST))


def stack_at(terms: Terms, f_number: float, why: str = "") -> StackPlan:
    """The focus positions at one aperture, with the blur they leave."""
    asked = terms.request
    count = position_count(terms, f_number)
    distances, defocus_mm = _laid_out(terms, f_number, count)
    # The count is that of distances much larger than the focal length; close up the exact disc may ask for more.
    # Touching positions (no overlap asked) stay those of the formula, and a remark says what they leave.
    while terms.focus_overlap > 0 and defocus_mm > terms.circle_mm * _ROUNDING:
        count = max(count + 1, math.floor(count * defocus_mm / terms.circle_mm))
        distances, defocus_mm = _laid_out(terms, f_number, count)
    airy_um = airy_diameter_um(f_number)
    positions = []
    for i, focus in enumerate(distances, start=1):
        depth = depth_of_field(asked.focal_mm, f_number, terms.circle_mm, focus)
        positions.append(FocusPosition(i, focus, depth.near_m, depth.far_m))
    return StackPlan(
        f_number=f_number,
        why=why,
        balanced_f_number=balanced_aperture_for_circle(terms.circle_mm),
        overlap=terms.focus_overlap,
        positions=tuple(positions),
        defocus_px=terms.px(defocus_mm),
        airy_px=airy_um / terms.pitch_um,
        blur_px=combined_blur_um(defocus_mm * 1000.0, airy_um) / terms.pitch_um,
    )


def position_count(terms: Terms, f_number: float) -> int:
    """Focus positions the formula asks for; very close, `stack_at` adds some."""
    asked = terms.request
    return focus_count(asked.focal_mm, f_number, terms.circle_mm, asked.near_m, asked.far_m, terms.focus_overlap)


def _laid_out(terms: Terms, f_number: float, count: int) -> tuple[tuple[float, ...], float]:
    """Focus distances (m) for a count, and the worst defocus disc (mm) left between and beside them."""
    asked = terms.request
    distances = focus_positions(asked.near_m, asked.far_m, count, terms.focus_overlap if count > 1 else 0.0)
    return distances, worst_blur_mm(asked.focal_mm, f_number, distances, asked.near_m, asked.far_m)
