"""White heads that moved: where two frames clip alike, the outline of what is clipped tells motion like any other."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from windstill.assess.pyramid import Plane, Pyramid, halved
from windstill.records.levels import BLACK, WHITE

_CLEARLY = 50  # 8-bit steps below white: half a stop and more, which light that falls does not come to
_SAMPLED = 4  # pixels at half the size between those by which two exposures are compared
_ALIKE = 1.2  # times as bright, up to which two frames clip the same things
_HEAD_SHARE = 0.01  # of the picture: a larger clipped piece is sky, and its rim a matter of light
_RIM_PX = 3  # working pixels beside a clipped pixel: matching leaves out two, and half the size tells to one


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
        Working pixels. Pieces of less than a quarter of a tile are left out (glints on water).

    Returns
    -------
    Pyramid, list of uint8 arrays
        As given where there is no such thing, or the frames are not exposed alike.
    """
    if len(a.levels) < 2:
        return a, moved
    # Half the size tells which things these are, for a quarter of the work.
    half_a, half_b = a.levels[1], moved[1]
    lone = cv2.morphologyEx(_white_in_one(half_a, half_b), cv2.MORPH_OPEN, np.ones((2, 2), np.uint8))
    if not lone.any() or not _exposed_alike(half_a, half_b):
        return a, moved
    white = cv2.compare(cv2.max(half_a, half_b), WHITE, cv2.CMP_GT)
    _, piece, stats, _ = cv2.connectedComponentsWithStats(white, connectivity=4)
    area = stats[:, cv2.CC_STAT_AREA]
    chosen = (area >= (tile_side / 4) ** 2) & (area <= _HEAD_SHARE * half_a.size)
    chosen &= np.bincount(piece[lone > 0], minlength=len(area)) > 0
    chosen[0] = False
    if not chosen.any():
        return a, moved
    let_in = cv2.resize(
        chosen[piece].astype(np.uint8), a.levels[0].shape[::-1], interpolation=cv2.INTER_NEAREST
    )
    let_in = cv2.dilate(let_in, np.ones((2 * _RIM_PX + 1, 2 * _RIM_PX + 1), np.uint8))
    return replace(a, levels=_with_plateau(a.levels, let_in)), list(_with_plateau(tuple(moved), let_in))


def _white_in_one(a: Plane, b: Plane) -> Plane:
    """Where one plane is clipped and the other clearly not, nor black: not 0."""
    brighter, darker = cv2.max(a, b), cv2.min(a, b)
    return np.asarray(
        cv2.bitwise_and(cv2.compare(brighter, WHITE, cv2.CMP_GT), cv2.inRange(darker, BLACK + 1, WHITE - _CLEARLY - 1)),
        np.uint8,
    )


def _with_plateau(levels: tuple[Plane, ...], let_in: NDArray[np.uint8]) -> tuple[Plane, ...]:
    """The levels of a plane whose clipped pixels in some places are as bright as pixels may be to count."""
    plane = levels[0].copy()
    cv2.copyTo(cv2.min(plane, WHITE), let_in, plane)
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
