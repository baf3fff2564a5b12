"""The loops over pixels and cells that grouping spends its time in, compiled."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from windstill.records import FloatMap

# Where nothing is nan, holding values to a range needs no branches.
_HELD = {"nnan", "nsz"}
# Sums may be taken in any order.
_SUMMED = {"reassoc", "contract"}


@njit(cache=True, nogil=True, fastmath=_HELD)
def evened(band: FloatMap, power: FloatMap, floor: float, along: int, most: float) -> FloatMap:
    """A band over its local contrast, without what runs on along a row.

    Parameters
    ----------
    band : float32 array (h, w)
    power : float32 array (h, w)
        Mean square of the band around each pixel.
    floor : float
        Added to the contrast.
    along : int
        Odd; pixels of a row, mirrored at its ends, whose mean is taken off.
    most : float
        What is left is held to -`most`..`most`.
    """
    height, width = band.shape
    field = np.empty((height, width), np.float32)
    reach, least, held = min(along // 2, width), np.float32(floor), np.float32(most)
    mirrored, sums = np.empty(width + 2 * reach, np.float32), np.zeros(width + 2 * reach + 1)
    share = 1 / (2 * reach + 1)
    for r in range(height):
        row = field[r]
        for c in range(width):
            row[c] = band[r, c] / (np.sqrt(power[r, c]) + least)
        mirrored[reach : reach + width] = row
        for k in range(reach):
            mirrored[reach - 1 - k], mirrored[reach + width + k] = row[k], row[width - 1 - k]
        total = 0.0
        for k in range(mirrored.size):
            total += mirrored[k]
            sums[k + 1] = total
        low, high = sums[:width], sums[2 * reach + 1 :]
        for c in range(width):
            row[c] = min(max(row[c] - np.float32((high[c] - low[c]) * share), -held), held)
    return field


@njit(cache=True, nogil=True)
def normal_columns(field: FloatMap, margin: int) -> FloatMap:
    """Change of a field with shift along x and y, scale and turning, at the pixels a fit looks at.

    Parameters
    ----------
    field : float32 array (h, w)
    margin : int
        At least 1; pixels nearer to the edge are left out, and of what is left every other row.

    Returns
    -------
    (4, n) float32 array
        Slopes are Sobel's, per pixel; scale and turning are measured in pixels at half a long side from the centre.
    """
    height, width = field.shape
    rows, cols = (height - 2 * margin + 1) // 2, width - 2 * margin
    columns = np.empty((4, rows * cols), np.float32)
    half = np.float32(0.5 * max(height, width))
    cx, cy = np.float32((width - 1) / 2), np.float32((height - 1) / 2)
    eighth, twice = np.float32(0.125), np.float32(2)
    for i in range(rows):
        r = margin + 2 * i
        y = (np.float32(r) - cy) / half
        reach = slice(margin - 1, width - margin + 1)
        above, here, below = field[r - 1, reach], field[r, reach], field[r + 1, reach]
        row = slice(i * cols, (i + 1) * cols)
        along, down, scale, turn = columns[0, row], columns[1, row], columns[2, row], columns[3, row]
        for c in range(cols):
            left = above[c] + twice * here[c] + below[c]
            right = above[c + 2] + twice * here[c + 2] + below[c + 2]
            top = above[c] + twice * above[c + 1] + above[c + 2]
            bottom = below[c] + twice * below[c + 1] + below[c + 2]
            gx, gy = eighth * (right - left), eighth * (bottom - top)
            x = (np.float32(margin + c) - cx) / half
            along[c], down[c] = gx, gy
            scale[c], turn[c] = gx * x + gy * y, gy * x - gx * y
    return columns


@njit(cache=True, nogil=True)
def _line(plane: FloatMap, y: float, line: FloatMap) -> None:
    """A row at a height between rows, a pixel of nothing on either side; nothing beyond the plane."""
    height, width = plane.shape
    r = int(np.floor(y))
    below = np.float32(y - r)
    above = np.float32(1) - below
    line[:] = 0
    if 0 <= r < height:
        for c in range(width):
            line[c + 1] = above * plane[r, c]
    if below > 0 and 0 <= r + 1 < height:
        for c in range(width):
            line[c + 1] += below * plane[r + 1, c]


@njit(cache=True, nogil=True, fastmath=_SUMMED)
def _shifted_row(plane: FloatMap, y: float, dx: float, left: int, line: FloatMap, row: FloatMap) -> None:
    """The plane, moved by `dx`, at a row's places from `left` on; `line` is room for a row and a pixel each way."""
    _line(plane, y, line)
    first = int(np.floor(-dx))
    beyond = np.float32(-dx - first)
    here = np.float32(1) - beyond
    near, far = line[left + first + 1 :], line[left + first + 2 :]
    for c in range(row.size):
        row[c] = here * near[c] + beyond * far[c]


