"""Which part of the picture each frame of a set serves: sharp, well exposed, not smeared."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from windstill.advise.standing import Standing
from windstill.assess.relevance import blend_weight, smoothed
from windstill.records import FloatMap
from windstill.settings import AdviseSettings

_CLIPPED = 0.1  # share of a tile's pixels clipped from which the frame does not serve it
_WITHIN_A_TILE = 0.5  # times the least weight by which those of a tile's pixels differ from its mean's


def service(standing: Standing, settings: AdviseSettings) -> dict[str, NDArray[np.bool_]]:
    """Tiles of the first frame that each frame serves, by frame name; empty for panoramas.

    Parameters
    ----------
    standing : Standing
    settings : AdviseSettings

    Notes
    -----
    Stack: nearly as sharp as the sharpest frame there. Bracket: a blend weight a merge draws on, or nearly the largest
    any frame has there. Burst: every tile with anything in it. A smeared tile is served only where no other frame
    holds it clearly better.
    """
    kind, frames = standing.measure.kind, standing.measure.frames
    if kind == "stack":
        served = _sharp(standing, settings)
    elif kind == "bracket":
        served = _exposed(standing, settings)
    elif kind == "burst":
        there = {n: np.isfinite(standing.carried(n, "luma")) for n in frames}
        texture = np.any([np.nan_to_num(standing.carried(n, "textured")) >= 0.5 for n in frames], axis=0)
        served = {n: there[n] & texture for n in frames}
    else:
        return {}
    return _unsmeared(served, standing, settings)


def coverage(
    standing: Standing, served: dict[str, NDArray[np.bool_]], settings: AdviseSettings
) -> dict[str, FloatMap]:
    """Share 0..1 of each tile that each frame covers: of what it serves, and of what another holds better, yet it sharp
    or well exposed too.

    A double is no reason to take the lesser; sway is. Of a tile whose mean is at the limit of what is well exposed half
    the pixels are beyond it, and of one a fifth of which is clipped a fifth: many of them add up.
    """
    measure = standing.measure
    subject: NDArray[np.bool_] = np.any(list(served.values()), axis=0)
    reached = measure.coverage.reached if measure.coverage is not None else None
    if measure.kind == "stack" and reached is not None and reached.shape[0] == len(measure.frames):
        held = {n: served[n] | (subject & reached[k]) for k, n in enumerate(measure.frames)}
        served = _unsmeared(held, standing, settings)
    elif measure.kind == "bracket":
        unsmeared = _unsmeared(dict.fromkeys(served, subject), standing, settings)
        return {n: np.where(unsmeared[n], _exposed_share(n, served[n], standing, settings), 0) for n in served}
    return {n: tiles.astype(np.float32) for n, tiles in served.items()}


def bare_weight(name: str, standing: Standing) -> FloatMap:
    """Blend weight of a frame on the tiles, whatever is clipped; 0 where it shows nothing."""
    return np.asarray(np.nan_to_num(blend_weight(standing.carried(name, "luma"))), np.float32)


def _exposed_share(
    name: str, served: NDArray[np.bool_], standing: Standing, settings: AdviseSettings
) -> FloatMap:
    """Share of each tile's pixels that a frame exposes well; of those it serves, all that are not clipped."""
    spread = _WITHIN_A_TILE * settings.well_exposed_weight
    share = np.clip(0.5 + (bare_weight(name, standing) - settings.well_exposed_weight) / (2 * spread), 0, 1)
    return np.asarray(np.where(served, 1, share) * np.clip(1 - _clipped(name, standing), 0, 1), np.float32)


def _sharp(standing: Standing, settings: AdviseSettings) -> dict[str, NDArray[np.bool_]]:
    frames, coverage = standing.measure.frames, standing.measure.coverage
    sharp = {n: smoothed(standing.carried(n, "sharp")) for n in frames}
    best = np.max(list(sharp.values()), axis=0)
    subject = best > 0
    if coverage is not None:
        # Where no frame is sharp, none is needed either: reshooting is another piece of advice.
        subject &= coverage.best >= 0
    return {n: subject & (m >= settings.as_sharp_share * best) for n, m in sharp.items()}


def _exposed(standing: Standing, settings: AdviseSettings) -> dict[str, NDArray[np.bool_]]:
    weight = {name: _weight(name, standing) for name in standing.measure.frames}
    best = np.max(list(weight.values()), axis=0)
    enough = settings.as_exposed_share * best
    enough = np.where(best >= settings.well_exposed_weight, np.maximum(enough, settings.well_exposed_weight), enough)
    enough = np.minimum(settings.drawn_on_weight, enough)
    return {n: (w > 0) & (w >= enough) for n, w in weight.items()}


def _weight(name: str, standing: Standing) -> FloatMap:
    """Blend weight of a frame on the tiles; 0 where too much is clipped."""
    return np.asarray(np.where(_clipped(name, standing) < _CLIPPED, bare_weight(name, standing), 0), np.float32)


def _clipped(name: str, standing: Standing) -> FloatMap:
    """Share of each tile's pixels that a frame shows white or black; 1 where it shows nothing."""
    clipped = standing.carried(name, "clipped_high") + standing.carried(name, "clipped_low")
    return np.asarray(np.nan_to_num(clipped, nan=1), np.float32)


def _unsmeared(
    served: dict[str, NDArray[np.bool_]], standing: Standing, settings: AdviseSettings
) -> dict[str, NDArray[np.bool_]]:
    smear = {}
    for name in served:
        trusted = np.nan_to_num(standing.carried(name, "smear_confidence")) >= settings.trusted_confidence
        smear[name] = np.where(trusted, np.nan_to_num(standing.carried(name, "smear_px")), 0)
    for pair in standing.measure.pairs:
        # What only a crisper frame of the set tells.
        for name, length in standing.smear_against(pair, settings.trusted_confidence).items():
            if name in smear:
                smear[name] = np.fmax(smear[name], length)
    least = np.min([np.where(served[n], smear[n], np.inf) for n in served], axis=0)
    return {
        n: tiles & ~((smear[n] > standing.tolerance_px) & (smear[n] > settings.smear_times * least))
        for n, tiles in served.items()
    }
