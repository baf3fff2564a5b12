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
    side = grid.tile_px // reduction
    sums = np.zeros((2, *grid.shape), np.float64)
    _brightness_and_response(np.ascontiguousarray(plane), side, sums)
    mean, response = np.asarray(sums / _tile_area(plane, side), np.float32)
    return mean, response


def scharr_energy(plane: NDArray[np.uint8], grid: TileGrid, reduction: int) -> FloatMap:
    """Mean squared gradient per tile by Scharr's kernel, squared 8-bit steps per squared pixel.

    Parameters
    ----------
    plane : uint8 array, shape (h, w)
        Reduced by `reduction`, which need not divide the tiles' side: a pixel counts for the tile it lies in most.

    References
    ----------
    H. Scharr, Optimale Operatoren in der digitalen Bildverarbeitung, thesis, Heidelberg 2000.
    """
    return _energy(plane, grid, reduction, 3, 10)


def sobel_energy(plane: NDArray[np.uint8], grid: TileGrid, reduction: int) -> FloatMap:
    """As `scharr_energy`, by Sobel's kernel."""
    return _energy(plane, grid, reduction, 1, 2)


def _energy(plane: NDArray[np.uint8], grid: TileGrid, reduction: int, corner: int, middle: int) -> FloatMap:
    down, along = (
        np.minimum(np.round(np.arange(tiles + 1) * (grid.tile_px / reduction)), length).astype(np.int64)
        for tiles, length in zip(grid.shape, plane.shape, strict=True)
    )
    sums = np.zeros(grid.shape, np.float64)
    _gradient_energy(np.ascontiguousarray(plane), down, along, corner, middle, sums)
    area = np.maximum(np.diff(down)[:, None] * np.diff(along)[None, :], 1)
    return np.asarray(sums / (area * (2.0 * (2 * corner + middle)) ** 2), np.float32)


def _tile_area(plane: NDArray[np.uint8], side: int) -> int:
    """Pixels of a tile; a strip lower or narrower than a tile has one that is cut off."""
    height, width = plane.shape
    return int(min(side, height) * min(side, width))


@njit(cache=True, nogil=True)
def _rows_around(y, height):  # type: ignore[no-untyped-def]
    """The rows above and below, mirrored at the picture's border."""
    last = height - 1
    return (y - 1 if y > 0 else min(1, last)), (y + 1 if y < last else max(last - 1, 0))


@njit(cache=True, nogil=True)
def _gather(line, side, tiles):  # type: ignore[no-untyped-def]
    """Add a line of column sums to the tiles they belong to."""
    for col in range(tiles.shape[0]):
        total = 0.0
        for x in range(col * side, min((col + 1) * side, line.shape[0])):
            total += line[x]
        tiles[col] += total


@njit(cache=True, nogil=True)
def _brightness_and_response(plane, side, sums):  # type: ignore[no-untyped-def]
    height, width = plane.shape
    rows, cols = sums.shape[1:]
    used = min(cols * side, width)
    inner = min(used, width - 1) - 1  # pixels that have a neighbour at either side
    value = np.zeros(used, np.int32)
    steep = np.zeros(used, np.int32)
    for row in range(rows):
        value[:] = 0
        steep[:] = 0
        for y in range(row * side, min((row + 1) * side, height)):
            above, below = _rows_around(y, height)
            up, here, down = plane[above], plane[y], plane[below]
            for x in range(used):
                value[x] += here[x]
            if inner > 0:
                into = steep[1 : 1 + inner]
                ul, um, ur = up[:inner], up[1 : 1 + inner], up[2 : 2 + inner]
                hl, hm, hr = here[:inner], here[1 : 1 + inner], here[2 : 2 + inner]
                dl, dm, dr = down[:inner], down[1 : 1 + inner], down[2 : 2 + inner]
                for x in range(inner):
                    left = np.int32(ul[x]) - 2 * np.int32(hl[x]) + np.int32(dl[x])
                    mid = np.int32(um[x]) - 2 * np.int32(hm[x]) + np.int32(dm[x])
                    right = np.int32(ur[x]) - 2 * np.int32(hr[x]) + np.int32(dr[x])
                    into[x] += min(abs(left - 2 * mid + right), _STEEPEST)
            for x in (0, used - 1):
                if x == 0 or x > inner:
                    left_x, right_x = _rows_around(x, width)
                    left = np.int32(up[left_x]) - 2 * np.int32(here[left_x]) + np.int32(down[left_x])
                    mid = np.int32(up[x]) - 2 * np.int32(here[x]) + np.int32(down[x])
                    right = np.int32(up[right_x]) - 2 * np.int32(here[right_x]) + np.int32(down[right_x])
                    steep[x] += min(abs(left - 2 * mid + right), _STEEPEST)
                if used == 1:
                    break
        _gather(value, side, sums[0, row])
        _gather(steep, side, sums[1, row])


@njit(cache=True, nogil=True)
def _gradient_energy(plane, down, along, corner, middle, sums):  # type: ignore[no-untyped-def]
    """Sums of squared gradients between the rows `down` and the columns `along`, in the kernel's own units."""
    height, width = plane.shape
    used = along[-1]
    inner = min(used, width - 1) - 1
    corner, middle = np.int32(corner), np.int32(middle)
    energy = np.zeros(used, np.float32)
    for row in range(sums.shape[0]):
        energy[:] = np.float32(0.0)
        for y in range(down[row], down[row + 1]):
            above, below = _rows_around(y, height)
            up, here, under = plane[above], plane[y], plane[below]
            if inner > 0:
                into = energy[1 : 1 + inner]
                ul, um, ur = up[:inner], up[1 : 1 + inner], up[2 : 2 + inner]
                hl, hr = here[:inner], here[2 : 2 + inner]
                dl, dm, dr = under[:inner], under[1 : 1 + inner], under[2 : 2 + inner]
                for x in range(inner):
                    falling = np.int32(dr[x]) - np.int32(ul[x])
                    rising = np.int32(ur[x]) - np.int32(dl[x])
                    gx = corner * (rising + falling) + middle * (np.int32(hr[x]) - np.int32(hl[x]))
                    gy = corner * (falling - rising) + middle * (np.int32(dm[x]) - np.int32(um[x]))
                    into[x] += np.float32(gx * gx + gy * gy)
            for x in (0, used - 1):
                if x == 0 or x > inner:
                    left, right = _rows_around(x, width)
                    falling = np.int32(under[right]) - np.int32(up[left])
                    rising = np.int32(up[right]) - np.int32(under[left])
                    gx = corner * (rising + falling) + middle * (np.int32(here[right]) - np.int32(here[left]))
                    gy = corner * (falling - rising) + middle * (np.int32(under[x]) - np.int32(up[x]))
                    energy[x] += np.float32(gx * gx + gy * gy)
                if used == 1:
                    break
        for col in range(sums.shape[1]):
            total = 0.0
            for x in range(along[col], along[col + 1]):
                total += energy[x]
            sums[row, col] += total
