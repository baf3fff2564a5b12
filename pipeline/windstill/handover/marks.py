"""What each mask marks, drawn over the base frame."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from windstill.assess.geometry import Matrix, inverse
from windstill.assess.relevance import to_grid_of_a
from windstill.handover.drawing import Mask, Plane, draw, swept, tile_corners
from windstill.handover.tiles import PairTiles
from windstill.records import CoverageMeasure, FloatMap, FrameScore, SetMeasure, TileGrid
from windstill.settings.assess import AssessSettings

_SMEAR_CONFIDENCE = 0.5  # as the review counts smear
_CHANGED = 0.5  # as the report's map of changes


def sway_mask(
    pairs: Sequence[PairTiles],
    chain: Mapping[str, Matrix],
    plane: Plane,
    tolerance_px: float,
    settings: AssessSettings,
    least: int,
) -> Mask:
    """Where the subject moved by more than the tolerance and the merge draws on both frames.

    A tile is marked from where its content is in one frame to where it is in the other: both places show it.
    """
    mask = _empty(plane)
    for pair in pairs:
        if pair.frame_a not in chain:
            continue
        over = (
            (pair.relevance >= settings.relevant_from)
            & (pair.confidence >= settings.measured_confidence)
            & (pair.sway_px > tolerance_px)
        )
        over = _in_company(pair, over, least)
        corners = tile_corners(pair.x_px[over], pair.y_px[over], pair.w_px[over])
        moved = np.stack([pair.sway_x_px[over], pair.sway_y_px[over]], axis=1)
        draw(swept(corners, moved), chain[pair.frame_a], plane, mask)
    return mask


def changed_mask(
    pairs: Sequence[PairTiles], chain: Mapping[str, Matrix], plane: Plane, settings: AssessSettings, least: int
) -> Mask:
    """Where the merge draws on both frames and they differ in a way no displacement explains."""
    mask = _empty(plane)
    for pair in pairs:
        if pair.frame_a in chain:
            over = (pair.relevance >= settings.relevant_from) & (pair.changed >= _CHANGED)
            over = _in_company(pair, over, least)
            draw(tile_corners(pair.x_px[over], pair.y_px[over], pair.w_px[over]), chain[pair.frame_a], plane, mask)
    return mask


def smear_mask(
    measure: SetMeasure,
    scores: Mapping[str, FrameScore],
    chain: Mapping[str, Matrix],
    plane: Plane,
    tolerance_px: float,
    settings: AssessSettings,
    least: int,
    only: str | None = None,
) -> Mask:
    """Where a frame the merge draws on is smeared by more than the tolerance.

    As a frame shows by itself (of a stack only the frame that holds a place best counts there), and as a crisper frame
    of the pair tells where the merge draws on both. `only` is the one frame to look at, if any.
    """
    mask = _empty(plane)
    for index, name in enumerate(measure.frames):
        score = scores.get(name)
        if score is None or name not in chain or only not in (None, name):
            continue
        over = score.textured & (score.smear_confidence >= _SMEAR_CONFIDENCE) & (score.smear_px > tolerance_px)
        coverage = measure.coverage
        if measure.kind == "stack" and coverage is not None and measure.frames[0] in chain:
            over &= _chosen(coverage, index, inverse(chain[name]) @ chain[measure.frames[0]], score.grid)
        _draw_smear(score.grid, over, score.smear_px, score.smear_angle_deg, chain[name], least, plane, mask)
    for pair in measure.pairs:
        field = pair.field
        if field is None or field.smear is None or pair.frame_a not in chain:
            continue
        known = field.textured & (field.relevance >= settings.relevant_from)
        known &= field.smear.confidence >= _SMEAR_CONFIDENCE
        for name, length in ((pair.frame_a, field.smear.smear_a_px), (pair.frame_b, field.smear.smear_b_px)):
            if only in (None, name):
                over = known & (length > tolerance_px)
                angle = field.smear.angle_deg
                _draw_smear(field.grid, over, length, angle, chain[pair.frame_a], least, plane, mask)
    return mask


def _draw_smear(
    grid: TileGrid,
    over: NDArray[np.bool_],
    length_px: FloatMap,
    angle_deg: FloatMap,
    to_base: Matrix,
    least: int,
    plane: Plane,
    mask: Mask,
) -> None:
    """Mark smeared tiles, each lengthened to both sides by half the way its content went."""
    over = in_company(over, least)
    angle = np.deg2rad(angle_deg[over].astype(np.float64))
    half = length_px[over].astype(np.float64) / 2
    along = np.stack([half * np.cos(angle), -half * np.sin(angle)], axis=1)
    draw(swept(grid_corners(grid, over) - along[:, None, :], 2 * along), to_base, plane, mask)


def gaps_mask(coverage: CoverageMeasure, to_base: Matrix, plane: Plane) -> Mask:
    """Where some frame should hold the picture and none does: sharp in none, or well exposed in none."""
    mask = _empty(plane)
    gap = coverage.gap if coverage.gap is not None else coverage.best < 0
    draw(grid_corners(coverage.grid, gap), to_base, plane, mask)
    return mask


def grid_corners(grid: TileGrid, where: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Corners (n, 4, 2) of the tiles marked in a map of the grid's shape."""
    rows, cols = np.nonzero(where)
    side = np.full(len(rows), grid.tile_px, np.float64)
    return tile_corners(cols * side, rows * side, side)


def in_company(where: NDArray[np.bool_], least: int) -> NDArray[np.bool_]:
    """Marked tiles of a map that hang together, edge to edge, with at least `least` - 1 others."""
    count, labels, stats, _ = cv2.connectedComponentsWithStats(where.astype(np.uint8), connectivity=4)
    large = np.array([False, *(stats[1:count, cv2.CC_STAT_AREA] >= least)])
    return np.asarray(large[labels], bool)


def _in_company(pair: PairTiles, over: NDArray[np.bool_], least: int) -> NDArray[np.bool_]:
    """`in_company` for tiles in rows of a table."""
    if not over.any():
        return over
    side = float(pair.w_px[0])
    col, row = (np.round(values / side).astype(np.int64) for values in (pair.x_px, pair.y_px))
    where = np.zeros((int(row.max()) + 1, int(col.max()) + 1), bool)
    where[row[over], col[over]] = True
    return over & in_company(where, least)[row, col]


def _chosen(coverage: CoverageMeasure, index: int, first_to_frame: Matrix, grid: TileGrid) -> NDArray[np.bool_]:
    """Tiles of a frame that the set takes from it."""
    chosen = (coverage.best == index).astype(np.float32)
    return np.asarray(np.nan_to_num(to_grid_of_a(chosen, first_to_frame, coverage.grid, grid)) >= 0.5)


def _empty(plane: Plane) -> Mask:
    return np.zeros((plane.drawn_height, plane.drawn_width), np.uint8)
