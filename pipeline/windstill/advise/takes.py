"""Several attempts at one set: which to merge, and what the others can lend it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import cv2
import numpy as np

from windstill.records import (
    Borrow,
    Frame,
    FrameScore,
    FrameSet,
    Grouping,
    Outlook,
    SetMeasure,
    SetVerdict,
)
from windstill.settings import AdviseSettings

OUTLOOK_ORDER: dict[Outlook, int] = {"clean": 0, "touch-up": 1, "unknown": 2, "hard": 3, "lost": 4}
_LEAST_RESPONSE = 0.05  # peak of the phase correlation under which two views were not found to overlap
_EVEN = (0.1, 0.9)  # displayed brightness between which the light of two frames is compared


def take_rank(verdict: SetVerdict, settings: AdviseSettings) -> tuple[float, ...]:
    """Sort key of takes: best outlook first, then least to retouch, then least sway, then most coverage.

    Figures are rounded to what can be told apart, so that of equally still takes the first is taken.
    """
    return (
        OUTLOOK_ORDER[verdict.outlook],
        round((verdict.picture_area_pct or 0.0) / settings.tie_area_pct) if settings.tie_area_pct else 0,
        round((verdict.sway_p95_px or 0.0) / settings.tie_px) if settings.tie_px else (verdict.sway_p95_px or 0.0),
        round((verdict.sway_max_px or 0.0) / settings.tie_px) if settings.tie_px else (verdict.sway_max_px or 0.0),
        -round(verdict.coverage_pct or 0.0),
    )


def best_takes(
    grouping: Grouping, verdicts: Mapping[str, SetVerdict], settings: AdviseSettings
) -> dict[tuple[int, str], str]:
    """Best take of each scene and kind; complete takes before those broken off, which may be calm and yet hold half."""
    groups: dict[tuple[int, str], list[FrameSet]] = {}
    for top in grouping.top_level():
        if top.kind != "single" and top.set_id in verdicts:
            groups.setdefault((top.scene, top.kind), []).append(top)
    best = {}
    for key, takes in groups.items():
        full = max(len(t.frames) for t in takes)

        def rank(take: FrameSet, full: int = full) -> tuple[float, ...]:
            broken_off = len(take.frames) < settings.complete_share * full
            return (broken_off, *take_rank(verdicts[take.set_id], settings), take.take)

        best[key] = min(takes, key=rank).set_id
    return best


def borrowable(
    node: FrameSet,
    others: Sequence[FrameSet],
    grouping: Grouping,
    frames: Mapping[str, Frame],
    scores: Mapping[str, FrameScore],
    measures: Mapping[str, SetMeasure],
    verdicts: Mapping[str, SetVerdict],
    settings: AdviseSettings,
) -> tuple[Borrow, ...]:
    """Frames of other takes that may stand in for those of `node` that moved.

    Parameters
    ----------
    node : FrameSet
        The best take, at top level, its members frames.
    others : sequence of FrameSet
        The other takes.

    Returns
    -------
    tuple of Borrow
        At most one for each frame that moved; in the same place of its set, in nearly the same light and view, and not
        itself in a pair that moved.
    """
    needed = [n for n in _moving(node, measures, verdicts) if n in scores]
    found = []
    for name in needed:
        place = grouping.placements.get(name)
        offers = []
        for other in others:
            shaky = set(_moving(other, measures, verdicts))
            for candidate in other.frames:
                there = grouping.placements.get(candidate)
                if candidate in shaky or candidate not in scores or place is None or there is None:
                    continue
                if _index(place) != _index(there) or len(other.frames) != len(node.frames):
                    continue
                lent = _lent(scores[name], scores[candidate], frames[name], frames[candidate])
                if lent is None or abs(lent[0]) > settings.borrow_light_ev:
                    continue
                if lent[1] > settings.borrow_shift_pct / 100 * max(scores[name].width_px, scores[name].height_px):
                    continue
                offers.append(Borrow(candidate, name, other.take, *lent))
        if offers:
            found.append(min(offers, key=lambda b: (abs(b.light_ev), b.shift_px)))
    return tuple(found)


def _index(place: object) -> tuple[object, ...]:
    return tuple(getattr(place, n) for n in ("view_index", "focus_index", "exposure_index"))


def _moving(
    node: FrameSet, measures: Mapping[str, SetMeasure], verdicts: Mapping[str, SetVerdict]
) -> list[str]:
    """Frames whose pairs all moved beyond tolerance: the culprits rather than their neighbours."""
    measure, verdict = measures.get(node.set_id), verdicts.get(node.set_id)
    if measure is None or verdict is None:
        return []
    moved: dict[str, list[bool]] = {}
    for pair in measure.pairs:
        for name in (pair.frame_a, pair.frame_b):
            moved.setdefault(name, []).append((pair.sway_max_px or 0.0) > verdict.tolerance_px)
    return [name for name, pairs in moved.items() if all(pairs)]


def _lent(wanted: FrameScore, offered: FrameScore, a: Frame, b: Frame) -> tuple[float, float] | None:
    """How much brighter the offered frame is (EV), and how far its view is displaced (full-resolution pixels)."""
    if wanted.small.shape != offered.small.shape:
        return None
    one, two = (np.log(s.small.astype(np.float32) + 8) for s in (wanted, offered))
    window = cv2.createHanningWindow((one.shape[1], one.shape[0]), cv2.CV_32F)
    (x, y), response = cv2.phaseCorrelate(one - one.mean(), two - two.mean(), window)
    if response < _LEAST_RESPONSE:
        return None
    shift = float(np.hypot(x, y)) * wanted.width_px / wanted.small.shape[1]
    la, lb = wanted.luma, offered.luma
    if la.shape != lb.shape:
        return None
    even = (la > _EVEN[0]) & (la < _EVEN[1]) & (lb > _EVEN[0]) & (lb < _EVEN[1])
    if not even.any():
        return None
    # Displayed brightness goes through a tone curve of about 2.2.
    light = 2.2 * float(np.median(np.log2(lb[even] / la[even])))
    return light, shift
