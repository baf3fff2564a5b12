"""How far things moved during one exposure, measured against a sharper frame of the same view."""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from windstill.records import TileGrid
from windstill.score.smear import SmearMaps
from windstill.settings.smear import RelativeSmearSettings

# A window is sampled every second pixel of its level, 31 level pixels across: its texture is smoothed by a
# Gaussian of sigma 1 first, so nothing is lost between the samples. Sixteen a side fill vector registers.
_ACROSS = 16
_STEP = 2
_SAMPLES = _ACROSS * _ACROSS
_HALF_WINDOW = _STEP * (_ACROSS - 1) / 2  # level pixels from the window's centre to its outer samples
_REACH = 4  # level pixels by which the two frames may still be displaced
_LONGEST = 14.0  # level pixels; half of it and the reach must fit in the margin
_MARGIN = 13
_SIDE = _STEP * (_ACROSS - 1) + 2 * _MARGIN + 2  # even: the window's centre lies between two pixels
_PAD = 3  # pixels that the smoothing spoils at the rim
_INNER = _STEP * (_ACROSS - 1) + 1 + 2 * _PAD
_TRUSTED = 11.0  # level pixels: longer smears are measured on the next level
_LEVELS = 3  # pixels of a level are 1, 2 and 4 working pixels wide
_STARTS = 2  # starting points that are refined
_STEPS = 8  # refinement steps
_IMAGES = 4
_PHASES = 4  # window samples are four apart in the doubled patch: each phase is stored by itself, contiguous
_ROOM = (2 * _SIDE + 3) // _PHASES

_LENGTHS = np.array([1.5, 3.0, 5.0, 8.0, 12.0])
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
    motion (length, angle), d a displacement, G_k discs of 0, 3, 6 and 10 pixels that span added defocus, and
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
        used.model_error, used.independent_samples, used.improvement_supported, used.poor_fit,
        _CANDIDATES, _WEIGHTS, _FINE, _DISC_KERNELS,
    )  # fmt: skip
    length[rows, cols] = found[:, 0] * reduction
    angle[rows, cols] = np.rad2deg(found[:, 1]) % 180.0
    confidence[rows, cols] = found[:, 2]
    gained = np.zeros(grid.shape, np.float32)
    gained[rows, cols] = found[:, 3]
    doubtful = (length > 0) & (gained < used.improvement_alone) & ~_has_company(length, angle, confidence)
    confidence[doubtful] *= 0.4
    return SmearMaps(length, angle, confidence)


def _has_company(
    length: NDArray[np.float32], angle: NDArray[np.float32], confidence: NDArray[np.float32]
) -> NDArray[np.bool_]:
    """Tiles one of whose eight neighbours moved alike: within 20 degrees and a factor of 1.6."""
    rows, cols = length.shape
    held = np.pad(np.where(confidence >= 0.5, length, 0), 1)
    turned = np.pad(angle, 1)
    company = np.zeros(length.shape, np.bool_)
    for dy in range(3):
        for dx in range(3):
            if dy == 1 and dx == 1:
                continue
            other = held[dy : dy + rows, dx : dx + cols]
            apart = np.abs((turned[dy : dy + rows, dx : dx + cols] - angle + 90) % 180 - 90)
            company |= (apart < 20) & (other > length / 1.6) & (other < length * 1.6) & (other > 0)
    return company


@njit(cache=True, nogil=True)
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


@njit(cache=True, nogil=True)
def _cut_level(plane, x0, y0, factor, patch):  # type: ignore[no-untyped-def]
    """Area means of factor x factor pixels from the upper left pixel (x0, y0) on."""
    height, width = plane.shape
    side = patch.shape[0]
    share = np.float32(1.0 / (factor * factor))
    inside = x0 >= 0 and y0 >= 0 and x0 + side * factor <= width and y0 + side * factor <= height
    patch[:] = np.float32(-128.0)
    for i in range(side):
        into = patch[i]
        for a in range(factor):
            y = min(max(y0 + i * factor + a, 0), height - 1)
            if inside:
                row = plane[y, x0 : x0 + side * factor]
                for j in range(side):
                    total = 0
                    for b in range(factor):
                        total += row[j * factor + b]
                    into[j] += share * np.float32(total)
            else:
                for j in range(side):
                    total = 0
                    for b in range(factor):
                        total += plane[y, min(max(x0 + j * factor + b, 0), width - 1)]
                    into[j] += share * np.float32(total)


