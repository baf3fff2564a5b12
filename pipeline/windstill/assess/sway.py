"""How far the subject moved between two frames, tile by tile, after the camera's own shift."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.special import betainc

from windstill.assess.edges import complete_edges
from windstill.assess.geometry import Matrix, apart
from windstill.assess.matching import (
    DX,
    DY,
    GAIN,
    RESIDUAL,
    RESULT_COLUMNS,
    START_RESIDUAL,
    START_ZNCC,
    VALID,
    ZNCC,
    refine_windows,
    search_windows,
    tensor_axes,
)
from windstill.assess.pyramid import Plane, Pyramid, bring_to_a, halved
from windstill.assess.whites import let_white_heads_in
from windstill.records import FloatMap, Relation, TileGrid
from windstill.records.levels import BLACK, WHITE
from windstill.score.kernels import sobel_energy
from windstill.settings import AssessSettings

_REACH = 4.0  # pixels of a level a window is led from where it starts
_FAR_PX, _NEAR_PX = 14, 12  # pixels of a level: how far is looked on the coarser level at most, and on the finer one
_COARSEST = 4  # levels above the working one on which unequal blur is still matched
_FEW_TILES = 40  # fewer tell nothing of the noise all share
_NO_CHANCE = 1e-6  # places: less takes nothing off a confidence
_ELSEWHERE = 0.75  # share of a window's pixels that are its own from which it is a witness by itself
_GRAIN_GRADIENT = 5 / 48  # mean squared gradient over both frames' summed variance, of noise smoothed by [1 2 1]
_GRADIENT_NOISE = 24 / 64  # energy of Sobel / 8 in both directions on white noise of variance 1


@dataclass(frozen=True, slots=True, eq=False)
class TileSway:
    """Displacement from a to b per tile of a, full-resolution pixels, with what is known of its error.

    `plain` tiles look alike at rest and have too little detail to tell more: whatever moved there, no eye would see it.
    `seen_steps` is how much a tile differs from what b shows in its place, 8-bit steps beyond noise as the brighter
    frame shows them, root mean square.
    """

    x_px: FloatMap
    y_px: FloatMap
    confidence: FloatMap
    changed: FloatMap
    correlation: FloatMap
    plain: NDArray[np.bool_]
    seen_steps: FloatMap


@dataclass(slots=True, eq=False)
class _State:
    """Best displacement of each tile so far, in working pixels."""

    found: NDArray[np.float32]  # `refine_windows`' columns
    unique: NDArray[np.float32]
    level: NDArray[np.int8]
    searched: NDArray[np.bool_]  # the displacement comes from looking around, not from rest
    beside: NDArray[np.float32]  # how far from the tile's centre the window lay that found it, shape (n, 2)
    rest: NDArray[np.float32]  # correlation and residual at rest on the tile's own level, shape (n, 2)

    @property
    def d(self) -> NDArray[np.float64]:
        return self.found[:, [DX, DY]].astype(np.float64)

    @property
    def zncc(self) -> NDArray[np.float32]:
        return self.found[:, ZNCC]


def measure_sway(
    a: Pyramid,
    b: Pyramid,
    b_to_a: Matrix,
    grid: TileGrid,
    wanted: NDArray[np.bool_],
    noise: FloatMap,
    relation: Relation,
    settings: AssessSettings,
    mapping_error_px: float = 0.0,
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
    relation : Relation
        What differs on purpose: exposure, focus, view or nothing.
    mapping_error_px : float
        What the camera mapping leaves on things that stood still, full-resolution pixels: a displacement of a few
        times as much may be the mapping's.

    Returns
    -------
    TileSway

    Notes
    -----
    A tile is first tried at rest. Where rest does not explain it, its surroundings are searched at low resolution
    and the best candidates, and those of neighbouring tiles, are followed up to full working resolution. Frames of
    unequal blur are compared on the level at which the sharper shows no more than the blurrier.
    """
    moved = _brought(a, b, b_to_a, settings)
    rows, cols = np.nonzero(wanted)
    side = grid.tile_px / a.reduction
    if relation in ("repeat", "view"):
        a, moved = let_white_heads_in(a, moved, side)
    centres = np.column_stack([(cols + 0.5) * side - 0.5, (rows + 0.5) * side - 0.5])
    base_half = max(round(side / 2), settings.least_half_window)
    sigma = noise[rows, cols]
    level_map, alike_map = _shared_level(a, moved, grid, noise, relation == "exposure", settings)
    tile_level, alike = level_map[rows, cols], alike_map[rows, cols]
    beside = neighbours(rows, cols, grid.shape)

    state = _rest(a, moved, centres, tile_level, base_half, settings)
    if relation != "focus":
        sigma = sigma * np.sqrt(_noise_excess(state, sigma))
    explained = _explained(state, sigma)
    # What rest explains is done; the rest is searched.
    doubtful = np.nonzero(explained < settings.rest_explains)[0]
    if doubtful.size:
        shows = _shows_a_change(state, tile_level, sigma, doubtful, settings)
        of_tile = side / 2 if settings.sway_halved else float(base_half)
        _search(a, moved, centres, tile_level, base_half, of_tile, sigma, doubtful[shows], state, settings)
        refused = np.full((len(centres), 2), np.nan)
        for _ in range(2):
            _spread(a, moved, centres, tile_level, base_half, beside, sigma, state, refused, settings)
        state.found[_impostors(a, moved, centres, base_half, sigma, state, settings), ZNCC] = -1
    told = _told_from_rest(a, moved, centres, tile_level, base_half, sigma, state, settings)
    _look_at_rims(a, moved, centres, base_half, state, settings)
    return _finish(
        state, sigma, centres, rows, cols, beside, grid, a.reduction, base_half, alike, told, mapping_error_px,
        settings,
    )


