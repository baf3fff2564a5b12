"""The figures of one pair of frames from the maps of its measures."""

from __future__ import annotations

import numpy as np

from windstill.assess.pairs import Pair
from windstill.assess.smeared import SMEAR_CONFIDENCE
from windstill.assess.statistics import counted_tiles, robust_maximum, robust_maximum_place, weighted_percentile
from windstill.records import CameraMapping, FloatMap, FrameScore, PairMeasure, SwayField
from windstill.score.smear import mean_direction
from windstill.settings import AssessSettings


def figures(
    set_id: str,
    pair: Pair,
    mapping: CameraMapping,
    field: SwayField,
    overlap_pct: float | None,
    score_a: FrameScore,
    settings: AssessSettings,
) -> PairMeasure:
    """The figures of a pair's sway map, by the contract's definitions."""
    relevant = field.relevance >= settings.relevant_from
    counted = counted_tiles(field, settings)
    length = np.hypot(field.sway_x_px, field.sway_y_px)
    picture_tiles = score_a.width_px * score_a.height_px / field.grid.tile_px**2
    values, weights = length[counted], field.relevance[counted]
    largest, place = robust_maximum_place(length, counted, picture_tiles)
    worst_x = worst_y = None
    if place.any():
        rows, cols = np.nonzero(place)
        at = int(np.argmax(length[place]))
        worst_x = (cols[at] + 0.5) * field.grid.tile_px - 0.5
        worst_y = (rows[at] + 0.5) * field.grid.tile_px - 0.5
    textured_relevant = relevant & field.textured
    smear_a, smear_b, smear_angle = _pair_smear(field, picture_tiles)

    def largest_of(shifted: FloatMap | None) -> float | None:
        return None if shifted is None else robust_maximum(shifted, textured_relevant, picture_tiles)

    return PairMeasure(
        set_id=set_id,
        frame_a=pair.frame_a,
        frame_b=pair.frame_b,
        relation=pair.relation,
        mapping=mapping,
        field=field,
        sway_p50_px=weighted_percentile(values, weights, 50),
        sway_p95_px=weighted_percentile(values, weights, 95),
        sway_max_px=largest,
        relevant_pct=100 * float(relevant.mean()),
        measured_pct=100 * float(counted.sum() / max(int(relevant.sum()), 1)) if relevant.any() else None,
        textured_relevant_pct=100 * float(textured_relevant.mean()),
        worst_x_px=worst_x,
        worst_y_px=worst_y,
        overlap_pct=overlap_pct if pair.relation == "view" else None,
        parallax_px=largest_of(field.parallax_px),
        passing_px=largest_of(field.passing_px),
        smear_px=None if smear_a is None or smear_b is None else max(smear_a, smear_b),
        smear_a_px=smear_a,
        smear_b_px=smear_b,
        smear_angle_deg=smear_angle,
    )


def _pair_smear(field: SwayField, picture_tiles: float) -> tuple[float | None, float | None, float | None]:
    """Robust maximum of each frame's smear and the direction of the larger; None where nothing was measured."""
    smear = field.smear
    if smear is None:
        return None, None, None
    known = smear.confidence >= SMEAR_CONFIDENCE
    if not known.any():
        return None, None, None
    largest: list[float] = []
    direction = 0.0
    for length in (smear.smear_a_px, smear.smear_b_px):
        peak, place = robust_maximum_place(length, known & (length > 0), picture_tiles)
        if peak is not None and peak > max(largest, default=0.0):
            direction = mean_direction(smear.angle_deg[place], length[place])
        largest.append(peak or 0.0)
    return largest[0], largest[1], direction if max(largest) > 0 else None
