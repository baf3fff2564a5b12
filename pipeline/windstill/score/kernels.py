"""Sums over tiles in one pass of a plane.

A row at a time is added up over the whole width, and only what has gathered over a row of tiles is told apart into
tiles: long loops over whole rows fill vector registers, loops over the forty pixels of a tile do not.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from windstill.records import FloatMap, TileGrid

_STEEPEST = 255  # a response as strong as any edge: more says nothing more of noise


def brightness_and_response(plane: NDArray[np.uint8], grid: TileGrid, reduction: int) -> tuple[FloatMap, FloatMap]:
    """Mean value and mean absolute second difference (Immerkaer's mask) per tile.

    Parameters
    ----------
    plane : uint8 array, shape (h, w)
        Working plane.

    Returns
    -------
    mean, response : FloatMap
        8-bit steps; single responses count as 255 at most.
    """
    means = np.zeros((2, *grid.shape), np.float64)
    _brightness_and_response(np.ascontiguousarray(plane), grid.tile_px // reduction, means)
    mean, response = means.astype(np.float32)
    return mean, response


def scharr_energy(plane: NDArray[np.uint8], grid: TileGrid, reduction: int) -> FloatMap:
    """Mean squared gradient per tile by Scharr's kernel, squared 8-bit steps per squared pixel.

    Parameters
    ----------
    plane : uint8 array, shape (h, w)
        Reduced by `reduction`; where that does not divide the tiles' side, their rims are shared out by area.

    References
    ----------
    H. Scharr, Optimale Operatoren in der digitalen Bildverarbeitung, thesis, Heidelberg 2000.
    """
    return _energy(plane, grid, reduction, 3, 10)


def sobel_energy(plane: NDArray[np.uint8], grid: TileGrid, reduction: int) -> FloatMap:
    """As `scharr_energy`, by Sobel's kernel."""
    return _energy(plane, grid, reduction, 1, 2)


def _energy(plane: NDArray[np.uint8], grid: TileGrid, reduction: int, corner: int, middle: int) -> FloatMap:
    mean = np.zeros(grid.shape, np.float64)
    _gradient_energy(np.ascontiguousarray(plane), grid.tile_px / reduction, corner, middle, mean)
    return np.asarray(mean / (2.0 * (2 * corner + middle)) ** 2, np.float32)


def share_by_tile(mask: NDArray[np.bool_], grid: TileGrid, side: float) -> FloatMap:
    """Share of True per tile, for a mask of `side` entries along a tile's side that holds all tiles whole.

    Where `side` is no whole number, entries on the rim of a tile are shared out by area.
    """
    shares = np.zeros(grid.shape, np.float64)
    _share(np.ascontiguousarray(mask).view(np.uint8), side, shares)
    return shares.astype(np.float32)


@njit(cache=True, nogil=True)
def _share(mask, side, shares):  # type: ignore[no-untyped-def]
    used = min(int(np.ceil(shares.shape[1] * side)), mask.shape[1])
    down = np.zeros(used, np.float32)
    for row in range(shares.shape[0]):
        begin, end = row * side, min((row + 1) * side, mask.shape[0])
        down[:] = np.float32(0.0)
        for y in range(int(begin), int(np.ceil(end))):
            part = np.float32(min(y + 1.0, end) - max(y, begin))
            line = mask[y, :used]
            for x in range(used):
                down[x] += part * np.float32(line[x])
        _gather(down, side, end - begin, shares[row])


@njit(cache=True, nogil=True)
def _gather(line, side, height, tiles):  # type: ignore[no-untyped-def]
    """Means over tiles of a side, of a line of sums down `height` pixels; they may begin and end within a pixel."""
    for col in range(tiles.shape[0]):
        begin, end = col * side, min((col + 1) * side, line.shape[0])
        total = 0.0
        for x in range(int(begin), int(np.ceil(end))):
            total += line[x] * (min(x + 1.0, end) - max(x, begin))
        tiles[col] = total / ((end - begin) * height)


@njit(cache=True, nogil=True)
def _around(plane, y):  # type: ignore[no-untyped-def]
    """The rows above, at and below y; beyond the picture it is mirrored, as OpenCV's filters suppose it."""
    last = plane.shape[0] - 1
    return plane[y - 1 if y > 0 else min(1, last)], plane[y], plane[y + 1 if y < last else max(last - 1, 0)]


@njit(cache=True, nogil=True)
def _mirror_ends(line, used, width):  # type: ignore[no-untyped-def]
    """Fill the first and, at the picture's right border, the last place of a line that holds column x at x + 1."""
    line[0] = line[min(2, width)]
    if used == width:
        line[used + 1] = line[max(used - 1, 1)]


@njit(cache=True, nogil=True)
def _brightness_and_response(plane, side, means):  # type: ignore[no-untyped-def]
    """Means per tile, in single precision, which holds every sum down a tile exactly.

    It fills the registers that integers, which the compiler widens, do not.
    """
    height, width = plane.shape
    rows, cols = means.shape[1:]
    used = min(cols * side, width)
    held = min(used + 1, width)
    two, steepest = np.float32(2), np.float32(_STEEPEST)
    value = np.zeros(used, np.float32)
    steep = np.zeros(used, np.float32)
    bend = np.zeros(used + 2, np.float32)
    for row in range(rows):
        value[:] = np.float32(0.0)
        steep[:] = np.float32(0.0)
        begin, end = row * side, min((row + 1) * side, height)
        for y in range(begin, end):
            up, here, down = _around(plane, y)
            into = bend[1 : 1 + held]
            for x in range(held):
                into[x] = np.float32(up[x]) + np.float32(down[x]) - two * np.float32(here[x])
            _mirror_ends(bend, used, width)
            left, mid, right = bend[:used], bend[1 : 1 + used], bend[2 : 2 + used]
            for x in range(used):
                value[x] += np.float32(here[x])
                steep[x] += min(abs(left[x] + right[x] - two * mid[x]), steepest)
        _gather(value, side, end - begin, means[0, row])
        _gather(steep, side, end - begin, means[1, row])


@njit(cache=True, nogil=True)
def _gradient_energy(plane, side, corner, middle, mean):  # type: ignore[no-untyped-def]
    """Mean squared gradient per tile, in the kernel's own units; single precision holds gradients exactly."""
    height, width = plane.shape
    used = min(int(np.ceil(mean.shape[1] * side)), width)
    held = min(used + 1, width)
    corner, middle = np.float32(corner), np.float32(middle)
    energy = np.zeros(used, np.float32)
    smooth = np.zeros(used + 2, np.float32)
    falls = np.zeros(used + 2, np.float32)
    for row in range(mean.shape[0]):
        begin, end = row * side, min((row + 1) * side, height)
        energy[:] = np.float32(0.0)
        for y in range(int(begin), int(np.ceil(end))):
            share = np.float32(min(y + 1.0, end) - max(y, begin))
            up, here, down = _around(plane, y)
            smoothed, fallen = smooth[1 : 1 + held], falls[1 : 1 + held]
            for x in range(held):
                above, below = np.float32(up[x]), np.float32(down[x])
                smoothed[x] = corner * (above + below) + middle * np.float32(here[x])
                fallen[x] = below - above
            _mirror_ends(smooth, used, width)
            _mirror_ends(falls, used, width)
            left, right = smooth[:used], smooth[2 : 2 + used]
            fl, fm, fr = falls[:used], falls[1 : 1 + used], falls[2 : 2 + used]
            for x in range(used):
                gx = right[x] - left[x]
                gy = corner * (fl[x] + fr[x]) + middle * fm[x]
                energy[x] += share * (gx * gx + gy * gy)
        _gather(energy, side, end - begin, mean[row])
