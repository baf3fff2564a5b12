"""Sums over tiles in one pass of a plane.

A row at a time is added up over the whole width, and only what has gathered over a row of tiles is told apart into
tiles: long loops over whole rows fill vector registers, loops over the forty pixels of a tile do not.
"""

from __future__ import annotations

import cv2
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
    _brightness_and_response(_framed(plane), side, sums)
    mean, response = np.asarray(sums / _tile_area(plane, side), np.float32)
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
    if grid.tile_px % reduction:
        every = _energy(plane, TileGrid(1, *plane.shape), 1, corner, middle)
        height, width = (
            min(round(tiles * grid.tile_px / reduction), length)
            for tiles, length in zip(grid.shape, plane.shape, strict=True)
        )
        shared: FloatMap = cv2.resize(every[:height, :width], (grid.cols, grid.rows), interpolation=cv2.INTER_AREA)
        return shared
    side = grid.tile_px // reduction
    sums = np.zeros(grid.shape, np.float64)
    _gradient_energy(_framed(plane), side, corner, middle, sums)
    return np.asarray(sums / (_tile_area(plane, side) * (2.0 * (2 * corner + middle)) ** 2), np.float32)


def _framed(plane: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """The plane with a border of one pixel, mirrored, as OpenCV's filters suppose it."""
    framed: NDArray[np.uint8] = cv2.copyMakeBorder(plane, 1, 1, 1, 1, cv2.BORDER_REFLECT_101)
    return framed


def _tile_area(plane: NDArray[np.uint8], side: int) -> int:
    """Pixels of a tile; a strip lower or narrower than a tile has one that is cut off."""
    height, width = plane.shape
    return int(min(side, height) * min(side, width))


@njit(cache=True, nogil=True)
def _gather(line, side, tiles):  # type: ignore[no-untyped-def]
    """Add a line of column sums to the tiles they belong to."""
    for col in range(tiles.shape[0]):
        total = 0.0
        for x in range(col * side, min((col + 1) * side, line.shape[0])):
            total += line[x]
        tiles[col] += total


@njit(cache=True, nogil=True)
def _brightness_and_response(framed, side, sums):  # type: ignore[no-untyped-def]
    """Sums per tile of a plane that `_framed` gave its border."""
    height, width = framed.shape[0] - 2, framed.shape[1] - 2
    rows, cols = sums.shape[1:]
    used = min(cols * side, width)
    value = np.zeros(used, np.int32)
    steep = np.zeros(used, np.int32)
    for row in range(rows):
        value[:] = 0
        steep[:] = 0
        for y in range(row * side, min((row + 1) * side, height)):
            up, here, down = framed[y], framed[y + 1], framed[y + 2]
            ul, um, ur = up[:used], up[1 : 1 + used], up[2 : 2 + used]
            hl, hm, hr = here[:used], here[1 : 1 + used], here[2 : 2 + used]
            dl, dm, dr = down[:used], down[1 : 1 + used], down[2 : 2 + used]
            for x in range(used):
                value[x] += hm[x]
            for x in range(used):
                left = np.int32(ul[x]) - 2 * np.int32(hl[x]) + np.int32(dl[x])
                mid = np.int32(um[x]) - 2 * np.int32(hm[x]) + np.int32(dm[x])
                right = np.int32(ur[x]) - 2 * np.int32(hr[x]) + np.int32(dr[x])
                steep[x] += min(abs(left - 2 * mid + right), _STEEPEST)
        _gather(value, side, sums[0, row])
        _gather(steep, side, sums[1, row])


@njit(cache=True, nogil=True)
def _gradient_energy(framed, side, corner, middle, sums):  # type: ignore[no-untyped-def]
    """Sums per tile of squared gradients, in the kernel's own units, of a plane that `_framed` gave its border."""
    height, width = framed.shape[0] - 2, framed.shape[1] - 2
    used = min(sums.shape[1] * side, width)
    corner, middle = np.int32(corner), np.int32(middle)
    energy = np.zeros(used, np.float32)
    for row in range(sums.shape[0]):
        energy[:] = np.float32(0.0)
        for y in range(row * side, min((row + 1) * side, height)):
            up, here, down = framed[y], framed[y + 1], framed[y + 2]
            ul, um, ur = up[:used], up[1 : 1 + used], up[2 : 2 + used]
            hl, hr = here[:used], here[2 : 2 + used]
            dl, dm, dr = down[:used], down[1 : 1 + used], down[2 : 2 + used]
            for x in range(used):
                falling = np.int32(dr[x]) - np.int32(ul[x])
                rising = np.int32(ur[x]) - np.int32(dl[x])
                gx = corner * (rising + falling) + middle * (np.int32(hr[x]) - np.int32(hl[x]))
                gy = corner * (falling - rising) + middle * (np.int32(dm[x]) - np.int32(um[x]))
                energy[x] += np.float32(gx * gx + gy * gy)
        _gather(energy, side, sums[row])
