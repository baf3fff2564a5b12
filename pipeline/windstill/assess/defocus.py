"""Where each tile lies between the focus positions of a stack, from how its detail fades from frame to frame."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields

import cv2
import numpy as np
from numba import njit
from numpy.typing import NDArray

from windstill.assess.grain import NOISE_BANDS, most_grain, without_grain
from windstill.records import FloatMap

Array = NDArray[np.float32]
_Learnt = tuple[float, NDArray[np.float64]]  # softness, and the places of frames

_OWN = (0.25, 0.5, 1.0, 2.0, 4.0, 8.0)  # squared blur of lens and pixel, working pixels squared, looked through
_REBLUR = 4.0  # squared blur between the two gradient energies of `FrameScore.fineness`
_EXPONENTS = (0.55, 0.8, 1.05, 1.3, 1.6)  # of gradient energy against blur: plain edges .5, a 1/f spectrum 1, grit more
_USUAL_EXPONENT, _EXPONENT_SPREAD = 1.0, 0.35
_OWN_DOUBLED = 3  # times: how much softer than the finest of a picture its detail is by nature, without being clouds
_DOUBLED_COST = 0.75  # misfit that each doubling must spare
_SOFTER = (4.0, 12.0, 40.0)  # the same for things soft by nature, as clouds and haze: no lens would show them finer
_SOFT_COST = 1.0  # misfit that softness must spare before it is believed
_SOFT_COST_KNOWN = 6.0  # the same where distances are written: what fades is then likelier out of reach than soft
_SPREAD = 0.12  # of one tile's log gradient about the law, in either band
_SPREAD_NEAR = 0.04  # the same between frames focused alike: the law hardly matters, detail and noise are the same
_WHOLE_SWEEP_PX = 4.0  # working pixels between the end positions from which it is all of the spread above
_BANDS_SPREAD = 0.15  # of the two bands against each other: no real texture follows a power law exactly
_LEFT_NOISE = (1.0, 20.0)  # times the expected noise energy: what may be left of it in the fine band
_LEAST_BLURRED_PCT = 10.0  # percentile of tiles: so many are blurred in some frame
_NOISIER = 2.5  # times the same: what a tile may have more of, noise varies that much among places as bright
_OUTLIER = 6.0  # a squared misfit beyond this says no more: something else is in the tile (a bloom that moved)
_BEYOND = (0.5, 1, 1.5, 2, 2.5, 3, 4, 5, 6.5, 8, 10, 13, 17, 22, 30, 45, 70)  # working px beyond the end positions
_STEPS = tuple(float(v) for v in np.geomspace(0.5, 30, 11))  # working px from one position to the next, looked through
_MOST_FRAMES = 16  # frames of a long stack that are looked at
_MOST_TILES = 160  # tiles steps are learnt from
_EVERY = 4  # of those, one in so many tells which steps need not be looked at by all
_ROUNDED = 1.001  # times: more than sums in single precision are off
_LEAST_TILES = 12
_LEAST_FRAMES = 3  # two frames without distances have no scale that could be checked
_LEAST_CHANGE = 3.0  # misfit that fading must spare over detail that stays as it is
_BREATHING_FITS = 1.25  # times the misfit of learnt places up to which those told by focus breathing are believed
_WRITTEN_FITS = 2.0  # the same for places by written distances: exact ones came to 1.53 at most, with no step left free
_FITS = 0.5  # misfit for each figure of a tile that is within the error anyway
_REACHED = 0.8  # probability, before looking, that a tile is within reach of some frame: sweeps are shot to cover
_BLOCK = 128  # tiles whose figures stay in the nearest cache
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
    wide_gap_share : FloatMap
        The same for a wider limit, by what a scale learnt from the pictures may be off; equal where distances are
        written.
    place : FloatMap
        Position on the scale of `positions_px`.
    positions_px : float array, shape (frames,)
        Places of the focus positions: distances between them are blur discs in working pixels.
    reach_share : float32 array, shape (frames, rows, cols)
        Probability, 0..1, that a frame's disc is within the limit there; 1 where all frames show the same.
    told : bool array, shape (rows, cols)
        Tiles whose detail changes from frame to frame as the positions do; of the others nothing can be told, and they
        count neither as reached nor as a gap.
    ends_told : bool
        Whether what lies beyond the end positions can be told. Not for a sweep whose steps are not written and that is
        narrower than the limit: detail hardly fades between its ends. Nothing is called a gap then, and `reach_share`
        is that of a tile which some frame does hold.
    written : bool
        Whether the places are those that written distances give.
    """

    least_px: FloatMap
    gap_share: FloatMap
    wide_gap_share: FloatMap
    place: FloatMap
    positions_px: NDArray[np.float64]
    reach_share: NDArray[np.float32]
    told: NDArray[np.bool_]
    ends_told: bool = True
    written: bool = False


