"""All measures of one set: its pairs, its coverage, its smear."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from windstill.assess.align import Aligned, align_pair, loose_mapping
from windstill.assess.apart import Apart, between_views, in_one_view, with_smeared, without_waves
from windstill.assess.coverage import coverage_of
from windstill.assess.crops import cut_crops
from windstill.assess.figures import figures
from windstill.assess.geometry import Matrix, inverse
from windstill.assess.grain import fineness_without_noise
from windstill.assess.lens import Lens, StraightPlanes, bent_back, lens_of_views, straight_score
from windstill.assess.pairs import Pair, further_seams, in_judging_order, level_ev, pairs_of, views_of
from windstill.assess.passing import Passing
from windstill.assess.planes import PlaneSource
from windstill.assess.pyramid import Features, Pyramid, build_pyramid
from windstill.assess.relevance import exposure_relevance, focus_relevance, focus_shared, to_grid_of_a
from windstill.assess.shared_detail import shared_fineness
from windstill.assess.shared_sky import share_passing, with_steady_clouds
from windstill.assess.smeared import SMEAR_CONFIDENCE, measure_smear, moved_beside
from windstill.assess.statistics import counted_tiles, known_tiles, robust_maximum
from windstill.assess.sway import measure_sway
from windstill.records import (
    CameraMapping,
    CoverageMeasure,
    FloatMap,
    Frame,
    FrameScore,
    FrameSet,
    Grouping,
    PairMeasure,
    SetMeasure,
    SwayField,
    seconds_from_first,
)
from windstill.settings import AssessSettings

_STANDS_ABOVE = 2  # tiles of a column
_LENS_PAIRS = 4  # of a panorama: one lens took them all
_LENS_LOOKS = 4  # at the rims of straightened pictures more is found again, and tells the lens more closely
_LENS_SETTLED = 0.001  # share of the radius at the corner


def measure_set(
    node: FrameSet,
    grouping: Grouping,
    frames: Mapping[str, Frame],
    scores: Mapping[str, FrameScore],
    planes: PlaneSource,
    settings: AssessSettings,
) -> SetMeasure:
    """Measure one set at its own level; its children have measures of their own.

    Parameters
    ----------
    node : FrameSet
    grouping : Grouping
    frames, scores : mapping by frame name
        Frames that could not be decoded have no score and take no part.
    planes : PlaneSource

    Returns
    -------
    SetMeasure

    Notes
    -----
    Pairs are measured in order, holding two frames' planes at a time, and of the others what is small: the features
    they were lined up by, and how they lie. Views that a bent lens took are straightened before.
    """
    lined_up: dict[Pair, Aligned] = {}
    lens = _lens(node, grouping, frames, scores, planes, settings, lined_up) if node.kind == "panorama" else None
    if lens is None:
        return _measure(node, grouping, frames, scores, planes, settings, lined_up)
    straight = {name: straight_score(score, lens) for name, score in scores.items()}
    measured = _measure(node, grouping, frames, straight, StraightPlanes(planes, lens), settings, {})
    return replace(measured, pairs=tuple(bent_back(pair, lens) for pair in measured.pairs))


def _lens(
    node: FrameSet,
    grouping: Grouping,
    frames: Mapping[str, Frame],
    scores: Mapping[str, FrameScore],
    planes: PlaneSource,
    settings: AssessSettings,
    lined_up: dict[Pair, Aligned],
) -> Lens | None:
    """The lens that took a panorama, if it bends; the pairs as they lie without it are added to `lined_up`."""
    pairs = pairs_of(node, grouping, frames, scores)[:_LENS_PAIRS]
    sizes = {(scores[n].width_px, scores[n].height_px) for pair in pairs for n in (pair.frame_a, pair.frame_b)}
    if len(sizes) != 1:
        return None
    lens: Lens | None = None
    sure = False
    for look in range(_LENS_LOOKS):
        shown = planes if lens is None else StraightPlanes(planes, lens)
        aligned: dict[Pair, Aligned] = {}
        pyramids: dict[str, Pyramid] = {}
        for pair in pairs:
            names = pair.frame_a, pair.frame_b
            pyramids = {n: pyramids.get(n) or build_pyramid(shown.work(n), scores[n].reduction) for n in names}
            aligned[pair] = _line_up(pair, pyramids, scores, settings)
        if look == 0:
            lined_up |= aligned
        places = [a if lens is None else lens.as_shown(a) for a in aligned.values()]
        before = lens
        lens, sure = lens_of_views(places, min(sizes), settings.lens_enough_px)
        if lens is None or (before is not None and abs(lens.bend - before.bend) < _LENS_SETTLED):
            break
    return lens if sure else None


def _line_up(
    pair: Pair,
    pyramids: Mapping[str, Pyramid],
    scores: Mapping[str, FrameScore],
    settings: AssessSettings,
    supposed: Matrix | None = None,
) -> Aligned:
    a, b = scores[pair.frame_a], scores[pair.frame_b]
    return align_pair(
        pyramids[pair.frame_a], pyramids[pair.frame_b], (a.width_px, a.height_px), (b.width_px, b.height_px),
        pair.relation == "view", settings, supposed,
    )  # fmt: skip


def _measure(
    node: FrameSet,
    grouping: Grouping,
    frames: Mapping[str, Frame],
    scores: Mapping[str, FrameScore],
    planes: PlaneSource,
    settings: AssessSettings,
    aligned: dict[Pair, Aligned],
) -> SetMeasure:
    order = [n for n in in_judging_order(node, grouping, frames, scores) if n in scores]
    pairs = pairs_of(node, grouping, frames, scores)
    mates = _view_mates(node, grouping)
    first = {name: np.eye(3) for name in mates.get(order[0], order[:1])} if order else {}
    chain: dict[str, Matrix] = dict(first)
    laid: dict[Pair, Matrix] = {}
    passings: dict[tuple[str, str], Passing] = {}
    pyramids: dict[str, Pyramid] = {}
    features: dict[str, dict[tuple[int, bool], Features]] = {}

    def measure(pair: Pair, supposed: Matrix | None = None, camera_moved: bool = False) -> PairMeasure:
        nonlocal pyramids
        pyramids = {n: p for n, p in pyramids.items() if n in (pair.frame_a, pair.frame_b)}
        for name in (pair.frame_a, pair.frame_b):
            if name not in pyramids:
                kept = features.setdefault(name, {})
                pyramids[name] = build_pyramid(planes.work(name), scores[name].reduction, kept)
        if pair not in aligned:
            aligned[pair] = _line_up(pair, pyramids, scores, settings, supposed)
        result, laid[pair], passing = _measure_pair(
            pair, node, order, pyramids, scores, chain, settings, aligned[pair], camera_moved
        )
        if passing is not None:
            passings[pair.frame_a, pair.frame_b] = passing
        lay(pair)
        return result

    def lay(pair: Pair) -> None:
        if pair.frame_a in chain:
            for name in mates.get(pair.frame_b, [pair.frame_b]):
                chain.setdefault(name, chain[pair.frame_a] @ laid[pair])
        elif pair.frame_b in chain:
            for name in mates.get(pair.frame_a, [pair.frame_a]):
                chain.setdefault(name, chain[pair.frame_b] @ inverse(laid[pair]))

    measured = [measure(pair) for pair in pairs]
    if node.kind == "panorama" and 2 * sum(m.parallax_sure for m in measured) >= len(measured):
        # A camera that moved while it turned from most views to the next did so between the others.
        measured = [
            m if m.parallax_sure or not _doubtful(m, settings) else measure(pair, camera_moved=True)
            for m, pair in zip(measured, pairs, strict=True)
        ]
        # Views that only now could be joined were taken to lie over each other.
        chain.clear()
        chain.update(first)
        for pair in pairs:
            lay(pair)
    seams = list(measured)
    if node.kind == "panorama" and not any(m.mapping.failed for m in measured):
        # Rows above each other meet along more seams than those crossed while shooting.
        measured += [
            measure(pair, inverse(chain[pair.frame_a]) @ chain[pair.frame_b])
            for pair in further_seams(node, grouping, frames, scores, chain, settings)
        ]
    measured = with_steady_clouds(measured, passings, _seconds(frames, order), scores, settings)
    if node.kind != "panorama":
        measured = share_passing(measured, chain, scores, settings)
    measured = _with_crops(measured, scores, planes, settings)
    mappings = [chain.get(n, np.eye(3)) for n in order]
    coverage = coverage_of(
        node, [frames[n] for n in order], [scores[n] for n in order], mappings, seams,
        [level_ev(frames[n], None) for n in order], settings,
    )  # fmt: skip
    smear = _smear(node, order, mappings, scores, measured, coverage, settings)
    overlaps = [m.overlap_pct for m in seams if m.overlap_pct is not None]
    return SetMeasure(
        set_id=node.set_id,
        kind=node.kind,
        frames=tuple(order),
        pairs=tuple(measured),
        coverage=coverage,
        smear_px=smear.worst_px,
        smear_frame=smear.frame,
        overlap_pct=min(overlaps) if node.kind == "panorama" and overlaps else None,
        step_ev=_step(order, frames, scores) if node.kind == "bracket" else None,
        shift_px=max((m.mapping.shift_px for m in measured if not m.mapping.failed), default=None)
        if node.kind != "panorama"
        else None,
        textured_pct=100 * float(np.mean([scores[n].textured.mean() for n in order])) if order else 0.0,
        smear_held_px=smear.held_px,
        smear_moved_px=smear.moved_px,
    )


def _doubtful(pair: PairMeasure, settings: AssessSettings) -> bool:
    """Whether that the camera moved could account for what is wrong with two views."""
    return pair.mapping.failed or max(pair.sway_max_px or 0.0, pair.parallax_px or 0.0) > settings.tolerance_px


def _view_mates(node: FrameSet, grouping: Grouping) -> dict[str, list[str]]:
    """For each frame of a panorama, the frames of its view: neighbouring views may be joined by another of them.

    Within a view the camera stands still but for what a press of the button moves it by, which is nothing beside the
    turn from view to view.
    """
    if node.kind != "panorama":
        return {}
    return {name: view for view in views_of(node, grouping) for name in view}


def _measure_pair(
    pair: Pair,
    node: FrameSet,
    order: Sequence[str],
    pyramids: Mapping[str, Pyramid],
    scores: Mapping[str, FrameScore],
    chain: Mapping[str, Matrix],
    settings: AssessSettings,
    aligned: Aligned,
    camera_moved: bool = False,
) -> tuple[PairMeasure, Matrix, Passing | None]:
    score_a, score_b = scores[pair.frame_a], scores[pair.frame_b]
    a, b = pyramids[pair.frame_a], pyramids[pair.frame_b]
    mapping, b_to_a = aligned.mapping, aligned.b_to_a
    if mapping.failed:
        blended = None
        if pair.relation == "exposure" and score_a.grid == score_b.grid:
            # Of frames a few pixels apart, tiles tell well enough whether a merge draws on both at all.
            blended = 100 * float((exposure_relevance(score_a.luma, score_b.luma) >= settings.relevant_from).mean())
        return _without_field(node, pair, mapping, blended), b_to_a, None
    grid = score_a.grid
    sharp_b = to_grid_of_a(score_b.sharp, b_to_a, score_b.grid, grid)
    luma_b = to_grid_of_a(score_b.luma, b_to_a, score_b.grid, grid)
    there = np.isfinite(luma_b)
    others = _sharpest_other(pair, order, scores, chain) if pair.relation == "focus" else None
    relevance = _relevance(pair, score_a, sharp_b, luma_b, others)
    textured_b = np.nan_to_num(to_grid_of_a(score_b.textured.astype(np.float32), b_to_a, score_b.grid, grid)) >= 0.5
    clipped_b = np.nan_to_num(
        to_grid_of_a(score_b.clipped_high + score_b.clipped_low, b_to_a, score_b.grid, grid), nan=1.0
    )
    clipped = np.maximum(score_a.clipped_high + score_a.clipped_low, clipped_b)
    textured = (score_a.textured | textured_b) & there & (clipped < settings.clipped_share)
    looked_at = cv2.dilate(relevance, np.ones((3, 3), np.uint8)) >= settings.relevant_from
    if others is not None:
        # Once frames are left out, sway is added up across them where others are a little sharper than these two.
        looked_at |= focus_shared(score_a.sharp, sharp_b, others, settings.shared_focus_share)
    wanted = textured & looked_at
    noise_b = np.nan_to_num(to_grid_of_a(score_b.noise, b_to_a, score_b.grid, grid), nan=1.0)
    gain = np.clip(score_a.luma / np.maximum(np.nan_to_num(luma_b, nan=1.0), 0.02), 0.1, 10)
    noise = np.hypot(score_a.noise, gain * noise_b).astype(np.float32)
    # Of a camera that moved sideways, what the mapping leaves is no error of it: it ghosts whoever moved.
    mapping_error = 0.0 if mapping.sideways else mapping.systematic_px
    halved = min(settings.sway_halved, len(a.levels) - 1, len(b.levels) - 1)
    sway = measure_sway(
        a.without_finest(halved), b.without_finest(halved), b_to_a, grid, wanted, noise / np.float32(2**halved),
        pair.relation, settings, mapping_error,
    )  # fmt: skip
    textured &= ~sway.plain
    fineness_b = to_grid_of_a(score_b.fineness, b_to_a, score_b.grid, grid)
    finer = np.fmax(
        fineness_without_noise(score_a), to_grid_of_a(fineness_without_noise(score_b), b_to_a, score_b.grid, grid)
    )
    if not halved:  # else what moved is placed too coarsely for its finest detail to be laid on itself
        # What moved and seems crisp may be cloud under noise, where nothing stands above it.
        known, length = known_tiles(textured, sway.confidence, settings), np.hypot(sway.x_px, sway.y_px)
        under = np.cumsum(known & (length <= settings.tolerance_px), axis=0) >= _STANDS_ABOVE
        doubtful = known & (length > settings.tolerance_px) & ~under & (finer > settings.sky_fineness)
        finer = np.fmin(finer, shared_fineness(a, b, b_to_a, grid, sway.x_px, sway.y_px, doubtful))
    if pair.relation == "view":
        # Still things that are left a little apart say that it moved, and are no failure of the mapping.
        slightly = mapping.sideways and mapping.residual_px <= settings.tolerance_px
        apart = between_views(
            sway, textured, there, finer, b_to_a, grid.tile_px, settings, camera_moved or slightly
        )
        if mapping.sideways and not (slightly or apart.parallax_sure):
            return _without_field(node, pair, loose_mapping(mapping.residual_px)), np.eye(3), None
    elif mapping.sideways:
        apart = Apart(sway.x_px, sway.y_px, sway.confidence, sway.changed)
    else:
        apart = in_one_view(sway, textured, there, finer, grid.tile_px, settings)
    apart, textured = without_waves(apart, a, grid, textured, there, settings)
    passing = apart.passing
    subject = textured if passing is None else textured & ~passing.layer
    smeared = measure_smear(
        a, b, b_to_a, grid, score_b.grid, subject & (relevance >= settings.relevant_from), sway,
        (score_a.fineness, fineness_b), settings,
        (score_a.sharp, sharp_b) if pair.relation == "focus" else None,
    )  # fmt: skip
    if smeared is not None:
        apart = with_smeared(apart, sway, smeared, settings)
    field = SwayField(
        grid=grid,
        textured=textured,
        sway_x_px=apart.x_px,
        sway_y_px=apart.y_px,
        confidence=apart.confidence,
        relevance=relevance,
        changed=apart.changed,
        sharp_a=score_a.sharp,
        sharp_b=np.nan_to_num(sharp_b).astype(np.float32),
        smear=None if smeared is None else smeared.smear,
        parallax_px=apart.parallax_px,
        passing_px=None if passing is None else np.hypot(passing.x_px, passing.y_px),
    )
    if pair.relation == "view" and not _laid_right(field, sway.changed, settings):
        mapping = CameraMapping(failed=True, reason="the views do not match where their overlap was supposed")
        return _without_field(node, pair, mapping), np.eye(3), None
    overlap = 100 * float(there.mean())
    result = figures(node.set_id, pair, mapping, field, overlap, score_a, settings)
    what = "" if passing is None else passing.what
    return replace(result, passing=what, parallax_sure=apart.parallax_sure), b_to_a, passing


def _seconds(frames: Mapping[str, Frame], order: Sequence[str]) -> dict[str, float]:
    """When frames were taken, seconds from the first; empty where not all of them say."""
    seconds = seconds_from_first([frames[name].camera.captured_at for name in order])
    return {} if seconds is None else dict(zip(order, seconds, strict=True))


def _without_field(
    node: FrameSet, pair: Pair, mapping: CameraMapping, relevant_pct: float | None = None
) -> PairMeasure:
    return PairMeasure(
        node.set_id, pair.frame_a, pair.frame_b, pair.relation, mapping, None, relevant_pct=relevant_pct
    )


def _laid_right(field: SwayField, changed: FloatMap, settings: AssessSettings) -> bool:
    """Whether anything matches in the overlap: windows that agree by chance lay views wherever they please."""
    inside = field.textured & (field.relevance >= settings.relevant_from)
    if inside.sum() < settings.overlap_least_tiles:
        return True
    alike = (1 - changed) >= settings.overlap_alike
    return float(alike[inside].mean()) >= settings.overlap_least_share


def _sharpest_other(
    pair: Pair, order: Sequence[str], scores: Mapping[str, FrameScore], chain: Mapping[str, Matrix]
) -> FloatMap:
    """Largest sharpness of any other frame of the set on a's tiles."""
    score_a = scores[pair.frame_a]
    others = np.zeros(score_a.grid.shape, np.float32)
    to_a = inverse(chain.get(pair.frame_a, np.eye(3)))
    for name in order:
        if name in (pair.frame_a, pair.frame_b):
            continue
        # Frames not yet aligned are taken as unshifted: a tile is larger than what breathing moves it by.
        matrix = to_a @ chain[name] if name in chain else np.eye(3)
        others = np.fmax(others, to_grid_of_a(scores[name].sharp, matrix, scores[name].grid, score_a.grid))
    return others


