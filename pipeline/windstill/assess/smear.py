"""How far things moved during one exposure, measured against a sharper frame of the same view."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray

from windstill.assess.pyramid import Pyramid, halved
from windstill.assess.smear_model import (
    ACROSS,
    ANGLES,
    APART,
    IMAGES,
    LONGEST,
    MARGIN,
    PHASES,
    POINTS,
    ROOM,
    SAMPLES,
    SIDE,
    STEP,
    evaluate,
    refine,
    search_displacement,
    sort_phases,
    try_all,
)
from windstill.records import FloatMap, TileGrid
from windstill.score.smear import SmearMaps, turn_between
from windstill.settings.smear import RelativeSmearSettings

Floats = NDArray[np.float64]

_HALF_WINDOW = STEP * (ACROSS - 1) / 2  # level pixels from the window's centre to its outer samples
WINDOW_PX = STEP * (ACROSS - 1) + 1
"""Working pixels. Side of a window on the finest level."""
_PAD = 3  # pixels that the smoothing spoils at the rim
_INNER = STEP * (ACROSS - 1) + 1 + 2 * _PAD
_TRUSTED = 11.0  # level pixels: longer smears are measured on the next level
_LEVELS = 3  # pixels of a level are 1, 2 and 4 working pixels wide
_HOPELESS = (0.05, 0.15, 0.15)  # sureness before refinement from which a level is looked at closely; half is believed
_STARTS = 2  # starting points that are refined

_LENGTHS = APART * POINTS
_CANDIDATES = np.concatenate(
    [[[0.0, 0.0]], np.stack(np.broadcast_arrays(*[
        np.multiply.outer(_LENGTHS, np.cos(ANGLES)), -np.multiply.outer(_LENGTHS, np.sin(ANGLES))
    ]), axis=-1).reshape(-1, 2)]
)  # fmt: skip

_FINE = (np.array([1, 4, 6, 4, 1]) / 16.0).astype(np.float32)  # sigma 1
_DISCS = np.array([3.0, 6.0, 10.0])  # diameters, level pixels
_DISC_RADIUS = 5


def _disc(diameter: float) -> NDArray[np.float32]:
    """A disc's share of each pixel, by 8 x 8 points per pixel."""
    side = 2 * _DISC_RADIUS + 1
    axis = (np.arange(side * 8) + 0.5) / 8 - side / 2
    inside = axis[:, None] ** 2 + axis[None, :] ** 2 <= (diameter / 2) ** 2
    share = inside.reshape(side, 8, side, 8).sum((1, 3)).astype(np.float32)
    scaled: NDArray[np.float32] = share / share.sum()
    return scaled


_DISC_KERNELS = np.stack([_disc(d) for d in _DISCS])
_OFFSETS = np.arange(ACROSS) * STEP - _HALF_WINDOW
_WEIGHTS = np.exp(-(_OFFSETS[:, None] ** 2 + _OFFSETS[None, :] ** 2) / (2 * (0.6 * _HALF_WINDOW) ** 2)).ravel()
_WEIGHTS = _WEIGHTS.astype(np.float32)


class Window(NamedTuple):
    """One window's smear: working pixels, radians, confidence, and how much better it explains than defocus alone.

    `x`, `y`: working pixels of the sharp frame by which the middle of the path lies off where it was supposed.
    """

    length: float
    angle: float
    sure: float
    gained: float
    x: float = 0.0
    y: float = 0.0


@dataclass(frozen=True, slots=True, eq=False)
class RelativeSmear(SmearMaps):
    """Smear against a sharper frame; every map has the grid's shape.

    Attributes
    ----------
    away_x_px, away_y_px : FloatMap
        Full-resolution pixels of the sharper frame. How far the middle of the path, where the thing was on average
        while the smeared frame was exposed, lies off where it was supposed; 0 where nothing is known.
    """

    away_x_px: FloatMap
    away_y_px: FloatMap


Seen = dict[tuple[int, int, float, float], Window]  # by the tile's row and column, and where its content went


