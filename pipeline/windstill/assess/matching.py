"""Matching small windows between two planes: the kernels sway is measured with.

Both kernels compare windows up to gain and offset (zero-mean normalised correlation) and leave clipped pixels out.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

# Sums may be taken in any order, so that they fill vector registers; nothing else of the arithmetic is loosened.
SUMS = {"reassoc", "contract"}

# Columns of `refine_windows`' result.
DX, DY, ZNCC, GXX, GXY, GYY, RESIDUAL, GAIN, VALID = range(9)
RESULT_COLUMNS = 9


@njit(cache=True, nogil=True, fastmath=SUMS)
def _load(plane, x, y, out, size):  # type: ignore[no-untyped-def]
    """Read a square patch by bilinear interpolation, upper left corner at (x, y); the caller keeps it inside."""
    x0 = int(np.floor(x))
    y0 = int(np.floor(y))
    fx = np.float32(x - x0)
    fy = np.float32(y - y0)
    w00 = (np.float32(1) - fx) * (np.float32(1) - fy)
    w01 = fx * (np.float32(1) - fy)
    w10 = (np.float32(1) - fx) * fy
    w11 = fx * fy
    for i in range(size):
        top = plane[y0 + i, x0 : x0 + size + 1]
        bottom = plane[y0 + i + 1, x0 : x0 + size + 1]
        into = out[i, :size]
        for j in range(size):
            into[j] = (
                w00 * np.float32(top[j])
                + w01 * np.float32(top[j + 1])
                + w10 * np.float32(bottom[j])
                + w11 * np.float32(bottom[j + 1])
            )


@njit(cache=True, nogil=True, fastmath=SUMS)
def _smooth(patch, scratch, size):  # type: ignore[no-untyped-def]
    """[1 2 1]/4 both ways on the inner part of a patch, in place."""
    # Rows are taken as slices here and below: the compiler then sees that no index wraps around.
    quarter = np.float32(0.25)
    half = np.float32(0.5)
    inner = size - 2
    for i in range(size):
        left, here, right = patch[i, :inner], patch[i, 1 : inner + 1], patch[i, 2 : inner + 2]
        into = scratch[i, 1 : inner + 1]
        for j in range(inner):
            into[j] = quarter * (left[j] + right[j]) + half * here[j]
    for i in range(1, size - 1):
        above, here, below = scratch[i - 1, 1 : inner + 1], scratch[i, 1 : inner + 1], scratch[i + 1, 1 : inner + 1]
        into = patch[i, 1 : inner + 1]
        for j in range(inner):
            into[j] = quarter * (above[j] + below[j]) + half * here[j]


@njit(cache=True, nogil=True, fastmath=SUMS)
def _detail(patch, size, margin):  # type: ignore[no-untyped-def]
    """Gradient energy over variance: how fine a patch's detail is, whatever its contrast."""
    n = np.float32((size - 2 * margin) * (size - 2 * margin))
    side = size - 2 * margin
    end = size - margin
    total = np.float32(0)
    for i in range(margin, end):
        row = patch[i, margin:end]
        for j in range(side):
            total += row[j]
    mean = total / n
    variance = np.float32(0)
    energy = np.float32(0)
    for i in range(margin, end):
        row, left, right = patch[i, margin:end], patch[i, margin - 1 : end - 1], patch[i, margin + 1 : end + 1]
        above, below = patch[i - 1, margin:end], patch[i + 1, margin:end]
        for j in range(side):
            v = row[j] - mean
            gx = right[j] - left[j]
            gy = below[j] - above[j]
            variance += v * v
            energy += gx * gx + gy * gy
    return energy / (variance + np.float32(1e-3) * n)


@njit(cache=True, nogil=True)
def _passes(finer, scratch, size, margin, most, target):  # type: ignore[no-untyped-def]
    """Smooth the finer of two patches, in place, until its detail is no finer than the other's; count the passes."""
    count = 0
    while count < most and _detail(finer, size, margin) > target * np.float32(1.05):
        _smooth(finer, scratch, size)
        count += 1
    return count


@njit(cache=True, nogil=True)
def _valid(plane, x, y, size, low, high, weight):  # type: ignore[no-untyped-def]
    """Set weights to 0 where a pixel or a neighbour is clipped; True when any is."""
    x0 = int(np.floor(x))
    y0 = int(np.floor(y))
    any_clipped = False
    for i in range(size):
        for j in range(size):
            value = plane[y0 + i, x0 + j]
            if value < low or value > high:
                any_clipped = True
                for v in range(max(i - 2, 0), min(i + 2, size)):
                    for u in range(max(j - 2, 0), min(j + 2, size)):
                        weight[v, u] = 0.0
    return any_clipped