@njit(cache=True, nogil=True)
def _cut_mapped(plane, x0, y0, factor, affine, patch):  # type: ignore[no-untyped-def]
    """As `_cut_level`, read through an affine map; False when the patch leaves the plane."""
    height, width = plane.shape
    side = patch.shape[0]
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
    whole = affine[0, 1] == 0.0 and affine[1, 0] == 0.0 and affine[0, 0] == 1.0 and affine[1, 1] == 1.0
    if whole and affine[0, 2] == round(affine[0, 2]) and affine[1, 2] == round(affine[1, 2]):
        _cut_level(plane, x0 + round(affine[0, 2]), y0 + round(affine[1, 2]), factor, patch)
        return True
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
            patch[i, j] = total * share - 128.0
    return True


@njit(cache=True, nogil=True)
def _smooth(source, taps, scratch, result):  # type: ignore[no-untyped-def]
    """Separable filter of a square patch; a rim as wide as the taps is copied."""
    side = source.shape[0]
    radius = taps.size // 2
    inner = side - 2 * radius
    scratch[:] = source
    for i in range(side):
        into = scratch[i, radius : side - radius]
        into[:] = np.float32(0.0)
        for k in range(taps.size):
            row = source[i, k : k + inner]
            for j in range(inner):
                into[j] += taps[k] * row[j]
    result[:] = scratch
    for i in range(radius, side - radius):
        into = result[i]
        into[:] = np.float32(0.0)
        for k in range(taps.size):
            row = scratch[i + k - radius]
            for j in range(side):
                into[j] += taps[k] * row[j]


@njit(cache=True, nogil=True)
def _defocus(source, kernel, result):  # type: ignore[no-untyped-def]
    """Filter a square patch; the rim the kernel does not fit into is copied."""
    side = source.shape[0]
    radius = kernel.shape[0] // 2
    result[:] = source
    result[radius : side - radius, radius : side - radius] = 0.0
    for a in range(kernel.shape[0]):
        for b in range(kernel.shape[1]):
            tap = kernel[a, b]
            if tap > 0:
                for i in range(radius, side - radius):
                    row = source[i + a - radius, b : b + side - 2 * radius]
                    into = result[i, radius : side - radius]
                    for j in range(side - 2 * radius):
                        into[j] += tap * row[j]


