"""How far things moved during one exposure, measured against a sharper frame of the same view."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import cv2
import numpy as np
from numba import njit
from numpy.typing import NDArray

from windstill.assess.matching import SUMS
from windstill.assess.pyramid import Pyramid, halved
from windstill.records import FloatMap, TileGrid
from windstill.score.smear import SmearMaps, turn_between
from windstill.settings.smear import RelativeSmearSettings

Floats = NDArray[np.float64]

# A window is sampled every second pixel of its level, 31 level pixels across: its texture is smoothed by a
# Gaussian of sigma 1 first, so nothing is lost between the samples. Sixteen a side fill vector registers.
_ACROSS = 16
_STEP = 2
_SAMPLES = _ACROSS * _ACROSS
_HALF_WINDOW = _STEP * (_ACROSS - 1) / 2  # level pixels from the window's centre to its outer samples
WINDOW_PX = _STEP * (_ACROSS - 1) + 1
"""Working pixels. Side of a window on the finest level."""
_REACH = 4  # level pixels by which the two frames may still be displaced
_LONGEST = 14.0  # level pixels; half of it and the reach must fit in the margin
_MARGIN = 13
_SIDE = _STEP * (_ACROSS - 1) + 2 * _MARGIN + 2  # even: the window's centre lies between two pixels
_PAD = 3  # pixels that the smoothing spoils at the rim
_INNER = _STEP * (_ACROSS - 1) + 1 + 2 * _PAD
_TRUSTED = 11.0  # level pixels: longer smears are measured on the next level
_LEVELS = 3  # pixels of a level are 1, 2 and 4 working pixels wide
_HOPELESS = (0.05, 0.15, 0.15)  # sureness before refinement from which a level is looked at closely; half is believed
_STARTS = 2  # starting points that are refined
_STEPS = 8  # refinement steps
_IMAGES = 4
_PHASES = 4  # window samples are four apart in the doubled patch: each phase is stored by itself, contiguous
_ROOM = (2 * _SIDE + 3) // _PHASES
# A phase holds the images pixel by pixel side by side: a window's row of all of them is then one long loop, six times
# as fast as a short one for each.
_ROW = _ACROSS * _IMAGES

_APART = 0.75  # level pixels between the points of a path that is tried
_POINTS = np.array([2, 4, 6, 10, 16])  # even: a shorter path is the middle of a longer one
_LENGTHS = _APART * _POINTS
_ANGLES = np.arange(8) * np.pi / 8
_CANDIDATES = np.concatenate(
    [[[0.0, 0.0]], np.stack(np.broadcast_arrays(*[
        np.multiply.outer(_LENGTHS, np.cos(_ANGLES)), -np.multiply.outer(_LENGTHS, np.sin(_ANGLES))
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
_OFFSETS = np.arange(_ACROSS) * _STEP - _HALF_WINDOW
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


@njit(cache=True, nogil=True, fastmath=SUMS)
def _move(phases, at, swing, seen):  # type: ignore[no-untyped-def]
    """The images smeared along (at[0], at[1]) and displaced by (at[2], at[3]), at the window's samples."""
    mixed = np.zeros(_IMAGES * _SAMPLES, np.float32)
    _add_moved(phases, at, swing, mixed)
    for c in range(seen.shape[0]):
        image = seen[c]
        for p in range(_SAMPLES):
            image[p] = mixed[p * _IMAGES + c]


