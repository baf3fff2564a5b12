"""How much of the picture the set serves somewhere: sharp, well exposed, or overlapped; and what it leaves out."""

from __future__ import annotations

import math
from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from windstill.assess.defocus import FocusPlace, place_in_focus
from windstill.assess.geometry import Matrix
from windstill.assess.grain import noise_gradient
from windstill.assess.places import place_of
from windstill.assess.relevance import smoothed, to_grid_of_a
from windstill.optics.focus import depth_of_field, focus_count, focus_positions
from windstill.records import (
    CoverageGap,
    CoverageMeasure,
    FloatMap,
    Frame,
    FrameScore,
    FrameSet,
    PairMeasure,
)
from windstill.records.measures import GapKind
from windstill.settings import AssessSettings

_MOST_ADDED = 6  # focus positions beyond this are another stack: then the end is named and no distances
_EXPOSED = 0.9  # share of a tile that must not be clipped


def coverage_of(
    node: FrameSet,
    frames: Sequence[Frame],
    scores: Sequence[FrameScore],
    to_first: Sequence[Matrix],
    pairs: Sequence[PairMeasure],
    levels_ev: Sequence[float | None],
    settings: AssessSettings,
) -> CoverageMeasure | None:
    """What the frames of one set cover together; ``None`` for kinds without such a measure.

    Parameters
    ----------
    node : FrameSet
    frames, scores : sequence
        In judging order, one per member.
    to_first : sequence of Matrix
        Full-resolution mapping of each frame to the first.
    pairs : sequence of PairMeasure
        The set's own pairs, for the seams of a panorama.
    levels_ev : sequence of float or None
        Recorded level of each frame from its written settings.
    """
    if len(scores) < 2:
        return None
    if node.kind == "stack":
        return stack_coverage(frames, scores, to_first, taken_order(node, frames), settings)
    if node.kind == "bracket":
        return bracket_coverage(scores, to_first, levels_ev, settings)
    if node.kind == "panorama":
        return panorama_coverage(scores, pairs, [f.name for f in frames], settings)
    return None


def taken_order(node: FrameSet, frames: Sequence[Frame]) -> list[int]:
    """1-based place of each frame in the order of capture: the numbers the photographer knows them by."""
    at = {name: i for i, name in enumerate(node.frames)}
    ranked = sorted(range(len(frames)), key=lambda k: at.get(frames[k].name, 0))
    return [ranked.index(k) + 1 for k in range(len(frames))]


def served_disc_px(score: FrameScore, settings: AssessSettings) -> float:
    """Blur disc up to which a point counts as sharp, full-resolution pixels."""
    return max(settings.served_disc_px, settings.served_disc_share * max(score.width_px, score.height_px))