@njit(cache=True, nogil=True, fastmath=SUMS)
def refine_windows(plane_a, plane_b, centres, start, half, low, high, iterations, max_step, equalise):  # type: ignore[no-untyped-def]
    """Sub-pixel displacement of windows by Gauss-Newton on both frames' gradients.

    Parameters
    ----------
    plane_a, plane_b : uint8 arrays of one shape
        b already brought to a's coordinates by the camera mapping, 0 where it shows nothing.
    centres : float64 array, shape (n, 2)
        Window centres (x, y) in a.
    start : float64 array, shape (n, 2)
        Displacement to start from, pixels.
    half : int
        Half the window's side: windows are (2 half + 1) square.
    low, high : int
        Pixels outside this range are left out as clipped or lost in the dark.
    iterations : int
    max_step : float
        Largest departure from `start` that is believed, pixels.
    equalise : int
        Most smoothing passes (each adds half a square pixel of variance) the sharper window may get to match the
        blurrier one; 0 where both are known to be alike.

    Returns
    -------
    float32 array, shape (n, 9)
        Displacement x and y such that a(x) matches b(x + d), correlation -1..1, the mean gradient tensor (xx, xy,
        yy; squared steps per squared pixel), root mean square residual (steps of a), gain (a over b), share of valid
        pixels. Correlation is -1 where nothing could be compared.

    Notes
    -----
    Symmetric gradients (efficient second-order minimisation) converge in few steps and, at the solution, weigh the
    noise of both frames alike, so noise biases the step and not the fixed point. Bilinear reading blurs most at half
    a pixel, which would draw the estimate there; both frames are therefore read at opposite halves of the fraction,
    so that they are blurred alike.

    References
    ----------
    S. Benhimane, E. Malis, Real-time image-based tracking of planes using efficient second-order minimization,
    IROS 2004. B. Lucas, T. Kanade, IJCAI 1981.
    """
    height, width = plane_a.shape
    count = centres.shape[0]
    side = 2 * half + 1
    margin = 2 + equalise  # one ring for smoothing, one for gradients, one for each pass that equalises
    size = side + 2 * margin
    end = size - margin
    result = np.zeros((count, RESULT_COLUMNS), np.float32)
    a_patch = np.empty((size, size), np.float32)
    b_patch = np.empty((size, size), np.float32)
    scratch = np.empty((size, size), np.float32)
    weight = np.ones((size, size), np.float32)
    for k in range(count):
        left, top = centres[k, 0] - half - margin, centres[k, 1] - half - margin
        blur_a = 0
        blur_b = 0
        dx, dy = start[k, 0], start[k, 1]
        result[k, 2] = -1.0
        best = np.float32(-1.0)
        masked_x, masked_y = 1e9, 1e9
        for step in range(iterations + 1):
            # Read a and b at opposite halves of the fraction.
            px = -0.5 * (dx - np.round(dx))
            py = -0.5 * (dy - np.round(dy))
            ax, ay = left + px, top + py
            bx, by = ax + dx, ay + dy
            if (
                ax < 0 or ay < 0 or bx < 0 or by < 0 or ax + size + 1 >= width or bx + size + 1 >= width
                or ay + size + 1 >= height or by + size + 1 >= height
            ):
                break
            if abs(dx - masked_x) > 0.7 or abs(dy - masked_y) > 0.7:
                weight[:, :] = 1.0
                _valid(plane_a, ax, ay, size, low, high, weight)
                _valid(plane_b, bx, by, size, low, high, weight)
                masked_x, masked_y = dx, dy
            _load(plane_a, ax, ay, a_patch, size)
            _smooth(a_patch, scratch, size)
            _load(plane_b, bx, by, b_patch, size)
            _smooth(b_patch, scratch, size)
            if equalise > 0:
                if step == 0:
                    fine_a, fine_b = _detail(a_patch, size, margin), _detail(b_patch, size, margin)
                    if fine_a > fine_b:
                        blur_a = _passes(a_patch, scratch, size, margin, equalise, fine_b)
                    else:
                        blur_b = _passes(b_patch, scratch, size, margin, equalise, fine_a)
                else:
                    for _ in range(blur_a):
                        _smooth(a_patch, scratch, size)
                    for _ in range(blur_b):
                        _smooth(b_patch, scratch, size)
            n = np.float32(0)
            sa = np.float32(0)
            sb = np.float32(0)
            for i in range(margin, end):
                wr, ar, br = weight[i, margin:end], a_patch[i, margin:end], b_patch[i, margin:end]
                for j in range(side):
                    n += wr[j]
                    sa += wr[j] * ar[j]
                    sb += wr[j] * br[j]
            valid = n / (side * side)
            if valid < 0.3:
                break
            ma = sa / n
            mb = sb / n
            saa = np.float32(0)
            sbb = np.float32(0)
            sab = np.float32(0)
            for i in range(margin, end):
                wr, ar, br = weight[i, margin:end], a_patch[i, margin:end], b_patch[i, margin:end]
                for j in range(side):
                    w = wr[j]
                    a = ar[j] - ma
                    b = br[j] - mb
                    saa += w * a * a
                    sbb += w * b * b
                    sab += w * a * b
            if saa < 1e-3 * n or sbb < 1e-3 * n:
                break
            zncc = sab / np.sqrt(saa * sbb)
            gain = np.sqrt(saa / sbb)
            hxx = np.float32(0)
            hxy = np.float32(0)
            hyy = np.float32(0)
            gxe = np.float32(0)
            gye = np.float32(0)
            see = np.float32(0)
            mgx = np.float32(0)
            mgy = np.float32(0)
            quarter = np.float32(0.25)
            for i in range(margin, end):
                wr, ar, br = weight[i, margin:end], a_patch[i, margin:end], b_patch[i, margin:end]
                al, bl = a_patch[i, margin - 1 : end - 1], b_patch[i, margin - 1 : end - 1]
                ag, bg = a_patch[i, margin + 1 : end + 1], b_patch[i, margin + 1 : end + 1]
                at, bt = a_patch[i - 1, margin:end], b_patch[i - 1, margin:end]
                au, bu = a_patch[i + 1, margin:end], b_patch[i + 1, margin:end]
                for j in range(side):
                    w = wr[j]
                    e = (ar[j] - ma) - gain * (br[j] - mb)
                    gx = quarter * ((ag[j] - al[j]) + gain * (bg[j] - bl[j]))
                    gy = quarter * ((au[j] - at[j]) + gain * (bu[j] - bt[j]))
                    mgx += w * gx
                    mgy += w * gy
                    hxx += w * gx * gx
                    hxy += w * gx * gy
                    hyy += w * gy * gy
                    gxe += w * gx * e
                    gye += w * gy * e
                    see += w * e * e
            # A ramp of brightness moved along itself is the same ramp at another level: what the windows' own means
            # take up says nothing of the displacement.
            hxx -= mgx * mgx / n
            hxy -= mgx * mgy / n
            hyy -= mgy * mgy / n
            if zncc > best:
                best = zncc
                result[k, 0] = dx
                result[k, 1] = dy
                result[k, 2] = zncc
                result[k, 3] = hxx / n
                result[k, 4] = hxy / n
                result[k, 5] = hyy / n
                result[k, 6] = np.sqrt(see / n)
                result[k, 7] = gain
                result[k, 8] = valid
            if step == iterations:
                break
            # A little damping keeps the step finite along an edge, where one direction tells nothing.
            damp = np.float32(1e-3) * (hxx + hyy) + np.float32(1e-6)
            det = (hxx + damp) * (hyy + damp) - hxy * hxy
            ux = ((hyy + damp) * gxe - hxy * gye) / det
            uy = ((hxx + damp) * gye - hxy * gxe) / det
            length = np.sqrt(ux * ux + uy * uy)
            if length > 2.0:
                ux *= 2.0 / length
                uy *= 2.0 / length
            dx += ux
            dy += uy
            away = np.sqrt((dx - start[k, 0]) ** 2 + (dy - start[k, 1]) ** 2)
            if away > max_step:
                # A step may overshoot and come back: hold it at the rim.
                dx = start[k, 0] + (dx - start[k, 0]) * max_step / away
                dy = start[k, 1] + (dy - start[k, 1]) * max_step / away
            if length < 0.01:
                # Converged: another round would only confirm it.
                if zncc >= best:
                    result[k, 0] = dx
                    result[k, 1] = dy
                break
    return result