@njit(cache=True, nogil=True, fastmath=_SUMMED)
def products(a: FloatMap, b: FloatMap, dx: float, dy: float, ix: int, iy: int) -> tuple[float, float, float, int]:
    """Sums of products of two fields, b moved by a shift, where both reach.

    Parameters
    ----------
    a, b : float32 array (h, w)
    dx, dy : float
        What is at x in b is at x + shift in a, pixels.
    ix, iy : int
        The nearest whole shift, which says where both reach.

    Returns
    -------
    ab, aa, bb : float
    count : int
        Pixels looked at.
    """
    height, width = a.shape
    left, right = max(ix, 0), width + min(ix, 0)
    line, moved = np.empty(width + 2, np.float32), np.empty(max(right - left, 0), np.float32)
    ab = aa = bb = np.float32(0)
    for r in range(max(iy, 0), height + min(iy, 0)):
        _shifted_row(b, r - dy, dx, left, line, moved)
        row = a[r, left:right]
        for c in range(moved.size):
            ab += row[c] * moved[c]
            aa += row[c] * row[c]
            bb += moved[c] * moved[c]
    return float(ab), float(aa), float(bb), moved.size * max(height - abs(iy), 0)


@njit(cache=True, nogil=True, fastmath=_SUMMED)
def pulls(
    a: FloatMap, slope_x: FloatMap, slope_y: FloatMap, b: FloatMap, dx: float, dy: float, ix: int, iy: int
) -> tuple[float, float, float, float, float]:
    """The normal equations of a Gauss-Newton step on the shift: sums over where both fields reach.

    Parameters
    ----------
    a, slope_x, slope_y, b : float32 array (h, w)
        The slopes are a's.
    dx, dy, ix, iy
        See `products`.

    Returns
    -------
    xx, yy, xy, rx, ry : float
        Products of the slopes, and of each with what b, moved, differs by.
    """
    height, width = a.shape
    left, right = max(ix, 0), width + min(ix, 0)
    line, moved = np.empty(width + 2, np.float32), np.empty(max(right - left, 0), np.float32)
    xx = yy = xy = rx = ry = np.float32(0)
    for r in range(max(iy, 0), height + min(iy, 0)):
        _shifted_row(b, r - dy, dx, left, line, moved)
        row, along, down = a[r, left:right], slope_x[r, left:right], slope_y[r, left:right]
        for c in range(moved.size):
            rest = moved[c] - row[c]
            xx += along[c] * along[c]
            yy += down[c] * down[c]
            xy += along[c] * down[c]
            rx += along[c] * rest
            ry += down[c] * rest
    return float(xx), float(yy), float(xy), float(rx), float(ry)


@njit(cache=True, nogil=True)
def affine(shape: tuple[int, int], fit: NDArray[np.float64]) -> tuple[float, float, float, float, float, float]:
    """Where a's pixel (x, y) lies in b under a similarity: (xx, xy, x0, yx, yy, y0)."""
    height, width = shape
    half = 0.5 * max(height, width)
    scale, turn = fit[2] / half, fit[3] / half
    cx, cy = (width - 1) / 2, (height - 1) / 2
    return (
        1 - scale, turn, scale * cx - turn * cy - fit[0],
        -turn, 1 - scale, scale * cy + turn * cx - fit[1],
    )