def relative_smear(
    sharp: Pyramid,
    smeared: Pyramid,
    grid: TileGrid,
    usable: NDArray[np.bool_],
    settings: RelativeSmearSettings | None = None,
    smeared_from_sharp: NDArray[np.float64] | None = None,
    displacement: tuple[NDArray[np.float32], NDArray[np.float32]] | None = None,
    seen: Seen | None = None,
) -> RelativeSmear:
    """Motion during the exposure of `smeared`, from what turns `sharp` into it, tile by tile.

    Parameters
    ----------
    sharp, smeared : Pyramid
        Working planes of two frames of one view, and their halvings.
    grid : TileGrid
        Tiles of `sharp`.
    usable : bool map
        Tiles to measure; the cost is proportional to their number.
    settings : RelativeSmearSettings, optional
    smeared_from_sharp : float array, shape (3, 3), optional
        Takes homogeneous (x, y, 1) of `sharp` to `smeared`, both working planes. Identity when not given.
    displacement : two float32 maps, optional
        (x, y) in full-resolution pixels: where the tile's content went from `sharp` to `smeared` after that
        mapping, in the coordinates of `sharp` (the sway). Up to four working pixels need not be told.
    seen : Seen, optional
        What earlier calls for the same frames, mapping and settings found; added to.

    Returns
    -------
    RelativeSmear
        Peak-to-peak length in full-resolution pixels, 0 where there is none; angle; confidence 0 outside `usable`,
        where the view is left, and where the texture cannot tell smear from defocus (a single straight edge).
        The sharper frame's own smear is not included.

    Notes
    -----
    Within a window the smeared frame is modelled as ``b + sum_k a_k (G_k * K * sharp)(x + d)``: K a uniform straight
    motion (length, angle), d a displacement, G_k discs of 0, 3, 6 and 10 pixels that span added defocus, and
    gain and offset of exposure. The linear coefficients are eliminated by least squares for each K and d (variable
    projection, Golub & Pereyra, SIAM J. Numer. Anal. 10, 1973), the four others found by a coarse search over
    K and damped Gauss-Newton steps. Levels of 1, 2 and 4 working pixels are tried in turn until one is sure.
    Confidence is the posterior share of the candidates that agree with the estimate, times the goodness of fit;
    so a window whose texture has one direction, where any motion across it fits, gives none.
    """
    used, reduction = settings or RelativeSmearSettings(), sharp.reduction
    length = np.zeros(grid.shape, np.float32)
    angle = np.zeros(grid.shape, np.float32)
    confidence = np.zeros(grid.shape, np.float32)
    rows, cols = np.nonzero(usable)
    side = grid.tile_px / reduction
    centres = np.stack([(cols + 0.5) * side - 0.5, (rows + 0.5) * side - 0.5], axis=1)
    mapping = np.eye(3) if smeared_from_sharp is None else np.asarray(smeared_from_sharp, np.float64)
    moved = np.zeros_like(centres)
    if displacement is not None:
        moved[:, 0] = displacement[0][rows, cols] / reduction
        moved[:, 1] = displacement[1][rows, cols] / reduction
        moved[~np.isfinite(moved)] = 0.0
    bench, seen = _Bench(sharp, smeared, used), {} if seen is None else seen
    gained, away_x, away_y = np.zeros((3, *grid.shape), np.float32)
    for row, col, (x, y), (dx, dy) in zip(rows, cols, centres, moved, strict=True):
        key = int(row), int(col), float(dx), float(dy)
        if key not in seen:
            seen[key] = bench.measure(x, y, _local_affine(mapping, x, y, dx, dy), 2.0 / reduction)
        window = seen[key]
        length[row, col] = window.length * reduction
        angle[row, col] = math.degrees(window.angle) % 180.0
        confidence[row, col] = window.sure
        gained[row, col] = window.gained
        away_x[row, col], away_y[row, col] = window.x * reduction, window.y * reduction
    doubtful = (length > 0) & (gained < used.improvement_alone) & ~_has_company(length, angle, confidence)
    confidence[doubtful] *= 0.4
    return RelativeSmear(length, angle, confidence, away_x, away_y)