@njit(cache=True, nogil=True, fastmath=SUMS)
def _add_moved(phases, at, swing, mixed):  # type: ignore[no-untyped-def]
    """Add what `_move` gives to `mixed`, which holds the images sample by sample side by side."""
    lx, ly, dx, dy = at[0], at[1], at[2], at[3]
    points = max(math.ceil(math.sqrt(lx * lx + ly * ly) / (0.8 if swing else 1.1)), 1)
    for k in range(points):
        t = (k + 0.5) / points
        t = -0.5 * math.cos(math.pi * t) if swing else t - 0.5
        # The model reads the sharp frame where the content came from.
        x = min(max(2.0 * (_MARGIN - dx + t * lx), 0.0), 4.0 * _MARGIN)
        y = min(max(2.0 * (_MARGIN - dy + t * ly), 0.0), 4.0 * _MARGIN)
        x0 = int(x)
        y0 = int(y)
        fx = x - x0
        fy = y - y0
        w00 = np.float32((1 - fx) * (1 - fy) / points)
        w01 = np.float32(fx * (1 - fy) / points)
        w10 = np.float32((1 - fx) * fy / points)
        w11 = np.float32(fx * fy / points)
        px0 = x0 % _PHASES
        py0 = y0 % _PHASES
        px1 = (x0 + 1) % _PHASES
        py1 = (y0 + 1) % _PHASES
        qx0 = x0 // _PHASES * _IMAGES
        qy0 = y0 // _PHASES
        qx1 = (x0 + 1) // _PHASES * _IMAGES
        qy1 = (y0 + 1) // _PHASES
        for i in range(_ACROSS):
            # Slices of fixed length, so that the inner loop is free of index arithmetic.
            r00 = phases[py0, px0, qy0 + i, qx0 : qx0 + _ROW]
            r01 = phases[py0, px1, qy0 + i, qx1 : qx1 + _ROW]
            r10 = phases[py1, px0, qy1 + i, qx0 : qx0 + _ROW]
            r11 = phases[py1, px1, qy1 + i, qx1 : qx1 + _ROW]
            into = mixed[i * _ROW : (i + 1) * _ROW]
            for j in range(_ROW):
                into[j] += w00 * r00[j] + w01 * r01[j] + w10 * r10[j] + w11 * r11[j]


@njit(cache=True, nogil=True)
def _solve(matrix, vector, size):  # type: ignore[no-untyped-def]
    """Solve a small symmetric positive system in place by Cholesky; the result is in `vector`."""
    for c in range(size):
        for d in range(c + 1):
            total = matrix[c, d]
            for e in range(d):
                total -= matrix[c, e] * matrix[d, e]
            if c == d:
                matrix[c, c] = math.sqrt(max(total, 1e-12))
            else:
                matrix[c, d] = total / matrix[d, d]
    for c in range(size):
        total = vector[c]
        for e in range(c):
            total -= matrix[c, e] * vector[e]
        vector[c] = total / matrix[c, c]
    for c in range(size - 1, -1, -1):
        total = vector[c]
        for e in range(c + 1, size):
            total -= matrix[e, c] * vector[e]
        vector[c] = total / matrix[c, c]


@njit(cache=True, nogil=True, fastmath=SUMS)
def _dot(a, b):  # type: ignore[no-untyped-def]
    total = np.float32(0.0)
    for p in range(_SAMPLES):
        total += a[p] * b[p]
    return total


@njit(cache=True, nogil=True, fastmath=SUMS)
def _fit(seen, target, root, gram, coefficients):  # type: ignore[no-untyped-def]
    """Least squares of the target on the images as `seen` and a constant, none counting less than nothing.

    `root` is the square root of the weights; the target has it applied already, `seen` gets it here.
    """
    images = seen.shape[0]
    for c in range(images):
        for p in range(_SAMPLES):
            seen[c, p] *= root[p]
        for d in range(c + 1):
            gram[c, d] = _dot(seen[c], seen[d])
        gram[images, c] = _dot(seen[c], root)
        gram[_IMAGES + 1, c] = _dot(seen[c], target)
    gram[images, images] = _dot(root, root)
    gram[_IMAGES + 1, images] = _dot(root, target)
    # Rows of `gram`: products of images and constant, then theirs with the target; below, room for the solver.
    normal = gram[_IMAGES + 2 : 2 * _IMAGES + 3]
    right = gram[2 * _IMAGES + 3]
    used = gram[2 * _IMAGES + 4]
    used[:] = 1.0
    for _ in range(images):
        n = 0
        for c in range(images + 1):
            if c == images or used[c] > 0:
                m = 0
                for d in range(c + 1):
                    if d == images or used[d] > 0:
                        normal[n, m] = gram[c, d]
                        m += 1
                # The images of one window resemble each other: keep single precision from seeing more than there is.
                normal[n, n] += 1e-5 * normal[n, n] + 1e-6
                right[n] = gram[_IMAGES + 1, c]
                n += 1
        _solve(normal, right, n)
        # Light only adds: drop the most negative share until none is (a frame cannot be smeared into a sharper one).
        worst = -1
        least = 0.0
        n = 0
        for c in range(images):
            coefficients[c] = 0.0
            if used[c] > 0:
                coefficients[c] = right[n]
                if right[n] < least:
                    least = right[n]
                    worst = c
                n += 1
        coefficients[images] = right[n]
        if worst < 0:
            break
        used[worst] = 0.0