@njit(cache=True, nogil=True)
def _moved(plane: FloatMap, x: float, y: float) -> float:
    """The plane between its pixels; 0 beyond it."""
    height, width = plane.shape
    c, r = int(np.floor(x)), int(np.floor(y))
    right, below = np.float32(x - c), np.float32(y - r)
    left, above = np.float32(1) - right, np.float32(1) - below
    if 0 <= c < width - 1 and 0 <= r < height - 1:
        upper = left * plane[r, c] + right * plane[r, c + 1]
        return float(above * upper + below * (left * plane[r + 1, c] + right * plane[r + 1, c + 1]))
    value = np.float32(0)
    for k in range(2):
        for m in range(2):
            if 0 <= r + k < height and 0 <= c + m < width:
                value += (below if k else above) * (right if m else left) * plane[r + k, c + m]
    return float(value)


@njit(cache=True, nogil=True)
def _run(part: float, step: float) -> float:
    """Steps until a place that far into its pixel leaves it."""
    if step > 0:
        return (1 - part) / step
    return part / -step if step < 0 else np.inf


@njit(cache=True, nogil=True)
def _moved_row(plane: FloatMap, x: float, y: float, step_x: float, step_y: float, row: FloatMap) -> None:
    """The plane at places a step of nearly (1, 0) apart.

    Along runs of pixels the four neighbours go along: those runs are one plain loop each.
    """
    height, width = plane.shape
    k = 0
    while k < row.size:
        u, v = x + step_x * k, y + step_y * k
        c, r = int(np.floor(u)), int(np.floor(v))
        if not (0 <= c < width - 1 and 0 <= r < height - 1):
            row[k] = _moved(plane, u, v)
            k += 1
            continue
        run = min(_run(u - c, step_x - 1), _run(v - r, step_y))
        count = min(int(min(run, float(width))) + 1, row.size - k, width - 1 - c)
        upper, lower, out = plane[r, c : c + count + 1], plane[r + 1, c : c + count + 1], row[k : k + count]
        right, below = np.float32(u - c), np.float32(v - r)
        more_right, more_below = np.float32(step_x - 1), np.float32(step_y)
        for n in range(count):
            east, south = right + more_right * np.float32(n), below + more_below * np.float32(n)
            above = upper[n] + east * (upper[n + 1] - upper[n])
            under = lower[n] + east * (lower[n + 1] - lower[n])
            out[n] = above + south * (under - above)
        k += count


@njit(cache=True, nogil=True, fastmath=_HELD)
def differences(a: FloatMap, b: FloatMap, fit: NDArray[np.float64], margin: int, most: float) -> FloatMap:
    """What b, moved onto a by a similarity, differs by at the pixels of `normal_columns`, held to -`most`..`most`.

    Returns
    -------
    (n,) float32 array
    """
    height, width = a.shape
    rows, cols = (height - 2 * margin + 1) // 2, width - 2 * margin
    rest = np.empty(rows * cols, np.float32)
    held = np.float32(most)
    xx, xy, x0, yx, yy, y0 = affine(a.shape, fit)
    for i in range(rows):
        r = margin + 2 * i
        row, still = rest[i * cols : (i + 1) * cols], a[r, margin : margin + cols]
        _moved_row(b, xx * margin + xy * r + x0, yx * margin + yy * r + y0, xx, yx, row)
        for c in range(cols):
            row[c] = min(max(row[c] - still[c], -held), held)
    return rest


@njit(cache=True, nogil=True, fastmath=_SUMMED)
def similar_products(
    a: FloatMap, b: FloatMap, fit: NDArray[np.float64], ix: int, iy: int
) -> tuple[float, float, float, int]:
    """As `products`, b moved by a similarity."""
    height, width = a.shape
    left, right = max(ix, 0), width + min(ix, 0)
    line = np.empty(max(right - left, 0), np.float32)
    xx, xy, x0, yx, yy, y0 = affine(a.shape, fit)
    ab = aa = bb = np.float32(0)
    for r in range(max(iy, 0), height + min(iy, 0)):
        _moved_row(b, xx * left + xy * r + x0, yx * left + yy * r + y0, xx, yx, line)
        row = a[r, left:right]
        for c in range(line.size):
            ab += row[c] * line[c]
            aa += row[c] * row[c]
            bb += line[c] * line[c]
    return float(ab), float(aa), float(bb), line.size * max(height - abs(iy), 0)


