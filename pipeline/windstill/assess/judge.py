"""From measures to the outlook of each set, with the numbers that led to it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from windstill.assess.places import place_of
from windstill.assess.statistics import counted_tiles, robust_maximum_place
from windstill.records import (
    Frame,
    FrameSet,
    Grouping,
    Outlook,
    PairMeasure,
    Placement,
    SetMeasure,
    SetVerdict,
)
from windstill.settings import AssessSettings

# Not knowing outranks a small touch-up (it may be worse) and is outranked by what is known to be bad.
_SEVERITY: dict[Outlook, int] = {"clean": 0, "touch-up": 1, "unknown": 2, "hard": 3, "lost": 4}
_NEXT_TO_NOTHING_PCT = 0.25  # percent of the picture: a relevant area this small cannot make a merge hard
_UNTOLD = "how much of it is sharp in some frame cannot be told"


@dataclass(frozen=True, slots=True)
class _PairVerdict:
    outlook: Outlook
    area_pct: float  # share of the picture with relevant sway above tolerance
    sway_area_pct: float | None  # share of the relevant measured area above tolerance
    reason: str


def tolerance_for(long_px: int, settings: AssessSettings) -> float:
    """Tolerance in full-resolution pixels: it grows when the picture will be shown smaller than it was taken."""
    if 0 < settings.output_long_px < long_px:
        return settings.tolerance_px * long_px / settings.output_long_px
    return settings.tolerance_px


def judge(
    grouping: Grouping,
    measures: Mapping[str, SetMeasure],
    frames: Sequence[Frame],
    settings: AssessSettings,
) -> dict[str, SetVerdict]:
    """Judge every set, children before parents.

    Parameters
    ----------
    grouping : Grouping
    measures : mapping by set id
        A set without measures is judged ``unknown``.
    frames : sequence of Frame

    Returns
    -------
    dict of SetVerdict
        By set id; a parent's figures are the worst of its own pairs and its children's.
    """
    size = {f.name: max(f.width_px, f.height_px) for f in frames}
    verdicts: dict[str, SetVerdict] = {}
    for node in sorted(grouping.sets, key=lambda s: -_depth(s, grouping)):
        children = [verdicts[c.set_id] for c in grouping.children(node.set_id)]
        tolerance = tolerance_for(size.get(node.frames[0], 0) if node.frames else 0, settings)
        measure = measures.get(node.set_id)
        if measure is None:
            verdicts[node.set_id] = SetVerdict(
                node.set_id, "unknown", ("its frames could not be measured (see the problems)",), tolerance
            )
            continue
        verdicts[node.set_id] = _judge_set(node, measure, children, tolerance, grouping, settings)
    return {s.set_id: verdicts[s.set_id] for s in grouping.sets}


def _depth(node: FrameSet, grouping: Grouping) -> int:
    by_id = grouping.by_id()
    depth = 0
    while node.parent_set is not None and node.parent_set in by_id:
        node = by_id[node.parent_set]
        depth += 1
    return depth


def _judge_set(
    node: FrameSet,
    measure: SetMeasure,
    children: Sequence[SetVerdict],
    tolerance: float,
    grouping: Grouping,
    settings: AssessSettings,
) -> SetVerdict:
    found: list[tuple[Outlook, str]] = []
    judged = [(pair, _judge_pair(pair, tolerance, grouping, settings)) for pair in measure.pairs]
    for _, verdict in judged:
        if verdict.outlook != "clean" or verdict.reason:
            found.append((verdict.outlook, verdict.reason))
    found += _alignment_findings(judged, grouping)
    if len(measure.frames) < 2 and node.kind != "single":
        found.append(("unknown", "fewer than two of its frames could be read"))
    found += _coverage_findings(node, measure, settings)
    found += _parallax_findings(measure, tolerance, grouping, settings)
    found += _passing_findings(measure, tolerance, grouping)
    found += _smear_findings(node, measure, tolerance, settings)
    for child in children:
        if child.outlook != "clean":
            found.append((child.outlook, f"in {_short(child.set_id)}: {child.reasons[0]}" if child.reasons else ""))
    clean: Outlook = "clean"
    worst = max((outlook for outlook, _ in found), key=_SEVERITY.__getitem__, default=clean)
    found.sort(key=lambda item: -_SEVERITY[item[0]])
    reasons = tuple(dict.fromkeys(reason for _, reason in found if reason))
    if not reasons:
        reasons = (_calm_phrase(measure, children, node),)
    reasons += _untold(node, measure, children, settings)

    def largest(name: str) -> float | None:
        own = [getattr(p, name) for p in measure.pairs] if hasattr(PairMeasure, name) else []
        values = [v for v in own + [getattr(c, name) for c in children] if v is not None]
        return max(values) if values else None

    areas = [v.area_pct for _, v in judged] + [c.picture_area_pct for c in children if c.picture_area_pct is not None]
    of_relevant = [v.sway_area_pct for _, v in judged] + [c.sway_area_pct for c in children]
    known_areas = [v for v in of_relevant if v is not None]
    measured = [p.measured_pct for p in measure.pairs] + [c.measured_pct for c in children]
    known_measured = [v for v in measured if v is not None]
    smears = [measure.smear_px] + [c.smear_px for c in children]
    known_smears = [v for v in smears if v is not None]
    overlaps = [v for v in [measure.overlap_pct] + [c.overlap_pct for c in children] if v is not None]
    shifts = [v for v in [measure.shift_px] + [c.shift_px for c in children] if v is not None]
    # The pair that `sway_max_px` is of, so that both name the same place; among equals the one hardest to merge.
    swayed_most = max(judged, key=lambda item: _pair_rank(item[0], item[1]), default=None)
    pair_names = (swayed_most[0].frame_a, swayed_most[0].frame_b) if swayed_most else None
    own_max = _known(swayed_most[0].sway_max_px) if swayed_most else -1.0
    by_child = max((c for c in children if c.worst_pair), key=lambda c: _known(c.sway_max_px), default=None)
    if by_child is not None and _known(by_child.sway_max_px) > own_max:
        pair_names = by_child.worst_pair
    return SetVerdict(
        set_id=node.set_id,
        outlook=worst,
        reasons=reasons,
        tolerance_px=tolerance,
        sway_p95_px=largest("sway_p95_px"),
        sway_max_px=largest("sway_max_px"),
        sway_area_pct=max(known_areas) if known_areas else None,
        picture_area_pct=max(areas) if areas else None,
        measured_pct=min(known_measured) if known_measured else None,
        smear_px=max(known_smears) if known_smears else None,
        coverage_pct=_covered_pct(measure, children, settings),
        overlap_pct=min(overlaps) if overlaps else None,
        shift_px=max(shifts) if shifts else None,
        worst_pair=pair_names,
    )


def _covered_pct(
    measure: SetMeasure, children: Sequence[SetVerdict], settings: AssessSettings
) -> float | None:
    """The least coverage of a set and its children.

    Where the set's own cannot be told, that each bracket of a stack exposes everything well says nothing of focus: then
    only a child's that loses the set is said.
    """
    known = [c.coverage_pct for c in children if c.coverage_pct is not None]
    if measure.coverage is not None:
        if measure.coverage.coverage_pct is None:
            known = [v for v in known if v < settings.lost_coverage_pct]
        else:
            known.append(measure.coverage.coverage_pct)
    return min(known, default=None)


def _judge_pair(
    pair: PairMeasure, tolerance: float, grouping: Grouping, settings: AssessSettings
) -> _PairVerdict:
    between = _between(pair, grouping)
    if pair.mapping.failed:
        if pair.relevant_pct is not None and pair.relevant_pct <= _NEXT_TO_NOTHING_PCT:
            return _PairVerdict("clean", 0.0, None, "")  # one of the two is all white or all black
        return _PairVerdict("unknown", 0.0, None, "")  # the set's findings say why
    field = pair.field
    if field is None:
        return _PairVerdict("unknown", 0.0, None, f"{between} could not be compared")
    relevant = field.relevance >= settings.relevant_from
    measured = counted_tiles(field, settings)
    textured_pct = 100 * float((relevant & field.textured).mean())
    measured_of_textured = 100 * float(measured.sum()) / max(int((relevant & field.textured).sum()), 1)
    length = np.hypot(field.sway_x_px, field.sway_y_px)
    moved = measured & (length > tolerance)
    area = 100 * float(moved.mean())
    of_relevant = 100 * float(moved.sum()) / int(measured.sum()) if measured.any() else None
    if textured_pct > _NEXT_TO_NOTHING_PCT and measured_of_textured < settings.least_measured_pct:
        if _shifted_pct(pair, tolerance, settings) > 0.5 * (textured_pct - 100 * float(measured.mean())):
            return _PairVerdict("unknown", area, of_relevant, "")  # the set's findings say what shifted
        changed = relevant & field.textured & (field.changed > 0.5)
        cause = (
            "what is there changed rather than moved"
            if changed.sum() > 0.5 * (relevant & field.textured).sum()
            else "too little detail in common"
        )
        return _PairVerdict(
            "unknown",
            area,
            of_relevant,
            f"only {measured_of_textured:.0f} % of the blend of {between} could be measured: {cause}",
        )
    largest = pair.sway_max_px or 0.0
    # Single tiles above tolerance are speckle: what counts is a place the robust maximum sees.
    if largest <= tolerance:
        return _PairVerdict("clean", area, of_relevant, "")
    picture_tiles = float(length.size)
    _, place = robust_maximum_place(np.where(moved, length, 0).astype(np.float32), moved, picture_tiles)
    where = place_of(place if place.any() else moved)
    share = f"{area:.1f}" if area < 10 else f"{area:.0f}"
    reason = f"subject {where} moved {largest:.0f} px between {between}, over {share} % of the picture"
    if largest < 10:
        reason = reason.replace(f"{largest:.0f} px", f"{largest:.1f} px")
    if area > settings.lost_area_pct:
        return _PairVerdict("lost", area, of_relevant, reason)
    if area <= settings.touch_up_area_pct and largest <= settings.touch_up_times_tolerance * tolerance:
        return _PairVerdict("touch-up", area, of_relevant, reason)
    return _PairVerdict("hard", area, of_relevant, reason)


def _alignment_findings(
    judged: Sequence[tuple[PairMeasure, _PairVerdict]], grouping: Grouping
) -> list[tuple[Outlook, str]]:
    """What the camera did, said once for all pairs it did it in."""
    found: list[tuple[Outlook, str]] = []
    failed = [pair for pair, verdict in judged if pair.mapping.failed and verdict.outlook == "unknown"]
    if failed:
        found.append(("unknown", f"{_among(failed, grouping)} could not be aligned: {failed[0].mapping.reason}"))
    moved = ("touch-up", "hard", "lost")
    sideways = [pair for pair, verdict in judged if pair.mapping.sideways and verdict.outlook in moved]
    if sideways:
        sideways.sort(key=lambda pair: -_known(pair.sway_max_px))
        which = _among(sideways, grouping)
        found.append(("clean", f"near things shift against far ones between {which}: the camera moved sideways"))
    return found


def _among(pairs: Sequence[PairMeasure], grouping: Grouping) -> str:
    """The first of some pairs, and how many more there are."""
    first, others = _between(pairs[0], grouping), len(pairs) - 1
    return f"{first} (and {others} more pair{'s' if others > 1 else ''})" if others else first


def _coverage_findings(node: FrameSet, measure: SetMeasure, settings: AssessSettings) -> list[tuple[Outlook, str]]:
    coverage = measure.coverage
    if coverage is None:
        return []
    hidden: list[tuple[Outlook, str]] = []
    if coverage.told_pct is not None and coverage.told_pct < settings.coverage_told_pct:
        share = f"{100 - coverage.told_pct:.0f} %"
        hidden = [("clean", f"on {share} of the textured picture noise hides whether it is sharp")]
    if coverage.perhaps_missed_pct is not None:
        share = f"{coverage.perhaps_missed_pct:.0f} %"
        hidden = [("clean", f"perhaps {share} of the textured picture is sharp in no frame: look before you merge")]
    if coverage.coverage_pct is not None and coverage.coverage_pct < settings.lost_coverage_pct:
        what = {
            "stack": "sharp in any frame",
            "bracket": "well exposed in any frame",
            "panorama": "joined with enough overlap",
        }.get(node.kind, "served by any frame")
        unit = "of the seams are" if node.kind == "panorama" else "of the textured picture is"
        return [("lost", f"only {coverage.coverage_pct:.0f} % {unit} {what}"), *hidden]
    return [*(("clean", gap) for gap in coverage.gaps), *hidden]


def _untold(
    node: FrameSet, measure: SetMeasure, children: Sequence[SetVerdict], settings: AssessSettings
) -> tuple[str, ...]:
    """That a stack's coverage is not known, where no other reason says so: an empty figure reads like nothing missed.

    Two frames without focus distances have no scale by which to tell, nor has a sweep that is narrow.
    """
    if any(_UNTOLD in child.reasons for child in children):
        return (_UNTOLD,)
    coverage = measure.coverage
    if node.kind != "stack" or coverage is None or coverage.coverage_pct is not None:
        return ()
    hidden = coverage.told_pct is not None and coverage.told_pct < settings.coverage_told_pct
    if hidden or coverage.perhaps_missed_pct is not None or not (coverage.best >= 0).any():
        return ()
    return (_UNTOLD,)


def _parallax_findings(
    measure: SetMeasure, tolerance: float, grouping: Grouping, settings: AssessSettings
) -> list[tuple[Outlook, str]]:
    """Things that shifted as they do when the camera moves sideways.

    What is small is small whoever did it, and where the camera moved, seams can be laid through far things. What else
    it is may be the camera's or the wind's doing, which is not known; that it moved is, so it is never clean.
    """
    shifted = [pair for pair in measure.pairs if pair.field is not None and (pair.parallax_px or 0.0) > tolerance]
    if not shifted:
        return []
    small = settings.touch_up_times_tolerance * tolerance

    def is_told(pair: PairMeasure) -> bool:
        little = _shifted_pct(pair, tolerance, settings) <= settings.touch_up_area_pct
        return pair.parallax_sure or (little and (pair.parallax_px or 0.0) <= small)

    told = all(is_told(pair) for pair in shifted)
    worst = max((p for p in shifted if told or not is_told(p)), key=lambda pair: pair.parallax_px or 0.0)
    reason = f"near things shift by up to {_px(_known(worst.parallax_px))} px between {_between(worst, grouping)}"
    if worst.parallax_sure:
        return [("touch-up", f"{reason}: parallax, as the camera moved sideways")]
    cause = "parallax, or wind leaning one way"
    return [("touch-up", f"{reason}: {cause}")] if told else [("unknown", f"{reason}: {cause}; cannot tell")]


def _passing_findings(
    measure: SetMeasure, tolerance: float, grouping: Grouping
) -> list[tuple[Outlook, str]]:
    """Sky and water that moved on: no subject that ghosts, but two of them are blended."""
    passed = [pair for pair in measure.pairs if pair.passing and (pair.passing_px or 0.0) > tolerance]
    if not passed:
        return []
    worst = max(passed, key=lambda pair: pair.passing_px or 0.0)
    verb = "move" if " and " in worst.passing else "moves"
    where = f"by {_px(_known(worst.passing_px))} px between {_between(worst, grouping)}"
    return [("clean", f"the {worst.passing} {verb} on {where}: the merge blurs it")]


def _shifted_pct(pair: PairMeasure, tolerance: float, settings: AssessSettings) -> float:
    """Percent of the picture that what may be parallax shifts by more than the tolerance."""
    field = pair.field
    if field is None or field.parallax_px is None:
        return 0.0
    relevant = (field.relevance >= settings.relevant_from) & field.textured
    return 100 * float((relevant & (field.parallax_px > tolerance)).mean())


def _smear_findings(
    node: FrameSet, measure: SetMeasure, tolerance: float, settings: AssessSettings
) -> list[tuple[Outlook, str]]:
    if measure.smear_px is None or measure.smear_px <= tolerance:
        return []
    held = measure.smear_held_px if measure.smear_held_px is not None else measure.smear_px
    moved = measure.smear_moved_px if measure.smear_moved_px is not None else held
    frame = measure.smear_frame.rsplit("/", 1)[-1] if measure.smear_frame else "a frame"
    limit = settings.lost_smear_times_tolerance * tolerance
    sway = max((p.sway_max_px or 0.0 for p in measure.pairs), default=0.0)
    more = ", more than it moved between frames" if measure.pairs and measure.smear_px > sway else ""
    if moved > limit:
        alone = "" if node.kind == "single" else " and no frame holds it better"
        return [("lost", f"{frame} is smeared by {measure.smear_px:.0f} px{more}{alone}")]
    if held > limit:
        # Water is soft by nature, and what swings alike in every frame was not seen to move.
        return [("touch-up", f"what stands still from frame to frame seems smeared by {held:.0f} px, unless it is "
                 "water: look before you merge")]  # fmt: skip
    if measure.smear_px > limit:
        return [("clean", f"{frame} is smeared by {measure.smear_px:.0f} px{more}; another frame holds it")]
    return [("clean", f"{frame} is smeared by {measure.smear_px:.1f} px{more}")]


def _between(pair: PairMeasure, grouping: Grouping) -> str:
    """The pair in the photographer's terms: "focus 3 and 4", "exposures 1 and 2", else the file names."""
    a, b = grouping.placements.get(pair.frame_a), grouping.placements.get(pair.frame_b)
    what = {"focus": ("focus", "focus_index"), "exposure": ("exposures", "exposure_index"),
            "view": ("views", "view_index")}.get(pair.relation)  # fmt: skip
    if what and isinstance(a, Placement) and isinstance(b, Placement):
        first, second = getattr(a, what[1]), getattr(b, what[1])
        if first is not None and second is not None and first != second:
            return f"{what[0]} {first} and {second}"
    return f"{pair.frame_a.rsplit('/', 1)[-1]} and {pair.frame_b.rsplit('/', 1)[-1]}"


def _px(length: float) -> str:
    """A length as reasons give it: tenths of a pixel are told of short ones."""
    return f"{length:.0f}" if length >= 10 else f"{length:.1f}"


def _short(set_id: str) -> str:
    return set_id.rsplit("/", 1)[-1]


def _calm_phrase(measure: SetMeasure, children: Sequence[SetVerdict], node: FrameSet) -> str:
    values = [p.sway_max_px for p in measure.pairs] + [c.sway_max_px for c in children]
    known = [v for v in values if v is not None]
    if node.kind == "single":
        return "one frame, nothing to merge"
    if not known:
        return "nothing with detail where the merge blends"
    return f"nothing moved more than {max(known):.1f} px where the merge blends"


def _pair_rank(pair: PairMeasure, verdict: _PairVerdict) -> tuple[float, int, float]:
    return (_known(pair.sway_max_px), _SEVERITY[verdict.outlook], verdict.area_pct)


def _known(sway_max_px: float | None) -> float:
    return -1.0 if sway_max_px is None else sway_max_px
