"""How many frames the whole set is, how long it takes, and the light lost meanwhile."""

from __future__ import annotations

from windstill.optics import field_of_view_deg, view_count, view_step_deg
from windstill.plan.exposing import bracket_frame_count, bracket_seconds
from windstill.plan.result import BracketFrame, Effort, PanoramaPlan
from windstill.plan.terms import Terms


def plan_panorama(terms: Terms) -> PanoramaPlan | None:
    """Views for the span; ``None`` for a single view."""
    asked = terms.request
    if asked.span_deg is None:
        return None
    overlap = terms.settings.view_overlap if asked.view_overlap is None else asked.view_overlap
    fov = field_of_view_deg(asked.sensor_mm[1 if asked.upright else 0], asked.focal_mm)
    return PanoramaPlan(
        span_deg=asked.span_deg,
        field_of_view_deg=fov,
        overlap=overlap,
        step_deg=view_step_deg(fov, overlap),
        views=view_count(fov, overlap, asked.span_deg),
    )


def plan_effort(
    terms: Terms, focus_count: int, views: int, bracket: tuple[BracketFrame, ...]
) -> Effort:
    """Frames, seconds and light lost; `bracket` holds the exposures of one focus position (empty without light)."""
    asked, habits = terms.request, terms.settings
    exposures = bracket_frame_count(terms)
    one_view = focus_count * bracket_seconds(terms, bracket, exposures) + (focus_count - 1) * habits.refocus_s
    # Back to the first focus before the next view or take.
    again = habits.refocus_s if focus_count > 1 else 0.0
    one_take = views * one_view + (views - 1) * (habits.turn_s + again)
    back = again + (habits.turn_s if views > 1 else 0.0)
    seconds = asked.takes * one_take + (asked.takes - 1) * back
    return Effort(
        views=views,
        focus_positions=focus_count,
        bracket_frames=exposures,
        takes=asked.takes,
        frames=asked.takes * views * focus_count * exposures,
        seconds=seconds,
        exposures_known=bool(bracket),
        light_lost_ev=terms.fading_ev_per_min * seconds / 60.0,
        fading_ev_per_min=terms.fading_ev_per_min,
    )