@njit(cache=True, nogil=True)
def peaks(surface: FloatMap, weight: FloatMap, count: int, apart: int) -> NDArray[np.int64]:
    """The highest places of a correlation surface under a weight, one after the other.

    Parameters
    ----------
    surface : float32 array
        Negative shifts stand at the end of each axis, as the transform leaves them.
    weight : float32 array (2 m + 1, 2 n + 1)
        By shift, from (-m, -n).
    count : int
        How many at most; only those above 0.
    apart : int
        Nothing is found within so many pixels of one found before.

    Returns
    -------
    (k, 2) int64 array
        Shifts along x and y.
    """
    rows, cols = weight.shape
    reach_y, reach_x = rows // 2, cols // 2
    merit, best = np.empty((rows, cols), np.float32), np.empty(rows, np.float32)
    for r in range(rows):
        source = surface[(r - reach_y) % surface.shape[0]]
        merit[r, :reach_x] = source[source.size - reach_x :] * weight[r, :reach_x]
        merit[r, reach_x:] = source[: reach_x + 1] * weight[r, reach_x:]
        best[r] = merit[r].max()
    found = np.empty((count, 2), np.int64)
    for k in range(count):
        r = int(best.argmax())
        if best[r] <= 0:
            return found[:k]
        c = int(merit[r].argmax())
        found[k] = c - reach_x, r - reach_y
        for near in range(max(r - apart, 0), min(r + apart + 1, rows)):
            merit[near, max(c - apart, 0) : c + apart + 1] = 0
            best[near] = merit[near].max()
    return found