@njit(cache=True, nogil=True, fastmath=SUMS)
def search_windows(plane_a, plane_b, centres, half, radius, low, high):  # type: ignore[no-untyped-def]
    """Best whole-pixel displacement of windows within a radius, by exhaustive normalised correlation.

    Parameters
    ----------
    plane_a, plane_b : uint8 arrays, b already in a's coordinates (0 where it has nothing to show)
    centres : int64 array, shape (n, 2)
        Window centres (x, y).
    half, radius : int
        Half side of the window; largest displacement in x and in y.

    Returns
    -------
    float32 array, shape (n, 5)
        dx, dy, correlation there, best correlation more than two pixels away from it, correlation at zero.
    """
    count = centres.shape[0]
    height, width = plane_a.shape
    side = 2 * half + 1
    span = 2 * radius + 1
    result = np.full((count, 5), -1.0, np.float32)
    a_patch = np.empty((side, side), np.float32)
    scores = np.empty((span, span), np.float32)
    # Sums of b and of its squares under each window, of whole numbers: by running sums, exact.
    reach = side + 2 * radius
    b_patch = np.empty((reach, reach), np.float32)
    down = np.empty(reach, np.int64)
    down2 = np.empty(reach, np.int64)
    sums = np.empty((2, span, span), np.int64)
    area = side * side
    for k in range(count):
        cx, cy = centres[k, 0], centres[k, 1]
        if cx - half < 0 or cy - half < 0 or cx + half >= width or cy + half >= height:
            continue
        total = np.float32(0.0)
        clipped = 0
        for i in range(side):
            for j in range(side):
                value = np.float32(plane_a[cy - half + i, cx - half + j])
                if value < low or value > high:
                    clipped += 1
                a_patch[i, j] = value
                total += value
        if clipped > 0.4 * side * side:
            continue
        mean = total / (side * side)
        va = np.float32(0.0)
        for i in range(side):
            for j in range(side):
                a_patch[i, j] -= mean
                va += a_patch[i, j] * a_patch[i, j]
        if va < 1.0:
            continue
        best = np.float32(-2.0)
        bx = 0
        by = 0
        # The part of the neighbourhood that b has; offsets that reach beyond it are left out.
        left, top = cx - half - radius, cy - half - radius
        u0, v0 = max(0, -left), max(0, -top)
        u1, v1 = min(reach, width - left), min(reach, height - top)
        cols, rows = u1 - u0, v1 - v0
        if cols < side or rows < side:
            continue
        for i in range(rows):
            line = plane_b[top + v0 + i, left + u0 : left + u1]
            into = b_patch[i, :cols]
            for j in range(cols):
                into[j] = np.float32(line[j])
        down[:cols] = 0
        down2[:cols] = 0
        for i in range(rows):
            line = plane_b[top + v0 + i, left + u0 : left + u1]
            for j in range(cols):
                value_b = np.int64(line[j])
                down[j] += value_b
                down2[j] += value_b * value_b
            if i >= side:
                line = plane_b[top + v0 + i - side, left + u0 : left + u1]
                for j in range(cols):
                    value_b = np.int64(line[j])
                    down[j] -= value_b
                    down2[j] -= value_b * value_b
            if i >= side - 1:
                run = np.int64(0)
                run2 = np.int64(0)
                for j in range(cols):
                    run += down[j]
                    run2 += down2[j]
                    if j >= side:
                        run -= down[j - side]
                        run2 -= down2[j - side]
                    if j >= side - 1:
                        sums[0, i - side + 1, j - side + 1] = run
                        sums[1, i - side + 1, j - side + 1] = run2
        scores[:, :] = -1.0
        for v in range(rows - side + 1):
            for u in range(cols - side + 1):
                vb = np.float32(sums[1, v, u] - sums[0, v, u] * sums[0, v, u] / area)
                if vb < 1.0:
                    continue
                sab = np.float32(0.0)
                for i in range(side):
                    ar = a_patch[i, :side]
                    br = b_patch[v + i, u : u + side]
                    for j in range(side):
                        sab += ar[j] * br[j]
                score = sab / np.sqrt(va * vb)
                scores[v0 + v, u0 + u] = score
                if score > best:
                    best = score
                    bx = u0 + u
                    by = v0 + v
        if best < -1.0:
            continue
        second = np.float32(-1.0)
        for v in range(span):
            for u in range(span):
                if (abs(v - by) > 2 or abs(u - bx) > 2) and scores[v, u] > second:
                    second = scores[v, u]
        result[k, 0] = bx - radius
        result[k, 1] = by - radius
        result[k, 2] = best
        result[k, 3] = second
        result[k, 4] = scores[radius, radius]
    return result


def tensor_axes(found: NDArray[np.float32]) -> tuple[NDArray[np.float32], NDArray[np.float32], NDArray[np.float32]]:
    """Eigenvalues of `refine_windows`' gradient tensors and the direction of the smaller.

    Returns
    -------
    smaller, larger : float32 arrays, shape (n,)
    along : float32 array, shape (n, 2)
        Unit vector along which the window's detail tells least: along an edge.
    """
    xx, xy, yy = found[:, GXX], found[:, GXY], found[:, GYY]
    root = np.sqrt((xx - yy) ** 2 + 4 * xy**2)
    smaller = np.maximum((xx + yy - root) / 2, 0)
    larger = (xx + yy + root) / 2
    # The gradient's main direction is half the tensor's angle; the edge lies across it.
    across = 0.5 * np.arctan2(2 * xy, xx - yy)
    return smaller, larger, np.stack([-np.sin(across), np.cos(across)], axis=1)
