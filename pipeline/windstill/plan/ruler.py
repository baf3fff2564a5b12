"""The depth ruler of the card: every focus position and its reach on a scale even in reciprocal metres."""

from __future__ import annotations

import math
from dataclasses import dataclass

from windstill.plan.result import Plan

# Distances worth a tick; those inside the range are drawn.
_TICKS_M = (0.1, 0.15, 0.2, 0.3, 0.4, 0.5, 0.6, 0.8, 1.0, 1.5, 2.0, 3.0, 5.0, 10.0, 20.0, 50.0, math.inf)
# Numbers this close together, in hundredths of the ruler, would overprint.
_LEAST_GAP = 5.5


@dataclass(frozen=True, slots=True)
class Reach:
    """One focus position on the ruler: left end, width and focus in hundredths of its length, and its row."""

    index: int
    left: float
    width: float
    at: float
    row: int
    labelled: bool


@dataclass(frozen=True, slots=True)
class Tick:
    """A distance on the ruler."""

    at: float
    label: str


@dataclass(frozen=True, slots=True)
class Ruler:
    """All that is drawn, in hundredths of the length, nearest at the left."""

    reaches: tuple[Reach, ...]
    ticks: tuple[Tick, ...]
    subject_at: float | None


def make_ruler(plan: Plan) -> Ruler:
    """Lay the plan's focus positions out on the ruler."""
    near, far = plan.request.near_m, plan.request.far_m
    span = 1.0 / near - 1.0 / far

    def at(distance_m: float) -> float:
        return min(max((1.0 / near - 1.0 / distance_m) / span * 100.0, 0.0), 100.0)

    reaches = []
    last_label = -math.inf
    for p in plan.stack.positions:
        focus = at(p.focus_m)
        labelled = focus - last_label >= 2.6
        if labelled:
            last_label = focus
        left = at(p.near_m)
        reaches.append(Reach(p.index, left, max(at(p.far_m) - left, 0.3), focus, (p.index - 1) % 2, labelled))
    ticks = [Tick(0.0, f"{near:g}")]
    end = Tick(100.0, "∞" if math.isinf(far) else f"{far:g}")
    for distance in _TICKS_M:
        place = at(distance)
        if near < distance < far and place - ticks[-1].at >= _LEAST_GAP and 100.0 - place >= _LEAST_GAP:
            ticks.append(Tick(place, f"{distance:g}"))
    motion = plan.motion
    inside = motion is not None and motion.sway_cm > 0 and near <= motion.subject_m <= far
    return Ruler(tuple(reaches), (*ticks, end), at(motion.subject_m) if motion is not None and inside else None)