def place_in_focus(
    sharp: Array, fineness: Array, noise: Array, known: NDArray[np.bool_], limit_px: float,
    positions_px: Sequence[float] | None = None, farthest_px: float | None = None,
    breathing_px: Sequence[float] | None = None, scale_unsure: float = 1.0,
) -> FocusPlace | None:
    """Fit the fading of every tile's detail to one scale of focus positions.

    Parameters
    ----------
    sharp, fineness : float32 array, shape (frames, rows, cols)
        `FrameScore.sharp` and `FrameScore.fineness` on the tiles of the first frame, neighbours in focus side by side.
    noise : float32 array, shape (frames, rows, cols)
        What noise alone would add to `sharp`, in its unit.
    known : bool array, shape (rows, cols)
        Tiles to place.
    limit_px : float
        Blur disc, working pixels, that `gap_share` asks about.
    positions_px : sequence of float, optional
        Places of the frames, where distances and lens are known: `f^2 / (N s)` over the pixel pitch. Learnt from the
        pictures otherwise, or where these speak against them: encoders are coarse, and resized pictures may keep the
        pixel pitch of the sensor.
    farthest_px : float, optional
        Place of infinity on the same scale (0 for the formula above): nothing lies beyond it.
    breathing_px : sequence of float, optional
        Places as focus breathing tells them, for a lens that focuses by its whole extension. Taken only if what fades
        in the pictures agrees: lenses that focus within breathe as they please.
    scale_unsure : float
        Times by which a scale that is learnt may be too large; from 1.

    Returns
    -------
    FocusPlace or None
        ``None`` where too few tiles tell, or two frames without written distances are all there is.

    Notes
    -----
    A thin lens blurs a point at place u by a disc |u - x| in a frame focused at place x, on a scale of reciprocal
    distance. A disc of diameter b has the deviation b / 4; the gradient energy of natural detail falls with the whole
    deviation as (o^2 + b^2 / 16)^-p, o its own softness and p from 1/2 (plain edges) to 1 (amplitudes falling as 1/f)
    and more. Every tile has a contrast and a p of its own, yet all share the positions, so that the frames
    between which detail fades fast give the scale by which the slow fading at the ends is read.
    """
    return _placed(
        sharp, fineness, noise, known, limit_px, positions_px, farthest_px, breathing_px, scale_unsure, None
    )