def stack_coverage(
    frames: Sequence[Frame],
    scores: Sequence[FrameScore],
    to_first: Sequence[Matrix],
    numbers: Sequence[int],
    settings: AssessSettings,
) -> CoverageMeasure:
    """Share of the textured picture that is sharp in some frame.

    Parameters
    ----------
    frames, scores : sequence
        One per focus position, neighbours in focus next to each other.
    to_first : sequence of Matrix
        Full-resolution mapping of each frame to the first.
    numbers : sequence of int
        What to call the positions.

    Returns
    -------
    CoverageMeasure
        ``served`` is 1 up to the limit of sharpness and falls with the blur beyond it.

    Notes
    -----
    Every tile is placed on the scale of focus positions (`windstill.assess.defocus`), whose steps are known from the
    written distances or learnt from the pictures; a tile farther from every position than the blur allowed is a gap.
    """
    sharp, textured, fineness = _stacked(scores, to_first)
    best = sharp.argmax(axis=0).astype(np.int16)
    # Detail strong enough to be told sharp from soft; a background dissolved in blur has none left to miss.
    brightness = 255 * scores[0].luma + 8
    subject = textured.any(axis=0) & (sharp.max(axis=0) * brightness > settings.coverage_detail_steps)
    limit = served_disc_px(scores[0], settings)
    reduction = scores[0].reduction
    positions = focus_scale_px(frames, scores)
    found = place_in_focus(
        sharp, fineness, _noise_gradient(scores, to_first), subject, limit / reduction,
        [x / reduction for x in positions] if positions else None, 0.0 if positions else None,
        breathing_scale(frames, scores, to_first), settings.scale_unsure,
    )  # fmt: skip
    known = found is not None and found.written
    total = int(subject.sum())
    reached = None if found is None else found.reach_share > settings.reach_from_share
    if found is None or not found.ends_told:
        # How far out of focus things are cannot be told: neither that all is sharp, nor that something is not.
        served = subject.astype(np.float32)
        best[~subject] = -1
        return CoverageMeasure(scores[0].grid, best, served, None, (), np.zeros_like(subject), reached=reached)
    sure = settings.gap_from_share if known else settings.gap_from_share_unwritten
    uncovered = subject & (found.gap_share > sure)
    # One tile's blur is a noisy figure: a hole counts when its neighbours agree.
    hole = uncovered & (cv2.blur(uncovered.astype(np.float32), (3, 3)) > 0.5)
    served = np.where(subject, np.clip(2 - reduction * found.least_px / limit, 0, 1), 0).astype(np.float32)
    best[~subject | hole] = -1
    gaps = _focus_gaps(hole, total, found, frames, numbers, known, limit, scores[0], settings)
    told_pct, pct, alone = _shares(found, subject, 2 * limit / reduction, settings)
    perhaps = None
    if pct is not None and pct < settings.lost_coverage_pct and not _sure(found, subject, hole, settings):
        perhaps = 100 - pct
        pct, alone = None, ()
    return CoverageMeasure(
        scores[0].grid, best, served, pct, tuple(g.phrase for g in gaps), hole, gaps, reached, alone, told_pct, perhaps
    )


def _shares(
    found: FocusPlace, subject: NDArray[np.bool_], wide_px: float, settings: AssessSettings
) -> tuple[float | None, float | None, tuple[float, ...]]:
    """`told_pct`, `coverage_pct` and `alone_pct` of a stack.

    Shares expected, not those likelier than not: of many tiles each a little likelier sharp, some are not. Where noise
    hides much, what tells is what some frame holds sharp: its share would flatter, and is not said. Too little is said
    to be sharp only where that holds even if all that is hidden were.
    """
    told, total = subject & found.told, int(subject.sum())
    if not told.sum() >= settings.coverage_least_told * total > 0:
        return None, None, ()
    # In so wide a sweep what is sharp in one frame must fade in another: if it does not, noise hides it.
    told_pct = 100 * float(told.sum()) / total if np.ptp(found.positions_px) >= wide_px else None
    missed, of = float(found.gap_share[told].sum()), float(told.sum())
    if told_pct is not None and told_pct < settings.coverage_told_pct:
        if missed < (1 - settings.lost_coverage_pct / 100) * total:
            return told_pct, None, ()
        of = float(total)
    return told_pct, 100 * (1 - missed / of), tuple(100 * float(share[told].sum()) / of for share in found.reach_share)


def _sure(
    found: FocusPlace, subject: NDArray[np.bool_], hole: NDArray[np.bool_], settings: AssessSettings
) -> bool:
    """Whether as much is missed as calls a stack lost: enough in `hole`, the gaps that are sure, on any likely scale.

    Many tiles of which little is known add up to a share that nobody can find in the picture.
    """
    told = subject & found.told
    if (hole & told).sum() < settings.gap_sure_share * float(found.gap_share[told].sum()):
        return False
    # Nor may all hang on a scale that is learnt from the pictures: discs a little over the limit, or a little under.
    missed = float(found.wide_gap_share[told].sum()) / max(int(told.sum()), 1)
    return 100 * (1 - missed) < settings.lost_coverage_pct


def _alone_pct(held: NDArray[np.bool_], covered: NDArray[np.bool_], total: int) -> tuple[float, ...]:
    """What each frame covers by itself of what all of them cover, percent of the tiles counted."""
    return tuple(100 * float((own & covered).sum()) / total for own in held) if total else ()


def _noise_gradient(scores: Sequence[FrameScore], to_first: Sequence[Matrix]) -> NDArray[np.float32]:
    """What noise and rounding alone would add to each frame's sharpness, on the first frame's tiles."""
    grid = scores[0].grid
    found = []
    for score, matrix in zip(scores, to_first, strict=True):
        luma = np.nan_to_num(to_grid_of_a(score.luma, matrix, score.grid, grid))
        noise = np.nan_to_num(to_grid_of_a(score.noise, matrix, score.grid, grid))
        found.append(noise_gradient(luma, noise))
    return np.stack(found)


