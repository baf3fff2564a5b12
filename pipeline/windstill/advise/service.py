"""Which part of the picture each frame of a set serves: sharp, well exposed, not smeared."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from windstill.advise.standing import Standing
from windstill.assess.relevance import blend_weight, smoothed
from windstill.settings import AdviseSettings

_CLIPPED = 0.1  # share of a tile's pixels clipped from which the frame does not serve it


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
) -> dict[str, NDArray[np.bool_]]:
    """Tiles that each frame covers: those it serves, and in a stack also those another holds finer, yet it still sharp.

    A double is no reason to take the lesser; sway is.
    """
    measure = standing.measure
    reached = measure.coverage.reached if measure.coverage is not None else None
    if measure.kind != "stack" or reached is None or reached.shape[0] != len(measure.frames):
        return served
    subject = np.any(list(served.values()), axis=0)
    held = {n: served[n] | (subject & reached[k]) for k, n in enumerate(measure.frames)}
    return _unsmeared(held, standing, settings)


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
    weight = {}
    for name in standing.measure.frames:
        clipped = np.nan_to_num(standing.carried(name, "clipped_high") + standing.carried(name, "clipped_low"), nan=1)
        luma = standing.carried(name, "luma")
        weight[name] = np.where(clipped < _CLIPPED, np.nan_to_num(blend_weight(luma)), 0)
    best = np.max(list(weight.values()), axis=0)
    enough = settings.as_exposed_share * best
    enough = np.where(best >= settings.well_exposed_weight, np.maximum(enough, settings.well_exposed_weight), enough)
    enough = np.minimum(settings.drawn_on_weight, enough)
    return {n: (w > 0) & (w >= enough) for n, w in weight.items()}


def _unsmeared(
    served: dict[str, NDArray[np.bool_]], standing: Standing, settings: AdviseSettings
) -> dict[str, NDArray[np.bool_]]:
    smear = {}
    for name in served:
        trusted = np.nan_to_num(standing.carried(name, "smear_confidence")) >= settings.trusted_confidence
        smear[name] = np.where(trusted, np.nan_to_num(standing.carried(name, "smear_px")), 0)
    least = np.min([np.where(served[n], smear[n], np.inf) for n in served], axis=0)
    return {
        n: tiles & ~((smear[n] > standing.tolerance_px) & (smear[n] > settings.smear_times * least))
        for n, tiles in served.items()
    }