def _placed(
    sharp: Array, fineness: Array, noise: Array, known: NDArray[np.bool_], limit_px: float,
    positions_px: Sequence[float] | None, farthest_px: float | None, breathing_px: Sequence[float] | None,
    scale_unsure: float, learnt: _Learnt | None,
) -> FocusPlace | None:
    """`place_in_focus`, of which the places may have been learnt already."""
    if int(known.sum()) < _LEAST_TILES:
        return None
    frames = sharp.shape[0]
    chosen = np.unique(np.linspace(0, frames - 1, min(frames, _MOST_FRAMES)).round().astype(int))
    bands = _bands(sharp[chosen], fineness[chosen], noise[chosen], _apart(positions_px))
    change = _change(bands)
    rows, cols = _finest(
        sharp[chosen], fineness[chosen] * (1 - np.minimum(bands.noise_share, 1)), known & (change > _LEAST_CHANGE)
    )
    if rows.size < _LEAST_TILES:
        return None
    sample = bands.at((slice(None), rows, cols))
    if positions_px is None:
        if frames < _LEAST_FRAMES:
            return None
        own, x = learnt or _learn_positions(sample)
        breathed = _breathed(sample, breathing_px, chosen, own, x)
        if breathed is not None:
            own, x = breathed
        all_x = np.interp(np.arange(frames), chosen, x)
    else:
        all_x = np.asarray(positions_px, np.float64)
        x = all_x[chosen]
        least, own = min(zip(_totals(sample, x, _OWN, farthest_px), _OWN, strict=True))
        if least > _FITS * 2 * sample.fine.size and (other := _spoken_against(sample, least, limit_px)) is not None:
            # Frames that far apart were looked at as frames are whose places nobody knows.
            learnt = other if _apart(positions_px) == _apart(None) else None
            return _placed(
                sharp, fineness, noise, known, limit_px, None, None, breathing_px, scale_unsure, learnt
            )
    places = _places(x, farthest_px, 0.5)
    laws = _laws(own, _SOFT_COST if positions_px is None else _SOFT_COST_KNOWN, *_SOFTER)
    (misfits,) = _misfits(bands.at((slice(None), known)), x, places, [laws])
    by_place = _pooled(misfits, known)
    # Detail that no frame changes is noise, or out of reach of all of them alike: it tells nothing.
    still = _pooled(change[known][None], known)[0] < by_place.min(axis=0) + _LEAST_CHANGE / _INDEPENDENT
    least = np.abs(places[:, None] - all_x[None]).min(axis=1)
    ends_told = positions_px is not None or float(np.ptp(x)) >= limit_px
    likely = _likely(by_place, least, limit_px, ends_told)
    wide_px = limit_px * (scale_unsure if positions_px is None else 1.0)
    likely_wide = likely if wide_px == limit_px else _likely(by_place, least, wide_px, ends_told)
    gap_share, wide_gap_share = np.zeros((2, *known.shape), np.float32)
    least_px = np.zeros(known.shape, np.float32)
    place = np.full(known.shape, np.nan, np.float32)
    gap_share[known] = np.where(still, 0, likely[least > limit_px].sum(axis=0))
    wide_gap_share[known] = np.where(still, 0, likely_wide[least > wide_px].sum(axis=0))
    best = by_place.argmin(axis=0)
    least_px[known] = least[best]
    place[known] = places[best]
    reach_share = np.zeros((frames, *known.shape), np.float32)
    for k in range(frames):
        held = likely[np.abs(places - all_x[k]) <= limit_px].sum(axis=0)
        reach_share[k][known] = np.where(still, 1, held)
    told = known.copy()
    told[known] = ~still
    written = positions_px is not None
    return FocusPlace(least_px, gap_share, wide_gap_share, place, all_x, reach_share, told, ends_told, written)


def _likely(by_place: Array, least_px: NDArray[np.float64], limit_px: float, ends_told: bool) -> NDArray[np.float64]:
    """Probability of every place (rows) for every tile, from its misfit there; `least_px` is each place's disc."""
    reached = least_px <= limit_px
    # What a sweep misses it mostly misses by little.
    missed = np.where(reached, 0, limit_px / np.maximum(least_px, limit_px))
    before = np.where(reached, _REACHED / max(int(reached.sum()), 1), (1 - _REACHED) * missed / max(missed.sum(), 1e-9))
    likely = before[:, None] * np.exp(-0.5 * _INDEPENDENT * (by_place - by_place.min(axis=0)))
    if not ends_told:
        likely[~reached] = 0
    return np.asarray(likely / likely.sum(axis=0), np.float64)


@dataclass(frozen=True, slots=True, eq=False)
class _Bands:
    """Log gradients of every tile in two bands, and the weight (reciprocal squared error) of each.

    The coarse band is the fine one after a known blur. Noise hardly reaches it, but it tells small blurs less well.
    """

    fine: Array
    coarse: Array
    fine_weight: Array
    coarse_weight: Array
    noise_share: Array  # of the fine band's energy, as far as noise may be left in it

    def at(self, index: tuple[object, ...]) -> _Bands:
        """The same for chosen tiles."""
        return _Bands(*(getattr(self, f.name)[index] for f in fields(self)))


