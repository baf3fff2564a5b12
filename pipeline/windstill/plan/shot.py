"""From a request to a plan."""

from __future__ import annotations

import dataclasses
import math

from windstill.optics import field_of_view_deg
from windstill.optics.marks import aperture_mark, iso_mark
from windstill.plan.cautions import CAUTIONS
from windstill.plan.effort import plan_effort, plan_panorama
from windstill.plan.exposing import bracket_settings, plan_bracket, plan_exposure, setting_at, shutter_choices
from windstill.plan.practical import too_much
from windstill.plan.remarks import assumptions, bracket_remarks, effort_remarks, motion_remarks, stack_remarks
from windstill.plan.request import PlanRequest
from windstill.plan.result import ApertureChoice, MotionPlan, Plan, StackPlan
from windstill.plan.single import plan_single
from windstill.plan.stack import candidate_apertures, stack_at
from windstill.plan.stillness import plan_motion
from windstill.plan.terms import Terms, fill_in
from windstill.settings.plan import PlanSettings


def plan_shot(request: PlanRequest, settings: PlanSettings | None = None) -> Plan:
    """Plan a shot: focus positions, aperture, shutter, ISO, bracket, views, and what it all takes.

    Parameters
    ----------
    request : PlanRequest
        What the photographer says about the shot.
    settings : PlanSettings, optional
        Habits and working assumptions; the defaults when left out.

    Returns
    -------
    Plan
        Parts whose input was not given are ``None``; what was left out or does not hold is in `remarks`, what was
        taken for granted in `assumptions`.

    Raises
    ------
    ValueError
        A value of the request cannot be; the message is one clear line.
    """
    terms = fill_in(request, settings or PlanSettings())
    panorama = plan_panorama(terms)
    views = 1 if panorama is None else panorama.views
    stacks = [stack_at(terms, n) for n in candidate_apertures(terms)]
    # Which focus serves the subject depends on the aperture, the longest shutter does not.
    motion = plan_motion(terms, stacks[0].f_number, stacks[0].positions)
    choices = [_choice(terms, stack, motion, views) for stack in stacks]
    best, why = _choose(terms, choices, stacks[0].balanced_f_number)
    choices = [dataclasses.replace(c, chosen=i == best) for i, c in enumerate(choices)]
    stack = stack_at(terms, stacks[best].f_number, why)
    motion = plan_motion(terms, stack.f_number, stack.positions)
    setting = setting_at(terms, stack.f_number, motion)
    exposure = plan_exposure(terms, stack.f_number, motion)
    bracket = plan_bracket(terms, setting, motion)
    frames = bracket_settings(terms, setting, motion)
    effort = plan_effort(terms, len(stack.positions), views, frames)
    exposing = sum(f.shutter_s for f in frames) * request.takes * views * len(stack.positions)
    single = plan_single(terms)
    remarks = (
        stack_remarks(terms, stack, single)
        + motion_remarks(terms, motion, exposure, choices, effort.frames)
        + bracket_remarks(terms, bracket, motion, exposure)
        + effort_remarks(terms, effort, panorama, exposure, exposing)
    )
    long_mm, short_mm = request.sensor_mm
    return Plan(
        request=request,
        pitch_um=terms.pitch_um,
        visible_px=terms.visible_px,
        circle_mm=terms.circle_mm,
        tolerance_px=terms.tolerance_px,
        field_of_view_deg=(
            field_of_view_deg(long_mm, request.focal_mm), field_of_view_deg(short_mm, request.focal_mm)
        ),
        stack=stack,
        choices=tuple(choices),
        single=single,
        motion=motion,
        shutters=shutter_choices(terms, stack.f_number, motion),
        exposure=exposure,
        bracket=bracket,
        panorama=panorama,
        effort=effort,
        too_much=too_much(terms, stack, choices, single, effort, frames),
        remarks=tuple(remarks),
        assumptions=assumptions(terms, motion, panorama),
        cautions=CAUTIONS,
    )


def _choice(terms: Terms, stack: StackPlan, motion: MotionPlan | None, views: int) -> ApertureChoice:
    setting = setting_at(terms, stack.f_number, motion)
    effort = plan_effort(terms, len(stack.positions), views, bracket_settings(terms, setting, motion))
    return ApertureChoice(
        f_number=stack.f_number,
        focus_count=len(stack.positions),
        defocus_px=stack.defocus_px,
        airy_px=stack.airy_px,
        blur_px=stack.blur_px,
        infinity_near_limit_m=terms.request.focal_mm**2 / (stack.f_number * terms.circle_mm) / 1000.0,
        shutter_s=None if setting is None else setting.shutter_s,
        iso=None if setting is None else setting.iso,
        noise_stops=None if setting is None else math.log2(setting.iso / terms.settings.base_iso),
        under_ev=None if setting is None else setting.under_ev,
        set_seconds=effort.seconds,
        chosen=False,
    )


def _choose(terms: Terms, choices: list[ApertureChoice], balanced: float) -> tuple[int, str]:
    """Index of the aperture to plan with, and why."""
    if len(choices) == 1:
        return 0, "the aperture asked for"
    index = min(range(len(choices)), key=lambda i: abs(math.log2(choices[i].f_number / balanced)))
    if not choices[index].under_ev:
        low, high = terms.request.apertures
        if low < balanced < high:
            return index, "where defocus and diffraction balance: narrower takes fewer frames and is softer"
        return index, f"nearest in the range to {aperture_mark(balanced)}, where defocus and diffraction balance"
    bright = [i for i, c in enumerate(choices) if not c.under_ev]
    limit = iso_mark(terms.settings.max_iso)
    if bright:
        return bright[-1], f"the narrowest that {limit} allows at the shutter the wind asks for"
    return 0, f"the widest in the range: even so {limit} is too little at the shutter the wind asks for"
