"""Sky and water that one pair of a set has told, in the other pairs of the same view."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from windstill.assess.apart import Apart, without_passing
from windstill.assess.figures import figures
from windstill.assess.geometry import Matrix, inverse
from windstill.assess.grain import fineness_without_noise
from windstill.assess.pairs import Pair
from windstill.assess.passing import Passing, follow_passing, reach_of
from windstill.assess.relevance import to_grid_of_a
from windstill.assess.statistics import known_tiles
from windstill.records import FrameScore, PairMeasure, SwayField
from windstill.settings import AssessSettings

_Key = tuple[str, str]  # frames a and b of a pair
_Way = tuple[float, float]
_STEADY = 0.2  # of their speed by which clouds may differ from pair to pair
_FEWEST_TILES = 3


def with_steady_clouds(
    measured: Sequence[PairMeasure],
    passings: Mapping[_Key, Passing],
    seconds: Mapping[str, float],
    scores: Mapping[str, FrameScore],
    settings: AssessSettings,
) -> list[PairMeasure]:
    """Take out what may be clouds by themselves where they move alike from frame to frame.

    Parameters
    ----------
    measured : sequence of PairMeasure
        Pairs of one set.
    passings : mapping by frames a and b
        What each pair tells of sky by itself, and of what may be clouds.
    seconds : mapping by frame name
        When each was taken; frames may be missing.
    scores : mapping by frame name
    settings : AssessSettings

    Returns
    -------
    list of PairMeasure
        In the same order.

    Notes
    -----
    A cloud drifts on at one speed and in one direction; a head swings back. Once one pair of views has told the sky,
    what is soft and moves as fast is the sky's in the others as well: an overlap holds little of it. Where times are
    not known to a fraction of a second the frames may have been taken evenly.
    """
    told: dict[_Key, _Way] = {}
    ways: dict[_Key, _Way] = {}
    for key, found in passings.items():
        if "sky" in found.what:
            told[key] = float(np.median(found.x_px[found.layer])), float(np.median(found.y_px[found.layer]))
        elif found.perhaps is not None:
            ways[key] = found.way_px
    ways |= told
    spans = {(a, b): seconds.get(b, 0.0) - seconds.get(a, 0.0) for a, b in passings}
    even = dict.fromkeys(passings, 1.0)
    steady = _is_steady(ways, spans) or _is_steady(ways, even)
    result = []
    for pair in measured:
        key = pair.frame_a, pair.frame_b
        if steady and key in ways and key not in told:
            pair = _with_clouds(pair, passings[key].perhaps, scores[pair.frame_a], settings)
        elif told and pair.relation == "view" and key in passings and key not in told:
            alike = _moves_as(pair, passings[key], key, told, spans if all(spans.values()) else even, settings)
            pair = _with_clouds(pair, alike, scores[pair.frame_a], settings)
        result.append(pair)
    return result


def _moves_as(
    pair: PairMeasure, found: Passing, key: _Key, told: Mapping[_Key, _Way], spans: Mapping[_Key, float],
    settings: AssessSettings,
) -> NDArray[np.bool_] | None:
    """Soft tiles of a pair that move as fast as the sky does which other pairs have told."""
    if pair.field is None or found.soft is None:
        return None
    way = spans[key] * np.median([np.array(w) / spans[k] for k, w in told.items()], axis=0)
    off = np.hypot(pair.field.sway_x_px - way[0], pair.field.sway_y_px - way[1])
    alike = _known(pair.field, settings) & found.soft & (off <= _STEADY * np.hypot(*way))
    return alike if alike.sum() >= _FEWEST_TILES and np.hypot(*way) > settings.tolerance_px else None


def _is_steady(ways: Mapping[_Key, _Way], spans: Mapping[_Key, float]) -> bool:
    """Whether things moved at one speed in one direction between the frames of two pairs at least, and of all."""
    if len(ways) < 2 or any(spans[key] == 0 for key in ways):
        return False
    speeds = np.array([np.array(ways[key]) / spans[key] for key in ways])
    middle = np.median(speeds, axis=0)
    return bool((np.hypot(*(speeds - middle).T) <= _STEADY * np.hypot(*middle)).all())


def _with_clouds(
    pair: PairMeasure, tiles: NDArray[np.bool_] | None, score: FrameScore, settings: AssessSettings
) -> PairMeasure:
    """A pair with some tiles taken for the sky, by as much as each of them moved."""
    field = pair.field
    if field is None or field.passing_px is None or tiles is None:
        return pair
    x_px, y_px = (np.where(tiles, sway, 0).astype(np.float32) for sway in (field.sway_x_px, field.sway_y_px))
    clouds = Passing(x_px, y_px, tiles, np.zeros_like(tiles), "sky")
    return _anew(pair, _without(field, clouds, settings), {"sky"}, score, settings)


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
    told = [
        _Told(pair, reach_of(field.passing_px > 0, _known(field, settings), pair.passing))
        for pair in measured
        if pair.passing and (field := pair.field) is not None and field.passing_px is not None
    ]
    return [_with_passing(pair, told, chain, scores, settings) for pair in measured]


@dataclass(frozen=True, slots=True, eq=False)
class _Told:
    """A pair that has told sky or water, and where it lies on the tiles of its frame a."""

    pair: PairMeasure
    reach: NDArray[np.bool_]


def _with_passing(
    pair: PairMeasure,
    told: Sequence[_Told],
    chain: Mapping[str, Matrix],
    scores: Mapping[str, FrameScore],
    settings: AssessSettings,
) -> PairMeasure:
    if pair.field is None or pair.field.passing_px is None or pair.frame_a not in chain:
        return pair
    field, passes = pair.field, pair.field.passing_px > 0
    score = scores[pair.frame_a]
    soft = fineness_without_noise(score) <= settings.sky_fineness
    names: set[str] = set()
    for each in told:
        other = each.pair
        if other is pair or other.frame_a not in chain:
            continue
        to_own = inverse(chain[pair.frame_a]) @ chain[other.frame_a]
        carried = to_grid_of_a(each.reach.astype(np.float32), to_own, scores[other.frame_a].grid, field.grid)
        reach = (np.nan_to_num(carried) >= 0.5) & (soft | (other.passing != "sky"))
        known = _known(field, settings) & ~passes
        found = follow_passing(field.sway_x_px, field.sway_y_px, known, reach, settings)
        if found is not None:
            field, passes = _without(field, found, settings), passes | found.layer
            names |= set(other.passing.split(" and "))
    return pair if field is pair.field else _anew(pair, field, names, score, settings)


def _anew(
    pair: PairMeasure, field: SwayField, passing: set[str], score: FrameScore, settings: AssessSettings
) -> PairMeasure:
    """A pair's figures from another field; `passing`: what moves on in it."""
    of_pair = Pair(pair.frame_a, pair.frame_b, pair.relation)
    result = figures(pair.set_id, of_pair, pair.mapping, field, pair.overlap_pct, score, settings)
    told = passing | set(pair.passing.split(" and ")) - {""}
    return replace(result, passing=" and ".join(sorted(told)), parallax_sure=pair.parallax_sure)


def _without(field: SwayField, found: Passing, settings: AssessSettings) -> SwayField:
    """A field without what is found to pass in it, besides what is known to."""
    before = 0.0 if field.passing_px is None else field.passing_px
    left = without_passing(Apart(field.sway_x_px, field.sway_y_px, field.confidence, field.changed), found, settings)
    smear = field.smear
    if smear is not None:
        smear = replace(smear, confidence=np.where(found.layer, np.float32(0), smear.confidence))
    return replace(
        field, sway_x_px=left.x_px, sway_y_px=left.y_px, confidence=left.confidence, changed=left.changed, smear=smear,
        passing_px=np.where(found.layer, np.hypot(found.x_px, found.y_px), before),
    )  # fmt: skip


def _known(field: SwayField, settings: AssessSettings) -> NDArray[np.bool_]:
    return known_tiles(field.textured, field.confidence, settings)
