"""What a plan has to say in words: where it does not hold, and what it takes for granted."""

from __future__ import annotations

import math
from collections.abc import Sequence

from windstill.optics import image_distance_mm, photon_snr_share
from windstill.optics.marks import FASTEST_S, LONGEST_S, aperture_mark, iso_mark, shutter_mark
from windstill.plan.exposing import bracket_frame_count
from windstill.plan.result import (
    ApertureChoice,
    BracketPlan,
    Effort,
    ExposurePlan,
    MotionPlan,
    OneFrame,
    PanoramaPlan,
    SinglePlan,
    StackPlan,
)
from windstill.plan.stillness import smear_at
from windstill.plan.terms import Terms
from windstill.plan.words import centimetres, duration, metres, percent, pixels, plural, signed_ev, stops

# Stepped back so far that the nearest is drawn smaller than this, it is another picture.
_LEAST_SCALE = 0.1
# Frames agree under a sway that no lull in the open keeps to, centimetres. A guess, no source.
_NO_LULL_CM = 0.01
# Defocus this far over the circle is worth a word; below it is rounding.
_OVER = 1.03


def stack_remarks(terms: Terms, stack: StackPlan, single: SinglePlan) -> list[str]:
    """About the focus positions and the blur they leave."""
    said = []
    if len(stack.positions) == 1:
        said.append(f"One frame holds it all at {aperture_mark(stack.f_number)}: no stack is needed.")
    if stack.defocus_px > terms.circle_px * _OVER:
        said.append(
            f"So close, defocus between positions reaches {pixels(stack.defocus_px)} where "
            f"{pixels(terms.circle_px)} just shows: ask for more overlap."
        )
    if stack.airy_px > terms.circle_px:
        said.append(
            f"At {aperture_mark(stack.f_number)} diffraction alone is {pixels(stack.airy_px)}: more focus positions "
            "will not sharpen it, a wider aperture will."
        )
    if len(stack.positions) > 1 and single.here.holds:
        said.append(
            f"One frame at {aperture_mark(single.here.f_number)} focused at {metres(single.here.focus_m)} would do: "
            f"its blur of {pixels(single.here.blur_px)} does not show in this output."
        )
    if len(single_rows_shown(single)) == 1 and single.strict.step_back_m > 0:
        said.append("Stepping back until one frame holds it all would draw the nearest too small to matter.")
    asked = terms.request
    near_cm, far_cm = (image_distance_mm(asked.focal_mm, d) / 10 for d in (asked.near_m, asked.far_m))
    span = f"{far_cm:.0f}" if near_cm < 1.1 * far_cm else f"{far_cm:.0f} (far) to {near_cm:.0f} (near)"
    said.append(
        f"Distances count from the lens; a focus scale counts from the sensor, so it reads about {span} cm more."
    )
    return said


def single_rows_shown(single: SinglePlan) -> list[tuple[str, OneFrame]]:
    """Ways to do with one frame that are worth a row: those that leave what is near large enough to see."""
    ways = [("from here", single.here)]
    for way, one in (("back: defocus only", single.by_tables), ("back: diffraction too", single.strict)):
        if one.step_back_m > 0 and one.foreground_scale >= _LEAST_SCALE:
            ways.append((way, one))
    return ways


def motion_remarks(
    terms: Terms, motion: MotionPlan | None, exposure: ExposurePlan | None, choices: Sequence[ApertureChoice],
    frames: int,
) -> list[str]:
    """About wind, shutter, ISO and light."""
    said = []
    if motion is None:
        said.append("No wind was given: shutter and ISO are those of still air.")
    elif motion.shutter_s is not None:
        if motion.longest_shutter_s < FASTEST_S:
            said.append("No shutter holds this sway within tolerance: wait for a lull or step back.")
        if frames > 1:
            said.append(
                f"No shutter holds sway between frames: stems will differ by some {pixels(motion.between_frames_px)} "
                f"and up to {pixels(motion.between_frames_most_px)}. Take what moves from focus {motion.one_focus} "
                + (
                    f"alone: frames agree under {centimetres(motion.still_cm)} of sway, and no lull is that still."
                    if motion.still_cm < _NO_LULL_CM
                    else f"alone, or wait until it sways less than {centimetres(motion.still_cm)} to each side."
                )
            )
    if exposure is None:
        said.append("No light was given: ISO, noise and exposure times are left out.")
        return said
    if exposure.under_ev > 0:
        said.append(_too_dark(terms, motion, exposure, choices))
    if exposure.shutter_s > LONGEST_S * 2 ** (1 / 6):
        said.append(f"{shutter_mark(exposure.shutter_s)} is a bulb exposure: bring a timer.")
    return said


def _too_dark(
    terms: Terms, motion: MotionPlan | None, exposure: ExposurePlan, choices: Sequence[ApertureChoice]
) -> str:
    lull_s = exposure.shutter_s * 2**exposure.under_ev
    smear = smear_at(terms, motion, lull_s)
    under = f"{shutter_mark(exposure.shutter_s)} at {iso_mark(exposure.iso)} is {stops(exposure.under_ev)} under"
    too_short = terms.request.lull_s is not None and lull_s > terms.request.lull_s
    if exposure.too_dark:
        text = f"Too dark to hold this wind: {under}, more than lifting mends"
        text += ", and a lull would have to last" if too_short else ". Wait for a lull and use"
    else:
        text = f"{under}: lift it later at the cost of noise"
        text += "; a lull would have to last" if too_short else ", or wait for a lull and use"
    text += f" {shutter_mark(lull_s)}"
    if smear is not None:
        text += f" (in this wind it would smear {pixels(smear)})"
    enough = [c for c in choices if c.under_ev == 0]
    if enough:
        best = max(enough, key=lambda c: c.f_number)
        text += f", or open to {aperture_mark(best.f_number)} with {plural(best.focus_count, 'focus position')}"
    return text + "."