def pitch_mm(frame: Frame, score: FrameScore) -> float | None:
    """Distance from pixel to pixel of the full picture, millimetres; ``None`` if the file does not tell."""
    camera = frame.camera
    if camera.pixel_pitch_um:
        return camera.pixel_pitch_um / 1000
    if camera.focal_35mm_mm and camera.focal_mm:
        return 36 * camera.focal_mm / camera.focal_35mm_mm / max(score.width_px, score.height_px)
    return None


def focus_scale_px(frames: Sequence[Frame], scores: Sequence[FrameScore]) -> list[float] | None:
    """Place of each frame on the scale of blur, full-resolution pixels: f^2 / (N s) over the pitch; 0 at infinity.

    The difference of two places is the disc that a point in focus in one frame has in the other (thin lens, distances
    much larger than the focal length). ``None`` where lens, aperture or a distance is unknown, or where the camera
    wrote one distance for all.
    """
    places = []
    for frame, score in zip(frames, scores, strict=True):
        camera, pitch = frame.camera, pitch_mm(frame, score)
        if not camera.focal_mm or not camera.f_number or not camera.focus_m or not pitch:
            return None
        places.append(camera.focal_mm**2 / (camera.f_number * camera.focus_m * 1000) / pitch)
    return places if max(places) - min(places) > 1e-6 else None


def breathing_scale(
    frames: Sequence[Frame], scores: Sequence[FrameScore], to_first: Sequence[Matrix]
) -> list[float] | None:
    """Places of the frames relative to the first on the scale of blur, working pixels, from focus breathing.

    Notes
    -----
    A lens that focuses by its whole extension draws things larger by f / s when focused at s (thin lens, s much larger
    than f): times f / (N pitch), that is the place of `focus_scale_px`. ``None`` where lens or aperture is unknown.
    """
    camera, pitch = frames[0].camera, pitch_mm(frames[0], scores[0])
    if not camera.focal_mm or not camera.f_number or not pitch:
        return None
    unit = camera.focal_mm / (camera.f_number * pitch) / scores[0].reduction
    scales = [math.sqrt(abs(float(np.linalg.det(matrix[:2, :2])))) for matrix in to_first]
    return [unit * (1 - scale) for scale in scales]


def _focus_gaps(
    hole: NDArray[np.bool_],
    total: int,
    found: FocusPlace,
    frames: Sequence[Frame],
    numbers: Sequence[int],
    known: bool,
    limit_px: float,
    score: FrameScore,
    settings: AssessSettings,
) -> tuple[CoverageGap, ...]:
    """The holes by where they lie: before the first position, beyond the last, or between two."""
    order = np.argsort(found.positions_px, kind="stable")
    x = found.positions_px[order]
    # 0: below every position; len(x): above all; else between order[k - 1] and order[k].
    slot = np.searchsorted(x, np.nan_to_num(found.place, nan=float(x[0])))
    gaps = []
    for k in range(len(x) + 1):
        here = hole & (slot == k)
        share = 100 * float(here.sum()) / max(total, 1)
        # Of a picture that is nearly plain a handful of tiles is a large share, and nobody would miss them.
        if share < settings.gap_least_pct or 100 * float(here.mean()) < settings.gap_least_picture_pct:
            continue
        low = int(order[k - 1]) if k > 0 else None
        high = int(order[k]) if k < len(x) else None
        gaps.append(_focus_gap(here, share, low, high, found, frames, numbers, known, limit_px, score))
    return tuple(sorted(gaps, key=lambda g: -g.share_pct))


