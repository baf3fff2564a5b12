"""The camera's own shift between two frames, found on what held still."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any, NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray

from windstill.assess.fitting import (
    FIRST_SPREAD_PX,
    ROUNDS,
    TRUSTED,
    TRUSTED_REACH,
    reweigh,
    reweighted_similarity,
    weights,
)
from windstill.assess.geometry import (
    Matrix,
    apart,
    apply,
    apply_with_jacobian,
    at_reduction,
    centre_of,
    inside,
    inverse,
    lattice,
    overlap,
    similarity_from_matrix,
    similarity_matrix,
)
from windstill.assess.ground import Ground, ground_below
from windstill.assess.matching import DX, DY, RESIDUAL, ZNCC, refine_windows, tensor_axes
from windstill.assess.pyramid import Features, Plane, Pyramid, bring_to_a
from windstill.records import CameraMapping
from windstill.records.levels import BLACK, WHITE
from windstill.settings import AssessSettings

Points = NDArray[np.float64]

_COARSE_LONG_PX = 760
_VIEWS_LONG_PX = 1600  # up to this size of a level views are looked for that a coarser one could not lay together
_SMALLEST_PX = 16  # working pixels: two windows side by side
_HALF_WINDOW = 15
_SPACING_PX = 36  # at the coarse level: windows just overlap
_COARSE_REACH, _FINE_REACH = 6.0, 4.0  # pixels of the level that a window may be off its start
_POLISHED_PX = 1.0  # pixels of the level: a start this near needs no second round there, the finer levels follow
_POLISHED_SHARE = 0.8  # of the agreement before, that a polished fit must keep
_LAST_POLISHED_PX = 2.0  # the same where none follow, but a tenth of a pixel is all that is asked for
_STILL_PX = 0.5  # pixels of the level within which a window lies where it lay
_POLISHING_WINDOWS = 100  # a quarter of them lies in a usual overlap
_SURE_ERROR_PX = 0.15  # pixels of the level: edges, which slide along themselves unseen, are worse
_SAME_PX = 1.0  # pixels of the level: two mappings this near are one
_CLOSE_PX = 0.1  # pixels of a level: windows that fit more closely than this tell no more by it
_TOLD_TO_PX = 0.1  # pixels of a level to which some eighty windows tell a mapping, wherever in the picture
_MANY = 1 << 20  # windows: no limit
_NONE = np.empty((0, 2))


@dataclass(frozen=True, slots=True, eq=False)
class _Fit:
    matrix: Matrix
    residual_px: float  # full resolution, robust
    inliers: int
    share: float  # of the windows that could be compared
    places: Points  # of the inliers, and what the mapping leaves there: both full resolution
    left: Points
    matched: tuple[Points, Points]  # places in a and in b of all windows found again: full resolution
    rest: _Matched | None = None  # what the windows of the coarsest level say of a camera that stood still

    @property
    def agreement(self) -> float:
        """How many windows agree, and how few do not: what tells the better of two fits of one start."""
        return self.inliers * self.share

    def agreement_within(self, spread_px: float) -> float:
        """The same of the windows that would agree with a fit which leaves about `spread_px`, full resolution."""
        near = np.hypot(*self.left.T) < TRUSTED_REACH * spread_px
        return self.agreement * float(near.mean()) ** 2


class Aligned(NamedTuple):
    """Two frames lined up, or not.

    `b_to_a` is the full-resolution mapping that was found (identity on failure), which `mapping` tells as figures;
    `in_a` and `in_b`, shape (n, 2), are places that both show, whether or not the mapping lays them together.
    """

    mapping: CameraMapping
    b_to_a: Matrix
    in_a: Points = _NONE
    in_b: Points = _NONE


def align_pair(
    a: Pyramid,
    b: Pyramid,
    size_a: tuple[int, int],
    size_b: tuple[int, int],
    views: bool,
    settings: AssessSettings,
    supposed: Matrix | None = None,
) -> Aligned:
    """Find the camera mapping of a pair.

    Parameters
    ----------
    a, b : Pyramid
        Working planes.
    size_a, size_b : (int, int)
        Full-resolution width and height.
    views : bool
        The frames show overlapping views: a homography is wanted.
    supposed : Matrix, optional
        The mapping as other pairs of the set let it be expected: tried first.

    Returns
    -------
    Aligned
        Its mapping with ``failed`` and a reason when too little agrees. Where a tilt of the camera shows, `b_to_a` is a
        homography even for frames of one view, and the mapping holds it too.

    Notes
    -----
    Phase correlation (or, where it finds nothing, matched features) gives a start; windows spread over the picture
    are then matched at rising resolution and a similarity or homography fitted to the largest group that agrees, so
    that moving subjects, as long as they do not move together over most of the picture, do not pull at it.
    """
    if min(*a.levels[0].shape, *b.levels[0].shape) < _SMALLEST_PX:
        return Aligned(_failure("the pictures are too small to be lined up"), np.eye(3))
    if not views and size_a != size_b:
        return Aligned(_failure("the frames differ in size"), np.eye(3))
    level = min(a.level_with_long_side(_COARSE_LONG_PX), len(b.levels) - 1)
    if a.level_reduction(level) != b.level_reduction(level):
        return Aligned(_failure("the frames differ in resolution"), np.eye(3))
    points = _windows(a, level, _SPACING_PX, settings.align_max_windows)
    unclipped_in: Pyramid | None = None
    fit = _coarse(a, b, level, points, views, size_a, supposed, settings)
    while views and level > 0 and not _enough(fit, settings) and max(a.levels[level - 1].shape) <= _VIEWS_LONG_PX:
        # A narrow overlap holds few windows of a coarse level: what those say for the best is tried on a finer one.
        level -= 1
        supposed = supposed if fit is None else fit.matrix
        fit = _coarse(a, b, level, _windows(a, level, _SPACING_PX, _MANY), views, size_a, supposed, settings)
    while not views and level > 0 and not _enough(fit, settings):
        # So does the little that an exposure leaves unclipped. Near rest alone, and only where nearly all of them say
        # so: of many windows, a part agrees by chance.
        level, unclipped_in = level - 1, b
        points = _windows(a, level, _SPACING_PX, _MANY, unclipped_in)
        trial = _fit_level(a, b, level, np.eye(3), points, views, size_a, settings)
        fit = trial if trial is not None and trial.share >= settings.align_sure_share else fit
    if fit is None or not _enough(fit, settings):
        return Aligned(_failure("too little detail agrees between the frames"), np.eye(3))
    held = False
    ground: Ground | None = None
    for current in range(level, -1, -1):
        if current < level:
            if _is_enough(a.level_reduction(current + 1), settings):
                break
            # Windows keep their size in pixels, so each halving sharpens the fit fourfold in area.
            shared = a.levels[current].size * (overlap(fit.matrix, size_a, size_b) if views else 1.0)
            spacing = max(_SPACING_PX, int(np.sqrt(shared / settings.align_max_windows)))
            points = _windows(a, current, spacing, _MANY if views else settings.align_max_windows, unclipped_in)
            if ground is not None:
                points = points[ground.holds(points * a.level_reduction(current))]
            refined = _fit_level(a, b, current, fit.matrix, points, views, size_a, settings, _FINE_REACH, held)
            if refined is None or refined.inliers < settings.align_min_windows:
                continue
            fit = refined
        if not views and ground is None and (ground := ground_below(a, current, fit.matrix, *fit.matched)) is not None:
            points = points[ground.holds(points * a.level_reduction(current))]
            start = ground.b_to_a
            for _ in range(2):  # ground at the end of the windows' reach is farther off than it seems
                refined = _fit_level(a, b, current, start, points, views, size_a, settings, _FINE_REACH)
                fit, start = (fit, start) if refined is None else (refined, refined.matrix)
        if not (views or held) and (still := _at_rest(a, b, current, points, fit, settings)) is not None:
            fit, held = still, True
    limit = settings.align_max_residual_px * max(1.0, max(size_a) / 3000)
    systematic = _systematic(fit)
    # Frames of one view may hold windows far out of focus that scatter, each for itself, or near things that shift
    # against far ones: the mapping most agree on is what a merge would go by, and what it leaves is measured. Views are
    # alike in focus where they overlap: what does not fit closely shifted, or the mapping is wrong.
    if fit.residual_px > settings.align_failed_times * limit:
        return Aligned(loose_mapping(fit.residual_px), np.eye(3), *fit.matched)
    scale, rotation, shift_x, shift_y = _nearest_similarity(fit.matrix, size_a, size_b)
    projective = views or abs(fit.matrix[2, 0]) + abs(fit.matrix[2, 1]) > 0
    return Aligned(
        CameraMapping(
            shift_x_px=shift_x,
            shift_y_px=shift_y,
            scale=scale,
            rotation_deg=rotation,
            homography=tuple(float(v) for v in (fit.matrix / fit.matrix[2, 2]).ravel()) if projective else None,
            residual_px=fit.residual_px,
            systematic_px=systematic,
            sideways=fit.residual_px > limit and (views or systematic > limit / 2),
        ),
        fit.matrix,
        *fit.matched,
    )


def _is_enough(reduction: int, settings: AssessSettings) -> bool:
    """Whether a level of that reduction tells the mapping as well as is asked for."""
    return _TOLD_TO_PX * reduction <= settings.align_enough_px


def _nearest_similarity(
    b_to_a: Matrix, size_a: tuple[int, int], size_b: tuple[int, int]
) -> tuple[float, float, float, float]:
    """The similarity that comes nearest to a mapping over what both pictures show."""
    in_b = lattice(size_b)
    in_a = apply(b_to_a, in_b)
    shared = inside(in_a, size_a)
    if shared.sum() < 3:
        return similarity_from_matrix(b_to_a, centre_of(*size_a))
    centre = centre_of(*size_a)
    fitted = _solve_similarity(in_b[shared], in_a[shared], np.ones(int(shared.sum())), centre)
    return similarity_from_matrix(fitted, centre)


def loose_mapping(residual_px: float) -> CameraMapping:
    """A failed mapping, as still things were left so many full-resolution pixels apart by the best there is."""
    return _failure(f"what stood still lines up to {residual_px:.1f} px only, as when the camera moves sideways")


def _failure(reason: str) -> CameraMapping:
    return CameraMapping(failed=True, reason=reason)


def normalised(plane: Plane, low: int = 3, high: int = 252) -> NDArray[np.float32]:
    """Local contrast without local brightness: what two exposures of one view have in common.

    Clipped pixels become 0, the value of plain surfaces.
    """
    image = plane.astype(np.float32)
    mean = cv2.GaussianBlur(image, (0, 0), 6)
    deviation = image - mean
    spread = np.sqrt(cv2.GaussianBlur(deviation * deviation, (0, 0), 12)) + 1.5
    local: NDArray[np.float32] = np.clip(deviation / spread, -3, 3)
    local[(plane <= low) | (plane >= high)] = 0
    return local


def _coarse(
    a: Pyramid,
    b: Pyramid,
    level: int,
    points: Points,
    views: bool,
    size_a: tuple[int, int],
    supposed: Matrix | None,
    settings: AssessSettings,
) -> _Fit | None:
    """The best of some starts, from cheap to dear: the first that most windows confirm, or that two starts lead to."""
    reduction = a.level_reduction(level)
    best: _Fit | None = None
    rest: _Matched | None = None
    last = _is_enough(reduction, settings)
    # Where no finer level follows, a start is polished until it is right: by some of the windows first, by all at last.
    some = points[:: max(len(points) // _POLISHING_WINDOWS, 1)] if last else points

    def consider(start: Matrix) -> bool:
        nonlocal best, rest
        if not _invertible(start):
            return False  # features that agree by chance may squeeze the picture to a line
        used = some
        fit = _fit_level(a, b, level, start, used, views, size_a, settings)
        if fit is None and len(used) < len(points):
            used = points
            fit = _fit_level(a, b, level, start, used, views, size_a, settings)
        if fit is None:
            return False
        rest = rest or fit.rest
        for _ in range(3 if last else 1):
            if last:
                # Where they share windows: of a narrow overlap the far corners say nothing.
                near = _furthest(fit, start) <= _LAST_POLISHED_PX * reduction
            else:
                near = apart(fit.matrix, start, size_a) <= _POLISHED_PX * reduction
            if near:
                break
            again = _fit_level(a, b, level, fit.matrix, used, views, size_a, settings)
            # From a few windows a homography may slide away from where it was right.
            if again is None or again.agreement < _POLISHED_SHARE * fit.agreement:
                break
            start, fit = fit.matrix, again
        if len(used) < len(points):
            fit = _fit_level(a, b, level, fit.matrix, points, views, size_a, settings) or fit
        confirmed = best is not None and apart(fit.matrix, best.matrix, size_a) < _SAME_PX * reduction
        # By chance a tenth or a fifth agree with anything; where more overlaps, that is more windows. And a fit that
        # leaves more reaches further: what both agree with is counted as the closer one's windows are.
        if best is None or _agrees_more(fit, best, _CLOSE_PX * reduction):
            best = fit
        needed = settings.align_sure_share * (0.5 if confirmed else 1.0)
        least = settings.align_min_windows * (2 if confirmed and settings.align_quick_features_px else 3)
        return best.share >= needed and best.inliers >= least

    def found() -> _Fit | None:
        return None if best is None else replace(best, rest=rest)

    if len(points) < settings.align_min_windows:
        return None
    if supposed is not None and consider(supposed):
        return found()
    if not views and consider(np.eye(3)):
        return found()
    for start in _starts(a, b, level, views, settings):
        # Of views a shift alone says little: whether or not it leads somewhere, features are asked too.
        if consider(start.matrix) and not (views and start.shift_only):
            break
    return found()


def _furthest(fit: _Fit, start: Matrix) -> float:
    """How far a fit lies from another mapping at the windows that were found again, full-resolution pixels."""
    _, in_b = fit.matched
    return float(np.hypot(*(apply(fit.matrix, in_b) - apply(start, in_b)).T).max())


@dataclass(frozen=True, slots=True, eq=False)
class _Start:
    matrix: Matrix
    shift_only: bool = False


def _starts(a: Pyramid, b: Pyramid, level: int, views: bool, settings: AssessSettings) -> Iterator[_Start]:
    """Mappings to try, from cheap to dear, each looked for only when those before did not do."""
    for coarser in range(level, min(len(a.levels), len(b.levels))):
        if settings.align_quick_features_px / 2 < max(a.levels[coarser].shape) <= settings.align_quick_features_px:
            yield from map(_Start, _feature_starts(a, b, coarser, views, quick=True))
    reduction = a.level_reduction(level)
    norm_a, norm_b = _normalised(a, level), _normalised(b, level)
    if norm_a.shape == norm_b.shape:
        window = cv2.createHanningWindow(norm_a.shape[::-1], cv2.CV_32F)
        # Copies: of a size that suits the transform, OpenCV lays the window over what it is given.
        (sx, sy), _ = cv2.phaseCorrelate(norm_b.copy(), norm_a.copy(), window)
        shift = np.eye(3)
        shift[:2, 2] = sx * reduction, sy * reduction
        yield _Start(shift, shift_only=True)
    if views or not settings.align_quick_features_px:
        yield from map(_Start, _feature_starts(a, b, level, views))


def _enough(fit: _Fit | None, settings: AssessSettings) -> bool:
    """Whether as many windows agree as chance does not bring together."""
    return fit is not None and fit.inliers >= settings.align_min_windows and fit.share >= settings.align_min_share


def _agrees_more(fit: _Fit, than: _Fit, close_px: float) -> bool:
    """Whether more windows agree with a fit than with another, by the measure of the closer one."""
    spread = max(min(fit.residual_px, than.residual_px), close_px)
    return fit.agreement_within(spread) > than.agreement_within(spread)


def _feature_starts(a: Pyramid, b: Pyramid, level: int, views: bool, quick: bool = False) -> list[Matrix]:
    """Mappings that matched features agree on: of a kind that tells more of a place, or takes a tenth of the time."""
    reduction = a.level_reduction(level)
    (at_a, desc_a), (at_b, desc_b) = (_features(pyramid, level, quick) for pyramid in (a, b))
    if desc_a is None or desc_b is None or len(at_a) < 8 or len(at_b) < 8:
        return []
    if quick:
        matches = cv2.BFMatcher(cv2.NORM_HAMMING).knnMatch(desc_b, desc_a, k=2)
        nearest = np.array([first.trainIdx for first, _ in matches])
        first_off, second_off = np.array([[match.distance for match in pair] for pair in matches]).T
    else:
        nearest, first_off, second_off = _nearest_two(desc_b, desc_a)
    good = first_off < 0.8 * second_off
    if good.sum() < 8:
        return []
    src, dst = at_b[good], at_a[nearest[good]]
    starts: list[Matrix] = []
    cv2.setRNGSeed(1)
    if views:
        found, inliers = cv2.findHomography(src, dst, cv2.RANSAC, 3.0, maxIters=4000)
        if found is not None and inliers.sum() >= 10:
            starts.append(at_reduction(found.astype(np.float64), 1 / reduction))
    found, inliers = cv2.estimateAffinePartial2D(src, dst, ransacReprojThreshold=3.0, maxIters=4000)
    if found is not None and inliers.sum() >= 8:
        matrix = np.vstack([found, [0, 0, 1]]).astype(np.float64)
        starts.append(at_reduction(matrix, 1 / reduction))
    return starts


def _nearest_two(
    of: NDArray[np.uint8], among: NDArray[np.uint8]
) -> tuple[NDArray[np.intp], NDArray[np.float64], NDArray[np.float64]]:
    """For each descriptor the index of the nearest among others, how far off it is, and how far the next.

    By products of matrices, a quarter of the time of a matcher: sums of some hundred whole numbers up to 255 are exact
    in single precision.
    """
    p, q = of.astype(np.float32), among.astype(np.float32)
    square = p @ q.T
    square *= -2
    square += (q * q).sum(axis=1)
    square += (p * p).sum(axis=1)[:, None]
    every = np.arange(len(p))
    nearest = square.argmin(axis=1)
    first = np.sqrt(square[every, nearest], dtype=np.float64)
    square[every, nearest] = np.inf
    return nearest, first, np.sqrt(square.min(axis=1), dtype=np.float64)


def _normalised(pyramid: Pyramid, level: int) -> NDArray[np.float32]:
    """`normalised` of a level; kept with it."""
    if level not in pyramid.normalised:
        pyramid.normalised[level] = normalised(pyramid.levels[level])
    return pyramid.normalised[level]


def _features(pyramid: Pyramid, level: int, quick: bool) -> Features:
    """Features of a frame on a level; kept with it, for a view is joined to others on both sides."""
    kept = pyramid.features
    if (level, quick) not in kept:
        finder: Any
        if quick:
            finder = cv2.ORB_create(nfeatures=1000, nlevels=4, fastThreshold=8)
        else:
            finder = cv2.SIFT_create(nfeatures=1500, contrastThreshold=0.02)
        image = cv2.convertScaleAbs(_normalised(pyramid, level), alpha=42, beta=127.5)
        points, described = finder.detectAndCompute(image, None)
        if described is not None:
            described = described.astype(np.uint8)  # whole numbers up to 255 of either kind, kept for a whole panorama
        kept[level, quick] = np.array([p.pt for p in points]).reshape(-1, 2), described
    return kept[level, quick]


def _half_window(plane: Plane) -> int:
    return int(min(_HALF_WINDOW, min(plane.shape) // 8))


def _windows(pyramid: Pyramid, level: int, spacing: int, limit: int, unclipped_in: Pyramid | None = None) -> Points:
    """Centres of windows on a lattice of a level, each moved to the strongest corner of its cell.

    Corners that are clipped there in `unclipped_in`, a frame of the same view and size, are not taken.
    """
    # Corners are looked for on the coarsest level that still has some fifteen pixels between windows.
    shown = level
    while shown + 1 < len(pyramid.levels) and spacing >> (shown + 1 - level) >= _SPACING_PX // 2:
        shown += 1
    factor = 1 << (shown - level)
    plane = pyramid.levels[shown]
    spacing, margin = spacing // factor, -(-(_half_window(pyramid.levels[level]) + 5) // factor)
    height, width = plane.shape
    if height <= 2 * margin + spacing or width <= 2 * margin + spacing:
        spacing = max(min(height, width) // 6, 4)
        margin = min(margin, min(height, width) // 4)
    strength = cv2.cornerMinEigenVal(cv2.GaussianBlur(plane, (0, 0), 1.0), 7)
    for clips in (plane,) if unclipped_in is None else (plane, unclipped_in.levels[shown]):
        strength[(clips <= BLACK) | (clips >= WHITE)] = 0
    rows, cols = (height - 2 * margin) // spacing, (width - 2 * margin) // spacing
    if rows < 1 or cols < 1:
        return np.empty((0, 2))
    inner = strength[margin : margin + rows * spacing, margin : margin + cols * spacing]
    cells = inner.reshape(rows, spacing, cols, spacing).transpose(0, 2, 1, 3).reshape(rows * cols, -1)
    at = cells.argmax(axis=1)
    value = cells[np.arange(len(cells)), at]
    y = margin + np.repeat(np.arange(rows), cols) * spacing + at // spacing
    x = margin + np.tile(np.arange(cols), rows) * spacing + at % spacing
    keep = value > 0
    points = np.column_stack([x, y])[keep] * float(factor) + (factor - 1) / 2
    if len(points) > limit:
        # An even spread matters more than the very strongest corners.
        points = points[np.linspace(0, len(points) - 1, limit).astype(int)]
    return np.asarray(points, np.float64)


def _fit_level(
    a: Pyramid,
    b: Pyramid,
    level: int,
    start: Matrix,
    points: Points,
    views: bool,
    size_a: tuple[int, int],
    settings: AssessSettings,
    reach: float = _COARSE_REACH,
    held: bool = False,
) -> _Fit | None:
    """Match windows after `start` and fit what is left; None when too few agree.

    With `held` the start is known to be right to half a pixel of the level, and what lies further off moved.
    """
    reduction = a.level_reduction(level)
    matched = _match(a, b, level, start, points, reach, settings)
    if matched is None:
        return None
    if held:
        # The rim of the reach holds what would have gone on: it says nothing of what stayed.
        matched = matched.only(np.hypot(*(matched.in_moved - matched.in_a).T) < _STILL_PX)
    if len(matched.in_a) < settings.align_min_windows:
        return None
    # `moved` shows at x + d what a shows at x: the correction takes x + d back to x.
    shape = a.levels[level].shape
    correction, inlier, residual = _robust_fit(matched.in_moved, matched.in_a, views, shape, matched.error)
    if correction is None:
        return None
    full = at_reduction(correction, 1 / reduction) @ start
    # A mapping that squeezes the picture to a line came from windows that agree by chance.
    if not _plausible(full, matched.in_a * reduction):
        return None
    return _Fit(
        matrix=full / full[2, 2],
        residual_px=residual * reduction,
        inliers=int(inlier.sum()),
        share=float(inlier.sum() / max(matched.comparable, 1)),
        places=matched.in_a[inlier] * reduction,
        left=(apply(correction, matched.in_moved) - matched.in_a)[inlier] * reduction,
        matched=(
            (matched.in_a + 0.5) * reduction - 0.5,
            apply(inverse(start), (matched.in_moved + 0.5) * reduction - 0.5),
        ),
        rest=matched if not views and len(points) and (start == np.eye(3)).all() else None,
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Matched:
    """Windows of a level that were found again, in a and in b brought to a by the start: pixels of the level."""

    in_a: Points
    in_moved: Points
    error: Points
    comparable: int  # windows that could be compared at all

    def only(self, chosen: NDArray[np.bool_]) -> _Matched:
        return _Matched(self.in_a[chosen], self.in_moved[chosen], self.error[chosen], self.comparable)


def _match(
    a: Pyramid,
    b: Pyramid,
    level: int,
    start: Matrix,
    points: Points,
    reach: float,
    settings: AssessSettings,
    iterations: int = 8,
) -> _Matched | None:
    plane_a = a.levels[level]
    half = _half_window(plane_a)
    if half < 3 or len(points) < settings.align_min_windows:
        return None
    moved = bring_to_a(b.levels[level], start, a.level_reduction(level), plane_a.shape[:2])
    found = refine_windows(
        plane_a, moved, points, np.zeros_like(points), half, BLACK, WHITE, iterations, reach,
        settings.match_passes, settings.align_match_px,
    )  # fmt: skip
    comparable = found[:, ZNCC] > -1
    smaller, _, _ = tensor_axes(found)
    error = np.sqrt(found[:, RESIDUAL] ** 2 / np.maximum(smaller, 1e-3) / (half * half))
    good = comparable & (found[:, ZNCC] > settings.align_min_correlation) & (error < 0.5)
    if good.sum() < settings.align_min_windows:
        return None
    return _Matched(
        points[good], points[good] + found[good][:, [DX, DY]], error[good].astype(np.float64), int(comparable.sum())
    )


def _at_rest(a: Pyramid, b: Pyramid, level: int, points: Points, fit: _Fit, settings: AssessSettings) -> _Fit | None:
    """The mapping of a camera that stood still, where much of the picture says so against `fit`; else None.

    Wind may move most of what has detail, and all of it alike. But had the camera moved, nothing would lie where it
    lay: what moved by itself comes to rest there by chance only, on one window in a hundred or so.
    """
    reduction = a.level_reduction(level)
    least = max(settings.align_min_windows, settings.align_rest_share * len(points))

    def moved_by_fit(at: Points) -> NDArray[np.bool_]:
        supposed = np.hypot(*(apply(inverse(fit.matrix), at * reduction) - at * reduction).T)
        return np.asarray(supposed > 3 * _STILL_PX * reduction + 2 * fit.residual_px)

    if moved_by_fit(points).sum() < least:
        return None
    # What rests is found at once; what has to be led on does not. The first look of all may have been this one.
    matched = fit.rest
    if matched is None:
        matched = _match(a, b, level, np.eye(3), points, 3 * _STILL_PX, settings, 4)
    if matched is None:
        return None
    still = (np.hypot(*(matched.in_moved - matched.in_a).T) < _STILL_PX) & (matched.error < _SURE_ERROR_PX)
    if (still & moved_by_fit(matched.in_a)).sum() < least:
        return None
    resting = matched.only(still)
    shift = np.median(resting.in_a - resting.in_moved, axis=0)
    matrix = np.eye(3)
    matrix[:2, 2] = shift * reduction
    left = (resting.in_moved + shift - resting.in_a) * reduction
    spread = max(1.2 * float(np.median(np.hypot(*left.T))), 0.03 * reduction)
    return _Fit(
        matrix, spread, int(still.sum()), float(still.sum() / matched.comparable), resting.in_a * reduction, left,
        fit.matched,
    )  # fmt: skip


def _systematic(fit: _Fit) -> float:
    """How far a mapping itself is off, from what its windows leave: noise differs from window to window, it does not.

    The covariance of each window's leftover with the mean of its four nearest neighbours'; never more than the spread
    of all. A few hundred windows tell it to a few percent of the spread's variance.
    """
    left, spread = fit.left, fit.residual_px
    if len(left) < 12:
        return spread
    apart = ((fit.places[:, None] - fit.places[None]) ** 2).sum(axis=2)
    np.fill_diagonal(apart, np.inf)
    near = np.argpartition(apart, 4, axis=1)[:, :4]
    shared = float((left * left[near].mean(axis=1)).sum(axis=1).mean()) / 2  # of either coordinate
    noise = float((left**2).sum(axis=1).mean()) / 2 / np.sqrt(4 * len(left))
    return min(float(np.sqrt(max(shared, 0.0) + noise)), spread)


def _invertible(matrix: Matrix) -> bool:
    return bool(np.isfinite(matrix).all()) and abs(np.linalg.det(matrix)) >= 1e-9


def _plausible(matrix: Matrix, places: NDArray[np.float64]) -> bool:
    """Whether a mapping keeps areas within a factor of five where windows were matched, and turns nothing over."""
    if not _invertible(matrix):
        return False
    _, jacobian = apply_with_jacobian(inverse(matrix), places)
    area = np.linalg.det(jacobian)
    return bool(np.isfinite(area).all() and (area > 0.2).all() and (area < 5).all())


def _robust_fit(
    src: NDArray[np.float64],
    dst: NDArray[np.float64],
    views: bool,
    shape: tuple[int, ...],
    error: NDArray[np.float64],
) -> tuple[Matrix | None, NDArray[np.bool_], float]:
    """Similarity or homography of the largest group of windows that agrees, refined by reweighting."""
    none = np.zeros(len(src), bool)
    cv2.setRNGSeed(1)
    found, mask = cv2.estimateAffinePartial2D(src, dst, ransacReprojThreshold=0.6, maxIters=2000, confidence=0.999)
    if found is None:
        return None, none, 0.0
    centre = ((shape[1] - 1) / 2, (shape[0] - 1) / 2)
    similarity, weight, sigma = _reweighted(False, src, dst, mask.ravel() > 0, error, centre)
    matrix = similarity
    # A tilt of a few pixels shows as keystone: allow it where the similarity leaves clearly more behind.
    if views or (sigma > 0.08 and len(src) >= 40):
        homography, mask = cv2.findHomography(src, dst, cv2.RANSAC, 0.6, maxIters=3000, confidence=0.999)
        if homography is not None and mask.sum() >= 12:
            fitted, weight_h, sigma_h = _reweighted(
                True, src, dst, mask.ravel() > 0, error, centre
            )
            # A fit that leaves more reaches further, and so agrees with more of what is off: count both alike as well.
            spread = min(sigma, sigma_h)
            alike, alike_h = (_agreement(m, src, dst, spread) for m in (matrix, fitted))
            more = weight_h.sum() > 1.15 * weight.sum() and alike_h > 1.15 * alike
            better = more or (sigma_h < 0.75 * sigma and weight_h.sum() > 0.95 * weight.sum())
            if views or better:
                matrix, weight, sigma = fitted, weight_h, sigma_h
    inlier = weight > TRUSTED
    if inlier.sum() < 4:
        return None, none, 0.0
    return matrix, inlier, sigma


def _agreement(matrix: Matrix, src: Points, dst: Points, spread: float) -> float:
    """Windows a mapping agrees with, each counted by how closely, where right ones leave about `spread`."""
    left = np.hypot(*(apply(matrix, src) - dst).T)
    return float(weights(left, spread).sum())


def _reweighted(
    projective: bool, src: Points, dst: Points, start: NDArray[np.bool_], error: Points, centre: tuple[float, float]
) -> tuple[Matrix, Points, float]:
    """Homography or similarity by Tukey's biweight around a robust scale, a few rounds."""
    weight = start.astype(np.float64)
    base = 1 / np.maximum(error, 0.02) ** 2
    if not projective:
        matrix, sigma = reweighted_similarity(src, dst, weight, base)
        return matrix, weight, sigma
    matrix, sigma = np.eye(3), FIRST_SPREAD_PX
    for _ in range(ROUNDS):
        matrix = _solve_homography(src, dst, weight * base, centre)
        found = reweigh(np.hypot(*(apply(matrix, src) - dst).T), weight)
        if found <= 0:
            break
        sigma = found
    return matrix, weight, sigma