@njit(cache=True, nogil=True, fastmath=SUMS)
def _left(seen, target, root, coefficients, residual):  # type: ignore[no-untyped-def]
    """What a fit leaves of the target, and the sum of its squares."""
    images = seen.shape[0]
    constant = np.float32(coefficients[images])
    for p in range(_SAMPLES):
        residual[p] = target[p] - constant * root[p]
    for c in range(images):
        if coefficients[c] > 0:
            factor = np.float32(coefficients[c])
            for p in range(_SAMPLES):
                residual[p] -= factor * seen[c, p]
    return float(_dot(residual, residual))


@njit(cache=True, nogil=True)
def _cost(whole, gram, coefficients, images):  # type: ignore[no-untyped-def]
    """The same sum of squares, from the products of a fit and the target's square `whole`."""
    cost = whole
    for c in range(images + 1):
        cost -= 2 * coefficients[c] * gram[_IMAGES + 1, c]
        for d in range(c + 1):
            cost += (1.0 if c == d else 2.0) * coefficients[c] * coefficients[d] * gram[c, d]
    return max(cost, 0.0)


@njit(cache=True, nogil=True)
def _evaluate(phases, at, swing, target, root, seen, gram, coefficients, residual):  # type: ignore[no-untyped-def]
    """Cost of the model at (lx, ly, dx, dy); leaves coefficients and residual."""
    _move(phases, at, swing, seen)
    _fit(seen, target, root, gram, coefficients)
    return _left(seen, target, root, coefficients, residual)


@njit(cache=True, nogil=True)
def _try(phases, at, whole, target, root, seen, gram, coefficients):  # type: ignore[no-untyped-def]
    """Cost of the model at (lx, ly, dx, dy), the target's square being `whole`."""
    _move(phases, at, False, seen)
    _fit(seen, target, root, gram, coefficients)
    return _cost(whole, gram, coefficients, seen.shape[0])


@njit(cache=True, nogil=True)
def _search_displacement(phases, at, target, root, seen, gram, coefficients):  # type: ignore[no-untyped-def]
    """Whole level pixels (at[2], at[3]) by which the window is displaced, without smear."""
    probe = np.zeros(4)
    whole = float(_dot(target, target))
    for step in (2, 1):
        least = np.inf
        x = at[2]
        y = at[3]
        reach = 1 if step == 1 else _REACH
        for dy in range(-reach, reach + 1, step):
            for dx in range(-reach, reach + 1, step):
                probe[2] = x + dx
                probe[3] = y + dy
                cost = _try(phases, probe, whole, target, root, seen, gram, coefficients)
                if cost < least:
                    least = cost
                    at[2] = probe[2]
                    at[3] = probe[3]


@njit(cache=True, nogil=True, fastmath=SUMS)
def _try_all(phases, at, target, root, path, seen, gram, coefficients, costs):  # type: ignore[no-untyped-def]
    """Costs of all candidate smears at the displacement of `at`; `path` is room for the images along it, mixed.

    The points along a long path hold those along a shorter one: each direction is walked once, outwards.
    """
    images = seen.shape[0]
    whole = float(_dot(target, target))
    mixed = np.empty(_IMAGES * _SAMPLES, np.float32)
    probe = np.zeros(4)
    probe[2] = at[2]
    probe[3] = at[3]
    costs[0] = _try(phases, probe, whole, target, root, seen, gram, coefficients)
    for a in range(_ANGLES.size):
        x = math.cos(_ANGLES[a])
        y = -math.sin(_ANGLES[a])
        path[:] = np.float32(0.0)
        walked = 0
        for m in range(_POINTS.size):
            while walked < _POINTS[m]:
                away = 0.5 * (walked + 1) * _APART
                for side in (-1.0, 1.0):
                    probe[2] = at[2] + side * away * x
                    probe[3] = at[3] + side * away * y
                    mixed[:] = np.float32(0.0)
                    _add_moved(phases, probe, False, mixed)
                    for p in range(_IMAGES * _SAMPLES):
                        path[p] += mixed[p]
                walked += 2
            share = np.float32(1.0 / walked)
            for c in range(images):
                for p in range(_SAMPLES):
                    seen[c, p] = share * path[p * _IMAGES + c]
            _fit(seen, target, root, gram, coefficients)
            costs[1 + m * _ANGLES.size + a] = _cost(whole, gram, coefficients, images)


