"""How far things moved during one exposure, measured against a sharper frame of the same view."""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from windstill.records import TileGrid
from windstill.score.smear import SmearMaps
from windstill.settings.smear import RelativeSmearSettings

# A window is sampled every second pixel of its level, 33 level pixels across: its texture is smoothed by a
# Gaussian of sigma 1 first, so nothing is lost between the samples.
_WINDOW = 16
_STEP = 2
_SAMPLES = (2 * _WINDOW // _STEP + 1) ** 2
_REACH = 4  # level pixels by which the two frames may still be displaced
_LONGEST = 14.0  # level pixels; half of it and the reach must fit in the margin
_MARGIN = 13
_HALF = _WINDOW + _MARGIN
_SIDE = 2 * _HALF + 1
_PAD = 3  # pixels that the smoothing spoils at the rim
_TRUSTED = 11.0  # level pixels: longer smears are measured on the next level
_LEVELS = 3  # pixels of a level are 1, 2 and 4 working pixels wide
_STARTS = 2  # starting points that are refined
_STEPS = 8  # refinement steps
_IMAGES = 3

_LENGTHS = np.array([1.5, 3.0, 5.0, 8.0, 12.0])
_ANGLES = np.arange(8) * np.pi / 8
_CANDIDATES = np.concatenate(
    [[[0.0, 0.0]], np.stack(np.broadcast_arrays(*[
        np.multiply.outer(_LENGTHS, np.cos(_ANGLES)), -np.multiply.outer(_LENGTHS, np.sin(_ANGLES))
    ]), axis=-1).reshape(-1, 2)]
)  # fmt: skip


def _gaussian(sigma: float) -> NDArray[np.float64]:
    radius = math.ceil(2.7 * sigma)
    taps = np.exp(-0.5 * (np.arange(-radius, radius + 1) / sigma) ** 2)
    scaled: NDArray[np.float64] = taps / taps.sum()
    return scaled


_FINE = np.array([1, 4, 6, 4, 1]) / 16.0  # sigma 1
_SOFT = _gaussian(1.5)
_SOFTER = _gaussian(3.0)
_OFFSETS = np.arange(-_WINDOW, _WINDOW + 1, _STEP)
_WEIGHTS = np.exp(-(_OFFSETS[:, None] ** 2 + _OFFSETS[None, :] ** 2) / (2 * (0.6 * _WINDOW) ** 2)).ravel()


def relative_smear(
    sharp: NDArray[np.uint8],
    smeared: NDArray[np.uint8],
    grid: TileGrid,
    reduction: int,
    usable: NDArray[np.bool_],
    settings: RelativeSmearSettings | None = None,
    smeared_from_sharp: NDArray[np.float64] | None = None,
    displacement: tuple[NDArray[np.float32], NDArray[np.float32]] | None = None,
) -> SmearMaps:
    """Motion during the exposure of `smeared`, from what turns `sharp` into it, tile by tile.

    Parameters
    ----------
    sharp, smeared : uint8 array, shape (h, w)
        Working planes of two frames of one view.
    grid : TileGrid
        Tiles of `sharp`.
    reduction : int
        Full-resolution pixels per working pixel.
    usable : bool map
        Tiles to measure; the cost is proportional to their number.
    settings : RelativeSmearSettings, optional
    smeared_from_sharp : float array, shape (3, 3), optional
        Takes homogeneous (x, y, 1) of `sharp` to `smeared`, both working planes. Identity when not given.
    displacement : two float32 maps, optional
        (x, y) in full-resolution pixels: where the tile's content went from `sharp` to `smeared` after that
        mapping, in the coordinates of `sharp` (the sway). Up to four working pixels need not be told.

    Returns
    -------
    SmearMaps
        Peak-to-peak length in full-resolution pixels, 0 where there is none; angle; confidence 0 outside `usable`,
        where the view is left, and where the texture cannot tell smear from defocus (a single straight edge).
        The sharper frame's own smear is not included.

    Notes
    -----
    Within a window the smeared frame is modelled as ``b + sum_k a_k (G_k * K * sharp)(x + d)``: K a uniform straight
    motion (length, angle), d a displacement, G_k three Gaussians (none, 1.5 and 3 pixels) that span added defocus, and
    gain and offset of exposure. The linear coefficients are eliminated by least squares for each K and d (variable
    projection, Golub & Pereyra, SIAM J. Numer. Anal. 10, 1973), the four others found by a coarse search over
    K and damped Gauss-Newton steps. Levels of 1, 2 and 4 working pixels are tried in turn until one is sure.
    Confidence is the posterior share of the candidates that agree with the estimate, times the goodness of fit;
    so a window whose texture has one direction, where any motion across it fits, gives none.
    """
    used = settings or RelativeSmearSettings()
    length = np.zeros(grid.shape, np.float32)
    angle = np.zeros(grid.shape, np.float32)
    confidence = np.zeros(grid.shape, np.float32)
    rows, cols = np.nonzero(usable)
    if rows.size == 0:
        return SmearMaps(length, angle, confidence)
    side = grid.tile_px / reduction
    centres = np.stack([(cols + 0.5) * side - 0.5, (rows + 0.5) * side - 0.5], axis=1)
    mapping = np.eye(3) if smeared_from_sharp is None else np.asarray(smeared_from_sharp, np.float64)
    moved = np.zeros_like(centres)
    if displacement is not None:
        moved[:, 0] = displacement[0][rows, cols] / reduction
        moved[:, 1] = displacement[1][rows, cols] / reduction
        moved[~np.isfinite(moved)] = 0.0
    found = _measure_windows(
        np.ascontiguousarray(sharp), np.ascontiguousarray(smeared), centres, moved, mapping, 2.0 / reduction,
        used.model_error, used.independent_samples, used.evidence, used.poor_fit,
        _CANDIDATES, _WEIGHTS, _FINE, _SOFT, _SOFTER,
    )  # fmt: skip
    length[rows, cols] = found[:, 0] * reduction
    angle[rows, cols] = np.rad2deg(found[:, 1]) % 180.0
    confidence[rows, cols] = found[:, 2]
    return SmearMaps(length, angle, confidence)


@njit(cache=True, nogil=True, fastmath=True)
def _cubic(plane, x, y):  # type: ignore[no-untyped-def]
    """Catmull-Rom sample, borders repeated."""
    height, width = plane.shape
    x0 = math.floor(x)
    y0 = math.floor(y)
    t = x - x0
    u = y - y0
    total = 0.0
    for i in range(-1, 3):
        yy = min(max(y0 + i, 0), height - 1)
        v = abs(u - i)
        wy = (1.5 * v - 2.5) * v * v + 1.0 if v < 1.0 else ((-0.5 * v + 2.5) * v - 4.0) * v + 2.0
        line = 0.0
        for j in range(-1, 3):
            xx = min(max(x0 + j, 0), width - 1)
            v = abs(t - j)
            wx = (1.5 * v - 2.5) * v * v + 1.0 if v < 1.0 else ((-0.5 * v + 2.5) * v - 4.0) * v + 2.0
            line += wx * plane[yy, xx]
        total += wy * line
    return total


@njit(cache=True, nogil=True, fastmath=True)
def _cut_level(plane, cx, cy, factor, patch):  # type: ignore[no-untyped-def]
    """Patch of area means of factor x factor pixels around (cx, cy), which is rounded to whole pixels for it."""
    height, width = plane.shape
    side = patch.shape[0]
    half = side // 2
    x0 = cx - half * factor - (factor - 1) // 2
    y0 = cy - half * factor - (factor - 1) // 2
    share = 1.0 / (factor * factor)
    for i in range(side):
        for j in range(side):
            total = 0.0
            for a in range(factor):
                y = min(max(y0 + i * factor + a, 0), height - 1)
                for b in range(factor):
                    x = min(max(x0 + j * factor + b, 0), width - 1)
                    total += plane[y, x]
            patch[i, j] = total * share


@njit(cache=True, nogil=True, fastmath=True)
def _cut_mapped(plane, cx, cy, factor, affine, patch):  # type: ignore[no-untyped-def]
    """As `_cut_level`, read through an affine map; False when the patch leaves the plane."""
    height, width = plane.shape
    side = patch.shape[0]
    half = side // 2
    x0 = cx - half * factor - (factor - 1) // 2
    y0 = cy - half * factor - (factor - 1) // 2
    last = side * factor - 1
    for corner in range(4):
        x = x0 + (last if corner % 2 else 0)
        y = y0 + (last if corner // 2 else 0)
        u = affine[0, 0] * x + affine[0, 1] * y + affine[0, 2]
        v = affine[1, 0] * x + affine[1, 1] * y + affine[1, 2]
        # A window at the picture's edge is measured as long as most of it is seen.
        slack = 0.25 * side * factor
        if u < -slack or v < -slack or u > width - 1 + slack or v > height - 1 + slack:
            return False
    share = 1.0 / (factor * factor)
    for i in range(side):
        for j in range(side):
            total = 0.0
            for a in range(factor):
                y = y0 + i * factor + a
                for b in range(factor):
                    x = x0 + j * factor + b
                    u = affine[0, 0] * x + affine[0, 1] * y + affine[0, 2]
                    v = affine[1, 0] * x + affine[1, 1] * y + affine[1, 2]
                    if factor == 1:
                        total += _cubic(plane, u, v)
                    else:
                        u = min(max(u, 0.0), width - 1.001)
                        v = min(max(v, 0.0), height - 1.001)
                        ui = int(u)
                        vi = int(v)
                        fu = u - ui
                        fv = v - vi
                        total += (1 - fv) * ((1 - fu) * plane[vi, ui] + fu * plane[vi, ui + 1])
                        total += fv * ((1 - fu) * plane[vi + 1, ui] + fu * plane[vi + 1, ui + 1])
            patch[i, j] = total * share
    return True


@njit(cache=True, nogil=True, fastmath=True)
def _smooth(source, taps, scratch, result):  # type: ignore[no-untyped-def]
    """Separable filter of a square patch, borders repeated."""
    side = source.shape[0]
    radius = taps.size // 2
    for i in range(side):
        for j in range(side):
            total = 0.0
            for k in range(-radius, radius + 1):
                total += taps[k + radius] * source[i, min(max(j + k, 0), side - 1)]
            scratch[i, j] = total
    for i in range(side):
        for j in range(side):
            result[i, j] = 0.0
        for k in range(-radius, radius + 1):
            row = min(max(i + k, 0), side - 1)
            for j in range(side):
                result[i, j] += taps[k + radius] * scratch[row, j]


@njit(cache=True, nogil=True, fastmath=True)
def _double(source, scratch, result):  # type: ignore[no-untyped-def]
    """Interleave cubic midpoints, so that bilinear samples between them blur next to nothing."""
    side = source.shape[0]
    wide = 2 * side - 1
    for i in range(side):
        for j in range(side):
            scratch[i, 2 * j] = source[i, j]
        for j in range(side - 1):
            outer = source[i, max(j - 1, 0)] + source[i, min(j + 2, side - 1)]
            scratch[i, 2 * j + 1] = (9.0 * (source[i, j] + source[i, j + 1]) - outer) * 0.0625
    for i in range(side):
        for j in range(wide):
            result[2 * i, j] = scratch[i, j]
    for i in range(side - 1):
        above = max(i - 1, 0)
        below = min(i + 2, side - 1)
        for j in range(wide):
            outer = scratch[above, j] + scratch[below, j]
            result[2 * i + 1, j] = (9.0 * (scratch[i, j] + scratch[i + 1, j]) - outer) * 0.0625


@njit(cache=True, nogil=True, fastmath=True)
def _move(images, lx, ly, dx, dy, seen):  # type: ignore[no-untyped-def]
    """The doubled images smeared along (lx, ly) and displaced by (dx, dy), at the window's samples."""
    count = max(math.ceil(math.sqrt(lx * lx + ly * ly) / 1.1), 1)
    last = images.shape[1] - 2
    seen[:] = 0.0
    for k in range(count):
        t = (k + 0.5) / count - 0.5
        # The model reads the sharp frame where the content came from.
        x = 2.0 * (_HALF - dx + t * lx)
        y = 2.0 * (_HALF - dy + t * ly)
        x0 = math.floor(x)
        y0 = math.floor(y)
        fx = x - x0
        fy = y - y0
        w00 = (1 - fx) * (1 - fy) / count
        w01 = fx * (1 - fy) / count
        w10 = (1 - fx) * fy / count
        w11 = fx * fy / count
        p = 0
        for i in range(-_WINDOW, _WINDOW + 1, _STEP):
            yy = min(max(y0 + 2 * i, 0), last)
            for j in range(-_WINDOW, _WINDOW + 1, _STEP):
                xx = min(max(x0 + 2 * j, 0), last)
                for c in range(_IMAGES):
                    seen[c, p] += (
                        w00 * images[c, yy, xx]
                        + w01 * images[c, yy, xx + 1]
                        + w10 * images[c, yy + 1, xx]
                        + w11 * images[c, yy + 1, xx + 1]
                    )
                p += 1


@njit(cache=True, nogil=True, fastmath=True)
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


@njit(cache=True, nogil=True, fastmath=True)
def _fit(seen, target, weight, images, residual):  # type: ignore[no-untyped-def]
    """Weighted least squares of the target on the first `images` of `seen` and a constant; gives the cost."""
    size = images + 1
    normal = np.zeros((_IMAGES + 1, _IMAGES + 1))
    right = np.zeros(_IMAGES + 1)
    for p in range(target.size):
        w = weight[p]
        for c in range(images):
            v = w * seen[c, p]
            for d in range(c + 1):
                normal[c, d] += v * seen[d, p]
            normal[images, c] += v
            right[c] += v * target[p]
        normal[images, images] += w
        right[images] += w * target[p]
    for c in range(size):
        normal[c, c] += 1e-7 * normal[c, c] + 1e-9
    _solve(normal, right, size)
    cost = 0.0
    for p in range(target.size):
        rest = target[p] - right[images]
        for c in range(images):
            rest -= right[c] * seen[c, p]
        rest *= math.sqrt(weight[p])
        residual[p] = rest
        cost += rest * rest
    return cost


@njit(cache=True, nogil=True, fastmath=True)
def _refine(images, target, weight, start, smears, seen, residual, trial, jacobian):  # type: ignore[no-untyped-def]
    """Damped Gauss-Newton from `start` (lx, ly, dx, dy), changed in place; without `smears` only dx, dy move."""
    first = 0 if smears else 2
    _move(images, start[0], start[1], start[2], start[3], seen)
    cost = _fit(seen, target, weight, _IMAGES, residual)
    damping = 1e-3
    moved = np.empty(4)
    normal = np.empty((4, 4))
    step = np.empty(4)
    for _ in range(_STEPS):
        for k in range(first, 4):
            moved[:] = start
            # The cost is even in the smear, so its slope at none is zero: look further there.
            h = 0.5 if k < 2 and math.hypot(start[0], start[1]) < 0.3 else 0.05
            moved[k] += h
            _move(images, moved[0], moved[1], moved[2], moved[3], seen)
            _fit(seen, target, weight, _IMAGES, trial)
            for p in range(target.size):
                jacobian[k, p] = (trial[p] - residual[p]) / h
        better = False
        before = cost
        for _ in range(4):
            n = 4 - first
            for a in range(n):
                for b in range(a + 1):
                    total = 0.0
                    for p in range(target.size):
                        total += jacobian[first + a, p] * jacobian[first + b, p]
                    normal[a, b] = total
                total = 0.0
                for p in range(target.size):
                    total -= jacobian[first + a, p] * residual[p]
                step[a] = total
            for a in range(n):
                normal[a, a] += damping * normal[a, a] + 1e-9
            _solve(normal, step, n)
            moved[:] = start
            for a in range(n):
                moved[first + a] += step[a]
            inside = (
                math.hypot(moved[0], moved[1]) <= _LONGEST
                and abs(moved[2]) <= _REACH + 1.5
                and abs(moved[3]) <= _REACH + 1.5
            )
            if inside:
                _move(images, moved[0], moved[1], moved[2], moved[3], seen)
                now = _fit(seen, target, weight, _IMAGES, trial)
                if now < cost:
                    better = True
                    cost = now
                    residual[:] = trial
                    start[:] = moved
                    break
            damping *= 10.0
        if not better or before - cost < 1e-4 * cost:
            break
        damping = max(damping / 10.0, 1e-6)
    return cost


@njit(cache=True, nogil=True, fastmath=True)
def _local_affine(mapping, x, y, dx, dy):  # type: ignore[no-untyped-def]
    """The mapping near (x, y), of content that moved on by (dx, dy) before it is mapped."""
    u = mapping[0, 0] * x + mapping[0, 1] * y + mapping[0, 2]
    v = mapping[1, 0] * x + mapping[1, 1] * y + mapping[1, 2]
    w = mapping[2, 0] * x + mapping[2, 1] * y + mapping[2, 2]
    affine = np.empty((2, 3))
    for k in range(2):
        affine[0, k] = (mapping[0, k] - u / w * mapping[2, k]) / w
        affine[1, k] = (mapping[1, k] - v / w * mapping[2, k]) / w
    affine[0, 2] = u / w - affine[0, 0] * (x - dx) - affine[0, 1] * (y - dy)
    affine[1, 2] = v / w - affine[1, 0] * (x - dx) - affine[1, 1] * (y - dy)
    return affine


@njit(cache=True, nogil=True, fastmath=True)
def _measure_windows(  # type: ignore[no-untyped-def]
    sharp, smeared, centres, displaced, mapping, tolerated, model_error, samples, evidence, poor_fit,
    candidates, weights, fine, soft, softer,
):  # fmt: skip
    """Length (working pixels), angle (radians) and confidence for each window; `tolerated` is 2 full pixels."""
    wide = 2 * _SIDE - 1
    inner = 2 * (_WINDOW + _PAD) + 1
    patch = np.empty((_SIDE, _SIDE))
    soft_patch = np.empty((_SIDE, _SIDE))
    scratch = np.empty((_SIDE, _SIDE))
    scratch_wide = np.empty((_SIDE, wide))
    images = np.empty((_IMAGES, wide, wide))
    cut_b = np.empty((inner, inner))
    smooth_b = np.empty((inner, inner))
    scratch_b = np.empty((inner, inner))
    target = np.empty(_SAMPLES)
    weight = np.empty(_SAMPLES)
    seen = np.empty((_IMAGES, _SAMPLES))
    residual = np.empty(_SAMPLES)
    trial = np.empty(_SAMPLES)
    jacobian = np.empty((4, _SAMPLES))
    costs = np.empty(candidates.shape[0])
    plain = np.empty(4)
    best = np.empty(4)
    start = np.empty(4)
    found = np.zeros((centres.shape[0], 3))
    unmapped = True
    for a in range(3):
        for b in range(3):
            unmapped = unmapped and mapping[a, b] == (1.0 if a == b else 0.0)
    for tile in range(centres.shape[0]):
        cx = round(centres[tile, 0])
        cy = round(centres[tile, 1])
        shift_x = displaced[tile, 0]
        shift_y = displaced[tile, 1]
        if unmapped:
            # Whole pixels keep the second frame unresampled; the rest is within reach.
            shift_x = float(round(shift_x))
            shift_y = float(round(shift_y))
        affine = _local_affine(mapping, cx + shift_x, cy + shift_y, shift_x, shift_y)
        for level in range(_LEVELS):
            factor = 1 << level
            if not _cut_mapped(smeared, cx, cy, factor, affine, cut_b):
                break
            _smooth(cut_b, fine, scratch_b, smooth_b)
            total_w = 0.0
            mean = 0.0
            p = 0
            for i in range(_PAD, inner - _PAD, _STEP):
                for j in range(_PAD, inner - _PAD, _STEP):
                    value = smooth_b[i, j]
                    target[p] = value
                    # Clipped pixels follow no model.
                    weight[p] = weights[p] if 2.5 < value < 251.0 else 0.0
                    total_w += weight[p]
                    mean += weight[p] * value
                    p += 1
            if total_w < 0.5 * weights.sum():
                continue
            mean /= total_w
            variance = 0.0
            for p in range(_SAMPLES):
                variance += weight[p] * (target[p] - mean) ** 2
            if variance < 0.25 * total_w:
                continue
            _cut_level(sharp, cx, cy, factor, patch)
            _smooth(patch, fine, scratch, soft_patch)
            patch[:] = soft_patch
            _double(patch, scratch_wide, images[0])
            _smooth(patch, soft, scratch, soft_patch)
            _double(soft_patch, scratch_wide, images[1])
            _smooth(patch, softer, scratch, soft_patch)
            _double(soft_patch, scratch_wide, images[2])

            plain[:] = 0.0
            least = np.inf
            for dy in range(-_REACH, _REACH + 1):
                for dx in range(-_REACH, _REACH + 1):
                    _move(images, 0.0, 0.0, float(dx), float(dy), seen)
                    cost = _fit(seen, target, weight, 2, residual)
                    if cost < least:
                        least = cost
                        plain[2] = dx
                        plain[3] = dy
            cost_plain = _refine(images, target, weight, plain, False, seen, residual, trial, jacobian)
            for c in range(candidates.shape[0]):
                _move(images, candidates[c, 0], candidates[c, 1], plain[2], plain[3], seen)
                costs[c] = _fit(seen, target, weight, _IMAGES, residual)
            best_cost = np.inf
            best[:] = plain
            first = -1
            for _ in range(_STARTS):
                pick = -1
                for c in range(1, candidates.shape[0]):
                    if c != first and (pick < 0 or costs[c] < costs[pick]):
                        pick = c
                first = pick
                start[0] = candidates[pick, 0]
                start[1] = candidates[pick, 1]
                start[2] = plain[2]
                start[3] = plain[3]
                cost = _refine(images, target, weight, start, True, seen, residual, trial, jacobian)
                if cost < best_cost:
                    best_cost = cost
                    best[:] = start
            floor = model_error * variance
            odds = 0.5 * samples * math.log((cost_plain + floor) / (best_cost + floor))
            chosen_cost = best_cost
            if odds < evidence:
                best[:] = plain
                chosen_cost = cost_plain
            length = math.hypot(best[0], best[1])
            near = max(max(0.5 * tolerated, 0.2 * length), 0.5) / factor if level == 0 else max(0.5, 0.2 * length)
            if length == 0.0:
                near = max(tolerated / factor, 0.5)
            against = 0.0
            for c in range(candidates.shape[0]):
                apart = min(
                    math.hypot(candidates[c, 0] - best[0], candidates[c, 1] - best[1]),
                    math.hypot(candidates[c, 0] + best[0], candidates[c, 1] + best[1]),
                )
                if apart > near:
                    cost = min(costs[c], cost_plain) if c == 0 else costs[c]
                    against += math.exp(-0.5 * samples * math.log((cost + floor) / (chosen_cost + floor)))
            misfit = chosen_cost / variance / poor_fit
            sure = 1.0 / (1.0 + against) / (1.0 + misfit * misfit)
            if length > _TRUSTED and level < _LEVELS - 1:
                sure *= 0.3
            if sure > found[tile, 2]:
                found[tile, 0] = length * factor
                found[tile, 1] = math.atan2(-best[1], best[0])
                found[tile, 2] = sure
            if sure > 0.8 and length <= _TRUSTED:
                break
    return found
