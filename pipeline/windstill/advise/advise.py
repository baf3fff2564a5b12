"""The way out: frames to keep, the base frame, the best take, what to reshoot, where to begin."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from windstill.advise.settings_that_hold import shutter_phrase
from windstill.advise.subset import smallest_subset
from windstill.records import (
    Frame,
    FrameAdvice,
    FrameScore,
    FrameSet,
    Grouping,
    Keep,
    Outlook,
    PairMeasure,
    SetAdvice,
    SetMeasure,
    SetVerdict,
)
from windstill.settings import AdviseSettings

_ORDER: dict[Outlook, int] = {"clean": 0, "touch-up": 1, "unknown": 2, "hard": 3, "lost": 4}


@dataclass(frozen=True, slots=True)
class Advised:
    """What `advise` gives: advice by set id, by frame name, and the order to work in (top-level set ids)."""

    sets: dict[str, SetAdvice]
    frames: dict[str, FrameAdvice]
    order: tuple[str, ...]


def advise(
    frames: Sequence[Frame],
    scores: Mapping[str, FrameScore],
    grouping: Grouping,
    measures: Mapping[str, SetMeasure],
    verdicts: Mapping[str, SetVerdict],
    settings: AdviseSettings,
) -> Advised:
    """Turn verdicts into what to do.

    Parameters
    ----------
    frames : sequence of Frame
    scores, measures, verdicts : mapping
        By frame name, set id and set id; entries may be missing.

    Returns
    -------
    Advised
    """
    by_name = {f.name: f for f in frames}
    best_takes = _best_takes(grouping, verdicts)
    kept: dict[str, tuple[str, ...]] = {}
    sets: dict[str, SetAdvice] = {}
    for node in sorted(grouping.sets, key=lambda s: -_depth(s, grouping)):
        kept[node.set_id] = _keep(node, grouping, scores, measures, kept, settings)
        sets[node.set_id] = _advise_set(
            node, grouping, by_name, scores, measures, verdicts, kept[node.set_id], best_takes, settings
        )
    per_frame = _per_frame(frames, grouping, scores, verdicts, kept, best_takes)
    tops = list(grouping.top_level())
    order = sorted(
        (t for t in tops if t.kind != "single"),
        key=lambda t: (
            _ORDER[verdicts[t.set_id].outlook] if t.set_id in verdicts else 9,
            t.set_id not in best_takes.values(),
            _worst_sway(verdicts.get(t.set_id)),
            len(t.frames),
        ),
    )
    return Advised(
        sets={s.set_id: sets[s.set_id] for s in grouping.sets},
        frames=per_frame,
        order=tuple(t.set_id for t in order),
    )


def _depth(node: FrameSet, grouping: Grouping) -> int:
    by_id = grouping.by_id()
    depth = 0
    while node.parent_set in by_id and node.parent_set is not None:
        node = by_id[node.parent_set]
        depth += 1
    return depth


def _worst_sway(verdict: SetVerdict | None) -> float:
    return verdict.sway_max_px or 0.0 if verdict else 0.0


def take_rank(verdict: SetVerdict) -> tuple[float, ...]:
    """Sort key of takes: best outlook first, then least to retouch, then least sway, then most coverage."""
    return (
        _ORDER[verdict.outlook],
        round(verdict.picture_area_pct or 0.0, 1),
        round(verdict.sway_max_px or 0.0, 1),
        -(verdict.coverage_pct or 0.0),
    )


def _best_takes(grouping: Grouping, verdicts: Mapping[str, SetVerdict]) -> dict[tuple[int, str], str]:
    """Best take of each scene and kind, where there is more than one; complete takes before aborted ones."""
    groups: dict[tuple[int, str], list[FrameSet]] = {}
    for top in grouping.top_level():
        if top.kind != "single":
            groups.setdefault((top.scene, top.kind), []).append(top)
    best = {}
    for key, takes in groups.items():
        judged = [t for t in takes if t.set_id in verdicts]
        if not judged:
            continue
        full = max(len(t.frames) for t in judged)
        best[key] = min(
            judged,
            # An aborted take may be calm and yet hold half the picture.
            key=lambda t: (len(t.frames) < 0.75 * full, *take_rank(verdicts[t.set_id]), t.take),
        ).set_id
    return best


def _keep(
    node: FrameSet,
    grouping: Grouping,
    scores: Mapping[str, FrameScore],
    measures: Mapping[str, SetMeasure],
    kept: Mapping[str, tuple[str, ...]],
    settings: AdviseSettings,
) -> tuple[str, ...]:
    """Frames to keep of one set: its children's, or the smallest subset of its own frames that still covers."""
    children = {c.set_id for c in grouping.children(node.set_id)}
    measure = measures.get(node.set_id)
    own = [m for m in node.members if m not in children]
    if not children and measure is not None and len(measure.frames) >= 2:
        return smallest_subset(node, measure, scores, settings)
    names: list[str] = []
    for member in node.members:
        names += kept[member] if member in children else [member] if member in own else []
    return tuple(dict.fromkeys(names))