@njit(cache=True, nogil=True, fastmath=SUMS)
def _refine(phases, start, swing, first, target, root, seen, gram, coefficients, residual, trial, jacobian):  # type: ignore[no-untyped-def]
    """Damped Gauss-Newton from `start` (lx, ly, dx, dy), changed in place; with `first` 2 only dx, dy move."""
    size = 4 - first
    cost = _evaluate(phases, start, swing, target, root, seen, gram, coefficients, residual)
    damping = 1e-3
    moved = np.empty(4)
    curvature = np.empty((4, 4))
    damped = np.empty((4, 4))
    slope = np.empty(4)
    step = np.empty(4)
    for _ in range(_STEPS):
        for k in range(first, 4):
            moved[:] = start
            # The cost is even in the smear, so its slope at none is zero: look further there.
            h = 0.5 if k < 2 and math.hypot(start[0], start[1]) < 0.3 else 0.05
            moved[k] += h
            _evaluate(phases, moved, swing, target, root, seen, gram, coefficients, trial)
            scale = np.float32(1.0 / h)
            for p in range(_SAMPLES):
                jacobian[k - first, p] = (trial[p] - residual[p]) * scale
        for a in range(size):
            for b in range(a + 1):
                curvature[a, b] = _dot(jacobian[a], jacobian[b])
            slope[a] = -_dot(jacobian[a], residual)
        better = False
        before = cost
        for _ in range(4):
            damped[:] = curvature
            step[:] = slope
            for a in range(size):
                damped[a, a] += damping * damped[a, a] + 1e-6
            _solve(damped, step, size)
            moved[:] = start
            for a in range(size):
                moved[first + a] += step[a]
            inside = (
                math.hypot(moved[0], moved[1]) <= _LONGEST
                and abs(moved[2]) <= _REACH + 1.5
                and abs(moved[3]) <= _REACH + 1.5
            )
            if inside:
                now = _evaluate(phases, moved, swing, target, root, seen, gram, coefficients, trial)
                if now < cost:
                    better = True
                    cost = now
                    residual[:] = trial
                    start[:] = moved
                    break
            damping *= 10.0
        if not better or before - cost < 1e-3 * cost:
            break
        damping = max(damping / 10.0, 1e-6)
    return cost


