"""The model of a smeared window, and fitting it: the kernels smear is measured with.

A window of the smeared frame is a weighted sum of images of the sharp one (as it is, and blurred by discs of growing
size), all smeared along one straight path (lx, ly) and displaced by (dx, dy), and a constant. `at` holds lx, ly, dx and
dy, in pixels of the level.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from windstill.assess.matching import SUMS

# A window is sampled every second pixel of its level, 31 level pixels across: its texture is smoothed by a
# Gaussian of sigma 1 first, so nothing is lost between the samples. Sixteen a side fill vector registers.
ACROSS = 16
STEP = 2
SAMPLES = ACROSS * ACROSS
_REACH = 4  # level pixels by which the two frames may still be displaced
LONGEST = 14.0  # level pixels; half of it and the reach must fit in the margin
MARGIN = 13
SIDE = STEP * (ACROSS - 1) + 2 * MARGIN + 2  # even: the window's centre lies between two pixels
_STEPS = 8  # refinement steps
IMAGES = 4
PHASES = 4  # window samples are four apart in the doubled patch: each phase is stored by itself, contiguous
ROOM = (2 * SIDE + 3) // PHASES
# A phase holds the images pixel by pixel side by side: a window's row of all of them is then one long loop, six times
# as fast as a short one for each.
_ROW = ACROSS * IMAGES

APART = 0.75  # level pixels between the points of a path that is tried
POINTS = np.array([2, 4, 6, 10, 16])  # even: a shorter path is the middle of a longer one
ANGLES = np.arange(8) * np.pi / 8


@njit(cache=True, nogil=True, fastmath=SUMS)
def _move(phases, at, swing, seen):  # type: ignore[no-untyped-def]
    """The images smeared along (at[0], at[1]) and displaced by (at[2], at[3]), at the window's samples."""
    mixed = np.zeros(IMAGES * SAMPLES, np.float32)
    _add_moved(phases, at, swing, mixed)
    for c in range(seen.shape[0]):
        image = seen[c]
        for p in range(SAMPLES):
            image[p] = mixed[p * IMAGES + c]


@njit(cache=True, nogil=True, fastmath=SUMS)
def _add_moved(phases, at, swing, mixed):  # type: ignore[no-untyped-def]
    """Add what `_move` gives to `mixed`, which holds the images sample by sample side by side."""
    lx, ly, dx, dy = at[0], at[1], at[2], at[3]
    points = max(math.ceil(math.sqrt(lx * lx + ly * ly) / (0.8 if swing else 1.1)), 1)
    for k in range(points):
        t = (k + 0.5) / points
        t = -0.5 * math.cos(math.pi * t) if swing else t - 0.5
        # The model reads the sharp frame where the content came from.
        x = min(max(2.0 * (MARGIN - dx + t * lx), 0.0), 4.0 * MARGIN)
        y = min(max(2.0 * (MARGIN - dy + t * ly), 0.0), 4.0 * MARGIN)
        x0 = int(x)
        y0 = int(y)
        fx = x - x0
        fy = y - y0
        w00 = np.float32((1 - fx) * (1 - fy) / points)
        w01 = np.float32(fx * (1 - fy) / points)
        w10 = np.float32((1 - fx) * fy / points)
        w11 = np.float32(fx * fy / points)
        px0 = x0 % PHASES
        py0 = y0 % PHASES
        px1 = (x0 + 1) % PHASES
        py1 = (y0 + 1) % PHASES
        qx0 = x0 // PHASES * IMAGES
        qy0 = y0 // PHASES
        qx1 = (x0 + 1) // PHASES * IMAGES
        qy1 = (y0 + 1) // PHASES
        for i in range(ACROSS):
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
    for p in range(SAMPLES):
        total += a[p] * b[p]
    return total


