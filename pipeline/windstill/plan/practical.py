"""Whether anyone would shoot the set as planned, and what to do instead where not."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Sequence
from typing import Any

from windstill.optics import OutputSize, magnification, photon_snr_share
from windstill.optics.marks import aperture_mark, iso_mark
from windstill.plan.effort import plan_effort
from windstill.plan.result import ApertureChoice, BracketFrame, Effort, SinglePlan, StackPlan, TooMuch
from windstill.plan.stack import candidate_apertures, position_count, stack_at
from windstill.plan.terms import Terms, fill_in
from windstill.plan.words import duration, metres, percent, plural, stops

# Sizes a picture is often made for, finest first.
_OUTPUTS = (
    OutputSize("print", 90), OutputSize("print", 60), OutputSize("screen", 3840), OutputSize("print", 40),
    OutputSize("print", 30), OutputSize("screen", 1920), OutputSize("print", 20),
)  # fmt: skip
# Stepping back so far that the nearest thing is drawn smaller than this makes another picture.
_LEAST_SCALE = 0.2
# Prints smaller than this, centimetres, are no reason to do with one frame.
_LEAST_PRINT_CM = 15.0
_FARTHEST_M = 1e4


def too_much(
    terms: Terms, stack: StackPlan, choices: Sequence[ApertureChoice], single: SinglePlan, effort: Effort,
    frames: tuple[BracketFrame, ...],
) -> TooMuch | None:
    """Why the set would not be shot like this, and the ways out; ``None`` where it would.

    Parameters
    ----------
    terms : Terms
    stack, choices, single, effort
        Parts of the plan.
    frames : tuple of BracketFrame
        Exposures of one focus position; empty without light.
    """
    count, most = len(stack.positions), terms.settings.most_positions
    most_s = 60 * terms.settings.most_minutes
    many, lengthy = count > most, effort.seconds > most_s
    if not (many or lengthy):
        return None
    why = []
    if many:
        why.append(f"{count} focus positions are more than a hand sets one by one (some {most})")
    if lengthy:
        why.append(
            f"{duration(effort.seconds)} is longer than light and weather stay the same (some {duration(most_s)})"
        )
    instead = []
    if many:
        instead += [*_stopped_down(terms, choices), *_smaller(terms)]
        instead += [*_ending_sooner(terms, stack), *_beginning_later(terms, stack), *_back(terms)]
    if lengthy:
        instead += [*_higher_iso(terms, effort, frames), *_less_of_it(terms, count, effort, frames)]
    if single.here.print_cm >= _LEAST_PRINT_CM and count > 1:
        instead.append(
            f"One frame at {aperture_mark(single.here.f_number)} focused at {metres(single.here.focus_m)}: its blur "
            f"does not show on a print up to {single.here.print_cm:.0f} cm wide."
        )
    return TooMuch("; ".join(why) + ".", tuple(instead))


def _stopped_down(terms: Terms, choices: Sequence[ApertureChoice]) -> list[str]:
    habits = terms.settings
    fits = [
        c for c in choices if c.focus_count <= habits.most_positions and (c.under_ev or 0) <= habits.most_lift_ev
    ]
    if not fits:
        return []
    best = min(fits, key=lambda c: c.f_number)
    under = f", {stops(best.under_ev)} under" if best.under_ev else ""
    took = f"{_positions(best.focus_count)}, {duration(best.set_seconds)}"
    return [f"Stop down to {aperture_mark(best.f_number)}: {took}{under}."]


def _smaller(terms: Terms) -> list[str]:
    """The finest smaller output that asks for few enough; none where the circle of confusion was said."""
    if terms.request.circle_mm is not None:
        return []
    for output in _OUTPUTS:
        other = fill_in(dataclasses.replace(terms.request, output=output), terms.settings)
        if other.visible_px <= terms.visible_px:
            continue
        found = _fewest(other)
        if found is not None:
            return [f"For a {output.words}: {_positions(len(found.positions))} at {aperture_mark(found.f_number)}."]
    return []


def _ending_sooner(terms: Terms, stack: StackPlan) -> list[str]:
    """How far a set of as many positions as one shoots reaches from the nearest thing."""
    near = terms.request.near_m

    def fits(far_m: float) -> bool:
        return _few(_asking(terms, far_m=far_m), stack.f_number)

    reach = _last(fits, near * 1.0001, min(terms.request.far_m, _FARTHEST_M))
    if reach is None or reach >= min(terms.request.far_m, _FARTHEST_M):
        return []
    found = stack_at(_asking(terms, far_m=reach), stack.f_number)
    return [
        f"Let what lies behind go soft: {_positions(len(found.positions))} at {aperture_mark(stack.f_number)} hold "
        f"{metres(near, 1)} to {metres(reach, 1)}."
    ]


def _beginning_later(terms: Terms, stack: StackPlan) -> list[str]:
    """How near such a set reaches from the farthest."""
    far = min(terms.request.far_m, _FARTHEST_M)

    def too_near(near_m: float) -> bool:
        return not _few(_asking(terms, near_m=near_m), stack.f_number)

    nearest = _last(too_near, terms.request.near_m, far * 0.999)
    if nearest is None or nearest >= far * 0.99:
        return []
    nearest *= 1.0001
    found = stack_at(_asking(terms, near_m=nearest), stack.f_number)
    return [
        f"Or what stands before: {_positions(len(found.positions))} at {aperture_mark(stack.f_number)} hold "
        f"{metres(nearest)} to {metres(terms.request.far_m)}."
    ]


def _back(terms: Terms) -> list[str]:
    """How far to step back until one aperture of the range asks for few enough."""
    asked = terms.request
    narrowest = max(asked.apertures)

    def too_near(back_m: float) -> bool:
        return not _few(_from(terms, back_m), narrowest)

    if not too_near(0.0):
        return []
    back = _last(too_near, 0.0, asked.near_m / _LEAST_SCALE)
    if back is None or back >= asked.near_m / _LEAST_SCALE:
        return []
    scale = magnification(asked.focal_mm, asked.near_m + back) / magnification(asked.focal_mm, asked.near_m)
    if scale < _LEAST_SCALE:
        return []
    back *= 1.001
    found = stack_at(_from(terms, back), narrowest)
    return [
        f"Step back {metres(back)}: {_positions(len(found.positions))} at {aperture_mark(narrowest)}, the nearest "
        f"drawn at {percent(scale)} of its size."
    ]


def _higher_iso(terms: Terms, effort: Effort, frames: tuple[BracketFrame, ...]) -> list[str]:
    """What the highest ISO wanted would take, where most of the time is that of the exposures."""
    if not frames or effort.frames == 0:
        return []
    exposing = sum(f.shutter_s for f in frames) * effort.frames / len(frames)
    iso, highest = min(f.iso for f in frames), terms.settings.max_iso
    if exposing < effort.seconds / 2 or iso >= highest:
        return []
    seconds = effort.seconds - exposing * (1 - iso / highest)
    cost = percent(photon_snr_share(math.log2(highest / iso)))
    return [f"At {iso_mark(highest)}: {duration(seconds)}, at {cost} of the signal to noise."]


def _less_of_it(terms: Terms, count: int, effort: Effort, frames: tuple[BracketFrame, ...]) -> list[str]:
    """Seconds without each thing that multiplies the frames."""
    one_exposure = _asking(terms, bracket_frames=1, scene_ev=None, sensor_ev=None)
    middle = frames[len(frames) // 2 : len(frames) // 2 + 1]
    ways: tuple[tuple[bool, str, Callable[[], Effort]], ...] = (
        (terms.request.takes > 1, "One take",
         lambda: plan_effort(_asking(terms, takes=1), count, effort.views, frames)),
        (effort.bracket_frames > 1, "Without the bracket",
         lambda: plan_effort(one_exposure, count, effort.views, middle)),
        (effort.views > 1, "One view, with a wider lens", lambda: plan_effort(terms, count, 1, frames)),
    )  # fmt: skip
    said = []
    for there, words, less in ways:
        if there:
            left = less()
            said.append(f"{words}: {plural(left.frames, 'frame')}, {duration(left.seconds)}.")
    return said


def _fewest(terms: Terms) -> StackPlan | None:
    """The stack at the widest aperture of the range that needs few enough positions."""
    try:
        apertures = candidate_apertures(terms)
    except ValueError:
        return None
    for f_number in apertures:
        if _few(terms, f_number):
            return stack_at(terms, f_number)
    return None


def _few(terms: Terms, f_number: float) -> bool:
    most = terms.settings.most_positions
    return position_count(terms, f_number) <= most and len(stack_at(terms, f_number).positions) <= most


def _asking(terms: Terms, **changed: Any) -> Terms:
    """The same terms with some fields of the request changed."""
    return dataclasses.replace(terms, request=dataclasses.replace(terms.request, **changed))


def _from(terms: Terms, back_m: float) -> Terms:
    asked = terms.request
    return _asking(terms, near_m=asked.near_m + back_m, far_m=asked.far_m + back_m)


def _last(holds: Callable[[float], bool], low: float, high: float) -> float | None:
    """The largest value from `low` to `high` up to which `holds` does, by bisection; ``None`` if not even `low`."""
    if not holds(low):
        return None
    if holds(high):
        return high
    for _ in range(40):
        middle = math.sqrt(low * high) if low > 0 else (low + high) / 2
        low, high = (middle, high) if holds(middle) else (low, middle)
    return low


def _positions(count: int) -> str:
    return plural(count, "position")