def _advise_set(
    node: FrameSet,
    grouping: Grouping,
    frames: Mapping[str, Frame],
    scores: Mapping[str, FrameScore],
    measures: Mapping[str, SetMeasure],
    verdicts: Mapping[str, SetVerdict],
    keep: tuple[str, ...],
    best_takes: Mapping[tuple[int, str], str],
    settings: AdviseSettings,
) -> SetAdvice:
    verdict = verdicts.get(node.set_id)
    measure = measures.get(node.set_id)
    top = node.parent_set is None
    takes = [t for t in grouping.top_level() if t.scene == node.scene and t.kind == node.kind]
    best = best_takes.get((node.scene, node.kind)) if top else None
    single, single_pct = _single_frame(node, scores)
    text = _sentence(node, verdict, measure, frames, best, takes, single, single_pct, grouping)
    return SetAdvice(
        set_id=node.set_id,
        base_frame=_base_frame(node, measure, scores, keep),
        keep_frames=keep,
        advice=text,
        best_take=(best == node.set_id) if top and len(takes) > 1 else None,
        single_frame=single,
        single_frame_pct=single_pct,
    )


def _base_frame(
    node: FrameSet, measure: SetMeasure | None, scores: Mapping[str, FrameScore], keep: Sequence[str]
) -> str | None:
    """The frame the others are laid on: the stillest of a burst, the middle exposure, the widest-serving focus."""
    candidates = [n for n in keep if n in scores] or [n for n in node.frames if n in scores]
    if not candidates:
        return node.frames[0] if node.frames else None
    if node.kind == "burst" and measure is not None:
        return min(candidates, key=lambda n: (_motion_of(n, measure, scores), candidates.index(n)))
    if node.kind == "bracket" and measure is not None:
        order = [n for n in measure.frames if n in candidates] or candidates
        return order[len(order) // 2]
    if node.kind == "stack":
        return max(candidates, key=lambda n: (scores[n].sharp_area_pct, -candidates.index(n)))
    return candidates[len(candidates) // 2]


def _motion_of(name: str, measure: SetMeasure, scores: Mapping[str, FrameScore]) -> float:
    """How unquiet a burst frame is: its own smear and its mean sway against its neighbours."""
    sways = [p.sway_p95_px or 0.0 for p in measure.pairs if name in (p.frame_a, p.frame_b)]
    return (scores[name].frame_smear_px or 0.0) + (float(np.mean(sways)) if sways else 0.0)


def _single_frame(node: FrameSet, scores: Mapping[str, FrameScore]) -> tuple[str | None, float | None]:
    """The one frame that would serve alone, and how much of the picture it holds sharp."""
    known = [n for n in node.frames if n in scores]
    if len(known) < 2 or node.kind == "panorama":
        return None, None
    usable = {n: scores[n].sharp_area_pct - scores[n].clipped_high_pct for n in known}
    best = max(known, key=lambda n: (usable[n], -known.index(n)))
    return best, scores[best].sharp_area_pct


def _sentence(
    node: FrameSet,
    verdict: SetVerdict | None,
    measure: SetMeasure | None,
    frames: Mapping[str, Frame],
    best: str | None,
    takes: Sequence[FrameSet],
    single: str | None,
    single_pct: float | None,
    grouping: Grouping,
) -> str:
    if verdict is None:
        return ""
    if node.kind == "single":
        if verdict.outlook == "lost":
            return "Take it again if it mattered; " + (verdict.reasons[0] if verdict.reasons else "it is smeared") + "."
        return ""
    other = ""
    if len(takes) > 1 and best is not None:
        if best == node.set_id:
            other = " This is the best take of its scene."
        else:
            number = next((t.take for t in takes if t.set_id == best), None)
            other = f" Take {number} of this scene is better."
    alone = ""
    if verdict.outlook in ("hard", "lost") and single is not None and single_pct is not None and single_pct >= 1:
        alone = f" Alone, {_base(single)} holds {single_pct:.0f} % of the picture sharp."
    if verdict.outlook == "clean":
        return "Merge as it is." + other
    if verdict.outlook == "touch-up":
        return f"Merge, then retouch by hand: {verdict.reasons[0]}." + other
    if verdict.outlook == "unknown":
        return "Look at it yourself before deciding: " + verdict.reasons[0] + "." + other
    again = _again(node, measure, frames, verdict, grouping)
    return again + alone + other


def _again(
    node: FrameSet,
    measure: SetMeasure | None,
    frames: Mapping[str, Frame],
    verdict: SetVerdict,
    grouping: Grouping,
) -> str:
    """What to shoot again, in words a tired person follows."""
    pairs = [p for p in measure.pairs if (p.sway_max_px or 0.0) > verdict.tolerance_px] if measure else []
    pairs.sort(key=lambda p: -(p.sway_max_px or 0.0))
    if not pairs:
        return f"Shoot it again: {verdict.reasons[0]}." if verdict.reasons else "Shoot it again."
    names = _positions(node, pairs, grouping)
    smear = verdict.smear_px
    camera = frames[pairs[0].frame_a].camera
    hold = shutter_phrase(camera, smear, verdict.tolerance_px) if smear else None
    held = f"; {hold} would have held its smear under {verdict.tolerance_px:.0f} px" if hold else ""
    verb = "Hours of retouching" if verdict.outlook == "hard" else "Not worth merging"
    return f"{verb}. Again {names}; wait for a lull{held}."


def _positions(node: FrameSet, pairs: Sequence[PairMeasure], grouping: Grouping) -> str:
    """"from focus 3, two frames" where the bad pairs lie side by side, else the frames by name."""
    index = {"stack": ("focus", "focus_index"), "bracket": ("exposure", "exposure_index"),
             "panorama": ("view", "view_index")}.get(node.kind)  # fmt: skip
    names = {n for p in pairs for n in (p.frame_a, p.frame_b)}
    if len(names) >= 0.8 * len(node.members):
        return "the whole set"
    if index is not None:
        at = sorted(
            {v for n in names if (p := grouping.placements.get(n)) and (v := getattr(p, index[1])) is not None}
        )
        if at and at[-1] - at[0] + 1 == len(at):
            count = {1: "one frame", 2: "two frames", 3: "three frames", 4: "four frames"}
            return f"from {index[0]} {at[0]}, {count.get(len(at), f'{len(at)} frames')}"
    return ", ".join(sorted(_base(n) for n in names))


def _base(name: str) -> str:
    return name.rsplit("/", 1)[-1]


def _per_frame(
    frames: Sequence[Frame],
    grouping: Grouping,
    scores: Mapping[str, FrameScore],
    verdicts: Mapping[str, SetVerdict],
    kept: Mapping[str, tuple[str, ...]],
    best_takes: Mapping[tuple[int, str], str],
) -> dict[str, FrameAdvice]:
    advice: dict[str, FrameAdvice] = {}
    top_of = {name: top for top in grouping.top_level() for name in top.frames}
    for frame in frames:
        top = top_of.get(frame.name)
        keep: Keep = "yes"
        note = ""
        if frame.derived:
            keep, note = "spare", "made by software from other frames"
        elif frame.name not in scores:
            keep, note = "spare", "could not be read"
        elif top is not None and top.kind != "single":
            best = best_takes.get((top.scene, top.kind))
            verdict = verdicts.get(top.set_id)
            if frame.name not in kept[top.set_id]:
                keep, note = "spare", "its neighbours cover what it holds"
            elif best is not None and best != top.set_id and verdict is not None and verdict.outlook == "lost":
                keep, note = "no", "another take of this scene is better"
            elif best is not None and best != top.set_id:
                keep, note = "spare", "another take of this scene is better"
        elif top is not None:
            verdict = verdicts.get(top.set_id)
            if verdict is not None and verdict.outlook == "lost":
                keep, note = "no", verdict.reasons[0] if verdict.reasons else ""
        advice[frame.name] = FrameAdvice(frame.name, keep, note)
    return advice
