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
DX, DY, ZNCC, GXX, GXY, GYY, RESIDUAL, GAIN, VALID, START_ZNCC, START_RESIDUAL = range(11)
RESULT_COLUMNS = 11
_LANES = 8  # single-precision numbers of a vector register


# Patches are kept flat, row after row, and sums run over whole rows with their margins, which weigh nothing: one long
# loop fills vector registers, many loops over the fifteen to forty pixels of a window's rows do not. A patch of `size`
# rows has one column more than it shows (its pitch is size + 1): reading between pixels takes one pixel more each way.


@njit(cache=True, nogil=True, fastmath=SUMS)
def _read(plane, x, y, out, across, lines, size):  # type: ignore[no-untyped-def]
    """Read a square patch, upper left corner at (x, y), bilinearly and smoothed by [1 2 1]/4 both ways.

    Both at once are four taps along and four down. The caller keeps it inside; the outermost ring is left as it was.
    """
    x0 = int(np.floor(x))
    y0 = int(np.floor(y))
    fx = np.float32(x - x0)
    fy = np.float32(y - y0)
    one, two, quarter = np.float32(1), np.float32(2), np.float32(0.25)
    h0, h1, h2, h3 = quarter * (one - fx), quarter * (two - fx), quarter * (one + fx), quarter * fx
    v0, v1, v2, v3 = quarter * (one - fy), quarter * (two - fy), quarter * (one + fy), quarter * fy
    pitch = size + 1
    for i in range(size + 1):
        row = plane[y0 + i, x0 : x0 + pitch]
        into = lines[i * pitch : (i + 1) * pitch]
        for j in range(pitch):
            into[j] = np.float32(row[j])
    length = (size + 1) * pitch - 3
    r0, r1, r2, r3 = lines[:length], lines[1 : 1 + length], lines[2 : 2 + length], lines[3 : 3 + length]
    into = across[1 : 1 + length]
    for k in range(length):
        into[k] = h0 * r0[k] + h1 * r1[k] + h2 * r2[k] + h3 * r3[k]
    count = (size - 2) * pitch
    c0, c1, c2, c3 = across[:count], across[pitch : pitch + count], across[2 * pitch :], across[3 * pitch :]
    result = out[pitch : pitch + count]
    for k in range(count):
        result[k] = v0 * c0[k] + v1 * c1[k] + v2 * c2[k] + v3 * c3[k]


@njit(cache=True, nogil=True, fastmath=SUMS)
def _smooth(patch, scratch, size):  # type: ignore[no-untyped-def]
    """[1 2 1]/4 both ways on the inner part of a patch, in place; its outermost ring is left without meaning."""
    quarter = np.float32(0.25)
    half = np.float32(0.5)
    pitch = size + 1
    count = size * pitch
    left, here, right, into = patch[: count - 2], patch[1 : count - 1], patch[2:count], scratch[1 : count - 1]
    for k in range(count - 2):
        into[k] = quarter * (left[k] + right[k]) + half * here[k]
    inner = count - 2 * pitch
    above, middle, below = scratch[:inner], scratch[pitch : pitch + inner], scratch[2 * pitch : count]
    out = patch[pitch : pitch + inner]
    for k in range(inner):
        out[k] = quarter * (above[k] + below[k]) + half * middle[k]


@njit(cache=True, nogil=True, fastmath=SUMS)
def _detail(patch, window, size, margin):  # type: ignore[no-untyped-def]
    """Gradient energy over variance: how fine a patch's detail is, whatever its contrast."""
    side = size - 2 * margin
    n = np.float32(side * side)
    pitch = size + 1
    begin, end = margin * pitch, (size - margin) * pitch
    here, inside = patch[begin:end], window[begin:end]
    left, right = patch[begin - 1 : end - 1], patch[begin + 1 : end + 1]
    above, below = patch[begin - pitch : end - pitch], patch[begin + pitch : end + pitch]
    total = np.float32(0)
    for k in range(end - begin):
        total += inside[k] * here[k]
    mean = total / n
    variance = np.float32(0)
    energy = np.float32(0)
    for k in range(end - begin):
        v = here[k] - mean
        gx = right[k] - left[k]
        gy = below[k] - above[k]
        variance += inside[k] * v * v
        energy += inside[k] * (gx * gx + gy * gy)
    return energy / (variance + np.float32(1e-3) * n)


@njit(cache=True, nogil=True)
def _passes(finer, scratch, window, size, margin, most, detail, target):  # type: ignore[no-untyped-def]
    """Smooth the finer of two patches, in place, until its detail is no finer than the other's; count the passes."""
    count = 0
    while count < most and detail > target * np.float32(1.05):
        _smooth(finer, scratch, size)
        count += 1
        if count < most:
            detail = _detail(finer, window, size, margin)
    return count