def _brought(a: Pyramid, b: Pyramid, b_to_a: Matrix, settings: AssessSettings) -> list[Plane]:
    """The levels of b as a's picture would show them."""
    shape = a.levels[0].shape
    size = shape[1] * a.reduction, shape[0] * a.reduction
    if b.levels[0].shape == shape and apart(b_to_a, np.eye(3), size) <= settings.laid_enough_px:
        return list(b.levels)
    moved = [bring_to_a(b.levels[0], b_to_a, a.reduction, (shape[0], shape[1]))]
    for _ in a.levels[1:]:
        moved.append(halved(moved[-1]))
    return moved


def _shows_a_change(
    state: _State,
    tile_level: NDArray[np.int8],
    sigma: NDArray[np.float32],
    members: NDArray[np.intp],
    settings: AssessSettings,
) -> NDArray[np.bool_]:
    """Which tiles differ from what b shows in their place by so much that motion could be claimed of them."""
    least = settings.seen_from_steps * np.sqrt(settings.measured_confidence)  # as `_finish` counts what is seen
    zncc, residual = state.rest[members].T
    beyond = residual**2 - _smoothed_noise(sigma[members], tile_level[members])
    shows: NDArray[np.bool_] = (zncc <= -1) | (beyond >= least**2)
    return shows


