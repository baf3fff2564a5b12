"""The way out: frames to keep, the base frame, the best take, what to reshoot, where to begin."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace

from windstill.advise.flowers import take_from
from windstill.advise.say import Speaker
from windstill.advise.standing import stand
from windstill.advise.subset import LONG_BURST, Chosen, choose, choose_long_burst
from windstill.advise.takes import OUTLOOK_ORDER, best_takes, borrowable
from windstill.records import (
    Borrow,
    Frame,
    FrameAdvice,
    FrameScore,
    FrameSet,
    Grouping,
    Keep,
    SetAdvice,
    SetMeasure,
    SetVerdict,
    TakeFrom,
)
from windstill.settings import AdviseSettings

_TROUBLED = ("touch-up", "hard", "lost")


@dataclass(frozen=True, slots=True)
class Advised:
    """What `advise` gives: advice by set id, by frame name, and the order to work in (top-level set ids)."""

    sets: dict[str, SetAdvice]
    frames: dict[str, FrameAdvice]
    order: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Kept:
    """Frames of one set and all below it that a merge uses, and why not the others."""

    keep: tuple[str, ...]
    why_not: dict[str, str]
    left_out: tuple[str, ...] = ()
    holds_without: bool = False
    base: str | None = None
    take_from: tuple[TakeFrom, ...] = ()
    best_pct: Mapping[str, float] = field(default_factory=dict)


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
        Frames of the best take of each scene that its merge uses are kept (`yes`); all others of sets are spares,
        with the reason noted.
    """
    best = best_takes(grouping, verdicts, settings)
    sets, kept = _advised(frames, scores, grouping, grouping.sets, measures, verdicts, best, settings)
    return Advised(
        sets=sets,
        frames=_per_frame(frames, grouping, scores, verdicts, kept, best),
        order=_order(grouping, sets, verdicts, best),
    )


def advise_sets(
    frames: Sequence[Frame],
    scores: Mapping[str, FrameScore],
    grouping: Grouping,
    measures: Mapping[str, SetMeasure],
    verdicts: Mapping[str, SetVerdict],
    settings: AdviseSettings,
    tops: Collection[str],
) -> dict[str, SetAdvice]:
    """What `advise` says of some top-level sets and those below them, without working out the others.

    Parameters
    ----------
    frames, scores, measures, verdicts
        As for `advise`: of all sets, for takes of one scene are compared.
    tops : collection of str
        Set ids.
    """
    nodes = [
        node for node in grouping.sets
        if node.set_id in tops or any(above.set_id in tops for above in _above(node, grouping))
    ]
    best = best_takes(grouping, verdicts, settings)
    return _advised(frames, scores, grouping, nodes, measures, verdicts, best, settings)[0]


def _advised(
    frames: Sequence[Frame],
    scores: Mapping[str, FrameScore],
    grouping: Grouping,
    nodes: Sequence[FrameSet],
    measures: Mapping[str, SetMeasure],
    verdicts: Mapping[str, SetVerdict],
    best: Mapping[tuple[int, str], str],
    settings: AdviseSettings,
) -> tuple[dict[str, SetAdvice], dict[str, _Kept]]:
    """Advice on sets, and the frames to keep of each; whole families among `nodes`, whatever their order."""
    by_name = {f.name: f for f in frames}
    kept: dict[str, _Kept] = {}
    for node in sorted(nodes, key=lambda s: -len(_above(s, grouping))):
        kept[node.set_id] = _keep(node, grouping, by_name, scores, measures, verdicts, kept, settings)
    sets = {
        node.set_id: _advise_set(
            node, grouping, by_name, scores, measures, verdicts, kept[node.set_id], best, settings
        )
        for node in nodes
    }
    return sets, kept


def _above(node: FrameSet, grouping: Grouping) -> list[FrameSet]:
    by_id = grouping.by_id()
    found = []
    while node.parent_set is not None and node.parent_set in by_id:
        node = by_id[node.parent_set]
        found.append(node)
    return found


def _below(node: FrameSet, grouping: Grouping) -> list[FrameSet]:
    """The set and all below it, itself first."""
    return [node] + [n for child in grouping.children(node.set_id) for n in _below(child, grouping)]


