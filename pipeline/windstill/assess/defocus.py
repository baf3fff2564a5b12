"""Where each tile lies between the focus positions of a stack, from how its detail fades from frame to frame."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numba import njit
from numpy.typing import NDArray

from windstill.records import FloatMap

Array = NDArray[np.float32]

_OWN = (0.25, 0.5, 1.0, 2.0, 4.0, 8.0)  # squared blur of lens and pixel, working pixels squared, looked through
_REBLUR = 4.0  # squared blur between the two gradient energies of `FrameScore.fineness`
_EXPONENTS = (0.55, 0.8, 1.05, 1.3, 1.6)  # of gradient energy against blur: plain edges .5, a 1/f spectrum 1, grit more
_USUAL_EXPONENT, _EXPONENT_SPREAD = 1.0, 0.35
_SOFTER = (16.0, 40.0)  # the same for things soft by nature, as clouds and haze: no lens would show them finer
_SOFT_COST = 1.0  # misfit that softness must spare before it is believed
_SOFT_COST_KNOWN = 6.0  # the same where distances are written: what fades is then likelier out of reach than soft
_SHARP_SPREAD, _FINE_SPREAD = 0.12, 0.22  # of one tile's log sharpness and log fineness about the law
_OUTLIER = 6.0  # a squared misfit beyond this says no more: something else is in the tile (a bloom that moved)
_BEYOND = (0.5, 1, 1.5, 2, 2.5, 3, 4, 5, 6.5, 8, 10, 13, 17, 22, 30, 45, 70)  # working px beyond the end positions
_STEPS = tuple(float(v) for v in np.geomspace(0.5, 30, 11))  # working px from one position to the next, looked through
_MOST_FRAMES = 16  # frames of a long stack that are looked at
_MOST_TILES = 160  # tiles steps are learnt from
_LEAST_TILES = 12
_LEAST_FRAMES = 3  # two frames without distances have no scale that could be checked
_INDEPENDENT = 3.0  # of nine neighbouring tiles, how many tell something of their own


@dataclass(frozen=True, slots=True, eq=False)
class FocusPlace:
    """Where the tiles of a stack lie.

    Attributes
    ----------
    least_px : FloatMap
        Blur disc of each tile in its sharpest frame, working pixels, most likely value; 0 where nothing tells.
    gap_share : FloatMap
        Probability, 0..1, that this disc is larger than the limit asked about.
    place : FloatMap
        Position on the scale of `positions_px`.
    positions_px : float array, shape (frames,)
        Places of the focus positions: distances between them are blur discs in working pixels.
    """

    least_px: FloatMap
    gap_share: FloatMap
    place: FloatMap
    positions_px: NDArray[np.float64]


def place_in_focus(
    sharp: Array, fineness: Array, strong: NDArray[np.bool_], known: NDArray[np.bool_], limit_px: float,
    positions_px: Sequence[float] | None = None, farthest_px: float | None = None,
) -> FocusPlace | None:
    """Fit the fading of every tile's detail to one scale of focus positions.

    Parameters
    ----------
    sharp, fineness : float32 array, shape (frames, rows, cols)
        `FrameScore.sharp` and `FrameScore.fineness` on the tiles of the first frame, neighbours in focus side by side.
    strong : bool array, shape (frames, rows, cols)
        Where detail stands clear of noise in that frame.
    known : bool array, shape (rows, cols)
        Tiles to place.
    limit_px : float
        Blur disc, working pixels, that `gap_share` asks about.
    positions_px : sequence of float, optional
        Places of the frames, where distances and lens are known: `f^2 / (N s)` over the pixel pitch. Learnt from the
        pictures otherwise.
    farthest_px : float, optional
        Place of infinity on the same scale (0 for the formula above): nothing lies beyond it.

    Returns
    -------
    FocusPlace or None
        ``None`` where too few tiles tell, or where the sweep whose steps are not written is narrower than the limit:
        detail then hardly fades between its ends, and what lies beyond them cannot be told.

    Notes
    -----
    A thin lens blurs a point at place u by a disc |u - x| in a frame focused at place x, on a scale of reciprocal
    distance. A disc of diameter b has the deviation b / 4; the gradient energy of natural detail falls with the whole
    deviation as (o^2 + b^2 / 16)^-p, o its own softness and p from 1/2 (plain edges) to 1 (amplitudes falling as 1/f)
    and more. Every tile has a contrast and a p of its own, yet all share the positions, so that the frames
    between which detail fades fast give the scale by which the slow fading at the ends is read.
    """
    if int(known.sum()) < _LEAST_TILES:
        return None
    frames = sharp.shape[0]
    chosen = np.unique(np.linspace(0, frames - 1, min(frames, _MOST_FRAMES)).round().astype(int))
    log_sharp = np.log(np.maximum(sharp[chosen], 1e-6))
    log_fine = np.log(np.maximum(fineness[chosen], 1.0))
    told = strong[chosen] & (sharp[chosen] > 0) & (fineness[chosen] > 1.02)
    rows, cols = _finest(sharp[chosen], fineness[chosen], known)
    sample = (log_sharp[:, rows, cols], log_fine[:, rows, cols], told[:, rows, cols])
    if positions_px is None:
        if frames < _LEAST_FRAMES:
            return None
        own, x = _learn_positions(sample)
        if np.ptp(x) < limit_px:
            return None
        all_x = np.interp(np.arange(frames), chosen, x)
    else:
        all_x = np.asarray(positions_px, np.float64)
        x = all_x[chosen]
        own = min(_OWN, key=lambda o: _total(sample, x, o, farthest_px))
    places = _places(x, farthest_px, 0.5)
    flat = (slice(None), known)
    laws = _laws(own, _SOFT_COST if positions_px is None else _SOFT_COST_KNOWN, *_SOFTER)
    by_place = _pooled(_misfits(log_sharp[flat], log_fine[flat], told[flat], x, places, laws), known)
    likely = np.exp(-0.5 * _INDEPENDENT * (by_place - by_place.min(axis=0)))
    likely /= likely.sum(axis=0)
    least = np.abs(places[:, None] - all_x[None]).min(axis=1)
    gap_share = np.zeros(known.shape, np.float32)
    least_px = np.zeros(known.shape, np.float32)
    place = np.full(known.shape, np.nan, np.float32)
    gap_share[known] = likely[least > limit_px].sum(axis=0)
    best = by_place.argmin(axis=0)
    least_px[known] = least[best]
    place[known] = places[best]
    return FocusPlace(least_px, gap_share, place, all_x)


def _finest(
    sharp: Array, fineness: Array, known: NDArray[np.bool_]
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Rows and columns of the tiles with the finest detail of each frame: the likeliest to be in focus there."""
    best = np.where(known, sharp.argmax(axis=0), -1)
    each = max(_MOST_TILES // sharp.shape[0], 10)
    rows, cols = [], []
    for k in range(sharp.shape[0]):
        y, x = np.nonzero(best == k)
        top = np.argsort(-fineness[k][y, x], kind="stable")[: min(each, (y.size + 3) // 4)]
        rows.append(y[top])
        cols.append(x[top])
    return np.concatenate(rows), np.concatenate(cols)


def _places(x: NDArray[np.float64], farthest: float | None, apart_px: float) -> NDArray[np.float64]:
    """Places to try: evenly between the positions, more and more coarsely beyond them."""
    low, high = float(x.min()), float(x.max())
    between = np.linspace(low, high, int(np.clip((high - low) / apart_px, 8, 60)))
    beyond = np.asarray(_BEYOND if apart_px < 1 else _BEYOND[1::2])
    places = np.unique(np.concatenate([low - beyond, between, x, high + beyond]))
    if farthest is not None:
        places = np.unique(np.concatenate([places[places >= farthest], [farthest]]))
    return places


def _laws(own: float, soft_cost: float = 0.0, *softer: float) -> NDArray[np.float64]:
    """Ways in which detail may fade: rows of (exponent, squared softness, misfit to begin with)."""
    usual = [(p, own, ((p - _USUAL_EXPONENT) / _EXPONENT_SPREAD) ** 2) for p in _EXPONENTS]
    return np.array(usual + [(p, soft, cost + soft_cost) for soft in softer for p, _, cost in usual[1::2]])


def _total(
    sample: tuple[Array, Array, NDArray[np.bool_]], x: NDArray[np.float64], own: float, farthest: float | None = None
) -> float:
    """Misfit of sampled tiles (log sharpness, log fineness, told) when the frames stand at x."""
    log_sharp, log_fine, told = sample
    least = _misfits(log_sharp, log_fine, told, x, _places(x, farthest, 1.0), _laws(own)).min(axis=0)
    return float(least.sum())


def _misfits(
    log_sharp: Array, log_fine: Array, told: NDArray[np.bool_], x: NDArray[np.float64], places: NDArray[np.float64],
    laws: NDArray[np.float64],
) -> Array:
    """Misfit of every tile at every place under the kindest law; arrays of shape (frames, tiles) in."""
    squared = (places[:, None] - x[None]) ** 2 / 16
    own = laws[:, 1][:, None, None]
    fade = laws[:, 0][:, None, None] / 2 * np.log(squared + own)
    fine = laws[:, 0][:, None, None] * np.log((squared + own + _REBLUR) / (squared + own))
    sharp_t, fine_t, told_t = (np.ascontiguousarray(m.T) for m in (log_sharp, log_fine, told))
    found: Array = _least_misfit(
        sharp_t, fine_t, told_t, fade.astype(np.float32), fine.astype(np.float32), laws[:, 2].astype(np.float32),
    )  # fmt: skip
    return found


@njit(cache=True, nogil=True)
def _least_misfit(log_sharp, log_fine, told, fade, fine, start):  # type: ignore[no-untyped-def]
    tiles, frames = log_sharp.shape
    laws, places = fade.shape[0], fade.shape[1]
    least = np.empty((places, tiles), np.float32)
    for t in range(tiles):
        for i in range(places):
            best = np.float32(1e30)
            for j in range(laws):
                mean = np.float32(0)
                count = 0
                for k in range(frames):
                    if told[t, k]:
                        mean += log_sharp[t, k] + fade[j, i, k]
                        count += 1
                cost = start[j]
                if count > 0:
                    mean /= np.float32(count)
                for k in range(frames):
                    if told[t, k]:
                        left = (log_sharp[t, k] + fade[j, i, k] - mean) / np.float32(_SHARP_SPREAD)
                        cost += min(left * left, np.float32(_OUTLIER))
                        left = (log_fine[t, k] - fine[j, i, k]) / np.float32(_FINE_SPREAD)
                        cost += min(left * left, np.float32(_OUTLIER))
                best = min(best, cost)
            least[i, t] = best
    return least


def _learn_positions(
    sample: tuple[Array, Array, NDArray[np.bool_]],
) -> tuple[float, NDArray[np.float64]]:
    """Softness, and places of the frames when nothing is written: even steps first, then each step by itself."""
    gaps = sample[0].shape[0] - 1

    def total(steps: NDArray[np.float64], own: float) -> float:
        return _total(sample, np.concatenate([[0.0], np.cumsum(steps)]), own)

    least, even, own = min((total(np.full(gaps, step), o), step, o) for step in _STEPS for o in _OWN)
    steps = np.full(gaps, even)
    for factor in (1.5, 1.22):  # even steps were looked through by factors of about 1.5
        for i in range(gaps):
            for times in (factor, 1 / factor):
                other = steps.copy()
                other[i] *= times
                if (found := total(other, own)) < least:
                    least, steps = found, other
    return own, np.concatenate([[0.0], np.cumsum(steps)])


def _pooled(misfit: Array, known: NDArray[np.bool_]) -> Array:
    """Misfits averaged over neighbouring tiles: one tile's detail is a noisy figure."""
    pooled = np.empty_like(misfit)
    weight = np.maximum(cv2.blur(known.astype(np.float32), (3, 3), borderType=cv2.BORDER_CONSTANT), 1e-6)[known]
    canvas = np.zeros(known.shape, np.float32)
    for i in range(misfit.shape[0]):
        canvas[known] = misfit[i]
        pooled[i] = cv2.blur(canvas, (3, 3), borderType=cv2.BORDER_CONSTANT)[known] / weight
    return pooled