@njit(cache=True, nogil=True)
def _valid(plane, x, y, size, low, high, weight):  # type: ignore[no-untyped-def]
    """Set weights to 0 where a pixel or a neighbour is clipped."""
    x0 = int(np.floor(x))
    y0 = int(np.floor(y))
    for i in range(size):
        line = plane[y0 + i, x0 : x0 + size]
        lost = 0
        for j in range(size):
            lost += (line[j] < low) | (line[j] > high)
        if lost == 0:
            continue
        for j in range(size):
            if line[j] < low or line[j] > high:
                for v in range(max(i - 2, 0), min(i + 2, size)):
                    for u in range(max(j - 2, 0), min(j + 2, size)):
                        weight[v * (size + 1) + u] = 0.0


@njit(cache=True, nogil=True, fastmath=SUMS)
def refine_windows(plane_a, plane_b, centres, start, half, low, high, iterations, max_step, equalise, enough):  # type: ignore[no-untyped-def]
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
    enough : float
        Pixels. A step shorter than this is the last.

    Returns
    -------
    float32 array, shape (n, 11)
        Displacement x and y such that a(x) matches b(x + d), correlation -1..1, the mean gradient tensor (xx, xy,
        yy; squared steps per squared pixel), root mean square residual (steps of a), gain (a over b), share of valid
        pixels. Correlation is -1 where nothing could be compared; where that is for want of contrast in one of the
        windows, the residual is the other's contrast, else the share of valid pixels is 0. Last the correlation and
        the residual at `start`: what `iterations` 0 gives.

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
    # One ring for smoothing, one for gradients, one for each pass that equalises: those where there is any only.
    narrow, wide = side + 4, side + 4 + 2 * equalise
    result = np.zeros((count, RESULT_COLUMNS), np.float32)
    a_patch = np.zeros(wide * (wide + 1), np.float32)
    b_patch = np.zeros(wide * (wide + 1), np.float32)
    scratch, lines = np.zeros((wide + 1) ** 2, np.float32), np.zeros((wide + 1) ** 2, np.float32)
    whole_wide, whole_narrow = _whole(wide, side), _whole(narrow, side)
    weight = np.empty(wide * (wide + 1), np.float32)
    for k in range(count):
        blur_a = 0
        blur_b = 0
        dx, dy = start[k, 0], start[k, 1]
        result[k, 2] = -1.0
        result[k, 9] = -1.0
        best = np.float32(-1.0)
        size, whole = wide, whole_wide
        masked_x, masked_y = 1e9, 1e9
        for step in range(iterations + 1):
            # Read a and b at opposite halves of the fraction.
            reach, pitch = (size - 1) // 2, size + 1
            ax = centres[k, 0] - reach - 0.5 * (dx - np.round(dx))
            ay = centres[k, 1] - reach - 0.5 * (dy - np.round(dy))
            bx, by = ax + dx, ay + dy
            outer = (wide - size) // 2  # the room a window needs is that of the first look
            if (
                min(ax, bx) < outer or min(ay, by) < outer or max(ax, bx) + size + 1 + outer >= width
                or max(ay, by) + size + 1 + outer >= height
            ):
                break
            if abs(dx - masked_x) > 0.7 or abs(dy - masked_y) > 0.7:
                for j in range(size * pitch):  # an assignment of arrays takes ten times as long
                    weight[j] = whole[j]
                _valid(plane_a, ax, ay, size, low, high, weight)
                _valid(plane_b, bx, by, size, low, high, weight)
                masked_x, masked_y = dx, dy
            _read(plane_a, ax, ay, a_patch, scratch, lines, size)
            _read(plane_b, bx, by, b_patch, scratch, lines, size)
            margin = (size - side) // 2
            if step == 0 and equalise > 0:
                fine_a, fine_b = _detail(a_patch, whole, size, margin), _detail(b_patch, whole, size, margin)
                if fine_a > fine_b:
                    blur_a = _passes(a_patch, scratch, whole, size, margin, equalise, fine_a, fine_b)
                else:
                    blur_b = _passes(b_patch, scratch, whole, size, margin, equalise, fine_b, fine_a)
            else:
                for _ in range(blur_a):
                    _smooth(a_patch, scratch, size)
                for _ in range(blur_b):
                    _smooth(b_patch, scratch, size)
            begin, end = margin * pitch, (size - margin) * pitch
            length = end - begin
            wr, ar, br = weight[begin:end], a_patch[begin:end], b_patch[begin:end]
            n = np.float32(0)
            sa = np.float32(0)
            sb = np.float32(0)
            for j in range(length):
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
            for j in range(length):
                w = wr[j]
                a = ar[j] - ma
                b = br[j] - mb
                saa += w * a * a
                sbb += w * b * b
                sab += w * a * b
            if saa < 1e-3 * n or sbb < 1e-3 * n:
                if best == -1:
                    # Nothing to match in one of them: how much the other shows there tells a plain place from a change.
                    result[k, 6] = np.sqrt(max(saa, sbb) / n)
                    result[k, 7] = 1.0
                    result[k, 8] = valid
                    if step == 0:
                        result[k, 10] = result[k, 6]
                break
            zncc = sab / np.sqrt(saa * sbb)
            gain = np.sqrt(saa / sbb)
            al, ag = a_patch[begin - 1 : end - 1], a_patch[begin + 1 : end + 1]
            bl, bg = b_patch[begin - 1 : end - 1], b_patch[begin + 1 : end + 1]
            at, au = a_patch[begin - pitch : end - pitch], a_patch[begin + pitch : end + pitch]
            bt, bu = b_patch[begin - pitch : end - pitch], b_patch[begin + pitch : end + pitch]
            hxx = np.float32(0)
            hxy = np.float32(0)
            hyy = np.float32(0)
            gxe = np.float32(0)
            gye = np.float32(0)
            see = np.float32(0)
            mgx = np.float32(0)
            mgy = np.float32(0)
            quarter = np.float32(0.25)
            for j in range(length):
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
            if step == 0:
                result[k, 9] = result[k, 2]
                result[k, 10] = result[k, 6]
            if step == iterations:
                break
            # A little damping keeps the step finite along an edge, where one direction tells nothing.
            damp = np.float32(1e-3) * (hxx + hyy) + np.float32(1e-6)
            det = (hxx + damp) * (hyy + damp) - hxy * hxy
            ux = ((hyy + damp) * gxe - hxy * gye) / det
            uy = ((hxx + damp) * gye - hxy * gxe) / det
            stride = np.sqrt(ux * ux + uy * uy)
            if stride > 2.0:
                ux *= 2.0 / stride
                uy *= 2.0 / stride
            dx += ux
            dy += uy
            away = np.sqrt((dx - start[k, 0]) ** 2 + (dy - start[k, 1]) ** 2)
            if away > max_step:
                # A step may overshoot and come back: hold it at the rim.
                dx = start[k, 0] + (dx - start[k, 0]) * max_step / away
                dy = start[k, 1] + (dy - start[k, 1]) * max_step / away
            if stride < enough:
                # Near enough: another round would only confirm it.
                if zncc >= best:
                    result[k, 0] = dx
                    result[k, 1] = dy
                break
            if step == 0 and blur_a == 0 and blur_b == 0 and equalise > 0:
                size, whole = narrow, whole_narrow
                masked_x, masked_y = 1e9, 1e9
    return result


