"""Where a frame is sharp, and how that moved between two frames of one view."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from windstill.group import kernels
from windstill.records import FloatMap, FrameScore
from windstill.settings.group import GroupSettings


@dataclass(frozen=True, slots=True, eq=False)
class SharpMap:
    """Sharpness of one frame on coarse cells.

    Attributes
    ----------
    sharp : float32 array (rows, cols)
        Mean sharpness of the cell's textured tiles.
    usable : float32 array (rows, cols)
        Share of the cell that is textured, neither black nor burnt out, 0..1.
    log2 : float32 array (rows, cols)
        log2 of `sharp`, floored where it means nothing.
    light : float32 array (rows, cols)
        log2 of the cell's mean displayed brightness.
    strongest : float
        Ninetieth percentile of `sharp`.
    """

    sharp: FloatMap
    usable: FloatMap
    log2: FloatMap
    light: FloatMap
    strongest: float


@dataclass(frozen=True, slots=True)
class FocusLink:
    """How sharpness moved from a to b.

    Attributes
    ----------
    gained, lost : float
        Share of the comparable area clearly sharper, clearly softer in b, 0..1.
    distance : float
        Mean absolute log2 ratio of sharpness, its common part removed.
    coherent : float
        Share of the comparable area whose surroundings changed together, beyond chance, 0..1.
    comparable : float
        Share of the picture compared, 0..1.
    """

    gained: float = 0.0
    lost: float = 0.0
    distance: float = 0.0
    common: float = 0.0
    coherent: float = 0.0
    comparable: float = 0.0


NOTHING = FocusLink()


def sharp_map(score: FrameScore, settings: GroupSettings) -> SharpMap:
    """Average a frame's tiles into cells, so that wind in single flowers does not look like focus."""
    rows, cols = score.grid.shape
    factor = settings.focus_cells / max(rows, cols, 1)
    size = (max(round(cols * factor), 2), max(round(rows * factor), 2))
    lit = (score.luma > settings.dark_luma) & (score.luma < settings.burnt_luma)
    clear = (score.clipped_high + score.clipped_low) < settings.clipped_tile
    usable = (score.textured & lit & clear).astype(np.float32)
    share = cv2.resize(usable, size, interpolation=cv2.INTER_AREA)
    total = cv2.resize(score.sharp * usable, size, interpolation=cv2.INTER_AREA)
    sharp = np.divide(total, share, out=np.zeros_like(total), where=share > 0.05)
    solid = share > 0.3
    strongest = kernels.quantile(sharp[solid], 0.9) if solid.any() else 0.0
    floor = settings.focus_floor * max(strongest, 1e-4)
    light = np.log2(np.maximum(cv2.resize(score.luma, size, interpolation=cv2.INTER_AREA), np.float32(1 / 255)))
    return SharpMap(sharp, share, np.log2(sharp + np.float32(floor)), light, strongest)


def compare_focus(
    a: SharpMap, b: SharpMap, shift_x: float, shift_y: float, settings: GroupSettings
) -> FocusLink:
    """Compare where two frames of one view are sharp.

    Parameters
    ----------
    shift_x, shift_y : float
        Shift of b onto a, in long sides.
    """
    if a.sharp.shape != b.sharp.shape:
        return NOTHING
    in_a, in_b = _overlap(a.sharp.shape, shift_x * max(a.sharp.shape), shift_y * max(a.sharp.shape))
    floor = settings.focus_floor * max(a.strongest, b.strongest, 1e-4)
    count, common, gained, lost, distance, coherent = kernels.focus_changes(
        (a.sharp[in_a], a.usable[in_a], a.light[in_a]), (b.sharp[in_b], b.usable[in_b], b.light[in_b]),
        floor, settings.focus_step, settings.focus_light_kept, settings.focus_coherent_step,
        round(settings.focus_min_area * a.sharp.size),
    )
    comparable = count / a.sharp.size
    if comparable < settings.focus_min_area:
        return FocusLink(comparable=comparable)
    return FocusLink(gained / count, lost / count, distance / count, common, coherent / count, comparable)


def _overlap(shape: tuple[int, int], dx: float, dy: float) -> tuple[tuple[slice, slice], tuple[slice, slice]]:
    height, width = shape
    ix = min(max(round(dx), -(width - 1)), width - 1)
    iy = min(max(round(dy), -(height - 1)), height - 1)
    w, h = width - abs(ix), height - abs(iy)
    ax, ay, bx, by = max(ix, 0), max(iy, 0), max(-ix, 0), max(-iy, 0)
    return (slice(ay, ay + h), slice(ax, ax + w)), (slice(by, by + h), slice(bx, bx + w))


def distances(own: SharpMap, others: Sequence[SharpMap]) -> NDArray[np.float64]:
    """Mean absolute log2 ratio of sharpness of one frame against each of several of the same view.

    Differences common to a whole frame (shake, haze) are removed.
    """
    ours, theirs = own.log2.ravel(), np.stack([m.log2.ravel() for m in others])
    weight = np.minimum(own.usable.ravel(), np.stack([m.usable.ravel() for m in others]))
    total = np.maximum(weight.sum(axis=1), 1e-3)
    apart = theirs - ours
    common = (apart * weight).sum(axis=1) / total
    apart = np.minimum(np.abs(apart - common[:, None]), 2.0)
    return np.asarray((apart * weight).sum(axis=1) / total, np.float64)
