"""Doing with one frame: from here, or by stepping back."""

from __future__ import annotations

import math

from windstill.optics import (
    airy_diameter_um,
    balanced_aperture_for_circle,
    balanced_aperture_for_spread,
    blur_disc_mm,
    combined_blur_um,
    focus_spread_mm,
    magnification,
    middle_focus_m,
    step_back_m,
)
from windstill.optics.marks import aperture_written
from windstill.optics.viewing import PRINT_DETAIL_MM
from windstill.plan.result import OneFrame, SinglePlan
from windstill.plan.terms import Terms

# Blur this little above what just shows is rounding of the aperture mark, not a difference.
_ROUNDING = 1.02


def plan_single(terms: Terms) -> SinglePlan:
    """The three ways to do with one frame."""
    asked = terms.request
    smallest = terms.settings.smallest_aperture
    spread = focus_spread_mm(asked.focal_mm, asked.near_m, asked.far_m)
    optimum = balanced_aperture_for_spread(spread)
    deep = aperture_written(min(optimum, smallest))
    fine = aperture_written(min(balanced_aperture_for_circle(terms.circle_mm), smallest))
    airy_mm = airy_diameter_um(fine) / 1000.0
    # The mark nearest to balance leaves defocus what diffraction does not take of the circle.
    budget_mm = math.sqrt(terms.circle_mm**2 - airy_mm**2) if airy_mm < terms.circle_mm else terms.circle_mm / 2.0
    return SinglePlan(
        spread_mm=spread,
        balanced_f_number=optimum,
        here=_frame(terms, deep, 0.0),
        strict=_frame(terms, fine, step_back_m(asked.focal_mm, fine, budget_mm, asked.near_m, asked.far_m)),
        by_tables=_frame(terms, deep, step_back_m(asked.focal_mm, deep, terms.circle_mm, asked.near_m, asked.far_m)),
    )


def _frame(terms: Terms, f_number: float, back_m: float) -> OneFrame:
    asked = terms.request
    near, far = asked.near_m + back_m, asked.far_m + back_m
    focus = middle_focus_m(near, far)
    defocus_um = blur_disc_mm(asked.focal_mm, f_number, focus, near) * 1000.0
    airy_um = airy_diameter_um(f_number)
    blur_um = combined_blur_um(defocus_um, airy_um)
    return OneFrame(
        f_number=f_number,
        focus_m=focus,
        step_back_m=back_m,
        nearest_m=near,
        foreground_scale=magnification(asked.focal_mm, near) / magnification(asked.focal_mm, asked.near_m),
        defocus_px=defocus_um / terms.pitch_um,
        airy_px=airy_um / terms.pitch_um,
        blur_px=blur_um / terms.pitch_um,
        holds=blur_um <= terms.circle_mm * 1000.0 * _ROUNDING,
        print_cm=PRINT_DETAIL_MM * asked.sensor_mm[0] / (blur_um / 1000.0) / 10.0,
    )
