"""Where a frame is sharp, and how that moved between two frames of one view."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

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
    strongest = _quantile(sharp[solid], 0.9) if solid.any() else 0.0
    floor = settings.focus_floor * max(strongest, 1e-4)
    light = np.log2(np.maximum(cv2.resize(score.luma, size, interpolation=cv2.INTER_AREA), np.float32(1 / 255)))
    return SharpMap(sharp, share, np.log2(sharp + np.float32(floor)), light, strongest)


def _quantile(values: FloatMap, share: float) -> float:
    k = min(int(share * values.size), values.size - 1)
    return float(np.partition(values.ravel(), k)[k])


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
    weight = np.minimum(a.usable[in_a], b.usable[in_b])
    solid = weight > 0.3
    count = int(solid.sum())
    comparable = count / a.sharp.size
    if comparable < settings.focus_min_area:
        return FocusLink(comparable=comparable)
    sa, sb = a.sharp[in_a], b.sharp[in_b]
    floor = np.float32(settings.focus_floor * max(a.strongest, b.strongest, 1e-4))
    ratio: FloatMap = np.log2((sb + floor) / (sa + floor))
    inside = ratio[solid]
    common = _quantile(inside, 0.5)
    gained = np.count_nonzero(inside > settings.focus_step) / count
    lost = np.count_nonzero(inside < -settings.focus_step) / count
    distance = float(np.minimum(np.abs(inside - common), 2.0).sum()) / count
    lit = b.light[in_b] - a.light[in_a]
    # Defocus spreads light but keeps its mean: where that changed, something else did (clouds, water, leaves).
    change = np.abs(lit - np.float32(_quantile(lit[solid], 0.5)))
    # Noise changes it too: three times its deviation, taken from the third that changed least.
    kept = change < max(settings.focus_light_kept, 3 * _quantile(change[solid], 0.3) / 0.385)
    coherent = _coherent(ratio - np.float32(common), (solid & kept).astype(np.float32), settings) / count
    return FocusLink(gained, lost, distance, common, coherent, comparable)


def _coherent(ratio: FloatMap, solid: FloatMap, settings: GroupSettings) -> int:
    """Number of cells whose surroundings' mean change is beyond what their cell-to-cell scatter gives by chance.

    Defocus changes neighbouring cells alike; noise does not.
    """
    ratio = np.minimum(np.maximum(ratio, -2), 2) * solid
    near = cv2.boxFilter(solid, -1, (3, 3), normalize=False)
    local = cv2.boxFilter(ratio, -1, (3, 3), normalize=False) / np.maximum(near, 1)
    inside = solid > 0
    amid = np.abs(ratio - local)[inside & (near > 4)]
    scatter = 1.4826 * _quantile(amid, 0.5) if amid.size else 0.0
    count = cv2.boxFilter(solid, -1, (5, 5), normalize=False)
    mean = cv2.boxFilter(ratio, -1, (5, 5), normalize=False) / np.maximum(count, 1)
    beyond = np.maximum(3.5 * max(scatter, 0.01) / np.sqrt(np.maximum(count, 1)), settings.focus_coherent_step)
    return int(np.count_nonzero((np.abs(mean) > beyond) & inside))


def _overlap(shape: tuple[int, int], dx: float, dy: float) -> tuple[tuple[slice, slice], tuple[slice, slice]]:
    height, width = shape
    ix = int(np.clip(round(dx), -(width - 1), width - 1))
    iy = int(np.clip(round(dy), -(height - 1), height - 1))
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