def bracket_remarks(
    terms: Terms, bracket: BracketPlan | None, motion: MotionPlan | None, exposure: ExposurePlan | None
) -> list[str]:
    """Whether a bracket step can be shot in the time."""
    if bracket is None:
        return []
    said = []
    last = bracket.frames[-1] if bracket.frames else None
    hopeless = exposure is not None and exposure.too_dark
    if last is not None and bracket.longest_by_shutter_s and not bracket.by_shutter_holds and not hopeless:
        by_shutter = (
            f"Stepping the shutter alone, the {signed_ev(last.offset_ev)} frame would take "
            f"{shutter_mark(bracket.longest_by_shutter_s)} and smear: "
        )
        setting = f"{shutter_mark(last.shutter_s)} and {iso_mark(last.iso)}"
        alike = [f for f in bracket.frames if (f.shutter_s, f.iso) == (last.shutter_s, last.iso)]
        if len(alike) > 1:
            said.append(
                f"{by_shutter}held at {setting} it only repeats the {signed_ev(alike[0].offset_ev)} frame. Shoot the "
                f"frames above {signed_ev(alike[0].offset_ev)} by the shutter and take nothing that moves from them, "
                "or leave them out."
            )
        else:
            still_under = f", which still leaves it {stops(last.under_ev)} under" if last.under_ev > 0 else ""
            said.append(f"{by_shutter}set {setting} for it{still_under}.")
    if last is None and motion is not None and motion.shutter_s is not None:
        brightest = (bracket_frame_count(terms) - 1) / 2 * bracket.step_ev
        said.append(
            "For the brightest frame to hold, the middle exposure must be "
            f"{shutter_mark(motion.shutter_s / 2**brightest)} or shorter."
        )
    if bracket.fits_lull is False and terms.request.lull_s is not None:
        said.append(
            f"A bracket takes {duration(bracket.seconds)}, longer than a lull of {duration(terms.request.lull_s)}: "
            "fewer frames, or higher ISO."
        )
    return said


def effort_remarks(
    terms: Terms, effort: Effort, panorama: PanoramaPlan | None, exposure: ExposurePlan | None, exposing_s: float
) -> list[str]:
    """About time, falling light and turning the camera; `exposing_s` is the part of the time the shutter is open."""
    said = []
    drifts = effort.light_lost_ev >= terms.settings.drift_ev
    brief = effort.seconds <= 60 * terms.settings.most_minutes  # else `practical` says it
    if drifts and brief and exposure is not None and exposing_s > effort.seconds / 2 and exposure.under_ev == 0:
        faster = min(exposure.iso * 8, terms.settings.max_iso)
        if faster > exposure.iso:
            share = exposure.iso / faster
            said.append(
                f"The exposures alone take {duration(exposing_s)}: {iso_mark(faster)} would bring them to "
                f"{duration(exposing_s * share)}, at {percent(photon_snr_share(math.log2(1 / share)))} of the signal "
                "to noise."
            )
    if drifts and not effort.ends_dark:
        said.append(
            f"The light falls {effort.light_lost_ev:.1f} EV over the set: lengthen the exposure on the way "
            f"(a third of a stop every {duration(60 / 3 / effort.fading_ev_per_min)}), equally for every frame "
            "of a bracket, and begin with what matters most."
        )
    if panorama is not None and panorama.views > 1:
        said.append(
            "Turn about the entrance pupil of the lens: with things so near, any other point shifts them against "
            "the background. Same exposure, focus distances and white balance in every view."
        )
    return said


def assumptions(terms: Terms, motion: MotionPlan | None, panorama: PanoramaPlan | None) -> tuple[str, ...]:
    """What the plan takes for granted, with its source or the lack of one."""
    asked, habits = terms.request, terms.settings
    said = [
        f"What just shows: {pixels(terms.visible_px)} of the full picture ({asked.output.words}); circle of confusion "
        f"{terms.circle_mm * 1000:.0f} µm. Common practice, no source.",
        f"Focus positions overlap by {percent(terms.focus_overlap)}: "
        + ("common practice, no source." if asked.focus_overlap is None else "as asked."),
        "Thin lens; diffraction at 550 nm; blurs add as the root of their squares (Hansma 1996).",
    ]
    if motion is not None:
        said.append(
            f"Stems sway {centimetres(motion.sway_cm)} to each side "
            + (
                "as seen"
                if asked.sway_cm is not None
                else f"({habits.sway_cm_per_mps:g} cm per m/s of wind: working assumption, no source; look, and say "
                "what you see)"
            )
            + f" at {motion.sway_hz:g} Hz (J. Exp. Biol. commentary, 2018)."
        )
        said.append(
            "The shutter holds the fastest moment of the swing. The rule of thumb for blossom is 1/250 to 1/500 s, "
            "1/125 s as the least, in a lull: common practice, no source."
        )
    if asked.light_ev100 is not None:
        said.append("Noise: photon noise alone; deep shadows lose more.")
    said.append(
        f"Light fades {terms.fading_ev_per_min:g} EV a minute: "
        + (
            "as given."
            if asked.fading_ev_per_min is not None
            else "dusk at middle latitudes, from memory."
            if terms.fading_ev_per_min
            else "so dark it is night, from memory."
        )
    )
    said.append(
        f"Time: {habits.frame_gap_s:g} s between frames of a bracket, {habits.refocus_s:g} s to refocus"
        + (f", {habits.turn_s:g} s to turn" if panorama is not None else "")
        + ". Working assumption, no source."
    )
    return tuple(said)