def _apart(positions_px: Sequence[float] | None) -> float:
    """How unlike the frames are, 0..1: 1 for a sweep wide enough, or not known to be narrow."""
    return 1.0 if positions_px is None else min(float(np.ptp(positions_px)) / _WHOLE_SWEEP_PX, 1.0)


def _bands(sharp: Array, fineness: Array, noise: Array, apart: float) -> _Bands:
    told = (sharp > 0) & (fineness > 1.02)
    sharp, fineness, left = _without_noise(sharp, fineness, noise, told, apart)
    told &= fineness > 1.02
    fine = np.log(np.maximum(sharp, 1e-6))
    coarse = fine - np.log(np.maximum(fineness, 1.0)) / 2
    share = np.where(told, left * (noise / np.maximum(sharp, 1e-6)) ** 2, 1)
    # Energy left of the noise lifts the logarithm by half its share, and alike in frames that are alike.
    spread, lift = _SPREAD_NEAR + apart * (_SPREAD - _SPREAD_NEAR), apart * share / 2
    fine_weight = np.where(told, 1 / (spread**2 + lift**2), 0)
    coarse_weight = np.where(told, 1 / (spread**2 + (lift * fineness / NOISE_BANDS) ** 2), 0)
    return _Bands(*(np.asarray(m, np.float32) for m in (fine, coarse, fine_weight, coarse_weight, share)))


def _change(bands: _Bands) -> Array:
    """Misfit of every tile if nothing in it faded from frame to frame."""
    change = np.zeros(bands.fine.shape[1:], np.float32)
    for band, weight in ((bands.fine, bands.fine_weight), (bands.coarse, bands.coarse_weight)):
        mean = (weight * band).sum(axis=0) / np.maximum(weight.sum(axis=0), 1e-6)
        change += np.minimum((band - mean) ** 2 * weight, _OUTLIER).sum(axis=0)
    return change


def _without_noise(
    sharp: Array, fineness: Array, noise: Array, told: NDArray[np.bool_], apart: float
) -> tuple[Array, Array, float]:
    """Detail less the noise still in it, and how much of that may be left, times the noise expected.

    Cameras and files differ from any model of their noise, yet a place is as noisy in every frame. Where a tile is
    blurred most, detail has next to nothing more in the fine band than in the coarse one; what the fine band has beyond
    that is noise.
    """
    fine = (sharp / np.maximum(noise, 1e-9)) ** 2
    most = np.where(told, most_grain(fine, fineness), np.inf).min(axis=0)
    known = most[np.isfinite(most)]
    left = float(np.clip(np.percentile(known, _LEAST_BLURRED_PCT), *_LEFT_NOISE)) if known.size else _LEFT_NOISE[0]
    grain = apart * np.clip(most, 0, _NOISIER * left)
    clean, fineness = without_grain(fine, fineness, grain)
    return np.sqrt(clean) * noise, fineness, left


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
    places = np.concatenate([low - beyond, between, x, high + beyond])
    if farthest is not None:
        places = np.concatenate([places[places >= farthest], [farthest]])
    places.sort()
    return np.asarray(places[np.append(True, places[1:] > places[:-1])], np.float64)


def _laws(own: float, soft_cost: float = 0.0, *softer: float) -> NDArray[np.float64]:
    """Ways in which detail may fade: rows of (exponent, squared softness, misfit to begin with)."""
    usual = [(p, own, ((p - _USUAL_EXPONENT) / _EXPONENT_SPREAD) ** 2) for p in _EXPONENTS]
    soft = [(each, soft_cost) for each in softer]
    if softer:
        # `own` is that of the finest tiles: with it alone, detail a little softer would pass for out of reach.
        doubled = [(own * 2**k, k * _DOUBLED_COST) for k in range(1, _OWN_DOUBLED + 1)]
        soft = [pair for pair in doubled if pair[0] < softer[0]] + soft
    return np.array(usual + [(p, each, cost + more) for each, more in soft for p, _, cost in usual[1::2]])


