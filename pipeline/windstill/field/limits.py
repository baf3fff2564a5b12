"""What a preview can tell: motion of at least one of its pixels, and coverage that is well under its limit.

Anything less is taken out before judging.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from windstill.field.read import resolution_px
from windstill.records import CoverageMeasure, FrameScore, Kind, PairMeasure, SetMeasure
from windstill.settings import Settings


def floor_px(measure: SetMeasure, scores: Mapping[str, FrameScore]) -> int:
    """Full-resolution pixels below which motion in a set's previews is not seen: one pixel of the coarsest."""
    return math.ceil(max((resolution_px(scores[name]) for name in measure.frames if name in scores), default=1.0))


def seen(measure: SetMeasure, floor: float, settings: Settings) -> SetMeasure:
    """A set's measures with what its previews cannot tell set to rest.

    Parameters
    ----------
    floor : float
        Full-resolution pixels; shorter displacements count as none.
    settings : Settings

    Returns
    -------
    SetMeasure
        Figures of sway below the floor are 0; smear below its own is unknown; coverage that might lie over the limit
        in the files is not said to lie under it.
    """
    least_smear = settings.field.smear_px * floor
    smear = measure.smear_px if measure.smear_px is not None and measure.smear_px >= least_smear else None
    return replace(
        measure,
        pairs=tuple(_pair_seen(pair, floor) for pair in measure.pairs),
        coverage=_coverage_seen(measure.kind, measure.coverage, settings) if floor > 1 else measure.coverage,
        smear_px=smear,
        smear_held_px=measure.smear_held_px if smear is not None else None,
        smear_moved_px=measure.smear_moved_px if smear is not None else None,
        smear_frame=measure.smear_frame if smear is not None else None,
    )


def _coverage_seen(kind: Kind, coverage: CoverageMeasure | None, settings: Settings) -> CoverageMeasure | None:
    """Coverage as far as a preview tells it.

    It is a share of what has texture, of which a preview shows less than the files: what it leaves out may be covered.
    """
    limit = settings.assess.lost_coverage_pct
    if coverage is None or coverage.coverage_pct is None or coverage.coverage_pct >= limit:
        return coverage
    if kind == "stack" and coverage.coverage_pct >= limit - settings.field.coverage_margin_pct:
        return replace(
            coverage, coverage_pct=None, alone_pct=(), perhaps_missed_pct=100 - coverage.coverage_pct
        )
    if kind == "bracket" and coverage.gap is not None:
        # What is white or black in every frame is seen; whether all the rest has texture is not.
        missed = coverage.gap if coverage.sky is None else coverage.gap & ~coverage.sky
        of_picture = 100 * (1 - float(missed.mean()))
        return replace(coverage, coverage_pct=max(coverage.coverage_pct, of_picture))
    return coverage


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
