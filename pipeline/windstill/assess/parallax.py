"""Parallax between views: what a camera that moved sideways does to still things, told apart from sway."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from windstill.records import FloatMap
from windstill.settings import AssessSettings


def split_parallax(
    x_px: FloatMap, y_px: FloatMap, known: NDArray[np.bool_], settings: AssessSettings
) -> tuple[FloatMap, FloatMap]:
    """The part of a displacement field that wide neighbourhoods share.

    Parameters
    ----------
    x_px, y_px : FloatMap
        Displacement per tile, full-resolution pixels.
    known : bool map
        Tiles whose displacement counts as measured.
    settings : AssessSettings

    Returns
    -------
    x_px, y_px : FloatMap
        Parallax per tile; 0 where the surroundings do not agree on any.

    Notes
    -----
    Ground seen from two places shifts by its distance: smoothly over the picture, and all of it. Heads on stems each
    move by their own phase among neighbours that stand still. The parallax of a tile is that of a plane laid through
    the displacements of a neighbourhood much larger than a head (least trimmed squares), taken only where most of
    them lie near it.
    """
    rows = x_px.shape[0]
    reach = settings.parallax_reach_tiles
    along = np.stack([x_px, y_px], axis=-1).astype(np.float64)
    parallax = np.zeros((*x_px.shape, 2), np.float32)
    places = np.stack(np.meshgrid(np.arange(x_px.shape[1]), np.arange(rows)), axis=-1).astype(np.float64)
    for row, col in np.argwhere(known):
        around = slice(max(row - reach, 0), min(row + reach + 1, rows)), slice(max(col - reach, 0), col + reach + 1)
        there = known[around]
        near, at = along[around][there], places[around][there] - (col, row)
        if len(near) < 2 * (2 * reach + 1):
            continue
        design = np.column_stack([np.ones(len(at)), at / reach])
        kept = np.argsort(np.hypot(*(near - np.median(near, axis=0)).T))[: int(0.6 * len(near))]
        for _ in range(3):
            plane, *_ = np.linalg.lstsq(design[kept], near[kept], rcond=None)
            off = np.hypot(*(near - design @ plane).T)
            kept = np.argsort(off)[: int(0.6 * len(near))]
        if (off <= max(1.0, 0.3 * float(np.hypot(*plane[0])))).mean() >= settings.parallax_agree:
            parallax[row, col] = plane[0]
    return parallax[..., 0], parallax[..., 1]