def follow_smear(
    sharp: Pyramid,
    smeared: Pyramid,
    centres: Floats,
    moved: Floats,
    paths: Floats,
    smeared_from_sharp: NDArray[np.float64],
    settings: RelativeSmearSettings,
) -> Floats:
    """Motion during the exposure of `smeared` at places beside others where it is known.

    Parameters
    ----------
    sharp, smeared, smeared_from_sharp, settings
        As for `relative_smear`.
    centres, moved, paths : float arrays, shape (n, 2)
        Working pixels of `sharp`: (x, y) of the windows, where the content beside them went, and from end to end of
        the path it took.

    Returns
    -------
    float array, shape (n, 5)
        Length in full-resolution pixels; angle, degrees; confidence; full-resolution pixels of `sharp` along x and y by
        which the content lies off where it was supposed. All 0 where no such motion explains what is seen so much
        better than defocus does.

    Notes
    -----
    One fit from a known start instead of a search: at two fifths of the cost. What the window cannot tell (motion along
    its only edge) stays as it was beside it.
    """
    bench = _Bench(sharp, smeared, settings)
    found = np.zeros((len(centres), 5))
    for k, ((x, y), (dx, dy), path) in enumerate(zip(centres, moved, paths, strict=True)):
        window = bench.follow(x, y, _local_affine(smeared_from_sharp, x, y, dx, dy), path)
        if window is not None:
            found[k] = (
                window.length * sharp.reduction, math.degrees(window.angle) % 180.0, window.sure,
                window.x * sharp.reduction, window.y * sharp.reduction,
            )  # fmt: skip
    return found


def _has_company(
    length: NDArray[np.float32], angle: NDArray[np.float32], confidence: NDArray[np.float32]
) -> NDArray[np.bool_]:
    """Tiles one of whose eight neighbours moved alike."""
    rows, cols = length.shape
    held = np.pad(np.where(confidence >= 0.5, length, 0), 1)
    turned = np.pad(angle, 1)
    company = np.zeros(length.shape, np.bool_)
    for dy in range(3):
        for dx in range(3):
            if dy == 1 and dx == 1:
                continue
            other = held[dy : dy + rows, dx : dx + cols]
            company |= (other > 0) & moved_alike(length, angle, other, turned[dy : dy + rows, dx : dx + cols])
    return company


def moved_alike(
    length: NDArray[np.float32], angle: NDArray[np.float32], other: NDArray[np.float32], turned: NDArray[np.float32]
) -> NDArray[np.bool_]:
    """Whether smears (lengths, angles in degrees) are alike: within 20 degrees and a factor of 1.6."""
    near = (other > length / 1.6) & (other < length * 1.6)
    return np.asarray(near & (turn_between(turned, angle) < 20))