@njit(cache=True, nogil=True)
def _phases(source, scratch, phases):  # type: ignore[no-untyped-def]
    """Interleave cubic midpoints (bilinear samples between them blur next to nothing) and sort by phase."""
    side = source.shape[0]
    nine = np.float32(0.5625)
    one = np.float32(0.0625)
    for i in range(side):
        for j in range(side):
            scratch[2 * i, 2 * j] = source[i, j]
        for j in range(side - 1):
            outer = source[i, max(j - 1, 0)] + source[i, min(j + 2, side - 1)]
            scratch[2 * i, 2 * j + 1] = nine * (source[i, j] + source[i, j + 1]) - one * outer
        scratch[2 * i, 2 * side - 1] = source[i, side - 1]
    for i in range(side - 1):
        above = max(2 * i - 2, 0)
        below = min(2 * i + 4, 2 * side - 2)
        for j in range(2 * side):
            outer = scratch[above, j] + scratch[below, j]
            scratch[2 * i + 1, j] = nine * (scratch[2 * i, j] + scratch[2 * i + 2, j]) - one * outer
    scratch[2 * side - 1] = scratch[2 * side - 2]
    for py in range(_PHASES):
        for px in range(_PHASES):
            for i in range((2 * side - py + _PHASES - 1) // _PHASES):
                for j in range((2 * side - px + _PHASES - 1) // _PHASES):
                    phases[py, px, i, j] = scratch[_PHASES * i + py, _PHASES * j + px]


@njit(cache=True, nogil=True)
def _move(phases, count, lx, ly, dx, dy, swing, seen):  # type: ignore[no-untyped-def]
    """The first `count` images smeared along (lx, ly) and displaced by (dx, dy), at the window's samples."""
    points = max(math.ceil(math.sqrt(lx * lx + ly * ly) / (0.8 if swing else 1.1)), 1)
    seen[:count] = np.float32(0.0)
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
        qx0 = x0 // _PHASES
        qy0 = y0 // _PHASES
        qx1 = (x0 + 1) // _PHASES
        qy1 = (y0 + 1) // _PHASES
        for c in range(count):
            for i in range(_ACROSS):
                # Slices of fixed length, so that the inner loop is free of index arithmetic.
                r00 = phases[c, py0, px0, qy0 + i, qx0 : qx0 + _ACROSS]
                r01 = phases[c, py0, px1, qy0 + i, qx1 : qx1 + _ACROSS]
                r10 = phases[c, py1, px0, qy1 + i, qx0 : qx0 + _ACROSS]
                r11 = phases[c, py1, px1, qy1 + i, qx1 : qx1 + _ACROSS]
                into = seen[c, i * _ACROSS : (i + 1) * _ACROSS]
                for j in range(_ACROSS):
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


@njit(cache=True, nogil=True)
def _dot(a, b):  # type: ignore[no-untyped-def]
    total = np.float32(0.0)
    for p in range(_SAMPLES):
        total += a[p] * b[p]
    return total


@njit(cache=True, nogil=True)
def _fit(seen, images, target, root, gram, coefficients, residual):  # type: ignore[no-untyped-def]
    """Least squares of the target on the first `images` of `seen` and a constant; gives the cost.

    `root` is the square root of the weights; the target has it applied already, `seen` gets it here.
    """
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
    constant = np.float32(coefficients[images])
    for p in range(_SAMPLES):
        residual[p] = target[p] - constant * root[p]
    for c in range(images):
        if used[c] > 0:
            factor = np.float32(coefficients[c])
            for p in range(_SAMPLES):
                residual[p] -= factor * seen[c, p]
    return float(_dot(residual, residual))


@njit(cache=True, nogil=True)
def _refine(phases, target, root, start, smears, swing, seen, gram, coefficients, residual, trial, jacobian):  # type: ignore[no-untyped-def]
    """Damped Gauss-Newton from `start` (lx, ly, dx, dy), changed in place; without `smears` only dx, dy move."""
    first = 0 if smears else 2
    size = 4 - first
    _move(phases, _IMAGES, start[0], start[1], start[2], start[3], swing, seen)
    cost = _fit(seen, _IMAGES, target, root, gram, coefficients, residual)
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
            _move(phases, _IMAGES, moved[0], moved[1], moved[2], moved[3], swing, seen)
            _fit(seen, _IMAGES, target, root, gram, coefficients, trial)
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
                _move(phases, _IMAGES, moved[0], moved[1], moved[2], moved[3], swing, seen)
                now = _fit(seen, _IMAGES, target, root, gram, coefficients, trial)
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


@njit(cache=True, nogil=True)
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


@njit(cache=True, nogil=True)
def _measure_windows(  # type: ignore[no-untyped-def]
    sharp, smeared, centres, displaced, mapping, tolerated, model_error, samples, supported, poor_fit,
    candidates, weights, fine, discs,
):  # fmt: skip
    """Length (working pixels), angle (radians) and confidence for each window; `tolerated` is 2 full pixels."""
    patch = np.empty((_SIDE, _SIDE), np.float32)
    other = np.empty((_SIDE, _SIDE), np.float32)
    scratch = np.empty((_SIDE, _SIDE), np.float32)
    doubled = np.empty((2 * _SIDE, 2 * _SIDE), np.float32)
    phases = np.zeros((_IMAGES, _PHASES, _PHASES, _ROOM, _ROOM), np.float32)
    cut_b = np.empty((_INNER, _INNER), np.float32)
    smooth_b = np.empty((_INNER, _INNER), np.float32)
    scratch_b = np.empty((_INNER, _INNER), np.float32)
    target = np.empty(_SAMPLES, np.float32)
    root = np.empty(_SAMPLES, np.float32)
    seen = np.empty((_IMAGES, _SAMPLES), np.float32)
    residual = np.empty(_SAMPLES, np.float32)
    trial = np.empty(_SAMPLES, np.float32)
    jacobian = np.empty((4, _SAMPLES), np.float32)
    gram = np.empty((2 * _IMAGES + 5, _IMAGES + 1))
    coefficients = np.zeros(_IMAGES + 1)
    costs = np.empty(candidates.shape[0])
    plain = np.empty(4)
    best = np.empty(4)
    start = np.empty(4)
    found = np.zeros((centres.shape[0], 4))
    unmapped = True
    for a in range(3):
        for b in range(3):
            unmapped = unmapped and mapping[a, b] == (1.0 if a == b else 0.0)
    for tile in range(centres.shape[0]):
        shift_x = displaced[tile, 0]
        shift_y = displaced[tile, 1]
        if unmapped:
            # Whole pixels keep the second frame unresampled; the rest is within reach.
            shift_x = float(round(shift_x))
            shift_y = float(round(shift_y))
        affine = _local_affine(mapping, centres[tile, 0] + shift_x, centres[tile, 1] + shift_y, shift_x, shift_y)
        for level in range(_LEVELS):
            factor = 1 << level
            x0 = round(centres[tile, 0] + 0.5 - (_HALF_WINDOW + _PAD + 0.5) * factor)
            y0 = round(centres[tile, 1] + 0.5 - (_HALF_WINDOW + _PAD + 0.5) * factor)
            if not _cut_mapped(smeared, x0, y0, factor, affine, cut_b):
                break
            _smooth(cut_b, fine, scratch_b, smooth_b)
            total_w = np.float32(0.0)
            mean = np.float32(0.0)
            for i in range(_ACROSS):
                for j in range(_ACROSS):
                    p = i * _ACROSS + j
                    value = smooth_b[_PAD + _STEP * i, _PAD + _STEP * j]
                    target[p] = value
                    # Clipped pixels follow no model.
                    w = weights[p] if -125.5 < value < 123.0 else np.float32(0.0)
                    root[p] = math.sqrt(w)
                    total_w += w
                    mean += w * value
            if total_w < 0.5 * weights.sum():
                continue
            mean /= total_w
            variance = 0.0
            for p in range(_SAMPLES):
                variance += (root[p] * (target[p] - mean)) ** 2
                target[p] *= root[p]
            if variance < 0.25 * total_w:
                continue
            x0 -= (_MARGIN - _PAD) * factor
            y0 -= (_MARGIN - _PAD) * factor
            _cut_level(sharp, x0, y0, factor, other)
            _smooth(other, fine, scratch, patch)
            _phases(patch, doubled, phases[0])
            for c in range(discs.shape[0]):
                _defocus(patch, discs[c], other)
                _phases(other, doubled, phases[1 + c])

            least = np.inf
            for dy in range(-_REACH, _REACH + 1, 2):
                for dx in range(-_REACH, _REACH + 1, 2):
                    _move(phases, 2, 0.0, 0.0, dx, dy, False, seen)
                    cost = _fit(seen, 2, target, root, gram, coefficients, residual)
                    if cost < least:
                        least = cost
                        start[2] = dx
                        start[3] = dy
            least = np.inf
            plain[:] = 0.0
            for dy in range(-1, 2):
                for dx in range(-1, 2):
                    _move(phases, 2, 0.0, 0.0, start[2] + dx, start[3] + dy, False, seen)
                    cost = _fit(seen, 2, target, root, gram, coefficients, residual)
                    if cost < least:
                        least = cost
                        plain[2] = start[2] + dx
                        plain[3] = start[3] + dy
            cost_plain = _refine(
                phases, target, root, plain, False, False, seen, gram, coefficients, residual, trial, jacobian
            )
            for c in range(candidates.shape[0]):
                _move(phases, _IMAGES, candidates[c, 0], candidates[c, 1], plain[2], plain[3], False, seen)
                costs[c] = _fit(seen, _IMAGES, target, root, gram, coefficients, residual)
            best_cost = np.inf
            best[:] = plain
            picked = -1
            for _ in range(_STARTS):
                pick = -1
                for c in range(1, candidates.shape[0]):
                    if c != picked and (pick < 0 or costs[c] < costs[pick]):
                        pick = c
                picked = pick
                start[0] = candidates[pick, 0]
                start[1] = candidates[pick, 1]
                start[2] = plain[2]
                start[3] = plain[3]
                cost = _refine(
                    phases, target, root, start, True, False, seen, gram, coefficients, residual, trial, jacobian
                )
                if cost < best_cost:
                    best_cost = cost
                    best[:] = start
            floor = model_error * variance
            gained = (cost_plain + 1e-4 * variance) / (best_cost + 1e-4 * variance)
            chosen_cost = best_cost
            if gained < supported:
                best[:] = plain
                chosen_cost = cost_plain
            length = math.hypot(best[0], best[1])
            near = max(0.5, 0.2 * length)
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
            # Refit for the coefficients: mostly the largest disc means defocus beyond what this level can model.
            _move(phases, _IMAGES, best[0], best[1], best[2], best[3], False, seen)
            _fit(seen, _IMAGES, target, root, gram, coefficients, residual)
            gain = 0.0
            for c in range(_IMAGES):
                gain += coefficients[c]
            last = level == _LEVELS - 1
            if length > (0.93 * _LONGEST if last else _TRUSTED):
                sure *= 0.3
            if coefficients[_IMAGES - 1] > 0.7 * gain and not last:
                sure *= 0.3
            if length > 0.0:
                # The same path, resting at its ends: stems that swing from one turning point to the other.
                start[:] = best
                start[0] *= 0.816
                start[1] *= 0.816
                cost = _refine(
                    phases, target, root, start, True, True, seen, gram, coefficients, residual, trial, jacobian
                )
                # Where the fits cannot tell, the mean of both is within a tenth of either.
                steady = 0.7 / (0.7 + 0.3 * ((best_cost + floor) / (cost + floor)) ** (0.5 * samples))
                swung = math.hypot(start[0], start[1])
                if cost < best_cost:
                    best[:] = start
                length = steady * length + (1.0 - steady) * swung
            if sure > found[tile, 2]:
                found[tile, 0] = length * factor
                found[tile, 1] = math.atan2(-best[1], best[0])
                found[tile, 2] = sure
                found[tile, 3] = gained
            if sure > 0.8:
                break
    return found
