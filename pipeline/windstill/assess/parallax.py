"""Parallax between views: what a camera that moved sideways does to still things, told apart from sway."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from windstill.assess.geometry import Matrix, apply, inverse
from windstill.records import FloatMap
from windstill.settings import AssessSettings

_TRIES = 4000  # sets of tiles tried: with a third of them off the lines, a hundred find a good one for certain
_ROUNDS = 3
_FEWEST = 16  # places an epipolar geometry is fitted to: twice as many as it takes
_ALIKE_SHARE = 0.3  # of how far its row shifted, by which a tile may differ: ground is uneven
_AROUND_TILES = 12  # how far above and below a tile still things are looked for: about a seventh of the picture


@dataclass(frozen=True, slots=True, eq=False)
class Parallax:
    """A displacement field between views taken apart; every map has the field's shape.

    Attributes
    ----------
    x_px, y_px : FloatMap
        The part of the displacement that is no sway, full-resolution pixels: what wide neighbourhoods share; where a
        tile left its epipolar line, all but the movement across it, if that is less. 0 without parallax.
    length_px : FloatMap
        How far a tile shifted by what may be the camera's doing, full-resolution pixels; 0 elsewhere.
    unsure : bool map
        Tiles that moved against their surroundings along the lines of parallax: a nearer thing, or wind. Their sway
        is not known.
    sure : bool
        Whether the camera moved for certain: ground shifted, by whole rows and down to the foot.
    """

    x_px: FloatMap
    y_px: FloatMap
    length_px: FloatMap
    unsure: NDArray[np.bool_]
    sure: bool = False


def split_parallax(
    x_px: FloatMap,
    y_px: FloatMap,
    known: NDArray[np.bool_],
    b_to_a: Matrix,
    tile_px: int,
    settings: AssessSettings,
    presumed: bool = False,
) -> Parallax:
    """Tell what the camera's own move sideways may have done to a displacement field.

    Parameters
    ----------
    x_px, y_px : FloatMap
        Displacement per tile after the camera mapping, full-resolution pixels.
    known : bool map
        Tiles whose displacement counts as measured.
    b_to_a : Matrix
        The camera mapping, full resolution.
    tile_px : int
        Side of a tile, full-resolution pixels.
    settings : AssessSettings
    presumed : bool
        Other pairs of the panorama have shown that the camera moved while it turned: things that shifted one way along
        its lines need no ground that did.

    Returns
    -------
    Parallax

    Notes
    -----
    Two pictures of still things, wherever their cameras stood, obey one epipolar geometry: what is at a place in one
    lies on a line in the other, further along by how near it is (Hartley & Zisserman, Multiple View Geometry, 2nd
    ed., chapter 9). Wind may move heads along such lines too, but it does not move the ground: nearer things than
    those that shifted, which in a picture stand below them, must have shifted as well. Where the mapping was fitted to
    near ground, or under a bough, far things shift and near ones do not: all of them one way, as heads do not.
    """
    moved = known & (np.hypot(x_px, y_px) > settings.parallax_least_px)
    nothing = np.zeros(x_px.shape, np.float32)
    without = Parallax(nothing, nothing, nothing, np.zeros(x_px.shape, bool))
    # As many independent places as chance needs to line up: a single head goes one way in any case.
    if _places(moved, settings.parallax_apart_tiles) < settings.parallax_places:
        return without
    along, across_x, across_y = _along_lines(x_px, y_px, known, b_to_a, tile_px, settings)
    found = _by_the_camera(along & moved, x_px, y_px, moved, known, settings, presumed)
    if not found:
        return without
    shared_x, shared_y = _shared(x_px, y_px, known, settings)
    left = np.hypot(x_px - shared_x, y_px - shared_y)
    # What left its line moved; how far along it is not known, only across.
    off = known & ~along & (np.hypot(across_x, across_y) < left)
    # A little nearer or farther than what is around it, as ground is, or a little wind: too little to tell.
    same = along & (left <= settings.parallax_least_px)
    shared_x, shared_y = np.where(same, x_px, shared_x), np.where(same, y_px, shared_y)
    length = np.where(along & moved, np.hypot(x_px, y_px), np.where(known, np.hypot(shared_x, shared_y), 0))
    return Parallax(
        np.where(off, x_px - across_x, shared_x).astype(np.float32),
        np.where(off, y_px - across_y, shared_y).astype(np.float32),
        length.astype(np.float32),
        along & ~same,
        presumed or found == "ground",
    )


def _by_rows(
    along: NDArray[np.bool_],
    shift_px: NDArray[np.floating],
    known: NDArray[np.bool_],
    still: NDArray[np.bool_],
    settings: AssessSettings,
) -> bool:
    """Whether whole rows shifted, and alike: as ground does, each row of which lies at one distance, and no heads."""
    stood, alike = [], []
    for row, col in np.argwhere(along):
        around = row, slice(max(col - _AROUND_TILES, 0), col + _AROUND_TILES + 1)
        there = known[around]
        usual = float(np.median(shift_px[around][there]))
        stood.append(float(still[around][there].mean()))
        alike.append(abs(shift_px[row, col] - usual) <= max(settings.parallax_least_px, _ALIKE_SHARE * abs(usual)))
    return float(np.mean(stood)) <= settings.parallax_row_share and float(np.mean(alike)) >= settings.parallax_row_alike


def _by_the_camera(
    along: NDArray[np.bool_],
    x_px: FloatMap,
    y_px: FloatMap,
    moved: NDArray[np.bool_],
    known: NDArray[np.bool_],
    settings: AssessSettings,
    presumed: bool,
) -> Literal["", "perhaps", "ground"]:
    """Whether displacements along common lines are such as the camera makes: not, perhaps, or of the ground, for
    certain.
    """
    if along.sum() < settings.parallax_lines_share * moved.sum():
        return ""
    if _places(along, settings.parallax_apart_tiles) < settings.parallax_places:
        return ""
    still = known & (np.hypot(x_px, y_px) < settings.parallax_least_px / 2)
    below, above = (_still_beside(along, known, still, way) for way in (1, -1))
    most = settings.parallax_still_share
    went = np.column_stack([x_px[along], y_px[along]]).astype(np.float64)
    main = np.linalg.svd(went, full_matrices=False)[2][0]  # the way most of them went
    shift_px = x_px * main[0] + y_px * main[1]
    rows = _by_rows(along, shift_px, known, still, settings)
    if below is not None and below <= most:
        return "ground" if rows else "perhaps"  # what is before them shifted too
    if rows:
        return "perhaps"  # sky and water move on by rows as well, above ground that stands
    if not presumed and below is not None and above is not None and min(below, above) > most:
        return ""
    # Far things shifted and near ones stood, or nothing with detail tells near from far: all must have gone one way.
    forward = float((shift_px[along] > 0).mean())
    return "perhaps" if max(forward, 1 - forward) >= settings.parallax_one_way_share else ""


def _places(tiles: NDArray[np.bool_], apart: int) -> int:
    """Number of tiles that can be picked so that none lies near another: places that tell something each."""
    left = tiles.copy()
    count = 0
    for row, col in np.argwhere(tiles):
        if left[row, col]:
            count += 1
            left[max(row - apart + 1, 0) : row + apart, max(col - apart + 1, 0) : col + apart] = False
    return count


def _along_lines(
    x_px: FloatMap,
    y_px: FloatMap,
    known: NDArray[np.bool_],
    b_to_a: Matrix,
    tile_px: int,
    settings: AssessSettings,
) -> tuple[NDArray[np.bool_], FloatMap, FloatMap]:
    """Known tiles that two places of the camera account for, whatever the depth of each; and how far off each is.

    Returns
    -------
    along : bool map
    across_x_px, across_y_px : FloatMap
        Displacement from a to b across the tile's epipolar line, full-resolution pixels.
    """
    along = np.zeros(known.shape, bool)
    across = np.zeros((*known.shape, 2), np.float32)
    rows, cols = np.nonzero(known)
    went = np.column_stack([x_px[known], y_px[known]]).astype(np.float64)
    in_a = (np.column_stack([cols, rows]).astype(np.float64) + 0.5) * tile_px - 0.5
    in_b = apply(inverse(b_to_a), in_a + went)
    cv2.setRNGSeed(1)
    found, _ = cv2.findFundamentalMat(in_b, in_a, cv2.FM_RANSAC, settings.parallax_off_px, 0.999, _TRIES)
    off, normal = _off_lines(found, in_b, in_a)
    for _ in range(_ROUNDS):
        # Seven places fit themselves, and what is far from them badly: all that agree are fitted together.
        near = np.abs(off) <= settings.parallax_off_px
        if near.sum() < _FEWEST:
            return along, across[..., 0], across[..., 1]
        found, _ = cv2.findFundamentalMat(in_b[near], in_a[near], cv2.FM_8POINT)
        off, normal = _off_lines(found, in_b, in_a)
    allowed = np.maximum(settings.parallax_off_px, settings.parallax_off_share * np.hypot(*went.T))
    along[rows, cols] = np.abs(off) <= allowed
    across[rows, cols] = np.where(np.isfinite(off)[:, None], -off[:, None], 0) * normal
    return along, across[..., 0], across[..., 1]


def _off_lines(fundamental: Any, in_b: Matrix, in_a: Matrix) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Signed distance, pixels, of places in a from the epipolar lines of the same places in b, and their normals.

    Infinite without a matrix.
    """
    if fundamental is None or fundamental.shape != (3, 3):
        return np.full(len(in_a), np.inf), np.zeros((len(in_a), 2))
    lines = np.column_stack([in_b, np.ones(len(in_b))]) @ fundamental.T
    length = np.maximum(np.hypot(lines[:, 0], lines[:, 1]), 1e-12)
    off = ((lines[:, :2] * in_a).sum(axis=1) + lines[:, 2]) / length
    return np.asarray(off), np.asarray(lines[:, :2] / length[:, None])


def _still_beside(
    moved: NDArray[np.bool_], known: NDArray[np.bool_], still: NDArray[np.bool_], way: int
) -> float | None:
    """Mean share of still tiles among those below (`way` 1) or above (-1) moved ones; None where hardly any are."""
    shares = []
    places = np.argwhere(moved)
    for row, col in places:
        ends = sorted((row + 2 * way, row + (_AROUND_TILES + 1) * way))
        rows = slice(max(ends[0], 0), max(ends[1] + 1, 0))
        beside = rows, slice(max(col - 1, 0), col + 2)
        if (count := int(known[beside].sum())) >= 3:
            shares.append(int(still[beside].sum()) / count)
    return float(np.mean(shares)) if len(shares) >= 0.3 * len(places) else None


def _shared(
    x_px: FloatMap, y_px: FloatMap, known: NDArray[np.bool_], settings: AssessSettings
) -> tuple[FloatMap, FloatMap]:
    """The part of a displacement field that wide neighbourhoods share; 0 where they do not agree on any.

    Ground seen from two places shifts by its distance: smoothly over the picture, and all of it. What a tile shares
    with it is that of a plane laid through the displacements of a neighbourhood much larger than a head (least
    trimmed squares), taken only where most of them lie near it.
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