class _Bench:
    """Room to work in for one window at a time, and the steps of measuring it."""

    def __init__(self, sharp: Pyramid, smeared: Pyramid, used: RelativeSmearSettings) -> None:
        self.used = used
        self.levels = list(zip(sharp.levels, smeared.levels, strict=False))[:_LEVELS]
        while len(self.levels) < _LEVELS:  # of small pictures
            self.levels.append((halved(self.levels[-1][0]), halved(self.levels[-1][1])))
        self.phases = np.zeros((PHASES, PHASES, ROOM, ROOM * IMAGES), np.float32)
        self.doubled = np.empty((2 * SIDE, 2 * SIDE), np.float32)
        self.target, self.root = np.empty((2, SAMPLES), np.float32)
        self.residual, self.trial = np.empty((2, SAMPLES), np.float32)
        self.seen, self.path = np.empty((IMAGES, SAMPLES), np.float32), np.empty(IMAGES * SAMPLES, np.float32)
        self.jacobian = np.empty((4, SAMPLES), np.float32)
        self.gram = np.empty((2 * IMAGES + 5, IMAGES + 1))
        self.coefficients = np.zeros(IMAGES + 1)
        self.costs = np.empty(len(_CANDIDATES))

    def measure(self, x: float, y: float, affine: Floats, tolerated: float) -> Window:
        """Try the levels in turn until one is sure; `tolerated` is two full-resolution pixels."""
        best = Window(0.0, 0.0, 0.0, 0.0)
        for level in range(_LEVELS):
            found = self._measure_level(x, y, level, affine, tolerated)
            if found is not None and found.sure > best.sure:
                best = found
            if best.sure > 0.8:
                break
        return best

    def _measure_level(self, x: float, y: float, level: int, affine: Floats, tolerated: float) -> Window | None:
        used = self.used
        taken = self._take(x, y, level, affine)
        if taken is None:
            return None
        variance, off = taken
        plain = np.zeros(4)
        search_displacement(
            self.phases, plain, self.target, self.root, self.seen[:2], self.gram, self.coefficients
        )
        self._refine(plain, 2)
        self._try_all(plain)
        likeliest = int(np.argmin(self.costs))
        supposed = np.array([*_CANDIDATES[likeliest], *plain[2:]])
        if self._sureness(supposed, self.costs[likeliest], variance, level, tolerated) < _HOPELESS[level]:
            return None  # many motions explain it about as well, or none does: closer looks would not make it sure
        smeared, least = plain, np.inf
        for c in 1 + np.argsort(self.costs[1:], kind="stable")[:_STARTS]:
            start = np.array([*_CANDIDATES[c], plain[2], plain[3]])
            cost = self._refine(start, 0)
            if cost < least:
                smeared, least = start, cost
        variance = self._discount(plain, smeared, variance)
        plain_cost, smeared_cost = self._refine(plain, 2), self._refine(smeared, 0)
        if min(plain_cost, smeared_cost) > used.poor_fit * variance:
            return None  # not the same thing, whichever motion is supposed
        self._try_all(smeared)
        self.costs[0] = min(self.costs[0], plain_cost)
        gained = _gained(plain_cost, smeared_cost, variance)
        if gained < used.improvement_supported:
            chosen, cost, length = plain, plain_cost, 0.0
        else:
            chosen, cost, length = smeared, smeared_cost, math.hypot(smeared[0], smeared[1])
        sure = self._sureness(chosen, cost, variance, level, tolerated)
        last = level == _LEVELS - 1
        # Mostly the largest disc means defocus beyond what this level can model.
        self._evaluate(chosen, self.residual)
        vast = self.coefficients[IMAGES - 1] > 0.7 * self.coefficients[:IMAGES].sum()
        if length > (0.93 * LONGEST if last else _TRUSTED) or (vast and not last):
            sure *= 0.3
        if length > 0:
            length, chosen = self._as_swing(chosen, cost, length, used.model_error * variance)
        return _window(chosen, length, off, level, sure, gained)

    def follow(self, x: float, y: float, affine: Floats, path: Floats) -> Window | None:
        """Fit one motion, from the one beside (working pixels); on the finest level that holds it and tells it."""
        long = math.hypot(path[0], path[1])
        for level in range(_LEVELS):
            if long <= _TRUSTED * (1 << level) or level == _LEVELS - 1:
                found = self._follow_level(x, y, level, affine, path / (1 << level))
                if found is not None:
                    return found
        return None

    def _follow_level(self, x: float, y: float, level: int, affine: Floats, path: Floats) -> Window | None:
        used = self.used
        taken = self._take(x, y, level, affine)
        if taken is None:
            return None
        variance, off = taken
        plain, smeared = np.array([0.0, 0.0, *off]), np.array([*path, *off])
        self._refine(smeared, 0)
        search_displacement(
            self.phases, plain, self.target, self.root, self.seen[:2], self.gram, self.coefficients
        )
        self._refine(plain, 2)
        variance = self._discount(plain, smeared, variance)
        plain_cost, cost = self._refine(plain, 2), self._refine(smeared, 0)
        floor = used.model_error * variance
        gained = _gained(plain_cost, cost, variance)
        length = math.hypot(smeared[0], smeared[1])
        if cost > used.poor_fit * variance or gained < used.improvement_supported or length > 0.93 * LONGEST:
            return None
        misfit = cost / variance / used.poor_fit
        against = ((plain_cost + floor) / (cost + floor)) ** (-0.5 * used.independent_samples)
        sure = 1 / (1 + against) / (1 + misfit * misfit)
        length, smeared = self._as_swing(smeared, cost, length, floor)
        return _window(smeared, length, off, level, sure, gained)

    def _sureness(self, chosen: Floats, cost: float, variance: float, level: int, tolerated: float) -> float:
        """Share 0..1 of the motions tried that speaks for one of them, times how well it fits."""
        used, length = self.used, math.hypot(chosen[0], chosen[1])
        floor = used.model_error * variance
        near = max(0.5, 0.2 * length) if length > 0 else max(tolerated / (1 << level), 0.5)
        apart = np.minimum(
            np.hypot(_CANDIDATES[:, 0] - chosen[0], _CANDIDATES[:, 1] - chosen[1]),
            np.hypot(_CANDIDATES[:, 0] + chosen[0], _CANDIDATES[:, 1] + chosen[1]),
        )
        others = (self.costs[apart > near] + floor) / (cost + floor)
        against = float((others ** (-0.5 * used.independent_samples)).sum())
        misfit = cost / variance / used.poor_fit
        return 1 / (1 + against) / (1 + misfit * misfit)

    def _take(self, x: float, y: float, level: int, affine: Floats) -> tuple[float, Floats] | None:
        """Fill target and images from both frames.

        The window's variance, and by how many level pixels its content would seem displaced were it where it is
        supposed; None where nothing can be compared.
        """
        sharp, smeared = self.levels[level]
        factor = 1 << level
        # A pixel of a level is centred among those it was averaged from.
        shift = (affine[:, :2].sum(axis=1) * (factor - 1) / 2 + affine[:, 2] - (factor - 1) / 2) / factor
        x0, y0 = (round((at + 0.5) / factor - 0.5 - _HALF_WINDOW - _PAD) for at in (x, y))
        through = _through(smeared, x0, y0, _INNER, np.column_stack([affine[:, :2], shift]))
        if through is None:
            return None
        taken, off = through
        window = slice(_PAD, _INNER - _PAD, STEP)
        values = _smoothed(taken)[window, window].ravel()
        # Clipped pixels follow no model.
        weights = np.where((values > 2.5) & (values < 251.0), _WEIGHTS, np.float32(0.0))
        total = float(weights.sum())
        if total < 0.5 * _WEIGHTS.sum():
            return None
        variance = self._weigh(values - 128, weights)
        if variance < 0.25 * total:
            return None
        reach = MARGIN - _PAD
        own = _smoothed(_region(sharp, x0 - reach, y0 - reach, SIDE)) - 128
        sort_phases(own, self.doubled, self.phases, 0)
        for image, kernel in enumerate(_DISC_KERNELS, 1):
            blurred = cv2.filter2D(own, cv2.CV_32F, kernel, borderType=cv2.BORDER_REPLICATE)
            sort_phases(blurred, self.doubled, self.phases, image)
        return variance, off

    def _weigh(self, values: NDArray[np.float32], weights: NDArray[np.float32]) -> float:
        """Set target and root from values and weights; the weighted sum of squares about the mean."""
        np.sqrt(weights, out=self.root)
        np.multiply(values, self.root, out=self.target)
        wide = weights.astype(np.float64)
        mean = float((wide * values).sum() / wide.sum())
        return float((wide * (values - mean) ** 2).sum())

    def _discount(self, plain: Floats, smeared: Floats, variance: float) -> float:
        """Weigh down what follows neither model: ground behind a moving head, things that cross it."""
        self._evaluate(plain, self.residual)
        self._evaluate(smeared, self.trial)
        weights = self.root**2
        off = np.minimum(np.abs(self.residual), np.abs(self.trial)) / np.maximum(self.root, np.float32(0.05))
        least = 0.02 * math.sqrt(variance / float(weights.sum()))
        scale = max(2.5 * 1.4826 * float(np.median(off)), least)
        values = np.divide(self.target, self.root, out=np.zeros_like(self.target), where=self.root > 0)
        return self._weigh(values, (weights / (1 + (off / scale) ** 2)).astype(np.float32))

    def _as_swing(self, smeared: Floats, cost: float, length: float, floor: float) -> tuple[float, Floats]:
        """The same path, resting at its ends: stems that swing from one turning point to the other."""
        swung = smeared.copy()
        swung[:2] *= math.sqrt(8 / 12)  # the variances of an even path and of a swing are L^2 / 12 and L^2 / 8
        swung_cost = self._refine(swung, 0, True)
        odds = ((cost + floor) / (swung_cost + floor)) ** (0.5 * self.used.independent_samples)
        steady = 0.7 / (0.7 + 0.3 * odds)
        # Where the fits cannot tell, the mean of both is within a tenth of either.
        mixed = steady * length + (1 - steady) * math.hypot(swung[0], swung[1])
        return mixed, swung if swung_cost < cost else smeared

    def _evaluate(self, at: Floats, residual: NDArray[np.float32]) -> float:
        room = self.target, self.root, self.seen, self.gram, self.coefficients
        return float(evaluate(self.phases, at, False, *room, residual))

    def _refine(self, at: Floats, first: int, swing: bool = False) -> float:
        room = self.target, self.root, self.seen, self.gram, self.coefficients, self.residual
        return float(refine(self.phases, at, swing, first, *room, self.trial, self.jacobian))

    def _try_all(self, at: Floats) -> None:
        room = self.path, self.seen, self.gram, self.coefficients, self.costs
        try_all(self.phases, at, self.target, self.root, *room)


