"""Water whose waves are others in every frame: nothing of it is found again, and what is, is found by chance."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from windstill.assess.pyramid import Pyramid
from windstill.records import FloatMap, TileGrid
from windstill.settings import AssessSettings

Mask = NDArray[np.bool_]

_ALONG_TILES = 21  # a quarter of the picture's width: heads and stems stand before water here and there
_BROKEN = 0.15  # share of the textured tiles along a row that may be found where they lay
_TEXTURED = 0.5  # share along a row that must have texture
_STREAKED = 1.5  # energy of the gradient across a row over that along it: waves are seen from low above
_FEWEST_ROWS, _FEWEST_COLS = 4, 20
_BORDERED = 0.6  # share of its columns above which something stands, or nothing has texture
_BORDER_TILES, _PLAIN_TILES = 6, 3
_MOSTLY = 0.5  # share of its tiles whose waves must lie in streaks, and of its rows: near ones are as high as wide
_LEVEL_TILES = 2.0  # by which half of its upper border may be off
_CROSSWISE = 0.5  # how far something goes along the row over how far up or down, under which it slid along its stem


def find_waves(
    a: Pyramid, grid: TileGrid, known: Mask, still: Mask, textured: Mask, shown: Mask, passing: Mask
) -> Mask:
    """Tiles of water that changed from frame to frame.

    Parameters
    ----------
    a : Pyramid
    grid : TileGrid
        Frame a's.
    known, still : bool map
        Tiles whose displacement is known, and of them those that lie where they lay.
    textured, shown : bool map
        Tiles with anything to measure; tiles that both frames show.
    passing : bool map
        Sky and water known to move on in one piece.

    Returns
    -------
    bool map
        What stands before the water included.

    Notes
    -----
    Below a border that is level, under something that stands or under plain sky, hardly a tile is found again along a
    quarter of the picture's width, though all have texture, and that lies in streaks along the row. A meadow in a gale
    may be lost as well, but not from one row to the next, and grass stands upright.
    """
    nothing = np.zeros(grid.shape, bool)
    looked_at = textured & shown & ~passing
    if (looked_at & ~known).sum() < _FEWEST_ROWS * _FEWEST_COLS:
        return nothing

    def along(values: Mask) -> FloatMap:
        mean = cv2.blur(values.astype(np.float32), (_ALONG_TILES, 1), borderType=cv2.BORDER_REPLICATE)
        return np.asarray(mean, np.float32)

    there = np.maximum(along(looked_at), 1e-3)
    broken = (there >= _TEXTURED) & (along(still & looked_at) < _BROKEN * there)
    if not any(_is_large(*sides) for sides in ndimage.find_objects(ndimage.label(broken)[0])):
        return nothing
    across_energy, along_energy = _gradients(a, grid)
    # Most tiles: a stem that crosses one outweighs its waves.
    streaked = along(looked_at & (across_energy > _STREAKED * along_energy)) >= _MOSTLY * there
    labels, _ = ndimage.label(broken & streaked)
    found = nothing.copy()
    for k, (rows, columns) in enumerate(ndimage.find_objects(labels), start=1):
        if not _is_large(rows, columns) or rows.start == 0:
            continue
        piece = labels == k
        cols = np.arange(columns.start, columns.stop)
        tops = piece[:, cols].argmax(axis=0)
        bordered = [
            still[max(top - _BORDER_TILES, 0) : top, col].any()
            or not textured[max(top - _PLAIN_TILES, 0) : max(top - 1, 0), col].any()
            for top, col in zip(tops, cols, strict=True)
        ]
        if sum(bordered) < _BORDERED * len(cols) or np.median(np.abs(tops - np.median(tops))) > _LEVEL_TILES:
            continue
        below = broken & (np.arange(grid.rows)[:, None] > rows.start)
        parts, _ = ndimage.label(piece | below)
        whole = parts == parts[piece][0]
        found |= whole if piece.sum() >= _MOSTLY * whole.sum() else piece
    return found


def _is_large(rows: slice, cols: slice) -> bool:
    """Whether a piece within these rows and columns is as large as water."""
    return bool(rows.stop - rows.start >= _FEWEST_ROWS and cols.stop - cols.start >= _FEWEST_COLS)


def by_chance(x_px: FloatMap, y_px: FloatMap, known: Mask, waves: Mask, settings: AssessSettings) -> Mask:
    """Known tiles before waves that seem to have moved up or down.

    A stem fits anywhere along itself, and the waves behind it choose where; by itself it bends to a side.
    """
    moved = known & waves & (np.hypot(x_px, y_px) > settings.tolerance_px)
    return np.asarray(moved & (np.abs(x_px) < _CROSSWISE * np.abs(y_px)))


def _gradients(a: Pyramid, grid: TileGrid) -> tuple[FloatMap, FloatMap]:
    """Energy of the vertical and of the horizontal gradient per tile."""
    level = min(1, len(a.levels) - 1)  # waves are no finer than that
    plane, step = a.levels[level], grid.tile_px / a.level_reduction(level)
    height, width = (round(n * step) for n in grid.shape)
    energies = []
    for dx in (0, 1):
        gradient = cv2.Sobel(plane[:height, :width], cv2.CV_32F, dx, 1 - dx)
        energies.append(cv2.resize(gradient * gradient, grid.shape[::-1], interpolation=cv2.INTER_AREA))
    return np.asarray(energies[0], np.float32), np.asarray(energies[1], np.float32)