def _focus_gap(
    here: NDArray[np.bool_],
    share: float,
    low: int | None,
    high: int | None,
    found: FocusPlace,
    frames: Sequence[Frame],
    numbers: Sequence[int],
    known: bool,
    limit_px: float,
    score: FrameScore,
) -> CoverageGap:
    """One gap; `low` and `high` are the positions on both sides of it, on the known scale the far and the near one."""
    near_m = far_m = None
    if known:
        # The gap begins where the nearer position ends and ends where the farther one begins.
        near_m = _reach_m(frames[high], score, limit_px, far=True) if high is not None else None
        far_m = _reach_m(frames[low], score, limit_px) if low is not None else math.inf
    where = f"mostly {place_of(here)}"
    what: GapKind
    if known and near_m is None and low is not None:
        near_m = _distance_m(frames[low], score, float(np.percentile(found.place[here], 95)))
    add = _closing_m(frames[low if low is not None else high or 0], score, limit_px, near_m, far_m)
    if low is not None and high is not None:
        a, b = sorted((numbers[low], numbers[high]))
        metres = f", {_metres(near_m)} to {_metres(far_m)}," if near_m and far_m and near_m < far_m else ""
        return CoverageGap(
            "between", f"{share:.0f} % between focus {a} and {b}{metres} sharp in no frame, {where}", min(low, high),
            max(low, high), share, near_m, far_m, add_focus_m=add,
        )  # fmt: skip
    end = high if low is None else low
    assert end is not None
    if known:
        what = "far" if low is None else "near"
        reach = f"beyond {_metres(near_m)}" if what == "far" else f"nearer than {_metres(far_m)}"
    else:
        what = "before" if numbers[end] == min(numbers) else "after"
        reach = f"{'before the first' if what == 'before' else 'beyond the last'} focus position"
    phrase = f"{share:.0f} % {reach} sharp in no frame, {where}"
    return CoverageGap(what, phrase, end, None, share, near_m, far_m, add_focus_m=add)


def _reach_m(frame: Frame, score: FrameScore, limit_px: float, far: bool = False) -> float | None:
    """Nearest or farthest distance that a frame holds within the limit."""
    camera, pitch = frame.camera, pitch_mm(frame, score)
    if not camera.focal_mm or not camera.f_number or not camera.focus_m or not pitch:
        return None
    try:
        depth = depth_of_field(camera.focal_mm, camera.f_number, limit_px * pitch, camera.focus_m)
    except ValueError:
        return None
    return depth.far_m if far else depth.near_m


def _distance_m(frame: Frame, score: FrameScore, place_px: float) -> float | None:
    """Distance of a place on the scale of `focus_scale_px` (working pixels)."""
    camera, pitch = frame.camera, pitch_mm(frame, score)
    if not camera.focal_mm or not camera.f_number or not pitch or place_px <= 0:
        return None
    return camera.focal_mm**2 / (camera.f_number * place_px * score.reduction * pitch * 1000)


def _closing_m(
    frame: Frame, score: FrameScore, limit_px: float, near_m: float | None, far_m: float | None
) -> tuple[float, ...]:
    """Focus distances that would close a gap between two distances; none where they are not known."""
    camera, pitch = frame.camera, pitch_mm(frame, score)
    if not near_m or not far_m or near_m >= far_m or not camera.focal_mm or not camera.f_number or not pitch:
        return ()
    try:
        count = focus_count(camera.focal_mm, camera.f_number, limit_px * pitch, near_m, far_m)
        return focus_positions(near_m, far_m, count) if count <= _MOST_ADDED else ()
    except ValueError:
        return ()


def _metres(distance: float | None) -> str:
    if distance is None:
        return "the nearest focus"
    if math.isinf(distance):
        return "infinity"
    return f"{distance:.2f} m" if distance < 1 else f"{distance:.1f} m" if distance < 10 else f"{distance:.0f} m"