def _gained(plain_cost: float, cost: float, variance: float) -> float:
    """How many times less a smear leaves unexplained than defocus alone does."""
    return (plain_cost + 1e-4 * variance) / (cost + 1e-4 * variance)


def _window(at: Floats, length: float, off: Floats, level: int, sure: float, gained: float) -> Window:
    """A fit on a level, whose content would seem displaced by `off` were it where it is supposed, as a window."""
    factor = 1 << level
    away = (at[2:] - off) * factor
    return Window(length * factor, math.atan2(-at[1], at[0]), sure, gained, float(away[0]), float(away[1]))


def _region(plane: NDArray[np.uint8], x0: int, y0: int, side: int) -> NDArray[np.float32]:
    """A square of a plane, its border repeated where it reaches beyond."""
    height, width = plane.shape
    inside = plane[min(max(y0, 0), height - 1) : max(y0 + side, 1), min(max(x0, 0), width - 1) : max(x0 + side, 1)]
    top, left = min(max(-y0, 0), side - 1), min(max(-x0, 0), side - 1)
    bottom, right = side - top - inside.shape[0], side - left - inside.shape[1]
    if top or left or bottom or right:
        inside = cv2.copyMakeBorder(inside, top, bottom, left, right, cv2.BORDER_REPLICATE)
    region: NDArray[np.float32] = inside.astype(np.float32)
    return region