def _told_from_rest(
    a: Pyramid,
    moved: list[Plane],
    centres: NDArray[np.float64],
    tile_level: NDArray[np.int8],
    base_half: int,
    sigma: NDArray[np.float32],
    state: _State,
    settings: AssessSettings,
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """How much tiles said to have moved differ from what b shows where they stood, and what the move leaves of it.

    Where the difference is next to nothing (a plain sky with the steps of its rounding, a veil of cloud under another
    fall-off of light), the best place is anywhere, and no eye would find the tile moved. Where most of it is left
    (waves under a horizon, which agrees wherever along it one looks), something changed, and the move is no account
    of it.

    Returns
    -------
    seen : float32 array, shape (n,)
        8-bit steps, root mean square beyond noise; infinite for tiles at rest.
    left : float32 array, shape (n,)
        Share 0..1 of its square; 0 for tiles at rest.
    """
    seen = np.full(len(centres), np.inf, np.float32)
    left = np.zeros(len(centres), np.float32)
    away = np.nonzero(np.hypot(*state.d.T) * a.reduction > settings.error_half_px)[0]
    levels = state.level[away]
    zncc, residual = _resting(a, moved, centres, tile_level, base_half, away, levels, state, settings)
    # At the picture's rim a tile is matched by what lies further in; that is what must be seen to differ.
    rim = np.flatnonzero(zncc <= -1)
    if rim.size:
        places = _within(a, centres[away[rim]], levels[rim], base_half, settings)
        zncc[rim], residual[rim] = _looked_at(a, moved, places, levels[rim], base_half, settings)
    noise = _smoothed_noise(sigma[away], levels)
    before, after = (np.maximum(r**2 - noise, 0) for r in (residual, state.found[away, RESIDUAL]))
    known = zncc > -1
    seen[away] = np.where(known, np.sqrt(before), np.inf)
    left[away] = np.where(known, np.minimum(after / np.maximum(before, 1e-6), 1), 0)
    return seen, left


def _within(
    a: Pyramid, centres: NDArray[np.float64], levels: NDArray[np.int8], base_half: int, settings: AssessSettings
) -> NDArray[np.float64]:
    """The places nearest to some about which windows on their levels lie within the picture."""
    factor = 2.0 ** levels.astype(np.float64)[:, None]
    room = _scaled_half(base_half, levels.astype(np.intp), settings)[:, None] + settings.match_passes + 4
    sides = np.array([plane.shape[::-1] for plane in a.levels])[levels]
    at = (centres + 0.5) / factor - 0.5
    return np.asarray((np.clip(at, room, np.maximum(sides - 1 - room, room)) + 0.5) * factor - 0.5)


def _resting(
    a: Pyramid,
    moved: list[Plane],
    centres: NDArray[np.float64],
    tile_level: NDArray[np.int8],
    base_half: int,
    members: NDArray[np.intp],
    levels: NDArray[np.int8],
    state: _State,
    settings: AssessSettings,
) -> NDArray[np.float32]:
    """Correlation and residual at rest of some tiles on some levels, shape (2, n): on their own they are known."""
    resting = state.rest[members]
    other = levels != tile_level[members]
    if other.any():
        resting[other] = _looked_at(a, moved, centres[members[other]], levels[other], base_half, settings).T
    return np.asarray(resting.T, np.float32)


def _looked_at(
    a: Pyramid,
    moved: list[Plane],
    places: NDArray[np.float64],
    levels: NDArray[np.int8],
    base_half: int,
    settings: AssessSettings,
) -> NDArray[np.float32]:
    """Correlation and residual at rest about some places, on a level each, shape (2, n)."""
    found = _refine_each(a, moved, places, np.zeros_like(places), levels, base_half, 0, 1.0, settings)
    return np.asarray(found[:, [START_ZNCC, START_RESIDUAL]].T)


def _look_at_rims(
    a: Pyramid,
    moved: list[Plane],
    centres: NDArray[np.float64],
    base_half: int,
    state: _State,
    settings: AssessSettings,
) -> None:
    """Tiles whose window reaches out of the picture: see at the finest, just within, how alike they are at rest."""
    rim = np.nonzero((state.zncc <= -1) & (state.found[:, VALID] == 0))[0]
    if rim.size:
        state.level[rim] = 0
        places = _within(a, centres[rim], state.level[rim], base_half, settings)
        state.found[rim] = _refine_at(a, moved, places, np.zeros((rim.size, 2)), 0, base_half, 0, 1.0, settings)
        state.found[rim, ZNCC] = -1  # alike or not, nothing is matched on this level


def _impostors(
    a: Pyramid,
    moved: list[Plane],
    centres: NDArray[np.float64],
    base_half: int,
    sigma: NDArray[np.float32],
    state: _State,
    settings: AssessSettings,
) -> NDArray[np.intp]:
    """Tiles led to a place in b whose own content never moved: nothing can have come there.

    What b shows where a tile is said to have gone must be the tile, and not what a shows there already.
    """
    away = np.nonzero(state.searched & (state.zncc > -1))[0]
    explained = _noise_free(state.found[away], sigma[away], state.level[away])
    there, nowhere, levels = centres[away] + state.d[away], np.zeros((away.size, 2)), state.level[away]
    at_rest = _refine_each(a, moved, there, nowhere, levels, base_half, 4, 1.0, settings)
    stays = _noise_free(at_rest, sigma[away], levels)
    return np.asarray(away[stays >= explained], np.intp)


def _shared_level(
    a: Pyramid,
    moved: list[Plane],
    grid: TileGrid,
    noise: FloatMap,
    unequal_exposure: bool,
    settings: AssessSettings,
) -> tuple[NDArray[np.int8], FloatMap]:
    """Per tile the finest level on which both frames hold detail alike, and how alike they are there, 0..1.

    Notes
    -----
    Defocus by a disc not only weakens fine detail but turns its sign beyond the disc's first zero, so matching there
    finds a false place. How much one frame holds of the other is the ratio of their gradients, taken against the same
    ratio at the coarsest level, which is the difference in exposure and tone.
    """
    top = min(len(a.levels) - 1, _COARSEST)
    ratios = []
    # One exposure: gradients compare as brightness does. Unequal exposures: by what the coarsest level shows.
    for level in range(top + 1):
        variance = (noise / np.sqrt(2)) ** 2 / 4.0**level
        energies = [_gradient_energy(p[level], grid, a.reduction << level) for p in (a.levels, moved)]
        clean = [np.maximum(e - _GRADIENT_NOISE * variance, 0.02) for e in energies]
        ratios.append(np.sqrt(clean[0] / clean[1]))
    shared = np.full(grid.shape, top, np.int8)
    likeness = np.zeros(grid.shape, np.float32)
    reference = ratios[top] if unequal_exposure else np.ones(grid.shape, np.float32)
    for level in range(top - 1, -1, -1):
        relative = ratios[level] / reference
        held = np.minimum(relative, 1 / relative)
        # A tile may only be matched finer than a level it already passed.
        finer = (held >= settings.shared_detail) & (shared == level + 1)
        shared[finer] = level
        likeness[finer] = held[finer]
    return shared, likeness


def _gradient_energy(plane: Plane, grid: TileGrid, reduction: int) -> FloatMap:
    """Mean squared gradient per tile and its neighbours, on a level."""
    smooth: FloatMap = cv2.blur(sobel_energy(plane, grid, reduction), (3, 3))
    return smooth


def _scaled_half(
    base_half: int, levels: NDArray[np.intp] | int, settings: AssessSettings
) -> NDArray[np.intp]:
    """Half windows at levels: coarser levels may look a little wider, never below what can be matched."""
    return np.asarray(np.maximum(base_half >> np.asarray(levels), settings.least_half_window))


def _refine_at(
    a: Pyramid,
    moved: list[Plane],
    centres: NDArray[np.float64],
    start: NDArray[np.float64],
    level: int,
    base_half: int,
    iterations: int,
    reach: float,
    settings: AssessSettings,
) -> NDArray[np.float32]:
    """`refine_windows` at a level, with positions and displacements in working pixels."""
    factor = 2.0**level
    at = (centres + 0.5) / factor - 0.5
    half = int(_scaled_half(base_half, level, settings))
    found: NDArray[np.float32] = refine_windows(
        a.levels[level], moved[level], at, start / factor, half, BLACK, WHITE, iterations, reach,
        settings.match_passes, settings.match_enough_px,
    )
    found[:, [DX, DY]] *= np.float32(factor)
    return found


def _refine_each(
    a: Pyramid,
    moved: list[Plane],
    centres: NDArray[np.float64],
    start: NDArray[np.float64],
    levels: NDArray[np.int8],
    base_half: int,
    iterations: int,
    reach: float,
    settings: AssessSettings,
) -> NDArray[np.float32]:
    """`_refine_at`, every window at a level of its own."""
    if len(levels) and (levels == levels[0]).all():
        return _refine_at(a, moved, centres, start, int(levels[0]), base_half, iterations, reach, settings)
    found = np.empty((len(centres), RESULT_COLUMNS), np.float32)
    for level in np.unique(levels):
        here = levels == level
        found[here] = _refine_at(
            a, moved, centres[here], start[here], int(level), base_half, iterations, reach, settings
        )
    return found


def _rest(
    a: Pyramid,
    moved: list[Plane],
    centres: NDArray[np.float64],
    tile_level: NDArray[np.int8],
    base_half: int,
    settings: AssessSettings,
) -> _State:
    count = len(centres)
    steps, at_rest = settings.rest_steps, np.zeros((count, 2))
    found = _refine_each(a, moved, centres, at_rest, tile_level, base_half, steps, _REACH, settings)
    rest = found[:, [START_ZNCC, START_RESIDUAL]]
    # What still climbs at the rim of its reach is led on from there, as far as motion is searched: soft detail looks
    # much the same all the way, and where it is left it would pass for matched.
    furthest = _search_reach(a, settings)
    rim = _at_rim(found, at_rest, tile_level)
    for _ in range(math.ceil(furthest / _REACH)):
        rim = rim[np.hypot(found[rim, DX], found[rim, DY]) < furthest]
        if rim.size == 0:
            break
        start = found[rim][:, [DX, DY]].astype(np.float64)
        found[rim] = _refine_each(
            a, moved, centres[rim], start, tile_level[rim], base_half, steps, _REACH, settings
        )
        rim = rim[_at_rim(found[rim], start, tile_level[rim])]
    return _State(
        found=found, unique=np.ones(count, np.float32), level=tile_level.copy(), searched=np.zeros(count, bool),
        beside=np.zeros((count, 2), np.float32), rest=rest,
    )  # fmt: skip


def _at_rim(
    found: NDArray[np.float32], start: NDArray[np.float64], level: NDArray[np.int8]
) -> NDArray[np.intp]:
    """Which windows were led as far from where they started as they may be."""
    led = np.hypot(*(found[:, [DX, DY]] - start).T)
    return np.nonzero(led > 0.9 * _REACH * 2.0**level)[0]


def _noise_excess(state: _State, sigma: NDArray[np.float32]) -> np.float32:
    """Variance of the pair's noise in matched windows over that of white noise as strong as `sigma` says, from 1 up.

    A camera's processing leaves noise coarser than white, which says less of itself in fine detail and loses less by
    smoothing. What two frames of one thing differ by is noise, and misfit that grows with contrast: the quarter of the
    windows with the least contrast tells the noise.
    """
    known = state.zncc > -1
    if known.sum() < _FEW_TILES:
        return np.float32(1)
    residual = state.found[known, RESIDUAL] ** 2
    contrast = _own_variance(state.found[known])
    plainest = contrast <= np.percentile(contrast, 25)
    supposed = _smoothed_noise(sigma[known], state.level[known])
    return np.float32(max(float(np.median(residual[plainest] / supposed[plainest])), 1.0))


def _explained(
    state: _State, sigma: NDArray[np.float32], members: NDArray[np.intp] | None = None
) -> NDArray[np.float32]:
    """Correlation as it would be without noise, -1..1; of all tiles, or of some."""
    if members is None:
        return _noise_free(state.found, sigma, state.level)
    return _noise_free(state.found[members], sigma[members], state.level[members])


def _noise_free(
    found: NDArray[np.float32], sigma: NDArray[np.float32], level: NDArray[np.int8]
) -> NDArray[np.float32]:
    variance = _smoothed_noise(sigma, level)
    ceiling = np.clip(1 - variance / np.maximum(_own_variance(found), 1e-6), 0.25, 1)
    return np.asarray(np.clip(found[:, ZNCC] / ceiling, -1, 1), np.float32)


def _own_variance(found: NDArray[np.float32]) -> NDArray[np.float32]:
    """Variance of a's window, squared steps: residual^2 = 2 va (1 - zncc)."""
    return np.asarray(found[:, RESIDUAL] ** 2 / np.maximum(2 * (1 - found[:, ZNCC]), 1e-4), np.float32)


def _smoothed_noise(sigma: NDArray[np.float32], level: NDArray[np.int8]) -> NDArray[np.float32]:
    """Variance that noise leaves in a window: [1 2 1] both ways keeps (3/8)^2, each level averages four pixels."""
    return np.asarray((sigma * 0.375) ** 2 / 4.0**level, np.float32)


def _search(
    a: Pyramid,
    moved: list[Plane],
    centres: NDArray[np.float64],
    tile_level: NDArray[np.int8],
    base_half: int,
    of_tile: float,
    sigma: NDArray[np.float32],
    members: NDArray[np.intp],
    state: _State,
    settings: AssessSettings,
) -> None:
    """Look around doubtful tiles at low resolution, then follow the best places down.

    Each tile is looked at through windows at its centre and at its four corners: a mover smaller than a few tiles
    rarely lies square on one, and a window half filled with background finds the background.
    """
    shift = of_tile
    around = np.array([(0, 0), (-shift, -shift), (shift, -shift), (-shift, shift), (shift, shift)], np.float64)
    if members.size == 0:
        return
    plan = _search_plan(a, of_tile, settings)
    for stage, (level, half, radius) in enumerate(plan):
        factor = 2.0**level
        offsets = around if settings.search_far_corners or stage == len(plan) - 1 else around[:1]
        # A corner is shared by four tiles, and looked around once.
        at = np.round((centres[members] + offsets[:, None] + 0.5) / factor - 0.5).astype(np.int64)
        _, first, place = np.unique(at @ [1, 1 << 32], return_index=True, return_inverse=True)
        at, place = at.reshape(-1, 2)[first], place.reshape(len(offsets), len(members))
        known, looked = np.empty((len(at), 5), np.float32), np.zeros(len(at), bool)
        for offset, here in zip(offsets, place, strict=True):
            # What an earlier window settled is not searched again.
            unsettled = _explained(state, sigma, members) < settings.rest_explains
            open_, here = members[unsettled], here[unsettled]
            if open_.size == 0:
                return
            new = here[~looked[here]]
            known[new] = search_windows(a.levels[level], moved[level], at[new], half, radius, BLACK, WHITE)
            looked[new] = True
            found = known[here]
            enough = np.maximum(found[:, 4] + settings.search_gain, settings.search_min_correlation)
            plausible = (found[:, 2] > enough) & (np.hypot(found[:, 0], found[:, 1]) > 0)
            if not plausible.any():
                continue
            chosen, hit = open_[plausible], found[plausible]
            start = hit[:, :2].astype(np.float64) * factor
            unique = np.clip((hit[:, 2] - hit[:, 3]) / 0.1, 0, 1)
            _follow(
                a, moved, centres, offset, tile_level, base_half, level, sigma, chosen, start, unique, state, settings
            )


def _search_reach(a: Pyramid, settings: AssessSettings) -> float:
    """How far from rest motion is looked for, working pixels."""
    long_px = max(a.levels[0].shape)
    reach = settings.search_px / a.reduction * max(1.0, long_px * a.reduction / 6000)
    return float(min(reach, long_px * 0.03))


def _search_plan(a: Pyramid, of_tile: float, settings: AssessSettings) -> list[tuple[int, int, int]]:
    """Levels to search with half window and radius in their pixels: far with a wide window, near with a tile's.

    `of_tile` is half a tile's side, working pixels. Planes halved to save are searched afar a level further up.
    """
    reach = _search_reach(a, settings)
    far, most = 0, _FAR_PX / 2 if settings.sway_halved else _FAR_PX
    while far < len(a.levels) - 1 and reach / 2**far > most:
        far += 1
    plan = [(far, max(round(1.7 * of_tile / 2**far), 5), int(np.ceil(reach / 2**far)) + 1)]
    if far > 0 or settings.sway_halved:
        near = far - 1 if far > 0 and a.level_reduction(far - 1) >= settings.search_finest_px else far
        radius = _NEAR_PX if near < far and not settings.sway_halved else _NEAR_PX // 2
        plan.append((near, max(round(1.2 * of_tile / 2**near), 6), radius))
    return plan


def _follow(
    a: Pyramid,
    moved: list[Plane],
    centres: NDArray[np.float64],
    offset: NDArray[np.float64],
    tile_level: NDArray[np.int8],
    base_half: int,
    level: int,
    sigma: NDArray[np.float32],
    members: NDArray[np.intp],
    start: NDArray[np.float64],
    unique: NDArray[np.float32],
    state: _State,
    settings: AssessSettings,
) -> None:
    """Refine starts of some tiles from a level down to their own, and keep the finest that matches clearly.

    A mover smeared in one frame, or half hidden, may only be recognised at a lower resolution: it is then taken there.
    """
    follow = start
    places = centres[members] + offset
    for finer in range(level, -1, -1):
        at_level = np.maximum(tile_level[members], finer).astype(np.int8)
        refined = _refine_each(a, moved, places, follow, at_level, base_half, 6, 3.0, settings)
        if offset.any():
            at_rest, _ = _looked_at(a, moved, places, at_level, base_half, settings)
        else:
            at_rest, _ = _resting(a, moved, centres, tile_level, base_half, members, at_level, state, settings)
        held = refined[:, ZNCC] > -1
        follow = np.where(held[:, None], refined[:, [DX, DY]], follow)
        explained = _noise_free(refined, sigma[members], at_level)
        gained = refined[:, ZNCC] > at_rest + settings.search_gain
        if finer == 0:
            better = gained & (refined[:, ZNCC] > state.zncc[members] + settings.search_gain)
            # What a lower resolution was sure of is not given up for a poor match at a higher one.
            better &= (explained >= settings.rest_explains) | (state.level[members] <= at_level)
        else:
            sure = (explained >= settings.found_sure) & (hypot(refined) > settings.coarse_from_px / a.reduction)
            better = gained & sure & (_explained(state, sigma, members) < settings.rest_explains)
        chosen = members[better]
        state.found[chosen] = refined[better]
        state.level[chosen] = at_level[better]
        state.searched[chosen] = True
        state.beside[chosen] = offset
        # A rival elsewhere nearly as good makes the place a guess.
        state.unique[chosen] = unique[better]


def hypot(found: NDArray[np.float32]) -> NDArray[np.float32]:
    """Length of found displacements."""
    return np.hypot(found[:, DX], found[:, DY])


def _spread(
    a: Pyramid,
    moved: list[Plane],
    centres: NDArray[np.float64],
    tile_level: NDArray[np.int8],
    base_half: int,
    beside: NDArray[np.intp],
    sigma: NDArray[np.float32],
    state: _State,
    refused: NDArray[np.float64],
    settings: AssessSettings,
) -> None:
    """Try a doubtful tile with the displacement its best-matched neighbour found.

    `refused` (n, 2) holds what was tried in vain, tile by tile: it is not tried again, and what now is goes there.
    """
    explained = _explained(state, sigma)
    open_ = np.flatnonzero(explained < settings.rest_explains)
    if open_.size == 0:
        return
    near = beside[open_]
    quality = np.where(near >= 0, explained[near], -1)
    donor = near[np.arange(len(near)), quality.argmax(axis=1)]
    differs = np.hypot(*(state.d[open_] - state.d[donor]).T) > 0.7
    new = (state.d[donor] != refused[open_]).any(axis=1)
    chosen = (quality.max(axis=1) > explained[open_] + 0.05) & differs & (donor >= 0) & new
    try_it, donor = open_[chosen], donor[chosen]
    if try_it.size == 0:
        return
    unique = np.maximum(state.unique[donor], 0.5)
    start, before = state.d[donor], state.found[try_it]
    _follow(a, moved, centres, np.zeros(2), tile_level, base_half, 0, sigma, try_it, start, unique, state, settings)
    refused[try_it] = np.where((state.found[try_it] == before).all(axis=1)[:, None], start, np.nan)


def neighbours(rows: NDArray[np.intp], cols: NDArray[np.intp], grid_shape: tuple[int, int]) -> NDArray[np.intp]:
    """Indices of each tile's eight neighbours among the measured tiles, -1 where there is none; shape (n, 8)."""
    index = np.full((grid_shape[0] + 2, grid_shape[1] + 2), -1, np.intp)
    index[rows + 1, cols + 1] = np.arange(len(rows))
    offsets = [(-1, 0), (1, 0), (0, -1), (0, 1), (-1, -1), (-1, 1), (1, -1), (1, 1)]
    return np.stack([index[rows + 1 + r, cols + 1 + c] for r, c in offsets], axis=1)


def _chance(
    state: _State,
    halves: NDArray[np.float32],
    centres: NDArray[np.float64],
    beside: NDArray[np.intp],
    tries: int,
) -> NDArray[np.float64]:
    """Places no farther from rest than the one found that unrelated detail is expected to match as well, from 0 up.

    Soft detail (waves, cloud, a meadow out of focus) says little in a window, and something like it is soon found.
    Neighbours that moved alike bear a tile out: the surest of them by half (the geometric mean), two altogether;
    by as much less as their windows look at the same pixels, which is no second witness: tiles that were found from the
    corner they share saw one window. Chance counts as often as it had a try, as far as no neighbour bears a tile out
    that mostly looks elsewhere. `centres` are the tiles', in working pixels.

    Notes
    -----
    A window holds as many independent samples as patches over which its detail is alike, whose area follows from the
    curvature of the autocorrelation at nought, the gradients over the variance. The square of a correlation by chance
    of n samples is distributed as beta(1/2, n/2 - 1).

    References
    ----------
    R. A. Fisher, Frequency distribution of the values of the correlation coefficient in samples from an indefinitely
    large population, Biometrika 10, 1915.
    """
    smaller, larger, _ = tensor_axes(state.found)
    patch = np.pi * _own_variance(state.found) / np.sqrt(np.maximum(smaller * larger, 1e-6))
    patch = np.maximum(patch, 1)  # pixels
    samples = (2 * halves + 1) ** 2 * state.found[:, VALID] / patch
    as_well = 0.5 * betainc(np.maximum(samples / 2 - 1, 0.05), 0.5, 1 - np.maximum(state.zncc, 0) ** 2)
    alone = np.asarray(np.pi * (hypot(state.found) / 2.0**state.level) ** 2 / patch * as_well, np.float64)
    # Chance that is next to nothing needs no witness.
    result = np.zeros(len(beside))
    some = np.flatnonzero(alone * tries > _NO_CHANCE)
    if some.size == 0:
        return result
    near, own_d, own_alone = beside[some], state.d[some], alone[some]
    apart = np.hypot(*(state.d[near] - own_d[:, None]).transpose(2, 0, 1))
    alike = (near >= 0) & (apart < np.maximum(1, 0.15 * np.hypot(*own_d.T))[:, None])
    window = (2 * halves + 1) * 2.0**state.level
    narrower = np.minimum(window[near], window[some, None])

    def of_its_own(places: NDArray[np.float64]) -> NDArray[np.float64]:
        """Share of each neighbour's window that a tile's own does not look at, were they about these places."""
        common = [
            np.clip((window[near] + window[some, None]) / 2 - np.abs(at[near] - at[some, None]), 0, narrower)
            for at in places.T
        ]
        return np.asarray(1 - common[0] * common[1] / narrower**2, np.float64)

    own = of_its_own(centres + state.beside)
    surer = np.where(alike, np.minimum(alone[near] / own_alone[:, None], 1), 1)
    with_one = (surer ** (own / 2)).min(axis=1)
    with_two = np.sort(surer**own, axis=1)[:, 1]
    # By the tiles' own places: by where they looked, small true movers, found from few corners, were lost as lonely.
    lonely = np.clip(1 - np.where(alike, of_its_own(centres), 0).max(axis=1) / _ELSEWHERE, 0, 1)
    result[some] = own_alone * np.minimum(with_one, with_two) * float(tries) ** lonely
    return result


def _allowed_px(
    displacement: NDArray[np.float64], reduction: int, settings: AssessSettings
) -> NDArray[np.float64]:
    """Error at which a displacement (n, 2), working pixels, is half as sure: full-resolution pixels."""
    length_px = np.hypot(*displacement.T) * reduction
    return np.asarray(np.maximum(settings.error_half_px, settings.error_half_share * length_px), np.float64)


def _finish(
    state: _State,
    sigma: NDArray[np.float32],
    centres: NDArray[np.float64],
    rows: NDArray[np.intp],
    cols: NDArray[np.intp],
    beside: NDArray[np.intp],
    grid: TileGrid,
    reduction: int,
    base_half: int,
    alike: NDArray[np.float32],
    told_from_rest: tuple[NDArray[np.float32], NDArray[np.float32]],
    mapping_error_px: float,
    settings: AssessSettings,
) -> TileSway:
    explained = _explained(state, sigma)
    tile_level = state.level
    halves = np.maximum(np.round(base_half / 2.0**tile_level), settings.least_half_window)
    # Noise averages out over the window; what else is left over (unlike blur, waves, an edge of something nearer) is
    # coherent across it and pulls at the whole estimate.
    independent = np.maximum((2 * halves + 1) ** 2 * state.found[:, VALID] / 4, 4)
    residual = state.found[:, RESIDUAL] ** 2
    from_noise = np.minimum(residual, _smoothed_noise(sigma, tile_level))
    # Equally blurred windows that do not quite match are part mover, part background: neither bends the other's match.
    equal_blur = np.clip((alike - 0.6) / 0.3, 0, 1) * ((tile_level == 0) | state.searched)
    model_samples = settings.model_samples * settings.equal_blur_samples**equal_blur
    spread_of = from_noise / independent + (residual - from_noise) / model_samples
    smaller, larger, along = tensor_axes(state.found)
    # Noise has gradients too, and nothing can be matched by them.
    from_grain = _GRAIN_GRADIENT * _smoothed_noise(sigma, tile_level)
    smaller, larger = np.maximum(smaller - from_grain, 0), np.maximum(larger - from_grain, 0)
    scale = (2.0**tile_level * reduction).astype(np.float32)
    error_along, error_across = (
        np.sqrt(spread_of / np.maximum(eigen, 1e-6)) * scale for eigen in (smaller, larger)
    )
    displacement = state.d
    # A far displacement may be a little wrong and still tell what matters, where detail runs both ways: along a horizon
    # or a stem a far place is a slide.
    both_ways = smaller > settings.both_ways_from * larger
    placed_px = np.where(both_ways, _allowed_px(displacement, reduction, settings), settings.error_half_px)
    # Along an edge nothing can be said: only the movement across it is claimed.
    edge = (smaller < settings.edge_below * larger) | (error_along > placed_px)
    slide = (displacement * along).sum(axis=1, keepdims=True) * along
    displacement = np.where(edge[:, None], displacement - slide, displacement)
    # What hardly shows is hardly known: half as much as shows counts a quarter.
    seen, left = told_from_rest
    told = np.minimum(seen / settings.seen_from_steps, 1) ** 2
    told *= np.clip(1.5 - left / settings.changed_from_share, 0, 1)
    # Rest is one hypothesis; a displacement found by search is the best of thousands and needs a better match.
    searched = state.searched
    lower = np.where(searched, settings.found_from, settings.changed_below)
    upper = np.where(searched, settings.found_sure, settings.matched_above)
    matched = np.clip((explained - lower) / (upper - lower), 0, 1)
    sole = np.where(searched, 0.4 + 0.6 * state.unique, 1.0)
    # Where much has changed (a sea, a sky), as many tiles had the chance.
    tries = 1 + int((~searched & (state.zncc > -1) & (explained < settings.changed_below)).sum())
    by_chance = _chance(state, halves, centres, beside, tries)
    believed = matched * sole * told / (1 + by_chance / settings.chance_believed)

    def confidence_of(displacement: NDArray[np.float64]) -> NDArray[np.float64]:
        error = np.where(edge, error_across, error_along)
        # What lies within the mapping's own spread is at rest; what lies beyond may still be partly the mapping's.
        beyond = np.hypot(*displacement.T) * reduction > 2 * mapping_error_px
        error = np.where(beyond, np.hypot(error, 2 * mapping_error_px), error)
        precise = 1 / (1 + (error / _allowed_px(displacement, reduction, settings)) ** 2)
        return np.where(state.zncc > -1, precise * believed, 0.0)

    precise_along = (error_along < placed_px) & (told >= settings.measured_confidence)
    sure = confidence_of(displacement) >= settings.measured_confidence
    stood = np.hypot(*state.d.T) * reduction <= settings.error_half_px
    displacement, completed = complete_edges(displacement, along, edge, precise_along, sure, stood, beside)
    confidence = confidence_of(displacement).astype(np.float32)
    # An edge that moved, with nothing beside it to tell how far along: the movement across is only its least.
    partial = edge & ~completed & (np.hypot(*displacement.T) * reduction > settings.edge_claims_px)
    confidence[partial] *= np.float32(0.45)

    def spread(values: NDArray[np.float32]) -> FloatMap:
        plane = np.zeros(grid.shape, np.float32)
        plane[rows, cols] = values
        return plane

    comparable = state.zncc > -1
    # As the brighter frame shows it.
    at_rest = np.where(np.isfinite(seen), seen, np.sqrt(np.maximum(residual - from_noise, 0)))
    at_rest /= np.clip(state.found[:, GAIN], 0.1, 1)
    alike_at_rest = (state.found[:, VALID] > 0) & (at_rest < settings.seen_from_steps)
    plain = alike_at_rest & (confidence < settings.measured_confidence)
    changed = np.where(comparable, 1 - np.clip(explained, 0, 1) ** 2, 0).astype(np.float32)
    changed = np.maximum(changed, np.where(seen >= settings.seen_from_steps, left, 0)).astype(np.float32)
    return TileSway(
        x_px=spread((displacement[:, 0] * reduction).astype(np.float32)),
        y_px=spread((displacement[:, 1] * reduction).astype(np.float32)),
        confidence=spread(confidence),
        changed=spread(changed),
        correlation=spread(state.zncc),
        plain=spread(plain.astype(np.float32)) > 0,
        seen_steps=spread(at_rest.astype(np.float32)),
    )