def bracket_coverage(
    scores: Sequence[FrameScore],
    to_first: Sequence[Matrix],
    levels_ev: Sequence[float | None],
    settings: AssessSettings,
) -> CoverageMeasure:
    """Share of the textured picture that some frame exposes well: neither clipped nor drowned in noise.

    Notes
    -----
    What is clipped or drowned in every frame shows no texture and counts as if it had some, except where it reaches
    from the upper border over the upper half, by itself or through what is plain: that is taken for sky, named as a gap
    and left out of the share. A tile that no frame exposes well counts by its pixels that are clipped in the frame
    which clips fewest of them: petals with glints are not lost with the glints.
    """
    grid = scores[0].grid
    quality, missed, high, low, textured = [], [], [], [], []
    for score, matrix in zip(scores, to_first, strict=True):
        clipped_high = to_grid_of_a(score.clipped_high, matrix, score.grid, grid)
        clipped_low = to_grid_of_a(score.clipped_low, matrix, score.grid, grid)
        luma = to_grid_of_a(score.luma, matrix, score.grid, grid)
        noise = to_grid_of_a(score.noise, matrix, score.grid, grid)
        drowned = 255 * luma < settings.drowned_times_noise * noise
        clipped = np.where(drowned, 1, np.clip(np.nan_to_num(clipped_high + clipped_low, nan=1.0), 0, 1))
        missed.append(clipped)
        quality.append(np.where(clipped < 1 - _EXPOSED, 1 - np.abs(luma - 0.5), 0))
        high.append(np.nan_to_num(clipped_high, nan=1.0))
        low.append(np.maximum(np.nan_to_num(clipped_low, nan=1.0), drowned))
        there: FloatMap = to_grid_of_a(score.textured.astype(np.float32), matrix, score.grid, grid)
        textured.append(np.nan_to_num(there) >= 0.5)
    stacked = np.nan_to_num(np.stack(quality)).astype(np.float32)
    best = stacked.argmax(axis=0).astype(np.int16)
    served = stacked.max(axis=0)
    hole = served <= 0
    best[hole] = -1
    detailed = np.any(textured, axis=0)
    sky = _sky_of(hole, ~detailed)
    counted = (detailed | hole) & ~sky
    total = int(counted.sum())
    lost = np.where(hole, np.min(missed, axis=0), 0)
    pct = 100 * (1 - float(lost[counted].sum()) / total) if total else None
    gaps = []
    kinds: tuple[tuple[GapKind, NDArray[np.float32], str], ...] = (
        ("bright", np.min(high, axis=0), "clipped in every frame"),
        ("dark", np.min(low, axis=0), "lost in the dark in every frame"),
    )
    for what, least, words in kinds:
        here = hole & (least > 1 - _EXPOSED)
        share = 100 * float(np.where(here, least, 0).mean())
        if share >= settings.gap_least_pct:
            phrase = f"{share:.0f} % {words}, mostly {place_of(here)}"
            gaps.append(CoverageGap(what, phrase, 0 if what == "bright" else len(scores) - 1, None, share))
    gaps += _missing_steps(levels_ev, settings)
    alone = _alone_pct(stacked > 0, counted & ~hole, total)
    phrases = tuple(g.phrase for g in gaps)
    return CoverageMeasure(grid, best, served, pct, phrases, hole, tuple(gaps), None, alone, sky=sky)