def _total(sample: _Bands, x: NDArray[np.float64], own: float) -> float:
    """Misfit of sampled tiles when the frames stand at x."""
    return _totals(sample, x, (own,))[0]


def _totals(
    sample: _Bands, x: NDArray[np.float64], owns: Sequence[float], farthest: float | None = None
) -> list[float]:
    """The same for several softnesses."""
    places = _places(x, farthest, 1.0)
    each = _misfits(sample, x, places, [_laws(own) for own in owns])
    return [float(misfits.min(axis=0).sum()) for misfits in each]


def _misfits(
    bands: _Bands, x: NDArray[np.float64], places: NDArray[np.float64], each: Sequence[NDArray[np.float64]],
) -> list[Array]:
    """Misfit of every tile at every place under the kindest law of each of some; bands of shape (frames, tiles) in."""
    squared = (places[:, None] - x[None]) ** 2 / 16
    softness, which = np.unique(np.concatenate([laws[:, 1] for laws in each]), return_inverse=True)
    fine, coarse = (np.log(squared + softness[:, None, None] + more) for more in (0.0, _REBLUR))
    band_f, band_c, weight_f, weight_c = (
        np.ascontiguousarray(m) for m in (bands.fine, bands.coarse, bands.fine_weight, bands.coarse_weight)
    )
    found, begin = [], 0
    for laws in each:
        chosen = which[begin : begin + len(laws)]
        begin += len(laws)
        exponent = laws[:, 0][:, None, None] / 2
        fade_f, fade_c = ((exponent * faded[chosen]).astype(np.float32) for faded in (fine, coarse))
        found.append(_least_misfit(band_f, band_c, weight_f, weight_c, fade_f, fade_c, laws[:, 2].astype(np.float32)))
    return found


@njit(cache=True, nogil=True, error_model="numpy")
def _least_misfit(fine, coarse, fine_weight, coarse_weight, fade_fine, fade_coarse, start):  # type: ignore[no-untyped-def]
    """Bands and weights of shape (frames, tiles): a block of tiles at a time, each in a lane of a vector register."""
    frames, tiles = fine.shape
    laws, places = fade_fine.shape[0], fade_fine.shape[1]
    least = np.empty((places, tiles), np.float32)
    cap, apart_variance = np.float32(_OUTLIER), np.float64(np.float32(_BANDS_SPREAD**2))
    sums = np.empty((2, _BLOCK), np.float32)
    means = np.empty((2, _BLOCK), np.float32)
    costs, bests = np.empty(_BLOCK, np.float64), np.empty(_BLOCK, np.float64)
    for begin in range(0, tiles, _BLOCK):
        end = min(begin + _BLOCK, tiles)
        count = end - begin
        sum_f, sum_c = sums[0, :count], sums[1, :count]
        mean_f, mean_c, cost, best = means[0, :count], means[1, :count], costs[:count], bests[:count]
        sum_f[:] = np.float32(0)
        sum_c[:] = np.float32(0)
        for k in range(frames):
            wf, wc = fine_weight[k, begin:end], coarse_weight[k, begin:end]
            for t in range(count):
                sum_f[t] += wf[t]
                sum_c[t] += wc[t]
        for i in range(places):
            best[:] = 1e30
            for j in range(laws):
                mean_f[:] = np.float32(0)
                mean_c[:] = np.float32(0)
                for k in range(frames):
                    f, c = fine[k, begin:end], coarse[k, begin:end]
                    wf, wc = fine_weight[k, begin:end], coarse_weight[k, begin:end]
                    add_f, add_c = fade_fine[j, i, k], fade_coarse[j, i, k]
                    for t in range(count):
                        mean_f[t] += wf[t] * (f[t] + add_f)
                        mean_c[t] += wc[t] * (c[t] + add_c)
                first = start[j]
                for t in range(count):
                    known = sum_c[t] > 0
                    mean_f[t] = mean_f[t] / sum_f[t] if known else mean_f[t]
                    mean_c[t] = mean_c[t] / sum_c[t] if known else mean_c[t]
                    apart = mean_f[t] - mean_c[t]
                    more = min(apart * apart / (apart_variance + 1 / np.float64(sum_f[t])), cap)
                    cost[t] = first + more if known else first
                for k in range(frames):
                    f, c = fine[k, begin:end], coarse[k, begin:end]
                    wf, wc = fine_weight[k, begin:end], coarse_weight[k, begin:end]
                    add_f, add_c = fade_fine[j, i, k], fade_coarse[j, i, k]
                    for t in range(count):
                        left = f[t] + add_f - mean_f[t]
                        cost[t] += min(left * left * wf[t], cap)
                        left = c[t] + add_c - mean_c[t]
                        cost[t] += min(left * left * wc[t], cap)
                for t in range(count):
                    best[t] = min(best[t], cost[t])
            least[i, begin:end] = best
    return least


