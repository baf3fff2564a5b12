"""Shutter and ISO for the light and the longest shutter allowed; the bracket around them."""

from __future__ import annotations

import math
from dataclasses import dataclass

from windstill.optics import (
    bracket_count,
    bracket_offsets_ev,
    iso_for_light,
    photon_snr_share,
    shutter_for_light_s,
)
from windstill.optics.exposure import snap_f_number
from windstill.optics.marks import FASTEST_S, iso_step, shutter_step
from windstill.optics.viewing import PRINT_DETAIL_MM
from windstill.plan.result import BracketFrame, BracketPlan, ExposurePlan, MotionPlan, ShutterChoice
from windstill.plan.stillness import smear_at
from windstill.plan.terms import Terms

# Marks are a third of a stop apart: a lack smaller than a sixth is the rounding of the mark.
_ROUNDING_EV = 1.0 / 6.0
_SLACK = 1.0 + 1e-9
# Stops of shutter offered beside the one that holds.
_CHOICES = 6


@dataclass(frozen=True, slots=True)
class Setting:
    """A shutter time and ISO, and the EV the frame stays under."""

    shutter_s: float
    iso: float
    under_ev: float


def setting_at(terms: Terms, f_number: float, motion: MotionPlan | None) -> Setting | None:
    """Lowest ISO whose shutter stays within the longest allowed; ``None`` without light."""
    ev100 = terms.request.light_ev100
    if ev100 is None:
        return None
    aperture, base = snap_f_number(f_number), terms.settings.base_iso
    shutter = shutter_step(shutter_for_light_s(ev100, aperture, base))
    if shutter <= _longest(motion) * _SLACK:
        return Setting(shutter, base, 0.0)
    return _raise_iso(terms, iso_for_light(ev100, aperture, 1.0), motion)


def plan_exposure(terms: Terms, f_number: float, motion: MotionPlan | None) -> ExposurePlan | None:
    """The setting of the middle exposure and its noise; ``None`` without light."""
    ev100 = terms.request.light_ev100
    setting = setting_at(terms, f_number, motion)
    if ev100 is None or setting is None:
        return None
    stops = math.log2(setting.iso / terms.settings.base_iso)
    return ExposurePlan(
        light_ev100=ev100,
        f_number=f_number,
        shutter_s=setting.shutter_s,
        iso=setting.iso,
        noise_stops=stops,
        snr_share=photon_snr_share(stops),
        under_ev=setting.under_ev,
        shutter_at_base_iso_s=shutter_step(
            shutter_for_light_s(ev100, snap_f_number(f_number), terms.settings.base_iso)
        ),
        smear_px=smear_at(terms, motion, setting.shutter_s),
        too_dark=setting.under_ev > terms.settings.most_lift_ev,
    )


def shutter_choices(terms: Terms, f_number: float, motion: MotionPlan | None) -> tuple[ShutterChoice, ...]:
    """Shutter times from the longest that holds to what still air would allow, by whole stops; none in still air."""
    if motion is None or motion.shutter_s is None:
        return ()
    ev100, habits = terms.request.light_ev100, terms.settings
    slowest = motion.shutter_s * 2.0 ** (_CHOICES - 1)
    if ev100 is not None:
        slowest = min(slowest, shutter_step(shutter_for_light_s(ev100, snap_f_number(f_number), habits.base_iso)))
    choices = []
    for stop in range(_CHOICES):
        shutter = motion.shutter_s * 2.0**stop
        if shutter > slowest * _SLACK:
            break
        smear = smear_at(terms, motion, shutter) or 0.0
        setting = None
        if ev100 is not None:
            setting = _at_shutter(terms, iso_for_light(ev100, snap_f_number(f_number), shutter), shutter)
        choices.append(
            ShutterChoice(
                shutter_s=shutter,
                smear_px=smear,
                print_cm=PRINT_DETAIL_MM * max(terms.request.pixels) / smear / 10.0 if smear > 0 else math.inf,
                iso=None if setting is None else setting.iso,
                snr_share=None if setting is None else photon_snr_share(math.log2(setting.iso / habits.base_iso)),
                under_ev=None if setting is None else setting.under_ev,
            )
        )
    return tuple(choices) if len(choices) > 1 else ()