@njit(cache=True, nogil=True)
def _whole(size, side):  # type: ignore[no-untyped-def]
    """Weights of a window of a side within a patch of a size, none of it clipped."""
    margin = (size - side) // 2
    weight = np.zeros((size, size + 1), np.float32)
    weight[margin : size - margin, margin : size - margin] = np.float32(1.0)
    return weight.ravel()


@njit(cache=True, nogil=True, fastmath=SUMS)
def _products(window, around, v, side, count, into):  # type: ignore[no-untyped-def]
    """Sums of products of a window with its surroundings `v` rows down and 0, 1, ... columns along.

    Every displacement along is a lane of the innermost loop, which is made a whole number of registers long.
    """
    lanes = -(-count // _LANES) * _LANES
    sums = into[:lanes]
    sums[:] = np.float32(0.0)
    for i in range(side):
        line = around[v + i]
        j = 0
        while j + 4 <= side:
            w0, w1, w2, w3 = window[i, j], window[i, j + 1], window[i, j + 2], window[i, j + 3]
            b0, b1 = line[j : j + lanes], line[j + 1 : j + 1 + lanes]
            b2, b3 = line[j + 2 : j + 2 + lanes], line[j + 3 : j + 3 + lanes]
            for u in range(lanes):
                sums[u] += w0 * b0[u] + w1 * b1[u] + w2 * b2[u] + w3 * b3[u]
            j += 4
        while j < side:
            w0 = window[i, j]
            b0 = line[j : j + lanes]
            for u in range(lanes):
                sums[u] += w0 * b0[u]
            j += 1


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
    b_patch = np.zeros((reach, reach + _LANES), np.float32)
    line_of = np.empty(span + _LANES, np.float32)
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
            _products(a_patch, b_patch, v, side, cols - side + 1, line_of)
            for u in range(cols - side + 1):
                vb = np.float32(sums[1, v, u] - sums[0, v, u] * sums[0, v, u] / area)
                if vb < 1.0:
                    continue
                score = line_of[u] / np.sqrt(va * vb)
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
    larger = np.asarray((xx + yy + root) / 2, np.float32)
    # The gradient's main direction is half the tensor's angle; the edge lies across it.
    across = 0.5 * np.arctan2(2 * xy, xx - yy)
    return smaller, larger, np.stack([-np.sin(across), np.cos(across)], axis=1)