class _Bench:
    """Room to work in for one window at a time, and the steps of measuring it."""

    def __init__(self, sharp: Pyramid, smeared: Pyramid, used: RelativeSmearSettings) -> None:
        self.used = used
        self.levels = list(zip(sharp.levels, smeared.levels, strict=False))[:_LEVELS]
        while len(self.levels) < _LEVELS:  # of small pictures
            self.levels.append((halved(self.levels[-1][0]), halved(self.levels[-1][1])))
        self.phases = np.zeros((_PHASES, _PHASES, _ROOM, _ROOM * _IMAGES), np.float32)
        self.doubled = np.empty((2 * _SIDE, 2 * _SIDE), np.float32)
        self.target, self.root = np.empty((2, _SAMPLES), np.float32)
        self.residual, self.trial = np.empty((2, _SAMPLES), np.float32)
        self.seen, self.path = np.empty((_IMAGES, _SAMPLES), np.float32), np.empty(_IMAGES * _SAMPLES, np.float32)
        self.jacobian = np.empty((4, _SAMPLES), np.float32)
        self.gram = np.empty((2 * _IMAGES + 5, _IMAGES + 1))
        self.coefficients = np.zeros(_IMAGES + 1)
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
        used, factor = self.used, 1 << level
        taken = self._take(x, y, level, affine)
        if taken is None:
            return None
        variance, off = taken
        plain = np.zeros(4)
        _search_displacement(
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
        gained = (plain_cost + 1e-4 * variance) / (smeared_cost + 1e-4 * variance)
        if gained < used.improvement_supported:
            chosen, cost, length = plain, plain_cost, 0.0
        else:
            chosen, cost, length = smeared, smeared_cost, math.hypot(smeared[0], smeared[1])
        sure = self._sureness(chosen, cost, variance, level, tolerated)
        last = level == _LEVELS - 1
        # Mostly the largest disc means defocus beyond what this level can model.
        self._evaluate(chosen, self.residual)
        vast = self.coefficients[_IMAGES - 1] > 0.7 * self.coefficients[:_IMAGES].sum()
        if length > (0.93 * _LONGEST if last else _TRUSTED) or (vast and not last):
            sure *= 0.3
        if length > 0:
            length, chosen = self._as_swing(chosen, cost, length, used.model_error * variance)
        away = (chosen[2:] - off) * factor
        return Window(length * factor, math.atan2(-chosen[1], chosen[0]), sure, gained, float(away[0]), float(away[1]))

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
        used, factor = self.used, 1 << level
        taken = self._take(x, y, level, affine)
        if taken is None:
            return None
        variance, off = taken
        plain, smeared = np.array([0.0, 0.0, *off]), np.array([*path, *off])
        self._refine(smeared, 0)
        _search_displacement(
            self.phases, plain, self.target, self.root, self.seen[:2], self.gram, self.coefficients
        )
        self._refine(plain, 2)
        variance = self._discount(plain, smeared, variance)
        plain_cost, cost = self._refine(plain, 2), self._refine(smeared, 0)
        floor = used.model_error * variance
        gained = (plain_cost + 1e-4 * variance) / (cost + 1e-4 * variance)
        length = math.hypot(smeared[0], smeared[1])
        if cost > used.poor_fit * variance or gained < used.improvement_supported or length > 0.93 * _LONGEST:
            return None
        misfit = cost / variance / used.poor_fit
        against = ((plain_cost + floor) / (cost + floor)) ** (-0.5 * used.independent_samples)
        sure = 1 / (1 + against) / (1 + misfit * misfit)
        length, smeared = self._as_swing(smeared, cost, length, floor)
        away = (smeared[2:] - off) * factor
        return Window(
            length * factor, math.atan2(-smeared[1], smeared[0]), sure, gained, float(away[0]), float(away[1])
        )

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
        window = slice(_PAD, _INNER - _PAD, _STEP)
        values = _smoothed(taken)[window, window].ravel()
        # Clipped pixels follow no model.
        weights = np.where((values > 2.5) & (values < 251.0), _WEIGHTS, np.float32(0.0))
        total = float(weights.sum())
        if total < 0.5 * _WEIGHTS.sum():
            return None
        variance = self._weigh(values - 128, weights)
        if variance < 0.25 * total:
            return None
        reach = _MARGIN - _PAD
        own = _smoothed(_region(sharp, x0 - reach, y0 - reach, _SIDE)) - 128
        _sort_phases(own, self.doubled, self.phases, 0)
        for image, kernel in enumerate(_DISC_KERNELS, 1):
            blurred = cv2.filter2D(own, cv2.CV_32F, kernel, borderType=cv2.BORDER_REPLICATE)
            _sort_phases(blurred, self.doubled, self.phases, image)
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
        return float(_evaluate(self.phases, at, False, *room, residual))

    def _refine(self, at: Floats, first: int, swing: bool = False) -> float:
        room = self.target, self.root, self.seen, self.gram, self.coefficients, self.residual
        return float(_refine(self.phases, at, swing, first, *room, self.trial, self.jacobian))

    def _try_all(self, at: Floats) -> None:
        room = self.path, self.seen, self.gram, self.coefficients, self.costs
        _try_all(self.phases, at, self.target, self.root, *room)


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


@njit(cache=True, nogil=True)
def _sort_phases(patch, doubled, phases, image):  # type: ignore[no-untyped-def]
    """Interleave cubic midpoints (bilinear samples between them blur next to nothing) and sort by phase."""
    side = patch.shape[0]
    nine = np.float32(9.0)
    share = np.float32(1 / 16)
    last = side - 1
    for i in range(side):
        for j in range(side):
            doubled[2 * i, 2 * j] = patch[i, j]
            beyond = patch[i, min(j + 1, last)]
            doubled[2 * i, 2 * j + 1] = share * (
                nine * (patch[i, j] + beyond) - patch[i, max(j - 1, 0)] - patch[i, min(j + 2, last)]
            )
    for i in range(side):
        above = doubled[2 * max(i - 1, 0)]
        here = doubled[2 * i]
        below = doubled[2 * min(i + 1, last)]
        next_ = doubled[2 * min(i + 2, last)]
        into = doubled[2 * i + 1]
        for j in range(2 * side):
            into[j] = share * (nine * (here[j] + below[j]) - above[j] - next_[j])
    for v in range(2 * side):
        for u in range(_PHASES):
            line = phases[v % _PHASES, u, v // _PHASES]
            for k in range(side * 2 // _PHASES):
                line[k * _IMAGES + image] = doubled[v, k * _PHASES + u]


def _local_affine(mapping: Floats, x: float, y: float, dx: float, dy: float) -> Floats:
    """The mapping near (x, y), of content that moves on by (dx, dy) before it is mapped: shape (2, 3)."""
    at = np.array([x + dx, y + dy, 1.0])
    u, v, w = mapping @ at
    linear = (mapping[:2, :2] - np.outer([u / w, v / w], mapping[2, :2])) / w
    return np.column_stack([linear, np.array([u / w, v / w]) - linear @ np.array([x, y])])
