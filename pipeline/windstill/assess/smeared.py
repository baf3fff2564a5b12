"""Which of a pair's two frames is smeared, where and how far: the crisper of the two is the measure of the other."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from windstill.assess.geometry import Matrix, apply, apply_with_jacobian, at_reductions, inverse
from windstill.assess.pyramid import Pyramid
from windstill.assess.smear import WINDOW_PX, Seen, follow_smear, moved_alike, relative_smear
from windstill.assess.sway import TileSway, neighbours
from windstill.records import FloatMap, PairSmear, TileGrid
from windstill.settings import AssessSettings

Points = NDArray[np.float64]

_LIKELY = 0.3  # confidence of a smear from which the rest is looked at: alone, none is believed more than by half
SMEAR_CONFIDENCE = 0.5  # contract: from which a smear counts
_FINENESS = 0.5  # half of what detail has at the least: less tells nothing


@dataclass(frozen=True, slots=True, eq=False)
class Smeared:
    """Smear of a pair, and where what is smeared went; every map has the shape of a's grid.

    `x_px`, `y_px` are its displacement from a to b between the positions averaged over each exposure, full-resolution
    pixels after the camera mapping, as sure as the smear is; 0 where no smear was found.
    """

    smear: PairSmear
    x_px: FloatMap
    y_px: FloatMap

    def displaced(self) -> NDArray[np.bool_]:
        """Tiles on which smear, and with it the displacement, is known."""
        found = np.maximum(self.smear.smear_a_px, self.smear.smear_b_px) > 0
        return np.asarray(found & (self.smear.confidence >= SMEAR_CONFIDENCE))

    def doubtful(self, x_px: FloatMap, y_px: FloatMap) -> NDArray[np.bool_]:
        """Tiles beside such that seem to have gone elsewhere along the same path, up to its end (`x_px`, `y_px`)."""
        there = self.displaced()
        if not there.any():
            return there
        away, nearest = ndimage.distance_transform_edt(~there, return_indices=True)
        at = tuple(nearest)
        length = np.maximum(self.smear.smear_a_px, self.smear.smear_b_px)[at]
        turned = np.deg2rad(self.smear.angle_deg[at])
        off_x, off_y = x_px - self.x_px[at], y_px - self.y_px[at]
        along = np.abs(off_x * np.cos(turned) - off_y * np.sin(turned))
        across = np.abs(off_x * np.sin(turned) + off_y * np.cos(turned))
        part = (across < 0.2 * length) & (along > 0.2 * length) & (along < 0.7 * length)
        return np.asarray((away > 0) & (away < 3) & part)


def measure_smear(
    a: Pyramid,
    b: Pyramid,
    b_to_a: Matrix,
    grid: TileGrid,
    grid_b: TileGrid,
    wanted: NDArray[np.bool_],
    sway: TileSway,
    fineness: tuple[FloatMap, FloatMap],
    settings: AssessSettings,
    in_focus: tuple[FloatMap, FloatMap] | None = None,
) -> Smeared | None:
    """Measure smear where the frames do not agree, and how far what is smeared moved between them.

    Parameters
    ----------
    a, b : Pyramid
        Working planes.
    b_to_a : Matrix
        The camera mapping, full resolution.
    grid, grid_b : TileGrid
        Tiles of a and of b.
    wanted : bool map
        Tiles of a that matter and have something to measure.
    sway : TileSway
        Where things went, and how alike they look there.
    fineness : two FloatMaps
        Of both frames on a's tiles (NaN where b shows nothing).
    in_focus : two FloatMaps, optional
        Sharpness of both frames on a's tiles, where their focus differs.

    Returns
    -------
    Smeared or None
        ``None`` where every wanted tile looks the same in both frames: neither then holds a smear the other lacks.

    Notes
    -----
    Only tiles that moved, or that look different where they are, can hold a smear. They are taken from those on whose
    detail is less fine in one frame than in the other, up to `smear_tiles`; when the first few, some of them spread
    over the others, show none, there is hardly any.

    Where focus differs, blur that is not a disc (cut by the lens, in front of something, an edge beside a depth) passes
    for motion now and then, on a few tiles. A smear is believed there beside a move between the frames (what the wind
    smears it also moves) or over a patch smeared alike that is several windows large.

    A window of the crisper frame is like any part of the path in the other: matching finds one end of it or the
    other, half a smear from where the thing was on average. Smear and displacement are therefore measured together.
    From tiles where they are known they are followed to all that lie beside, up to `smear_follow_tiles`.
    """
    if settings.smear_tiles == 0:  # not asked for: nothing is known
        zero = np.zeros(grid.shape, np.float32)
        return Smeared(PairSmear(zero, zero, zero, zero), zero, zero)
    moved = np.hypot(sway.x_px, sway.y_px)
    # What noise alone makes different is alike.
    alike = np.sqrt(1 - sway.changed)
    unlike = (alike < settings.smear_from_correlation) | (moved > settings.tolerance_px / 2)
    fine_a, fine_b = fineness
    known = wanted & unlike & np.isfinite(fine_b) & (sway.correlation > -1)
    trusted = sway.confidence >= settings.measured_confidence
    if in_focus is not None:
        beside = moved_beside(moved, trusted)
        less, more = np.fmin(*in_focus), np.fmax(*in_focus)
        known &= less >= settings.smear_in_focus_share * more
        # What is known to lie still, with nothing moving near it, would not be believed.
        known &= ~trusted | (beside > settings.tolerance_px / 2)
    if not known.any():
        return None
    a_crisper = fine_a >= np.nan_to_num(fine_b)
    finer, coarser = np.fmax(fine_a, fine_b), np.fmin(fine_a, fine_b)
    softened = np.log(np.maximum(finer, _FINENESS) / np.maximum(coarser, _FINENESS))
    rows, cols = np.nonzero(known)
    # Where the thing was not found again, what lies there may be another.
    likely = np.where(trusted, softened, softened / 2)[rows, cols]
    order = np.argsort(-likely, kind="stable")[: settings.smear_tiles]
    rows, cols = rows[order], cols[order]
    moved_by = np.stack([np.where(trusted, sway.x_px, 0), np.where(trusted, sway.y_px, 0)]).astype(np.float32)
    maps = np.zeros((6, *grid.shape), np.float32)
    seen: tuple[Seen, Seen] = {}, {}
    # Neighbours bear each other out, so that all are measured together once any is.
    for batch in _looks(len(rows), settings.smear_first_tiles):
        chosen = np.zeros(grid.shape, bool)
        chosen[rows[batch], cols[batch]] = True
        _measure_tiles(a, b, b_to_a, grid, grid_b, chosen, a_crisper, moved_by, maps, seen, settings)
        if not ((maps[:2] > 0) & (maps[3] >= _LIKELY)).any():
            break  # nothing like a smear where one would show first
    smear_a, smear_b, angle, confidence, found_x, found_y = maps
    if in_focus is not None:
        length = np.maximum(smear_a, smear_b)
        alone = beside < settings.smear_moved_share * length
        patch_px = _patch_tiles(length, angle, confidence) * (grid.tile_px / a.reduction) ** 2
        confidence[alone & (patch_px < settings.smear_patch_windows * WINDOW_PX**2)] = 0
    _follow(a, b, b_to_a, grid, known, maps, settings)
    return Smeared(PairSmear(smear_a, smear_b, angle, confidence), found_x, found_y)


def moved_beside(moved_px: FloatMap, trusted: NDArray[np.bool_]) -> FloatMap:
    """How far anything within two tiles is known to have moved."""
    beside: FloatMap = cv2.dilate(np.where(trusted, moved_px, 0).astype(np.float32), np.ones((5, 5), np.uint8))
    return beside


def _patch_tiles(length: FloatMap, angle: FloatMap, confidence: FloatMap) -> NDArray[np.int64]:
    """How many tiles the patch of like smears around each tile has; 0 where none is sure."""
    rows, cols = np.nonzero((confidence >= SMEAR_CONFIDENCE) & (length > 0))
    beside = neighbours(rows, cols, (length.shape[0], length.shape[1]))
    own, turned = length[rows, cols], angle[rows, cols]
    alike = moved_alike(own[:, None], turned[:, None], own[beside], turned[beside])
    one, place = np.nonzero((beside >= 0) & alike)
    links = coo_array((np.ones(one.size), (one, beside[one, place])), shape=(rows.size, rows.size))
    patch = connected_components(links, directed=False)[1]
    tiles = np.zeros(length.shape, np.int64)
    tiles[rows, cols] = np.bincount(patch, minlength=1)[patch]
    return tiles


def _looks(count: int, first: int) -> list[NDArray[np.intp]]:
    """Which of a ranked number are looked at first (half the first ranks, half spread over the others), then all."""
    order = np.arange(count)
    if count <= first:
        return [order]
    top = first // 2
    spread = np.unique(np.linspace(top, count - 1, first - top).astype(int))
    return [np.concatenate([order[:top], spread]), order]


def _measure_tiles(
    a: Pyramid,
    b: Pyramid,
    b_to_a: Matrix,
    grid: TileGrid,
    grid_b: TileGrid,
    chosen: NDArray[np.bool_],
    a_crisper: NDArray[np.bool_],
    moved_by: FloatMap,
    maps: FloatMap,
    seen: tuple[Seen, Seen],
    settings: AssessSettings,
) -> None:
    """Fill in smear of a, of b, direction, confidence and displacement (`maps`, (6, rows, cols)) on some tiles of a.

    `seen` keeps what was found on tiles of a and of b for the next look.
    """
    smear_a, smear_b, angle, confidence, found_x, found_y = maps
    here = chosen & a_crisper
    if here.any():
        to_b = at_reductions(inverse(b_to_a), a.reduction, b.reduction)
        found = relative_smear(a, b, grid, here, settings.smear, to_b, (moved_by[0], moved_by[1]), seen[0])
        smear_b[here], angle[here] = found.length_px[here], found.angle_deg[here]
        confidence[here] = found.confidence[here]
        found_x[here] = moved_by[0][here] + found.away_x_px[here]
        found_y[here] = moved_by[1][here] + found.away_y_px[here]
    rows, cols = np.nonzero(chosen & ~a_crisper)
    if rows.size:
        # Where the thing is in b, whose tiles are then the crisp ones.
        centres = _centres(rows, cols, grid)
        to_a = at_reductions(b_to_a, b.reduction, a.reduction)
        in_b, away, linear = _from_b(b_to_a, centres, moved_by[:, rows, cols].T.astype(np.float64))
        at = np.clip(np.floor(in_b / grid_b.tile_px).astype(int), 0, np.array([grid_b.cols, grid_b.rows]) - 1)
        there = np.zeros(grid_b.shape, bool)
        there[at[:, 1], at[:, 0]] = True
        back = np.zeros((2, *grid_b.shape), np.float32)
        back[:, at[:, 1], at[:, 0]] = away.T
        found = relative_smear(b, a, grid_b, there, settings.smear, to_a, (back[0], back[1]), seen[1])
        smear_a[rows, cols] = found.length_px[at[:, 1], at[:, 0]]
        angle[rows, cols] = found.angle_deg[at[:, 1], at[:, 0]]
        confidence[rows, cols] = found.confidence[at[:, 1], at[:, 0]]
        # Of tiles of a that meet on one of b, the last said where it was supposed.
        away = back[:, at[:, 1], at[:, 0]].T.astype(np.float64)
        away += np.stack([found.away_x_px[at[:, 1], at[:, 0]], found.away_y_px[at[:, 1], at[:, 0]]], axis=1)
        found_x[rows, cols], found_y[rows, cols] = -np.einsum("nij,nj->in", linear, away)


def _follow(
    a: Pyramid,
    b: Pyramid,
    b_to_a: Matrix,
    grid: TileGrid,
    wanted: NDArray[np.bool_],
    maps: FloatMap,
    settings: AssessSettings,
) -> None:
    """Go on from tiles whose smear is known to those beside them, ring by ring, in `maps` as `_measure_tiles` has them.

    Which frame is the crisper one, and where things went, is taken from the tile beside: fineness does not tell where
    both frames smear what they show, and a match there was found somewhere along the path.
    """
    smear_a, smear_b, angle, confidence, found_x, found_y = maps
    sure = (confidence >= SMEAR_CONFIDENCE) & (np.maximum(smear_a, smear_b) > 0)
    left, ring, tried = wanted & ~sure, sure.copy(), 0
    while True:
        rows, cols = np.nonzero(left & (cv2.dilate(ring.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0))
        rows, cols = (at[: settings.smear_follow_tiles - tried] for at in (rows, cols))
        if rows.size == 0:
            return
        left[rows, cols] = False
        tried += rows.size
        lead = _surest_beside(np.where(sure, confidence, 0), rows, cols)
        of_a = smear_a[lead] > 0
        length, turned = np.maximum(smear_a, smear_b)[lead], angle[lead]
        went = np.stack([found_x[lead], found_y[lead]], axis=1).astype(np.float64)
        centres = _centres(rows, cols, grid)
        path = length[:, None] * np.stack([np.cos(np.deg2rad(turned)), -np.sin(np.deg2rad(turned))], axis=1)
        followed = np.zeros((len(rows), 5), np.float32)  # length, angle, confidence, displacement
        for side, one in ((~of_a, _follow_in_b), (of_a, _follow_in_a)):
            if side.any():
                followed[side] = one(a, b, b_to_a, centres[side], went[side], path[side], settings)
        like = moved_alike(length, turned, followed[:, 0], followed[:, 1]) & (followed[:, 2] >= SMEAR_CONFIDENCE)
        rows, cols, of_a, followed = rows[like], cols[like], of_a[like], followed[like]
        smear_a[rows, cols] = np.where(of_a, followed[:, 0], 0)
        smear_b[rows, cols] = np.where(of_a, 0, followed[:, 0])
        maps[2:, rows, cols] = followed[:, 1:].T
        ring[:] = False
        ring[rows, cols] = sure[rows, cols] = True


def _surest_beside(
    confidence: FloatMap, rows: NDArray[np.intp], cols: NDArray[np.intp]
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Row and column of the surest of each tile's eight neighbours."""
    offsets = np.array([(r, c) for r in (-1, 0, 1) for c in (-1, 0, 1) if r or c])
    padded = np.pad(confidence, 1)
    best = offsets[np.argmax(padded[rows + 1 + offsets[:, :1], cols + 1 + offsets[:, 1:]], axis=0)]
    return rows + best[:, 0], cols + best[:, 1]


