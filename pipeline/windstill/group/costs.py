"""What it costs to keep two neighbours in one set of a kind, in nats (negative log likelihood against a cut)."""

from __future__ import annotations

import math
from dataclasses import dataclass

from windstill.group.content import APART
from windstill.group.links import Link
from windstill.settings.group import GroupSettings

IMPOSSIBLE = 1e6


@dataclass(frozen=True, slots=True)
class StepCosts:
    """Cost of going on within a set of each kind over one link, and the directions the link has.

    Going back to a place (`focus_back`, `view_back`) costs extra where that place is in the same set.
    """

    bracket: float
    stack: float
    panorama: float
    burst: float
    focus_turn: int
    focus_moved: bool
    view_turn: str
    focus_back: int
    view_back: int
    focus_back_cost: float
    view_back_cost: float


def step_costs(link: Link, settings: GroupSettings, level: int) -> StepCosts:
    """Weigh one link.

    Parameters
    ----------
    level : int
        1 between frames, 2 and up between sets (which repeat neither in a burst nor, if alike in nothing, at all).
    """
    shared = pause_cost(link, settings) + clash_cost(link, settings) - link.mark - settings.name_nats * link.name
    shared += 0.0 if level == 1 else settings.unlike_nats * (1 - link.alike)
    same, moved = view_costs(link, settings)
    changed = focus_odds(link, settings)
    step = abs(link.ev) if link.ev is not None else None
    # An exposure step changes how sharp the picture measures; then only written focus and scale speak for a change.
    held_focus = max(changed, 0.0)
    if blinded(link, settings) and link.focus_step is None:
        held_focus = max(settings.blinded_share * held_focus, breathing_odds(link, settings) or 0.0)
        if link.aperture_changed:
            held_focus = 0.0
    repeat_ev = even_exposure_cost(step, link.ev_nominal is not None, settings)
    bracket = shared + same + stepped_exposure_cost(link, settings, level) + held_focus
    # One position photographed twice is cheaper than two stacks.
    stack = shared + same + repeat_ev + min(max(-changed, 0.0), settings.focus_twice_nats)
    # Nothing but its rhythm holds a burst together.
    burst = shared + same + repeat_ev + held_focus + (settings.steady_nats if link.breaks_steady else 0.0)
    panorama = (
        shared + moved + settings.panorama_ev_share * repeat_ev
        + min(held_focus, settings.panorama_focus_nats if link.focus_step is not None else settings.panorama_blur_nats)
    )
    if link.mark_kind:
        bracket += 0 if link.mark_kind == "bracket" else settings.maker_nats
        stack += 0 if link.mark_kind == "stack" else settings.maker_nats
        panorama += 0 if link.mark_kind == "panorama" else settings.maker_nats
        burst += 0 if link.mark_kind == "burst" else settings.maker_nats
    return StepCosts(
        bracket=bracket, stack=stack, panorama=panorama, burst=burst,
        focus_turn=_focus_turn(link, settings), focus_moved=changed > 0, view_turn=view_turn(link),
        focus_back=link.focus_back, view_back=link.view_back,
        focus_back_cost=settings.return_nats * link.focus_return,
        view_back_cost=settings.return_nats * link.view_return,
    )


def pause_cost(link: Link, settings: GroupSettings) -> float:
    """Nothing for the pauses of a set's own making, as much as a cut at about half the longest pause, then more."""
    if link.idle_s is None:
        return 0.0
    reach = math.log1p(link.idle_s / settings.pause_ref_s) / math.log1p(settings.gap_s / settings.pause_ref_s)
    cost = settings.pause_nats * reach * reach
    if link.rhythm < settings.rhythm_kept and link.idle_s < settings.gap_s:
        cost *= settings.rhythm_share
    elif link.rhythm > settings.rhythm_broken:
        cost += settings.rhythm_nats * min(math.log(link.rhythm / settings.rhythm_broken), 2.0)
    if link.idle_s > settings.gap_s:
        cost += settings.pause_nats
    return cost


def clash_cost(link: Link, settings: GroupSettings) -> float:
    """Lens, focal length, size: no set mixes them."""
    return settings.clash_nats * link.clash


def view_costs(link: Link, settings: GroupSettings) -> tuple[float, float]:
    """(cost of being one view, cost of being neighbouring views)."""
    seen = link.content
    if seen.view == "unknown":
        return settings.view_unknown_nats, settings.view_unknown_nats * 3
    if seen.view == "other":
        other = min(settings.view_unknown_nats - 2 * seen.odds, settings.view_other_nats)
        if link.by_itself and seen != APART:
            # The camera was not turned meanwhile: waves or clouds are another picture each time.
            return min(settings.view_unknown_nats, other), other
        return other, settings.row_nats if link.row else other
    doubt = max(1.0 - seen.odds / 3, 0.0)
    reframed = max(math.log(max(link.reframe, 1.0) / settings.reframe_usual), 0.0) if link.reframe > 1 else 0.0
    large = max(seen.shift / settings.reframe_max - 1.0, 0.0)
    same = min(settings.reframe_nats * reframed, settings.reframe_cap_nats) + settings.view_other_nats * min(large, 1.0)
    # Views of a panorama step on by a good part of the picture.
    step = max(abs(seen.shift_x), abs(seen.shift_y))
    short = max(1.0 - step / settings.panorama_step_min, 0.0)
    moved = settings.view_other_nats * min(short * 1.5, 1.0)
    return same + doubt, moved + doubt