def _solve_similarity(src: Points, dst: Points, weight: Points, centre: tuple[float, float]) -> Matrix:
    """Weighted least squares for scale, rotation and shift."""
    c = np.array(centre)
    p, q = src - c, dst - c
    w = weight / weight.sum()
    mean_p, mean_q = w @ p, w @ q
    p, q = p - mean_p, q - mean_q
    den = float((w[:, None] * p * p).sum())
    cos = float((w * (p * q).sum(axis=1)).sum()) / den
    sin = float((w * (p[:, 1] * q[:, 0] - p[:, 0] * q[:, 1])).sum()) / den
    scale, rotation = np.hypot(cos, sin), np.rad2deg(np.arctan2(sin, cos))
    turned = similarity_matrix(scale, rotation, 0, 0, (0, 0))
    shift = mean_q - (turned[:2, :2] @ mean_p)
    return similarity_matrix(scale, rotation, shift[0], shift[1], centre)


def _solve_homography(src: Points, dst: Points, weight: Points, centre: tuple[float, float]) -> Matrix:
    """Weighted direct linear transform on centred, scaled points."""
    spread = max(centre)
    norm = np.array([[1 / spread, 0, -centre[0] / spread], [0, 1 / spread, -centre[1] / spread], [0, 0, 1]])
    p, q = apply(norm, src), apply(norm, dst)
    root = np.sqrt(weight / weight.max())
    zero, one = np.zeros(len(p)), np.ones(len(p))
    rows_x = np.column_stack([p, one, zero, zero, zero, -p[:, 0] * q[:, 0], -p[:, 1] * q[:, 0]])
    rows_y = np.column_stack([zero, zero, zero, p, one, -p[:, 0] * q[:, 1], -p[:, 1] * q[:, 1]])
    system = np.vstack([rows_x * root[:, None], rows_y * root[:, None]])
    target = np.concatenate([q[:, 0] * root, q[:, 1] * root])
    solution, *_ = np.linalg.lstsq(system, target, rcond=None)
    fitted: Matrix = inverse(norm) @ np.append(solution, 1.0).reshape(3, 3) @ norm
    fitted /= fitted[2, 2]
    return fitted