def _learn_positions(sample: _Bands) -> _Learnt:
    """Softness, and places of the frames when nothing is written: even steps first, then each step by itself."""
    gaps = sample.fine.shape[0] - 1
    few = sample.at((slice(None), slice(None, None, _EVERY)))

    def at(steps: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.concatenate([[0.0], np.cumsum(steps)])

    # No misfit is below nought: what some of the tiles misfit, all of them do.
    ways = sorted(
        (some, step, o)
        for step in _STEPS for some, o in zip(_totals(few, at(np.full(gaps, step)), _OWN), _OWN, strict=True)
    )  # fmt: skip
    least, even, own = np.inf, 0.0, 0.0
    for some, step, o in ways:
        if some > _ROUNDED * least:
            break
        least, even, own = min((least, even, own), (_total(sample, at(np.full(gaps, step)), o), step, o))
    steps = np.full(gaps, even)
    for factor in (1.5, 1.22):  # even steps were looked through by factors of about 1.5
        for i in range(gaps):
            for times in (factor, 1 / factor):
                other = steps.copy()
                other[i] *= times
                if (found := _total(sample, at(other), own)) < least:
                    least, steps = found, other
    return own, at(steps)


def _spoken_against(sample: _Bands, misfit: float, limit_px: float) -> _Learnt | None:
    """Softness and places learnt from the pictures, where these fit far better than written ones do."""
    if sample.fine.shape[0] < _LEAST_FRAMES:
        return None
    own, x = _learn_positions(sample)
    against = float(np.ptp(x)) >= limit_px and misfit > _WRITTEN_FITS * _total(sample, x, own)
    return (own, x) if against else None


def _breathed(
    sample: _Bands, breathing_px: Sequence[float] | None, chosen: NDArray[np.intp], own: float, x: NDArray[np.float64],
) -> tuple[float, NDArray[np.float64]] | None:
    """Softness and places by focus breathing; ``None`` where the pictures speak against them."""
    if breathing_px is None:
        return None
    other = np.asarray(breathing_px, np.float64)[chosen]
    if np.ptp(other) <= 0:
        return None
    least, soft = min(zip(_totals(sample, other, _OWN), _OWN, strict=True))
    fits = max(_BREATHING_FITS * _total(sample, x, own), _FITS * 2 * sample.fine.size)
    return (soft, other) if least <= fits else None


def _pooled(misfit: Array, known: NDArray[np.bool_]) -> Array:
    """Misfits averaged over neighbouring tiles: one tile's detail is a noisy figure."""
    pooled = np.empty_like(misfit)
    weight = np.maximum(cv2.blur(known.astype(np.float32), (3, 3), borderType=cv2.BORDER_CONSTANT), 1e-6)[known]
    canvas = np.zeros(known.shape, np.float32)
    for i in range(misfit.shape[0]):
        canvas[known] = misfit[i]
        pooled[i] = cv2.blur(canvas, (3, 3), borderType=cv2.BORDER_CONSTANT)[known] / weight
    return pooled
