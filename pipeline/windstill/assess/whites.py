"""White heads that moved: where two frames clip alike, the outline of what is clipped tells motion like any other."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from windstill.assess.pyramid import Plane, Pyramid, halved
from windstill.records.levels import BLACK, WHITE

_CLEARLY = 50  # 8-bit steps below white: half a stop and more, which light that falls does not come to
_SAMPLED = 8  # working pixels between those by which two exposures are compared
_ALIKE = 1.2  # times as bright, up to which two frames clip the same things
_HEAD_SHARE = 0.01  # of the picture: a larger clipped piece is sky, and its rim a matter of light
_RIM_PX = 2  # working pixels beside a clipped pixel that matching leaves out


def let_white_heads_in(a: Pyramid, moved: list[Plane], tile_side: float) -> tuple[Pyramid, list[Plane]]:
    """Planes in which small clipped things that are not white in the other frame count as seen.

    Clipped pixels are left out of matching, so of a blown-out head that moved only what stands around it would be
    compared, and all of it lies still. In two frames exposed alike, what is clipped in one is in the other, wherever it
    went: its plateau is taken for its brightness.

    Parameters
    ----------
    a : Pyramid
    moved : list of uint8 arrays
        The levels of b as a's picture would show them, 0 where b has nothing.
    tile_side : float
        Working pixels. Pieces with less than a quarter of a tile are left (glints on water).

    Returns
    -------
    Pyramid, list of uint8 arrays
        As given where there is no such thing, or the frames are not exposed alike.
    """
    plane_a, plane_b = a.levels[0], moved[0]
    white_a, white_b = plane_a > WHITE, plane_b > WHITE
    grey_a, grey_b = ((p < WHITE - _CLEARLY) & (p > BLACK) for p in (plane_a, plane_b))
    lone = ((white_a & grey_b) | (white_b & grey_a)).astype(np.uint8)
    lone = cv2.morphologyEx(lone, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
    if not lone.any() or not _exposed_alike(plane_a, plane_b):
        return a, moved
    _, piece, stats, _ = cv2.connectedComponentsWithStats((white_a | white_b).astype(np.uint8), connectivity=4)
    area = stats[:, cv2.CC_STAT_AREA]
    of_size = (area >= tile_side**2 / 4) & (area <= _HEAD_SHARE * plane_a.size)
    differs = np.bincount(piece[lone > 0], minlength=len(area)) > 0
    chosen = of_size & differs
    chosen[0] = False
    if not chosen.any():
        return a, moved
    reach = np.ones((2 * _RIM_PX + 1, 2 * _RIM_PX + 1), np.uint8)
    let_in = cv2.dilate(chosen[piece].astype(np.uint8), reach) > 0
    return replace(a, levels=_with_plateau(a.levels, let_in)), list(_with_plateau(tuple(moved), let_in))


def _with_plateau(levels: tuple[Plane, ...], let_in: NDArray[np.bool_]) -> tuple[Plane, ...]:
    """The levels of a plane whose clipped pixels in some places are as bright as pixels may be to count."""
    plane = levels[0].copy()
    plane[let_in] = np.minimum(plane[let_in], WHITE)
    made: list[Plane] = [plane]
    for _ in levels[1:]:
        made.append(halved(made[-1]))
    return tuple(made)


def _exposed_alike(a: Plane, b: Plane) -> bool:
    """Whether what is neither black nor white in both frames is as bright in one as in the other."""
    p, q = a[::_SAMPLED, ::_SAMPLED].astype(np.float32), b[::_SAMPLED, ::_SAMPLED].astype(np.float32)
    known = (p > BLACK) & (q > BLACK) & (p < WHITE) & (q < WHITE)
    if not known.any():
        return False
    ratio = float(np.median(p[known] / q[known]))
    return 1 / _ALIKE < ratio < _ALIKE