def _keep(
    node: FrameSet,
    grouping: Grouping,
    frames: Mapping[str, Frame],
    scores: Mapping[str, FrameScore],
    measures: Mapping[str, SetMeasure],
    verdicts: Mapping[str, SetVerdict],
    kept: Mapping[str, _Kept],
    settings: AdviseSettings,
) -> _Kept:
    """Frames to keep of one set: of the members its merge uses, the frames those use in turn."""
    children = {c.set_id: c for c in grouping.children(node.set_id)}
    measure, verdict = measures.get(node.set_id), verdicts.get(node.set_id)
    readable = [n for n in node.frames if n in scores]
    chosen = Chosen(tuple(measure.frames) if measure else tuple(readable))
    sources: tuple[TakeFrom, ...] = ()
    whole = measure is not None and all(n in scores for n in measure.frames)
    if measure is not None and whole and node.kind == "burst" and len(measure.frames) > LONG_BURST:
        chosen = choose_long_burst(measure, scores, settings)
    elif measure is not None and verdict is not None and whole and len(measure.frames) >= 2:
        standing = stand(measure, scores, verdict.tolerance_px, settings)
        chosen = choose(standing, frames, settings)
        if verdict.outlook in _TROUBLED:
            sources = take_from(standing, chosen.keep, settings)
    names: list[str] = []
    why_not: dict[str, str] = {}
    left_out: list[str] = []
    best_pct: dict[str, float] = {}
    for member in node.members:
        child = kept.get(member) if member in children else None
        own = children[member].frames if member in children else (member,)
        stands = next((n for n in (measure.frames if measure else ()) if n in own), None)
        if stands is not None and stands in chosen.best_pct:
            best_pct.update(dict.fromkeys(own, chosen.best_pct[stands]))
        if stands is not None and stands not in chosen.keep:
            why = _why_not(stands, chosen)
            why_not.update(dict.fromkeys(own, why))
            if stands in chosen.swayed or stands in chosen.smeared:
                left_out += own
            continue
        names += child.keep if child else [n for n in own if n in scores]
        if child:
            why_not.update(child.why_not)
            left_out += child.left_out
    held = all(kept[c].holds_without or _calm(verdicts.get(c)) for c in children)
    still = verdict is not None and chosen.moved_px <= verdict.tolerance_px
    return _Kept(
        tuple(dict.fromkeys(names)), why_not, tuple(dict.fromkeys(left_out)),
        bool(left_out) and held and still and _sway_alone(node, measure, verdict), chosen.base, sources, best_pct,
    )  # fmt: skip


def _calm(verdict: SetVerdict | None) -> bool:
    return verdict is not None and verdict.outlook == "clean"


def _sway_alone(node: FrameSet, measure: SetMeasure | None, verdict: SetVerdict | None) -> bool:
    """Whether sway is what stands in the way: not a gap, not smear that every frame shares, not what is unknown."""
    if measure is None or verdict is None or verdict.outlook == "unknown":
        return False
    missing = measure.coverage is not None and bool(measure.coverage.found)
    return not missing and (measure.smear_held_px or 0.0) <= 2 * verdict.tolerance_px


def _why_not(name: str, chosen: Chosen) -> str:
    if name in chosen.swayed:
        return "the subject moved in it, and others cover its part"
    if name in chosen.smeared:
        return "smeared, and others hold its part better"
    if name in chosen.unseen:
        return "it could not be laid over the others"
    return "others hold all it shows"


def _advise_set(
    node: FrameSet,
    grouping: Grouping,
    frames: Mapping[str, Frame],
    scores: Mapping[str, FrameScore],
    measures: Mapping[str, SetMeasure],
    verdicts: Mapping[str, SetVerdict],
    kept: _Kept,
    best: Mapping[tuple[int, str], str],
    settings: AdviseSettings,
) -> SetAdvice:
    verdict, measure = verdicts.get(node.set_id), measures.get(node.set_id)
    top = node.parent_set is None
    takes = [t for t in grouping.top_level() if top and t.scene == node.scene and t.kind == node.kind]
    chosen = best.get((node.scene, node.kind)) if len(takes) > 1 else None
    single, single_pct = _single_frame(node, measure, verdict, scores)
    lent: tuple[Borrow, ...] = ()
    if chosen == node.set_id and verdict is not None and verdict.outlook in _TROUBLED:
        others = [t for t in takes if t.set_id != node.set_id]
        lent = borrowable(node, others, grouping, frames, scores, measures, verdicts, settings)
    advice = SetAdvice(
        set_id=node.set_id,
        base_frame=_base_frame(node, measure, scores, kept),
        keep_frames=kept.keep,
        advice="",
        best_take=(chosen == node.set_id) if chosen is not None else None,
        single_frame=single,
        single_frame_pct=single_pct,
        single_frame_best_pct=kept.best_pct.get(single) if single is not None and kept.keep != (single,) else None,
        left_out=kept.left_out,
        holds_without=kept.holds_without,
        take_from=kept.take_from,
        borrow=lent,
    )
    if verdict is None:
        return advice
    tree = [(n, measures[n.set_id]) for n in _below(node, grouping) if n.set_id in measures]
    speaker = Speaker(node, verdict, measure, frames, grouping, tree, settings)
    if node.kind == "single":
        return replace(advice, advice=speaker.single())
    better = next((t.take for t in takes if t.set_id == chosen and chosen != node.set_id), None)
    return replace(advice, advice=speaker.sentence(advice, better, len(takes) if chosen is not None else 1))