def _through(
    plane: NDArray[np.uint8], x0: int, y0: int, side: int, affine: Floats
) -> tuple[NDArray[np.float32], Floats] | None:
    """What a square of the other frame shows in `plane`, and by how much of a pixel beside the mapping it was read.

    None where most of it is out of the picture.
    """
    corners = np.array([[x, y, 1.0] for y in (y0, y0 + side - 1) for x in (x0, x0 + side - 1)]) @ affine.T
    height, width = plane.shape
    slack = 0.25 * side
    if (corners < -slack).any() or (corners > np.array([width - 1, height - 1]) + slack).any():
        return None
    linear, shift = affine[:, :2], corners[0]
    if np.array_equal(linear, np.eye(2)):
        # Whole pixels keep the frame unresampled; the rest is within reach.
        return _region(plane, round(shift[0]), round(shift[1]), side), shift - np.round(shift)
    low = np.floor(corners.min(0)).astype(int) - 3
    size = int((np.ceil(corners.max(0)).astype(int) + 4 - low).max())
    source = _region(plane, int(low[0]), int(low[1]), size)
    inverse = np.column_stack([linear, shift - low])
    flags = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
    warped: NDArray[np.float32] = cv2.warpAffine(
        source, inverse, (side, side), flags=flags, borderMode=cv2.BORDER_REPLICATE
    )
    return warped, np.zeros(2)


def _smoothed(patch: NDArray[np.float32]) -> NDArray[np.float32]:
    smoothed: NDArray[np.float32] = cv2.sepFilter2D(
        patch, cv2.CV_32F, _FINE, _FINE, borderType=cv2.BORDER_REPLICATE
    )
    return smoothed


def _local_affine(mapping: Floats, x: float, y: float, dx: float, dy: float) -> Floats:
    """The mapping near (x, y), of content that moves on by (dx, dy) before it is mapped: shape (2, 3)."""
    at = np.array([x + dx, y + dy, 1.0])
    u, v, w = mapping @ at
    linear = (mapping[:2, :2] - np.outer([u / w, v / w], mapping[2, :2])) / w
    return np.column_stack([linear, np.array([u / w, v / w]) - linear @ np.array([x, y])])
