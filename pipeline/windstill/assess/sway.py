"""How far the subject moved between two frames, tile by tile, after the camera's own shift."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from windstill.assess.geometry import Matrix
from windstill.assess.matching import DX, DY, MIN_EIGEN, RESIDUAL, VALID, ZNCC, refine_windows, search_windows
from windstill.assess.pyramid import Plane, Pyramid, bring_to_a
from windstill.records import FloatMap, TileGrid
from windstill.settings import AssessSettings

_LOW, _HIGH = 4, 251  # 8-bit steps: outside, a pixel is lost in the dark or clipped
_SEARCH_HALF = 7
_SMALLEST_HALF = 6


@dataclass(frozen=True, slots=True, eq=False)
class TileSway:
    """Displacement from a to b per tile of a, full-resolution pixels, with what is known of its error."""

    x_px: FloatMap
    y_px: FloatMap
    confidence: FloatMap
    changed: FloatMap
    correlation: FloatMap


@dataclass(slots=True, eq=False)
class _State:
    """Best displacement of each tile so far, in working pixels."""

    d: NDArray[np.float64]
    zncc: NDArray[np.float32]
    eigen: NDArray[np.float32]
    residual: NDArray[np.float32]
    valid: NDArray[np.float32]
    unique: NDArray[np.float32]
    level: NDArray[np.int8]


def measure_sway(
    a: Pyramid,
    b: Pyramid,
    b_to_a: Matrix,
    grid: TileGrid,
    wanted: NDArray[np.bool_],
    noise: FloatMap,
    blur_difference: FloatMap,
    settings: AssessSettings,
) -> TileSway:
    """Measure the displacement of each wanted tile.

    Parameters
    ----------
    a, b : Pyramid
        Working planes.
    b_to_a : Matrix
        The camera mapping, full resolution.
    wanted : bool map
        Tiles of a to measure (textured, and relevant or nearly so).
    noise : FloatMap
        Noise of the working planes, 8-bit steps, on the brightness scale of a.
    blur_difference : FloatMap
        Gaussian sigma in working pixels by which the blurrier frame exceeds the sharper.

    Returns
    -------
    TileSway

    Notes
    -----
    A tile is first tried at rest. Where rest does not explain it, its surroundings are searched at low resolution
    and the best candidates, and those of neighbouring tiles, are followed up to full working resolution. Frames of
    unequal blur are compared on the level at which the sharper shows no more than the blurrier.
    """
    shape = a.levels[0].shape
    moved = [bring_to_a(b.levels[0], b_to_a, a.reduction, (shape[0], shape[1]))]
    for plane in a.levels[1:]:
        height, width = plane.shape
        whole = moved[-1][: height * 2, : width * 2]
        moved.append(cv2.resize(whole, (width, height), interpolation=cv2.INTER_AREA))
    rows, cols = np.nonzero(wanted)
    side = grid.tile_px / a.reduction
    centres = np.column_stack([(cols + 0.5) * side - 0.5, (rows + 0.5) * side - 0.5])
    base_half = max(round(side / 2), _SMALLEST_HALF)
    sigma = noise[rows, cols]
    difference = blur_difference[rows, cols]
    top = len(a.levels) - 1
    tile_level = np.clip(np.round(np.log2(np.maximum(difference, 0.5) / 1.2)), 0, min(top, 3)).astype(np.int8)

    state = _rest(a, moved, centres, tile_level, base_half)
    explained = _explained(state, sigma)
    # What rest explains is done; the rest is searched.
    doubtful = (explained < settings.rest_explains) | (np.hypot(*state.d.T) > 1.5)
    if doubtful.any():
        _search(a, moved, centres, tile_level, base_half, sigma, np.nonzero(doubtful)[0], state, settings)
        for _ in range(2):
            _spread(a, moved, centres, tile_level, base_half, rows, cols, grid, sigma, state, settings)
    return _finish(state, sigma, rows, cols, grid, a.reduction, base_half, tile_level, settings)


def _scaled_half(base_half: int, level: int) -> int:
    """Half window at a level: coarser levels may look a little wider, never below what can be matched."""
    return max(base_half >> level, _SMALLEST_HALF)


def _refine_at(
    a: Pyramid,
    moved: list[Plane],
    centres: NDArray[np.float64],
    start: NDArray[np.float64],
    level: int,
    base_half: int,
    iterations: int,
    reach: float,
) -> NDArray[np.float32]:
    """`refine_windows` at a level, with positions and displacements in working pixels."""
    factor = 2.0**level
    at = (centres + 0.5) / factor - 0.5
    half = _scaled_half(base_half, level)
    found: NDArray[np.float32] = refine_windows(
        a.levels[level], moved[level], at, start / factor, half, _LOW, _HIGH, iterations, reach
    )
    found[:, [DX, DY]] *= np.float32(factor)
    return found


def _rest(
    a: Pyramid, moved: list[Plane], centres: NDArray[np.float64], tile_level: NDArray[np.int8], base_half: int
) -> _State:
    count = len(centres)
    state = _State(
        d=np.zeros((count, 2)),
        zncc=np.full(count, -1, np.float32),
        eigen=np.zeros(count, np.float32),
        residual=np.zeros(count, np.float32),
        valid=np.zeros(count, np.float32),
        unique=np.ones(count, np.float32),
        level=tile_level.copy(),
    )
    for level in np.unique(tile_level):
        members = np.nonzero(tile_level == level)[0]
        found = _refine_at(a, moved, centres[members], np.zeros((len(members), 2)), int(level), base_half, 8, 3.0)
        _take(state, members, found, np.ones(len(members), bool))
    return state


def _take(state: _State, members: NDArray[np.intp], found: NDArray[np.float32], accept: NDArray[np.bool_]) -> None:
    chosen = members[accept]
    state.d[chosen] = found[accept][:, [DX, DY]]
    state.zncc[chosen] = found[accept, ZNCC]
    state.eigen[chosen] = found[accept, MIN_EIGEN]
    state.residual[chosen] = found[accept, RESIDUAL]
    state.valid[chosen] = found[accept, VALID]


def _explained(state: _State, sigma: NDArray[np.float32]) -> NDArray[np.float32]:
    """Correlation as it would be without noise, -1..1."""
    # The windows were smoothed by [1 2 1] both ways, which leaves (3/8)^2 of white noise's variance; each level
    # above the working one averages four pixels.
    variance = (sigma * 0.375) ** 2 / 4.0**state.level
    # Residual and correlation give the window's own variance: residual^2 = 2 va (1 - zncc).
    spread = state.residual**2 / np.maximum(2 * (1 - state.zncc), 1e-4)
    ceiling = np.clip(1 - variance / np.maximum(spread, 1e-6), 0.25, 1)
    return np.clip(state.zncc / ceiling, -1, 1)


def _search(
    a: Pyramid,
    moved: list[Plane],
    centres: NDArray[np.float64],
    tile_level: NDArray[np.int8],
    base_half: int,
    sigma: NDArray[np.float32],
    members: NDArray[np.intp],
    state: _State,
    settings: AssessSettings,
) -> None:
    """Look around at low resolution, then follow the best place down."""
    long_px = max(a.levels[0].shape)
    reach = settings.search_px / a.reduction * max(1.0, long_px * a.reduction / 6000)
    reach = min(reach, long_px * 0.03)
    level = 0
    while level < len(a.levels) - 1 and (reach / 2**level > 12 or base_half / 2**level > 1.6 * _SEARCH_HALF):
        level += 1
    factor = 2.0**level
    radius = int(np.ceil(reach / factor)) + 1
    at = np.round((centres[members] + 0.5) / factor - 0.5).astype(np.int64)
    found = search_windows(a.levels[level], moved[level], at, _SEARCH_HALF, radius, _LOW, _HIGH)
    plausible = found[:, 2] > np.maximum(found[:, 4] + 0.05, settings.search_min_correlation)
    if not plausible.any():
        return
    members, found = members[plausible], found[plausible]
    start = found[:, :2].astype(np.float64) * factor
    follow = start
    for finer in range(level, -1, -1):
        at_level = np.maximum(tile_level[members], finer)
        refined = np.empty((len(members), 7), np.float32)
        for each in np.unique(at_level):
            here = at_level == each
            refined[here] = _refine_at(a, moved, centres[members[here]], follow[here], int(each), base_half, 6, 3.0)
        held = refined[:, ZNCC] > -1
        follow = np.where(held[:, None], refined[:, [DX, DY]], follow)
    better = refined[:, ZNCC] > state.zncc[members] + settings.search_gain
    _take(state, members, refined, better)
    # A rival elsewhere nearly as good makes the place a guess.
    state.unique[members[better]] = np.clip((found[better, 2] - found[better, 3]) / 0.15, 0, 1)


def _spread(
    a: Pyramid,
    moved: list[Plane],
    centres: NDArray[np.float64],
    tile_level: NDArray[np.int8],
    base_half: int,
    rows: NDArray[np.intp],
    cols: NDArray[np.intp],
    grid: TileGrid,
    sigma: NDArray[np.float32],
    state: _State,
    settings: AssessSettings,
) -> None:
    """Try a doubtful tile with the displacement its best-matched neighbour found."""
    explained = _explained(state, sigma)
    index = np.full((grid.rows + 2, grid.cols + 2), -1)
    index[rows + 1, cols + 1] = np.arange(len(rows))
    offsets = [(-1, 0), (1, 0), (0, -1), (0, 1), (-1, -1), (-1, 1), (1, -1), (1, 1)]
    beside = np.stack([index[rows + 1 + r, cols + 1 + c] for r, c in offsets], axis=1)
    quality = np.where(beside >= 0, explained[beside], -1)
    donor = beside[np.arange(len(rows)), quality.argmax(axis=1)]
    best = quality.max(axis=1)
    differs = np.hypot(*(state.d - state.d[donor]).T) > 0.7
    try_it = np.nonzero((explained < settings.rest_explains) & (best > explained + 0.05) & differs & (donor >= 0))[0]
    if try_it.size == 0:
        return
    found = np.empty((len(try_it), 7), np.float32)
    for level in np.unique(tile_level[try_it]):
        here = tile_level[try_it] == level
        chosen = try_it[here]
        found[here] = _refine_at(a, moved, centres[chosen], state.d[donor[chosen]], int(level), base_half, 6, 3.0)
    better = found[:, ZNCC] > state.zncc[try_it] + settings.search_gain
    _take(state, try_it, found, better)
    state.unique[try_it[better]] = np.maximum(state.unique[donor[try_it[better]]], 0.5)


def _finish(
    state: _State,
    sigma: NDArray[np.float32],
    rows: NDArray[np.intp],
    cols: NDArray[np.intp],
    grid: TileGrid,
    reduction: int,
    base_half: int,
    tile_level: NDArray[np.int8],
    settings: AssessSettings,
) -> TileSway:
    explained = _explained(state, sigma)
    halves = np.maximum(np.round(base_half / 2.0**tile_level), _SMALLEST_HALF)
    independent = np.maximum((2 * halves + 1) ** 2 * state.valid / 4, 4)  # smoothed pixels are not independent
    error = state.residual / np.sqrt(np.maximum(state.eigen * independent, 1e-6)) * 2.0**tile_level * reduction
    precise = 1 / (1 + (error / settings.error_half_px) ** 2)
    matched = np.clip((explained - settings.changed_below) / (settings.matched_above - settings.changed_below), 0, 1)
    length = np.hypot(*state.d.T)
    # Rest needs no proof of being the only match; a displacement does.
    sole = np.where(length > 2, 0.4 + 0.6 * state.unique, 1.0)
    confidence = (precise * matched * sole).astype(np.float32)
    confidence[state.zncc <= -1] = 0

    def spread(values: NDArray[np.float32]) -> FloatMap:
        plane = np.zeros(grid.shape, np.float32)
        plane[rows, cols] = values
        return plane

    comparable = state.zncc > -1
    changed = np.where(comparable, 1 - np.clip(explained, 0, 1) ** 2, 0).astype(np.float32)
    return TileSway(
        x_px=spread((state.d[:, 0] * reduction).astype(np.float32)),
        y_px=spread((state.d[:, 1] * reduction).astype(np.float32)),
        confidence=spread(confidence),
        changed=spread(changed),
        correlation=spread(state.zncc),
    )
