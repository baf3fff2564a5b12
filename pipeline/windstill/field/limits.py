"""What a preview can tell: motion of at least one of its pixels. Anything less is taken out before judging."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from windstill.field.read import resolution_px
from windstill.records import FrameScore, PairMeasure, SetMeasure


def floor_px(measure: SetMeasure, scores: Mapping[str, FrameScore]) -> int:
    """Full-resolution pixels below which motion in a set's previews is not seen: one pixel of the coarsest."""
    return math.ceil(max((resolution_px(scores[name]) for name in measure.frames if name in scores), default=1.0))


def seen(measure: SetMeasure, floor: float, smear_floor: float) -> SetMeasure:
    """A set's measures with what its previews cannot tell set to rest.

    Parameters
    ----------
    floor : float
        Full-resolution pixels; shorter displacements count as none.
    smear_floor : float
        The same for smear.

    Returns
    -------
    SetMeasure
        Figures of sway below the floor are 0; smear below its own is unknown.
    """
    smear = measure.smear_px if measure.smear_px is not None and measure.smear_px >= smear_floor else None
    return replace(
        measure,
        pairs=tuple(_pair_seen(pair, floor) for pair in measure.pairs),
        smear_px=smear,
        smear_held_px=measure.smear_held_px if smear is not None else None,
        smear_moved_px=measure.smear_moved_px if smear is not None else None,
        smear_frame=measure.smear_frame if smear is not None else None,
    )


def _pair_seen(pair: PairMeasure, floor: float) -> PairMeasure:
    field = pair.field
    if field is None or floor <= 1:
        return pair
    still = np.hypot(field.sway_x_px, field.sway_y_px) < floor
    resting = replace(
        field,
        sway_x_px=np.where(still, np.float32(0), field.sway_x_px),
        sway_y_px=np.where(still, np.float32(0), field.sway_y_px),
    )
    return replace(
        pair,
        field=resting,
        sway_p50_px=_over(pair.sway_p50_px, floor),
        sway_p95_px=_over(pair.sway_p95_px, floor),
        sway_max_px=_over(pair.sway_max_px, floor),
    )


def _over(value: float | None, floor: float) -> float | None:
    return value if value is None or value >= floor else 0.0