def _sky_of(hole: NDArray[np.bool_], plain: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Holes that reach from the upper border, through what is plain, over the upper half of the picture."""
    _, labels = cv2.connectedComponents(hole.astype(np.uint8), connectivity=4)
    bare = hole | plain
    _, joined = cv2.connectedComponents(bare.astype(np.uint8), connectivity=4)
    from_above = bare & np.isin(joined, joined[0][bare[0]])
    sky = np.zeros(hole.shape, bool)
    for label in np.unique(labels[hole & from_above]):
        region = labels == label
        if float(np.mean(np.nonzero(region)[0])) < 0.5 * hole.shape[0] and not hole.all():
            sky |= region
    return sky


def _missing_steps(levels_ev: Sequence[float | None], settings: AssessSettings) -> list[CoverageGap]:
    """Steps much wider than the others of the bracket: a frame is missing there."""
    levels = [v for v in levels_ev if v is not None]
    if len(levels) != len(levels_ev) or len(levels) < 3:
        return []
    steps = np.abs(np.diff(levels))
    gaps = []
    for i, step in enumerate(steps):
        # Against the others: of two steps the wide one would itself be half of the median.
        usual = float(np.median(np.delete(steps, i)))
        if usual > 0.1 and step > settings.missing_step_times * usual and step > settings.missing_step_least_ev:
            phrase = f"a step of {step:.1f} EV where the others are {usual:.1f} EV: a frame is missing"
            gaps.append(CoverageGap("step", phrase, i, i + 1, step_ev=float(step)))
    return gaps


def panorama_coverage(
    scores: Sequence[FrameScore], pairs: Sequence[PairMeasure], names: Sequence[str], settings: AssessSettings
) -> CoverageMeasure:
    """Share of seams that overlap enough, and what is wrong with the others, with tilt and drift of the row."""
    grid = scores[0].grid
    gaps = []
    bad = 0
    # A seam that could not be lined up is unknown, not missing: the pair's own outlook says so.
    joined = sum(not pair.mapping.failed for pair in pairs)
    for i, pair in enumerate(pairs):
        between = f"views {i + 1} and {i + 2}"
        at = names.index(pair.frame_a) if pair.frame_a in names else i
        if pair.mapping.failed or pair.overlap_pct is None:
            gaps.append(CoverageGap("seam", f"{between} do not join", at, at + 1))
            bad += not pair.mapping.failed
            continue
        if pair.overlap_pct < settings.least_overlap_pct:
            phrase = f"{between} overlap by only {pair.overlap_pct:.0f} %"
            gaps.append(CoverageGap("seam", phrase, at, at + 1, overlap_pct=pair.overlap_pct))
        elif (detail := _seam_detail_pct(pair)) < settings.seam_detail_pct:
            phrase = f"the overlap of {between} has detail on only {detail:.0f} % of it"
            gaps.append(CoverageGap("seam", phrase, at, at + 1, overlap_pct=pair.overlap_pct))
        else:
            continue
        bad += 1
    gaps += _drift(pairs, scores[0], settings)
    pct = 100 * (1 - bad / joined) if joined else None
    best, served = np.zeros(grid.shape, np.int16), np.ones(grid.shape, np.float32)
    return CoverageMeasure(grid, best, served, pct, tuple(g.phrase for g in gaps), None, tuple(gaps))


def _seam_detail_pct(pair: PairMeasure) -> float:
    """Percent of a seam's overlap that has any detail."""
    if pair.relevant_pct is None or pair.textured_relevant_pct is None or pair.relevant_pct <= 0:
        return 100.0
    return 100 * pair.textured_relevant_pct / pair.relevant_pct


def _drift(pairs: Sequence[PairMeasure], score: FrameScore, settings: AssessSettings) -> list[CoverageGap]:
    """Views that climb or sink from one to the next, and neighbours turned against each other.

    Only single rows: where views also go up, climbing is meant.
    """
    steps = [(p.mapping.shift_x_px, p.mapping.shift_y_px) for p in pairs if not p.mapping.failed]
    if len(steps) != len(pairs) or not steps:
        return []
    along = np.abs(np.array(steps, np.float64))
    upright = along[:, 1].sum() > along[:, 0].sum()  # a column of views: drift is sideways
    across = [s[0] if upright else s[1] for s in steps]
    if any(along[i, 0 if upright else 1] > along[i, 1 if upright else 0] for i in range(len(steps))):
        return []
    side, what = (score.width_px, "width") if upright else (score.height_px, "height")
    heights = np.concatenate([[0.0], np.cumsum(across)])
    share = 100 * float(heights.max() - heights.min()) / max(side, 1)
    gaps = []
    if share > settings.drift_pct:
        gaps.append(CoverageGap("drift", f"the row of views drifts by {share:.0f} % of the picture's {what}", 0))
    tilts = [abs(p.mapping.rotation_deg) for p in pairs]
    if max(tilts) > settings.tilt_deg:
        i = int(np.argmax(tilts))
        phrase = f"views {i + 1} and {i + 2} are turned by {tilts[i]:.1f} degrees against each other"
        gaps.append(CoverageGap("drift", phrase, i, i + 1))
    return gaps


def _stacked(
    scores: Sequence[FrameScore], to_first: Sequence[Matrix]
) -> tuple[NDArray[np.float32], NDArray[np.bool_], NDArray[np.float32]]:
    """Sharpness, texture and fineness of every frame on the first frame's tiles."""
    grid = scores[0].grid
    sharp, textured, fineness = [], [], []
    for score, matrix in zip(scores, to_first, strict=True):
        sharp.append(smoothed(to_grid_of_a(score.sharp, matrix, score.grid, grid)))
        there: FloatMap = to_grid_of_a(score.textured.astype(np.float32), matrix, score.grid, grid)
        textured.append(np.nan_to_num(there) >= 0.5)
        fineness.append(smoothed(to_grid_of_a(score.fineness, matrix, score.grid, grid)))
    return np.stack(sharp), np.stack(textured), np.stack(fineness)