def bracket_frame_count(terms: Terms) -> int:
    """Frames of the bracket: as said, or as the range of the scene asks, whichever is more."""
    asked = terms.request
    if asked.scene_ev is None or asked.sensor_ev is None:
        return asked.bracket_frames
    return max(asked.bracket_frames, bracket_count(asked.scene_ev, asked.sensor_ev, asked.bracket_step_ev))


def bracket_settings(terms: Terms, setting: Setting | None, motion: MotionPlan | None) -> tuple[BracketFrame, ...]:
    """Every exposure of the bracket, darkest first; empty without light."""
    if setting is None:
        return ()
    frames = []
    for offset in bracket_offsets_ev(bracket_frame_count(terms), terms.request.bracket_step_ev):
        shutter = setting.shutter_s * 2.0**offset
        made = Setting(shutter, setting.iso, setting.under_ev)
        if shutter > _longest(motion) * _SLACK:
            made = _raise_iso(terms, setting.iso * shutter * 2.0**setting.under_ev, motion)
        elif shutter < FASTEST_S:
            made = Setting(FASTEST_S, iso_step(setting.iso * shutter / FASTEST_S), setting.under_ev)
        frames.append(
            BracketFrame(offset, made.shutter_s, made.iso, made.under_ev, smear_at(terms, motion, made.shutter_s))
        )
    return tuple(frames)


def plan_bracket(terms: Terms, setting: Setting | None, motion: MotionPlan | None) -> BracketPlan | None:
    """The bracket at one focus position; ``None`` when there is only one exposure."""
    count = bracket_frame_count(terms)
    if count == 1:
        return None
    frames = bracket_settings(terms, setting, motion)
    seconds = bracket_seconds(terms, frames, count)
    by_shutter = None if setting is None else setting.shutter_s * 2.0 ** frames[-1].offset_ev
    lull = terms.request.lull_s
    return BracketPlan(
        step_ev=terms.request.bracket_step_ev,
        frames=frames,
        longest_by_shutter_s=by_shutter,
        by_shutter_holds=None if by_shutter is None else by_shutter <= _longest(motion) * _SLACK,
        seconds=seconds,
        light_lost_ev=terms.fading_ev_per_min * seconds / 60.0,
        fits_lull=None if lull is None else seconds <= lull,
    )


def bracket_seconds(terms: Terms, frames: tuple[BracketFrame, ...], count: int) -> float:
    """Seconds one focus position takes: its exposures and the gaps between them."""
    return sum(f.shutter_s for f in frames) + (count - 1) * terms.settings.frame_gap_s


def _longest(motion: MotionPlan | None) -> float:
    return math.inf if motion is None or motion.shutter_s is None else motion.shutter_s


def _raise_iso(terms: Terms, iso_seconds: float, motion: MotionPlan | None) -> Setting:
    """Hold the longest shutter and give the rest to ISO; `iso_seconds` is the product the light asks for."""
    shutter = _longest(motion)
    return _at_shutter(terms, iso_seconds / shutter, shutter)


def _at_shutter(terms: Terms, iso_needed: float, shutter_s: float) -> Setting:
    """The ISO mark for a fixed shutter, between the lowest and the highest wanted."""
    lowest, highest = terms.settings.base_iso, terms.settings.max_iso
    lacking = math.log2(iso_needed / highest)
    if lacking > _ROUNDING_EV:
        return Setting(shutter_s, highest, lacking)
    return Setting(shutter_s, max(lowest, min(iso_step(iso_needed), highest)), 0.0)