def _base_frame(
    node: FrameSet, measure: SetMeasure | None, scores: Mapping[str, FrameScore], kept: _Kept
) -> str | None:
    """The frame the others are laid on: the stillest of a burst, the middle exposure, the widest-serving focus."""
    if kept.base is not None:
        return kept.base
    candidates = [n for n in kept.keep if n in scores] or [n for n in node.frames if n in scores]
    if not candidates:
        return node.frames[0] if node.frames else None
    if node.kind == "bracket" and measure is not None:
        order = [n for n in measure.frames if n in candidates] or candidates
        return order[len(order) // 2]
    if node.kind == "stack":
        return max(candidates, key=lambda n: (scores[n].sharp_area_pct, -candidates.index(n)))
    return candidates[len(candidates) // 2]


def _single_frame(
    node: FrameSet, measure: SetMeasure | None, verdict: SetVerdict | None, scores: Mapping[str, FrameScore]
) -> tuple[str | None, float | None]:
    """The one frame that would serve alone, and how much it holds, percent.

    Of the same picture as the set's coverage where that is known, and never more; of the whole picture, what it holds
    sharp, elsewhere.
    """
    known = [n for n in node.frames if n in scores]
    if len(known) < 2 or node.kind == "panorama":
        return None, None
    alone = measure.coverage.alone_pct if measure is not None and measure.coverage is not None else ()
    if measure is not None and len(alone) == len(measure.frames):
        share, best = max(zip(alone, measure.frames, strict=True), key=lambda held: held[0])
        whole = verdict.coverage_pct if verdict is not None else None
        return best, share if whole is None else min(share, whole)
    usable = {n: scores[n].sharp_area_pct - scores[n].clipped_high_pct - scores[n].clipped_low_pct for n in known}
    best = max(known, key=lambda n: (usable[n], -known.index(n)))
    return best, scores[best].sharp_area_pct


def _order(
    grouping: Grouping, sets: Mapping[str, SetAdvice], verdicts: Mapping[str, SetVerdict],
    best: Mapping[tuple[int, str], str],
) -> tuple[str, ...]:
    """Sets in the order to work in: the easiest good picture first, takes that are not the best of their scene last."""

    def ease(top: FrameSet) -> tuple[float, ...]:
        verdict, advice = verdicts.get(top.set_id), sets[top.set_id]
        lesser = top.set_id != best.get((top.scene, top.kind), top.set_id)
        if verdict is None:
            return (lesser, 9.0, 0.0, 0.0, len(top.frames))
        effort = OUTLOOK_ORDER["touch-up"] if advice.holds_without else OUTLOOK_ORDER[verdict.outlook]
        area = 0.0 if advice.holds_without else verdict.picture_area_pct or 0.0
        return (lesser, float(effort), round(area, 1), float(len(advice.keep_frames)), verdict.sway_max_px or 0.0)

    return tuple(t.set_id for t in sorted((t for t in grouping.top_level() if t.kind != "single"), key=ease))


def _per_frame(
    frames: Sequence[Frame],
    grouping: Grouping,
    scores: Mapping[str, FrameScore],
    verdicts: Mapping[str, SetVerdict],
    kept: Mapping[str, _Kept],
    best: Mapping[tuple[int, str], str],
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
            verdict = verdicts.get(top.set_id)
            if top.set_id != best.get((top.scene, top.kind), top.set_id):
                lost = verdict is not None and verdict.outlook == "lost"
                keep, note = "no" if lost else "spare", "another take of this scene is better"
            elif frame.name not in kept[top.set_id].keep:
                keep, note = "spare", kept[top.set_id].why_not.get(frame.name, "others hold all it shows")
        elif top is not None:
            verdict = verdicts.get(top.set_id)
            if verdict is not None and verdict.outlook == "lost":
                keep, note = "no", verdict.reasons[0] if verdict.reasons else ""
        advice[frame.name] = FrameAdvice(frame.name, keep, note)
    return advice
