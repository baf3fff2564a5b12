"""What moved in a pair and is no subject's sway, taken out of its sway: sky, water, and parallax."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from windstill.assess.geometry import Matrix
from windstill.assess.parallax import split_parallax
from windstill.assess.passing import Passing, split_passing
from windstill.assess.pyramid import Pyramid
from windstill.assess.smeared import Smeared
from windstill.assess.statistics import known_tiles
from windstill.assess.sway import TileSway
from windstill.assess.waves import by_chance, find_waves
from windstill.records import FloatMap, TileGrid
from windstill.settings import AssessSettings

Mask = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class Apart:
    """A pair's sway taken apart; maps have the field's shape.

    `x_px`, `y_px`, `confidence` and `changed` are the sway's without the rest. `passing` is None where it was not
    looked for, `parallax_px` in frames of one view; `parallax_sure` tells that the camera moved.
    """

    x_px: FloatMap
    y_px: FloatMap
    confidence: FloatMap
    changed: FloatMap
    passing: Passing | None = None
    parallax_px: FloatMap | None = None
    parallax_sure: bool = False


def in_one_view(
    sway: TileSway, textured: Mask, there: Mask, fineness: FloatMap, tile_px: int, settings: AssessSettings
) -> Apart:
    """Take sky and water that moved on out of the sway between two frames of one view.

    Parameters
    ----------
    sway : TileSway
    textured, there : bool map
        Tiles with anything to measure, tiles that both frames show.
    fineness : FloatMap
        How fine the detail is in the crisper frame, without noise.
    tile_px : int
    """
    known, seen = known_tiles(textured, sway.confidence, settings), _seen(sway, settings)
    passing = split_passing(sway.x_px, sway.y_px, known, there, textured, fineness, seen, tile_px, settings)
    return without_passing(sway, passing, settings)


def between_views(
    sway: TileSway,
    textured: Mask,
    there: Mask,
    fineness: FloatMap,
    b_to_a: Matrix,
    tile_px: int,
    settings: AssessSettings,
    camera_moved: bool = False,
) -> Apart:
    """Take sky, water and parallax out of the sway between two views.

    Parameters
    ----------
    sway, textured, there, fineness
        As for `in_one_view`.
    b_to_a : Matrix
        The camera mapping, full resolution.
    tile_px : int
    camera_moved : bool
        Other pairs of the panorama have shown that it did.

    Notes
    -----
    The sky is too far for parallax, so it goes first. Ground that shifts in steps looks like water between them, so
    water is looked for only where no ground shifted.
    """
    known, seen = known_tiles(textured, sway.confidence, settings), _seen(sway, settings)

    def without(passing: Passing) -> Apart:
        rest = without_passing(sway, passing, settings)
        # What passes says nothing of where the camera stood.
        counted = known_tiles(textured, rest.confidence, settings) & ~passing.layer
        found = split_parallax(rest.x_px, rest.y_px, counted, b_to_a, tile_px, settings, camera_moved)
        return replace(
            rest,
            x_px=rest.x_px - found.x_px,
            y_px=rest.y_px - found.y_px,
            confidence=_doubted(rest.confidence, found.unsure, settings),
            parallax_px=found.length_px,
            parallax_sure=found.sure,
        )

    shown = (sway.x_px, sway.y_px, known, there, textured, fineness, seen, tile_px, settings)
    sky = split_passing(*shown, water=False)
    apart = without(sky)
    if apart.parallax_sure:
        return apart
    both = split_passing(*shown)
    return apart if both.what == sky.what else without(both)


def without_passing(sway: TileSway | Apart, passing: Passing, settings: AssessSettings) -> Apart:
    """Take what passes out of a sway: another piece of it is blended in, not moved against its surroundings."""
    return Apart(
        x_px=sway.x_px - passing.x_px,
        y_px=sway.y_px - passing.y_px,
        confidence=_doubted(sway.confidence, passing.unsure, settings),
        changed=np.where(passing.layer, np.float32(1), sway.changed),
        passing=passing,
    )


def without_waves(
    apart: Apart, a: Pyramid, grid: TileGrid, textured: Mask, there: Mask, settings: AssessSettings
) -> tuple[Apart, Mask]:
    """Take waves that were others in each frame out: they changed, and say nothing of what moved.

    Parameters
    ----------
    apart : Apart
    a : Pyramid
    grid : TileGrid
        Frame a's.
    textured, there : bool map
        As for `in_one_view`.

    Returns
    -------
    Apart, bool map
        And the tiles left with anything to measure.
    """
    known = known_tiles(textured, apart.confidence, settings)
    still = known & (np.hypot(apart.x_px, apart.y_px) <= settings.tolerance_px)
    passing = np.zeros_like(known) if apart.passing is None else apart.passing.layer
    waves = find_waves(a, grid, known, still, textured, there, passing)
    if not waves.any():
        return apart, textured
    lost = waves & textured & (~known | by_chance(apart.x_px, apart.y_px, known, waves, settings))
    changed = np.where(lost, np.float32(1), apart.changed)
    return replace(apart, confidence=_doubted(apart.confidence, lost, settings), changed=changed), textured & ~lost


def _seen(sway: TileSway, settings: AssessSettings) -> FloatMap:
    """How much tiles differ over what no eye would see to have moved."""
    return np.asarray(sway.seen_steps / settings.seen_from_steps, np.float32)


def with_smeared(apart: Apart, sway: TileSway, smeared: Smeared, settings: AssessSettings) -> Apart:
    """Put what moved while it was exposed where it was on average: matching finds some part of its path.

    Parameters
    ----------
    apart : Apart
    sway : TileSway
        What was taken apart: what is no subject's sway is no part of that of a smeared subject either.
    smeared : Smeared
    """
    there = smeared.displaced()
    resting = np.hypot(sway.x_px, sway.y_px) <= settings.tolerance_px
    unsure = smeared.doubtful(sway.x_px, sway.y_px) & ~resting
    return replace(
        apart,
        x_px=np.where(there, smeared.x_px - (sway.x_px - apart.x_px), apart.x_px),
        y_px=np.where(there, smeared.y_px - (sway.y_px - apart.y_px), apart.y_px),
        confidence=np.where(there, smeared.smear.confidence, _doubted(apart.confidence, unsure, settings)),
    )


def _doubted(confidence: FloatMap, unsure: Mask, settings: AssessSettings) -> FloatMap:
    """Confidence in displacements, on tiles that are unsure just too little to count as measured."""
    return np.where(unsure, np.float32(0.9 * settings.measured_confidence) * confidence, confidence)