def _relevance(
    pair: Pair, score_a: FrameScore, sharp_b: FloatMap, luma_b: FloatMap, others: FloatMap | None
) -> FloatMap:
    if others is not None:
        return focus_relevance(score_a.sharp, sharp_b, others)
    if pair.relation == "exposure":
        return exposure_relevance(score_a.luma, luma_b)
    return np.isfinite(luma_b).astype(np.float32)


def _with_crops(
    measured: list[PairMeasure],
    scores: Mapping[str, FrameScore],
    planes: PlaneSource,
    settings: AssessSettings,
) -> list[PairMeasure]:
    """Cut the worst place of the worst pair, when there is anything to see: the only second decode."""
    known = [m for m in measured if m.sway_max_px is not None and m.field is not None]
    if not known:
        return measured
    worst = max(known, key=lambda m: m.sway_max_px or 0.0)
    if (worst.sway_max_px or 0.0) < settings.crops_from_px:
        return measured
    cut = cut_crops(worst, scores, planes, settings)
    return [cut if m is worst else m for m in measured]


@dataclass(frozen=True, slots=True)
class _SetSmear:
    """Worst smear on tiles the merge uses, full-resolution pixels, and in which frame.

    `held_px` is left if each tile is taken from its stillest frame, `moved_px` of that where something was seen to
    move between the frames too.
    """

    worst_px: float | None = None
    frame: str | None = None
    held_px: float | None = None
    moved_px: float | None = None