@njit(cache=True, nogil=True, fastmath=SUMS)
def _fit(seen, target, root, gram, coefficients):  # type: ignore[no-untyped-def]
    """Least squares of the target on the images as `seen` and a constant, none counting less than nothing.

    `root` is the square root of the weights; the target has it applied already, `seen` gets it here.
    """
    images = seen.shape[0]
    for c in range(images):
        for p in range(SAMPLES):
            seen[c, p] *= root[p]
        for d in range(c + 1):
            gram[c, d] = _dot(seen[c], seen[d])
        gram[images, c] = _dot(seen[c], root)
        gram[IMAGES + 1, c] = _dot(seen[c], target)
    gram[images, images] = _dot(root, root)
    gram[IMAGES + 1, images] = _dot(root, target)
    # Rows of `gram`: products of images and constant, then theirs with the target; below, room for the solver.
    normal = gram[IMAGES + 2 : 2 * IMAGES + 3]
    right = gram[2 * IMAGES + 3]
    used = gram[2 * IMAGES + 4]
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
                right[n] = gram[IMAGES + 1, c]
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
    for p in range(SAMPLES):
        residual[p] = target[p] - constant * root[p]
    for c in range(images):
        if coefficients[c] > 0:
            factor = np.float32(coefficients[c])
            for p in range(SAMPLES):
                residual[p] -= factor * seen[c, p]
    return float(_dot(residual, residual))


@njit(cache=True, nogil=True)
def _cost(whole, gram, coefficients, images):  # type: ignore[no-untyped-def]
    """The same sum of squares, from the products of a fit and the target's square `whole`."""
    cost = whole
    for c in range(images + 1):
        cost -= 2 * coefficients[c] * gram[IMAGES + 1, c]
        for d in range(c + 1):
            cost += (1.0 if c == d else 2.0) * coefficients[c] * coefficients[d] * gram[c, d]
    return max(cost, 0.0)


@njit(cache=True, nogil=True)
def evaluate(phases, at, swing, target, root, seen, gram, coefficients, residual):  # type: ignore[no-untyped-def]
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
def search_displacement(phases, at, target, root, seen, gram, coefficients):  # type: ignore[no-untyped-def]
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
def try_all(phases, at, target, root, path, seen, gram, coefficients, costs):  # type: ignore[no-untyped-def]
    """Costs of all candidate smears at the displacement of `at`; `path` is room for the images along it, mixed.

    The points along a long path hold those along a shorter one: each direction is walked once, outwards.
    """
    images = seen.shape[0]
    whole = float(_dot(target, target))
    mixed = np.empty(IMAGES * SAMPLES, np.float32)
    probe = np.zeros(4)
    probe[2] = at[2]
    probe[3] = at[3]
    costs[0] = _try(phases, probe, whole, target, root, seen, gram, coefficients)
    for a in range(ANGLES.size):
        x = math.cos(ANGLES[a])
        y = -math.sin(ANGLES[a])
        path[:] = np.float32(0.0)
        walked = 0
        for m in range(POINTS.size):
            while walked < POINTS[m]:
                away = 0.5 * (walked + 1) * APART
                for side in (-1.0, 1.0):
                    probe[2] = at[2] + side * away * x
                    probe[3] = at[3] + side * away * y
                    mixed[:] = np.float32(0.0)
                    _add_moved(phases, probe, False, mixed)
                    for p in range(IMAGES * SAMPLES):
                        path[p] += mixed[p]
                walked += 2
            share = np.float32(1.0 / walked)
            for c in range(images):
                for p in range(SAMPLES):
                    seen[c, p] = share * path[p * IMAGES + c]
            _fit(seen, target, root, gram, coefficients)
            costs[1 + m * ANGLES.size + a] = _cost(whole, gram, coefficients, images)


@njit(cache=True, nogil=True, fastmath=SUMS)
def refine(phases, start, swing, first, target, root, seen, gram, coefficients, residual, trial, jacobian):  # type: ignore[no-untyped-def]
    """Damped Gauss-Newton from `start` (lx, ly, dx, dy), changed in place; with `first` 2 only dx, dy move."""
    size = 4 - first
    cost = evaluate(phases, start, swing, target, root, seen, gram, coefficients, residual)
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
            evaluate(phases, moved, swing, target, root, seen, gram, coefficients, trial)
            scale = np.float32(1.0 / h)
            for p in range(SAMPLES):
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
                math.hypot(moved[0], moved[1]) <= LONGEST
                and abs(moved[2]) <= _REACH + 1.5
                and abs(moved[3]) <= _REACH + 1.5
            )
            if inside:
                now = evaluate(phases, moved, swing, target, root, seen, gram, coefficients, trial)
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
def sort_phases(patch, doubled, phases, image):  # type: ignore[no-untyped-def]
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
        for u in range(PHASES):
            line = phases[v % PHASES, u, v // PHASES]
            for k in range(side * 2 // PHASES):
                line[k * IMAGES + image] = doubled[v, k * PHASES + u]