def even_exposure_cost(step: float | None, written: bool, settings: GroupSettings) -> float:
    """Cost of an exposure step where none should be; pictures alone also step with the light."""
    if step is None:
        return 0.0
    same = settings.ev_same if written else settings.ev_same_seen
    return min(settings.uneven_nats_per_ev * max(step - same, 0.0), settings.uneven_cap_nats)


def stepped_exposure_cost(link: Link, settings: GroupSettings, level: int) -> float:
    """Cost of an exposure step being too small for a bracket.

    Nobody photographs a whole stack again a third of a stop apart; falling light makes it look so.
    """
    if link.ev is None:
        return settings.unstepped_nats * 0.5
    step = abs(link.ev)
    needed = settings.bracket_step_min_ev if link.ev_nominal is not None else settings.bracket_step_seen_ev
    if level > 1:
        needed = max(needed, settings.bracket_of_sets_ev)
    if step >= needed:
        return 0.0
    return settings.unstepped_nats * min((needed - step) / (0.5 * needed), 1.0)


def focus_odds(link: Link, settings: GroupSettings) -> float:
    """Log odds that focus changed: positive for, negative against, nats.

    Written focus decides where there is any. Pictures speak in four ways: sharpness gained here and lost there;
    sharpness changed alike over whole neighbourhoods; sharpness spread otherwise over the picture, by more than an
    exposure step can do; and, from a tripod, the picture's scale (focus breathing).
    """
    voices: list[float] = []
    if link.focus.comparable >= settings.focus_min_area:
        trade = min(link.focus.gained, link.focus.lost)
        one_sided = settings.one_sided_share * max(link.focus.gained, link.focus.lost)
        voices.append(settings.focus_nats * math.log2(max(trade, one_sided, 0.004) / settings.focus_trade))
        if not blinded(link, settings):
            alike = math.log2(max(link.focus.coherent, 0.02) / settings.focus_coherent_area)
            if alike > 0:
                # Texture moved across cells, and noise that exposure changes, look the same.
                alike *= max(1 - link.content.shift / settings.focus_coherent_shift, 0)
                alike *= 1 - abs(link.ev or 0.0) / settings.focus_blind_ev
            voices.append(alike)
            if link.content.view == "same":
                apart = math.log2(max(link.focus.distance, 0.01) / settings.focus_apart)
                voices.append(settings.focus_apart_nats * max(apart, 0.0))
    breathing = breathing_odds(link, settings)
    if breathing is not None:
        voices.append(breathing)
    loudest = max(voices, default=0.0)
    seen = min(loudest, settings.focus_for_nats) if loudest > 0 else max(sum(voices), -settings.focus_against_nats)
    if link.focus_step is None:
        return seen
    if abs(link.focus_step) > settings.focus_written_dpt:
        return max(seen, 0.0) + settings.focus_written_nats
    # The same distance written twice may be a coarse scale: the picture can overrule it.
    return seen - settings.focus_written_same_nats


def blinded(link: Link, settings: GroupSettings) -> bool:
    """Whether sharpness cannot be compared because exposure or aperture changed."""
    return link.aperture_changed or (link.ev is not None and abs(link.ev) > settings.focus_blind_ev)


def breathing_odds(link: Link, settings: GroupSettings) -> float | None:
    """Log odds of a focus change by the change of scale alone; ``None`` where the camera was not still."""
    if math.isnan(link.zoom_sureness):
        return None
    return min(max(2 * math.log2(max(abs(link.zoom_sureness), 1e-6)), -1.0), settings.breathing_nats)


def _focus_turn(link: Link, settings: GroupSettings) -> int:
    if link.focus_step is not None:
        if abs(link.focus_step) <= settings.focus_written_dpt:
            return 0
        return 1 if link.focus_step > 0 else -1
    breathing = breathing_odds(link, settings)
    if breathing is None or breathing < 1:
        return 0
    # Scale tells which way from which, not which is nearer; runs compare like with like.
    return 1 if link.content.zoom > 0 else -1


def view_turn(link: Link) -> str:
    """Which way an overlapping view steps on, "" where it is none."""
    if link.row or link.content.view != "overlap":
        return ""
    if abs(link.content.shift_x) >= abs(link.content.shift_y):
        return "right" if link.content.shift_x > 0 else "left"
    return "down" if link.content.shift_y > 0 else "up"
