"""What moved in a pair and is no subject's sway, taken out of its sway: sky, water, and parallax."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from windstill.assess.geometry import Matrix
from windstill.assess.parallax import split_parallax
from windstill.assess.passing import Passing, split_passing
from windstill.assess.sway import TileSway
from windstill.records import FloatMap
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
    sway: TileSway, textured: Mask, there: Mask, fineness: FloatMap, settings: AssessSettings
) -> Apart:
    """Take sky and water that moved on out of the sway between two frames of one view.

    Parameters
    ----------
    sway : TileSway
    textured, there : bool map
        Tiles with anything to measure, tiles that both frames show.
    fineness : FloatMap
        How fine the detail is in the crisper frame (`FrameScore.fineness`).
    """
    return _without_passing(sway, textured, there, fineness, True, settings)


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
    only_sky = _without_passing(sway, textured, there, fineness, False, settings)
    found = _without_parallax(only_sky, textured, b_to_a, tile_px, camera_moved, settings)
    if found.parallax_sure:
        return found
    both = _without_passing(sway, textured, there, fineness, True, settings)
    if both.passing is None or only_sky.passing is None or both.passing.what == only_sky.passing.what:
        return found
    return _without_parallax(both, textured, b_to_a, tile_px, camera_moved, settings)


def _without_passing(
    sway: TileSway, textured: Mask, there: Mask, fineness: FloatMap, water: bool, settings: AssessSettings
) -> Apart:
    known = textured & (sway.confidence >= settings.measured_confidence)
    passing = split_passing(sway.x_px, sway.y_px, known, there, textured, fineness, settings, water)
    return Apart(
        x_px=sway.x_px - passing.x_px,
        y_px=sway.y_px - passing.y_px,
        confidence=np.where(passing.unsure, _unsure(settings) * sway.confidence, sway.confidence),
        # Another piece of sky or water is blended in: not moved against its surroundings, but other than it was.
        changed=np.where(passing.layer, np.float32(1), sway.changed),
        passing=passing,
    )


def _without_parallax(
    apart: Apart, textured: Mask, b_to_a: Matrix, tile_px: int, camera_moved: bool, settings: AssessSettings
) -> Apart:
    counted = textured & (apart.confidence >= settings.measured_confidence)
    if apart.passing is not None:
        counted &= ~apart.passing.layer  # it says nothing of where the camera stood
    found = split_parallax(apart.x_px, apart.y_px, counted, b_to_a, tile_px, settings, camera_moved)
    return Apart(
        x_px=apart.x_px - found.x_px,
        y_px=apart.y_px - found.y_px,
        confidence=np.where(found.unsure, _unsure(settings) * apart.confidence, apart.confidence),
        changed=apart.changed,
        passing=apart.passing,
        parallax_px=found.length_px,
        parallax_sure=found.sure,
    )


def _unsure(settings: AssessSettings) -> np.float32:
    return np.float32(0.9 * settings.measured_confidence)