def _smear(
    node: FrameSet,
    order: Sequence[str],
    mappings: Sequence[Matrix],
    scores: Mapping[str, FrameScore],
    measured: Sequence[PairMeasure],
    coverage: CoverageMeasure | None,
    settings: AssessSettings,
) -> _SetSmear:
    told = any((scores[name].smear_confidence >= SMEAR_CONFIDENCE).any() for name in order)
    if not (told or any(pair.smear_px is not None for pair in measured)):
        return _SetSmear()
    grid = scores[order[0]].grid
    picture_tiles = float(grid.rows * grid.cols)
    worst: tuple[float, str] | None = None
    held, held_moved = np.full((2, *grid.shape), np.inf, np.float32)
    seen = np.zeros(grid.shape, bool)
    looked = True
    chain = dict(zip(order, mappings, strict=True))
    for index, (name, matrix) in enumerate(zip(order, mappings, strict=True)):
        score = scores[name]
        moved, passing = _moved_beside(name, chain, scores, measured, settings)
        trusted = score.textured & (score.smear_confidence >= SMEAR_CONFIDENCE) & ~passing
        length = np.where(trusted, score.smear_px, 0).astype(np.float32)
        used: NDArray[np.bool_] = np.ones(score.grid.shape, bool)
        if node.kind == "stack" and coverage is not None:
            back = inverse(matrix) @ np.eye(3)
            chosen = (coverage.best == index).astype(np.float32)
            used = np.nan_to_num(to_grid_of_a(chosen, back, grid, score.grid)) >= 0.5
        peak = robust_maximum(length, trusted & used, picture_tiles)
        if peak is not None and (worst is None or peak > worst[0]):
            worst = (peak, name)
        looked &= score.frame_smear_px is not None
        shaken = bool(score.shake_px)  # then all of it moved
        a_subjects = shaken or not measured or (moved >= settings.smear_moved_share * length)
        carried = to_grid_of_a(np.where(used, length, np.inf).astype(np.float32), matrix, score.grid, grid)
        known = np.isfinite(carried)
        held = np.where(known, np.minimum(held, carried), held)
        subjects = np.where(used, np.where(a_subjects, length, 0), np.inf).astype(np.float32)
        carried = to_grid_of_a(subjects, matrix, score.grid, grid)
        held_moved = np.where(known, np.minimum(held_moved, carried), held_moved)
        seen |= known
    for pair in measured:
        # Against a crisper frame of the view: that frame holds it better, so nothing is added to what is left.
        for name, relative in ((pair.frame_a, pair.smear_a_px), (pair.frame_b, pair.smear_b_px)):
            if relative is not None and (worst is None or relative > worst[0]):
                worst = (relative, name)
    if worst is None or not (worst[0] > 0 or (looked and _movers_told(measured, scores, settings))):
        return _SetSmear()
    left, left_moved = (
        robust_maximum(np.where(seen, each, 0).astype(np.float32), seen, picture_tiles) for each in (held, held_moved)
    )
    return _SetSmear(*worst, left, left_moved)