@njit(cache=True, nogil=True)
def brightness_ratios(
    la: NDArray[np.uint8], lb: NDArray[np.uint8], log2_of: FloatMap, every: int
) -> FloatMap:
    """log2 brightness of b over a at every so manieth pixel that is neither black nor white in either.

    Parameters
    ----------
    la, lb : uint8 array (h, w)
    log2_of : float32 array (256,)
        log2 of the linear brightness of each displayed step.

    Returns
    -------
    float32 array (n,)
    """
    height, width = la.shape
    ratios = np.empty(-(-height // every) * -(-width // every), np.float32)
    n = 0
    for r in range(0, height, every):
        for c in range(0, width, every):
            one, two = la[r, c], lb[r, c]
            if min(one, two) > 5 and max(one, two) < 250:
                ratios[n] = log2_of[two] - log2_of[one]
                n += 1
    return ratios[:n]


@njit(cache=True, nogil=True)
def quantile(values: FloatMap, share: float) -> float:
    """The value that `share` of a vector's, 0..1, lie below."""
    k = min(int(share * values.size), values.size - 1)
    return float(np.partition(values, k)[k])


@njit(cache=True, nogil=True)
def middle(luma: NDArray[np.uint8]) -> int:
    """Median brightness, 0..255, of every other pixel of every other row."""
    counts = np.zeros(256, np.int64)
    for y in range(0, luma.shape[0], 2):
        for x in range(0, luma.shape[1], 2):
            counts[luma[y, x]] += 1
    half = (counts.sum() + 1) // 2
    value = 0
    while half > counts[value]:
        half -= counts[value]
        value += 1
    return value


@njit(cache=True, nogil=True)
def _sums(padded: FloatMap, reach: int) -> FloatMap:
    """Sums over squares of 2 `reach` + 1, of a plane with a margin of 2."""
    rows, cols = padded.shape[0] - 4, padded.shape[1] - 4
    sums = np.zeros((rows, cols), np.float32)
    along = np.empty((rows + 4, cols), np.float32)
    for r in range(rows + 4):
        for c in range(cols):
            total = np.float32(0)
            for k in range(2 - reach, 3 + reach):
                total += padded[r, c + k]
            along[r, c] = total
    for k in range(2 - reach, 3 + reach):
        for r in range(rows):
            for c in range(cols):
                sums[r, c] += along[r + k, c]
    return sums


@njit(cache=True, nogil=True)
def coherent_cells(change: FloatMap, solid: NDArray[np.bool_], least: float) -> int:
    """Cells whose surroundings' mean change is beyond what their cell-to-cell scatter gives by chance.

    Defocus changes neighbouring cells alike; noise does not.

    Parameters
    ----------
    change : float32 array (rows, cols)
        Held to -2..2.
    solid : bool array (rows, cols)
        Cells to look at.
    least : float
        Mean change of the surroundings that counts at all.
    """
    rows, cols = change.shape
    held, there = np.zeros((rows + 4, cols + 4), np.float32), np.zeros((rows + 4, cols + 4), np.float32)
    for r in range(rows):
        for c in range(cols):
            if solid[r, c]:
                held[r + 2, c + 2] = min(max(change[r, c], np.float32(-2)), np.float32(2))
                there[r + 2, c + 2] = 1
    near, near_count = _sums(held, 1), _sums(there, 1)
    around, count = _sums(held, 2), _sums(there, 2)
    amid = np.empty(rows * cols, np.float32)
    n = 0
    for r in range(rows):
        for c in range(cols):
            if solid[r, c] and near_count[r, c] > 4:
                amid[n] = abs(held[r + 2, c + 2] - near[r, c] / near_count[r, c])
                n += 1
    scatter = 1.4826 * quantile(amid[:n], 0.5) if n else 0.0
    found = 0
    for r in range(rows):
        for c in range(cols):
            if solid[r, c]:
                beyond = max(3.5 * max(scatter, 0.01) / np.sqrt(count[r, c]), least)
                found += abs(around[r, c] / count[r, c]) > beyond
    return found


Cells = tuple[FloatMap, FloatMap, FloatMap]


@njit(cache=True, nogil=True)
def focus_changes(
    a: Cells, b: Cells, floor: float, step: float, light_kept: float, least: float, enough: int
) -> tuple[int, float, int, int, float, int]:
    """How sharpness changed from a to b, cell by cell.

    Parameters
    ----------
    a, b : three float32 arrays (rows, cols)
        Sharpness, share of the cell that is usable (0..1), log2 of displayed brightness.
    floor : float
        Sharpness that means nothing.
    step : float
        log2 ratio beyond which a cell is clearly sharper or softer.
    light_kept : float
        log2 change of brightness within which a cell shows the same in both.
    least : float
        Mean change of a cell's surroundings, log2, that counts as their changing together.
    enough : int
        Cells usable in both below which nothing is compared.

    Returns
    -------
    count : int
        Cells usable in both; the rest is 0 where they are too few.
    common : float
        Median log2 ratio of sharpness.
    gained, lost : int
        Cells clearly sharper, clearly softer in b.
    distance : float
        Sum of the cells' absolute log2 ratios, the common part removed, each held to 2.
    coherent : int
        Cells whose surroundings changed together, beyond chance, under light that was kept.
    """
    (sharp_a, usable_a, light_a), (sharp_b, usable_b, light_b) = a, b
    rows, cols = sharp_a.shape
    ratio, lit = np.empty((rows, cols), np.float32), np.empty((rows, cols), np.float32)
    ratios, lights = np.empty(rows * cols, np.float32), np.empty(rows * cols, np.float32)
    solid = np.zeros((rows, cols), np.bool_)
    count = gained = lost = 0
    for r in range(rows):
        for c in range(cols):
            if min(usable_a[r, c], usable_b[r, c]) <= 0.3:
                continue
            solid[r, c] = True
            change = np.log2((sharp_b[r, c] + floor) / (sharp_a[r, c] + floor))
            ratio[r, c] = ratios[count] = change
            lit[r, c] = lights[count] = light_b[r, c] - light_a[r, c]
            gained += change > step
            lost += change < -step
            count += 1
    if count < max(enough, 1):
        return count, 0.0, 0, 0, 0.0, 0
    common = quantile(ratios[:count], 0.5)
    # Defocus spreads light but keeps its mean: where that changed, something else did (clouds, water, leaves).
    usual = quantile(lights[:count], 0.5)
    for k in range(count):
        lights[k] = abs(lights[k] - usual)
    # Noise changes it too: three times its deviation, taken from the third that changed least.
    kept = max(light_kept, 3 * quantile(lights[:count], 0.3) / 0.385)
    distance = 0.0
    for r in range(rows):
        for c in range(cols):
            if solid[r, c]:
                ratio[r, c] -= common
                distance += min(abs(ratio[r, c]), 2.0)
                solid[r, c] = abs(lit[r, c] - usual) < kept
    return count, common, gained, lost, distance, coherent_cells(ratio, solid, least)
