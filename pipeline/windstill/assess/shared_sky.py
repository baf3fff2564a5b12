"""Sky and water that one pair of a set has told, in the other pairs of the same view."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from windstill.assess.figures import figures
from windstill.assess.geometry import Matrix, inverse
from windstill.assess.pairs import Pair
from windstill.assess.passing import follow_passing, reach_of
from windstill.assess.relevance import to_grid_of_a
from windstill.records import FrameScore, PairMeasure, SwayField
from windstill.settings import AssessSettings


def share_passing(
    measured: Sequence[PairMeasure],
    chain: Mapping[str, Matrix],
    scores: Mapping[str, FrameScore],
    settings: AssessSettings,
) -> list[PairMeasure]:
    """Take sky and water that moved on out of every pair of a view, once one pair has told them.

    Parameters
    ----------
    measured : sequence of PairMeasure
        Pairs of one set whose frames show one view.
    chain : mapping by frame name
        Mapping of each frame to the set's first.
    scores : mapping by frame name
    settings : AssessSettings

    Returns
    -------
    list of PairMeasure
        In the same order.
    """
    told = [(pair, pair.field) for pair in measured if pair.passing and pair.field is not None]
    return [_with_passing(pair, told, chain, scores, settings) for pair in measured]


def _with_passing(
    pair: PairMeasure,
    told: Sequence[tuple[PairMeasure, SwayField]],
    chain: Mapping[str, Matrix],
    scores: Mapping[str, FrameScore],
    settings: AssessSettings,
) -> PairMeasure:
    field = pair.field
    if field is None or field.passing_px is None:
        return pair
    by_name: set[str] = set(pair.passing.split(" and ")) - {""}
    for other, its_field in told:
        if other is pair or its_field.passing_px is None or not {pair.frame_a, other.frame_a} <= chain.keys():
            continue
        to_own = inverse(chain[pair.frame_a]) @ chain[other.frame_a]
        reach = reach_of(its_field.passing_px > 0, _known(its_field, settings), other.passing)
        carried = to_grid_of_a(reach.astype(np.float32), to_own, its_field.grid, field.grid)
        soft = scores[pair.frame_a].fineness <= settings.sky_fineness
        reach = (np.nan_to_num(carried) >= 0.5) & (soft | (other.passing != "sky"))
        followed = _followed(field, reach, settings)
        if followed is not None:
            field = followed
            by_name |= set(other.passing.split(" and "))
    if field is pair.field:
        return pair
    of_pair = Pair(pair.frame_a, pair.frame_b, pair.relation)
    result = figures(pair.set_id, of_pair, pair.mapping, field, None, scores[pair.frame_a], settings)
    return replace(result, passing=" and ".join(sorted(by_name)))


def _followed(field: SwayField, reach: NDArray[np.bool_], settings: AssessSettings) -> SwayField | None:
    passing_px = np.zeros_like(field.sway_x_px) if field.passing_px is None else field.passing_px
    known = _known(field, settings) & ~(passing_px > 0)
    found = follow_passing(field.sway_x_px, field.sway_y_px, known, reach, settings)
    if found is None:
        return None
    smear = field.smear
    if smear is not None:
        smear = replace(smear, confidence=np.where(found.layer, np.float32(0), smear.confidence))
    unsure = np.float32(0.9 * settings.measured_confidence)
    return replace(
        field,
        sway_x_px=field.sway_x_px - found.x_px,
        sway_y_px=field.sway_y_px - found.y_px,
        confidence=np.where(found.unsure, unsure * field.confidence, field.confidence),
        changed=np.where(found.layer, np.float32(1), field.changed),
        smear=smear,
        passing_px=np.where(found.layer, np.hypot(found.x_px, found.y_px), passing_px),
    )


def _known(field: SwayField, settings: AssessSettings) -> NDArray[np.bool_]:
    return np.asarray(field.textured & (field.confidence >= settings.measured_confidence))