def _moved_beside(
    name: str,
    chain: Mapping[str, Matrix],
    scores: Mapping[str, FrameScore],
    measured: Sequence[PairMeasure],
    settings: AssessSettings,
) -> tuple[FloatMap, NDArray[np.bool_]]:
    """How far things within two tiles of each tile of a frame moved between it and others, and where sky passed."""
    own = scores[name].grid
    moved, passing = np.zeros((2, *own.shape), np.float32)
    for pair in measured:
        if pair.field is None or name not in (pair.frame_a, pair.frame_b):
            continue
        sure = pair.field.confidence >= settings.measured_confidence
        maps = [moved_beside(np.hypot(pair.field.sway_x_px, pair.field.sway_y_px), sure)]
        maps.append(np.zeros_like(maps[0]) if pair.field.passing_px is None else pair.field.passing_px)
        if name != pair.frame_a:
            if pair.frame_a not in chain or name not in chain:
                continue
            to_own = inverse(chain[name]) @ chain[pair.frame_a]
            maps = [np.nan_to_num(to_grid_of_a(each, to_own, scores[pair.frame_a].grid, own)) for each in maps]
        moved, passing = np.maximum(moved, maps[0]), np.maximum(passing, maps[1])
    return moved, passing > 0


def _movers_told(
    measured: Sequence[PairMeasure], scores: Mapping[str, FrameScore], settings: AssessSettings
) -> bool:
    """Whether smear or its absence is known on most of what moved: a still background says nothing of blooms."""
    movers = told = 0
    for pair in measured:
        if pair.field is None:
            continue
        field, score = pair.field, scores[pair.frame_a]
        moved = counted_tiles(field, settings) & (np.hypot(field.sway_x_px, field.sway_y_px) > settings.tolerance_px)
        movers += int(moved.sum())
        told += int((moved & (score.smear_confidence >= SMEAR_CONFIDENCE)).sum())
    return 2 * told >= movers


def _step(
    order: Sequence[str], frames: Mapping[str, Frame], scores: Mapping[str, FrameScore]
) -> float | None:
    """Median step between neighbouring exposures, EV; only from written settings."""
    levels = [level_ev(frames[n], None) for n in order]
    if len(levels) < 2 or any(level is None for level in levels):
        return None
    return float(np.median(np.abs(np.diff(np.array(levels, np.float64)))))