def _follow_in_b(
    a: Pyramid, b: Pyramid, b_to_a: Matrix, centres: Points, went: Points, path: Points, settings: AssessSettings
) -> Points:
    """Follow the smear of b at places of a: full-resolution length, angle, confidence, displacement; (n, 5)."""
    to_b = at_reductions(inverse(b_to_a), a.reduction, b.reduction)
    found = follow_smear(
        a, b, (centres + 0.5) / a.reduction - 0.5, went / a.reduction, path / a.reduction, to_b, settings.smear
    )
    found[:, 3:] += went
    return found


def _follow_in_a(
    a: Pyramid, b: Pyramid, b_to_a: Matrix, centres: Points, went: Points, path: Points, settings: AssessSettings
) -> Points:
    """The same of the smear of a, which b tells."""
    in_b, back, linear = _from_b(b_to_a, centres, went)
    to_a = at_reductions(b_to_a, b.reduction, a.reduction)
    found = follow_smear(
        b, a, (in_b + 0.5) / b.reduction - 0.5, back / b.reduction, path / b.reduction, to_a, settings.smear
    )
    found[:, 3:] = -np.einsum("nij,nj->ni", linear, back + found[:, 3:])
    return found


def _centres(rows: NDArray[np.intp], cols: NDArray[np.intp], grid: TileGrid) -> Points:
    """Middles of tiles, (x, y) in full-resolution pixels."""
    return np.asarray((np.stack([cols, rows], axis=1) + 0.5) * grid.tile_px - 0.5, np.float64)


def _from_b(b_to_a: Matrix, centres: Points, went: Points) -> tuple[Points, Points, Points]:
    """Where things of a that went somewhere are in b, how far they go from there to a, and the mapping's derivative."""
    in_b = apply(inverse(b_to_a), centres + went)
    linear = apply_with_jacobian(b_to_a, in_b)[1]
    return in_b, -np.einsum("nij,nj->ni", np.linalg.inv(linear), went), linear
