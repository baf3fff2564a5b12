"""What the wind moves, how fast, and the shutter that holds it."""

from __future__ import annotations

import math
from collections.abc import Sequence

from windstill.optics import (
    beaufort_at,
    blur_disc_mm,
    magnification,
    shutter_for_smear_s,
    smear_px,
    stem_peak_speed_mps,
)
from windstill.optics.marks import shutter_step
from windstill.plan.result import FocusPosition, MotionPlan
from windstill.plan.terms import Terms


def plan_motion(terms: Terms, f_number: float, positions: Sequence[FocusPosition]) -> MotionPlan | None:
    """Sway and the longest shutter; ``None`` when neither wind nor sway was given."""
    asked, habits = terms.request, terms.settings
    if asked.sway_cm is not None:
        sway_cm = asked.sway_cm
    elif asked.wind_mps is not None:
        sway_cm = asked.wind_mps * habits.sway_cm_per_mps
    else:
        return None
    subject = asked.near_m if asked.subject_m is None else asked.subject_m
    pitch_mm = terms.pitch_um / 1000.0
    scale = magnification(asked.focal_mm, subject)
    amplitude_px = sway_cm * 10.0 * scale / pitch_mm
    speed = stem_peak_speed_mps(sway_cm / 100.0, habits.sway_hz)
    longest = math.inf
    if 2.0 * amplitude_px > terms.tolerance_px:
        longest = shutter_for_smear_s(speed, asked.focal_mm, subject, terms.pitch_um, terms.tolerance_px)
    still_cm = terms.tolerance_px * pitch_mm / (2.0 * scale) / 10.0
    wind = None if asked.wind_mps is None else beaufort_at(asked.wind_mps)
    sharpest = min(positions, key=lambda p: blur_disc_mm(asked.focal_mm, f_number, p.focus_m, subject))
    return MotionPlan(
        subject_m=subject,
        wind_mps=asked.wind_mps,
        beaufort=None if wind is None else wind.force,
        wind_name="" if wind is None else wind.name,
        sway_cm=sway_cm,
        sway_hz=habits.sway_hz,
        peak_speed_mps=speed,
        longest_shutter_s=longest,
        shutter_s=None if math.isinf(longest) else shutter_step(longest, "faster"),
        # Two moments of a sine, at random: their difference has the amplitude as its root mean square.
        between_frames_px=amplitude_px,
        between_frames_most_px=2.0 * amplitude_px,
        still_cm=still_cm,
        still_wind_mps=still_cm / habits.sway_cm_per_mps if habits.sway_cm_per_mps > 0 else None,
        one_focus=sharpest.index,
    )


def smear_at(terms: Terms, motion: MotionPlan | None, exposure_s: float) -> float | None:
    """Smear in pixels at an exposure time: speed times time, at most the whole swing."""
    if motion is None:
        return None
    if motion.peak_speed_mps == 0:
        return 0.0
    passing = smear_px(
        motion.peak_speed_mps, terms.request.focal_mm, motion.subject_m, exposure_s, terms.pitch_um
    )
    return min(passing, motion.between_frames_most_px)
