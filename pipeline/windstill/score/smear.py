"""Smear seen in a frame by itself: how far things moved during its exposure."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple

import cv2
import numpy as np
import scipy.fft
from numba import njit
from numpy.typing import NDArray

from windstill.records import FloatMap, TileGrid
from windstill.settings import ScoreSettings
from windstill.settings.smear import BlindSmearSettings

Floats = NDArray[np.float64]
Corners = NDArray[np.int64]

_WINDOW = 96  # working pixels across a window whose spectrum is taken
_STRIDE = _WINDOW // 2
_LEAST_RADIUS = 2.5 / _WINDOW  # cycles per pixel: below, the window itself is seen
_CUTS = (0.2, 0.25, 0.3, 0.36, 0.45)  # cycles per pixel: up to which the picture stands out of the noise
_TURN_DEG = 7.5
_ANGLES_DEG = np.arange(0, 180, _TURN_DEG)
_RATIO = 1.2
_LENGTHS: Floats = np.asarray(3.0 * _RATIO ** np.arange(13), np.float64)  # working pixels, up to 26.7
_RING_STEP = 10.0  # window frequencies between the hats that follow a lens's rings into the noise
_RIDGES = np.array([1.2, 3.0, 8.0])  # window frequencies at which one-directional pictures have faded
# Softness along one direction without zeros, as waves, clouds and brush strokes have it: a Gaussian, fading into noise.
_FADES = 1.25 ** np.arange(10)  # standard deviation, working pixels
_FLOORS = 10.0 ** -np.arange(1, 7)  # power of the noise over that at rest
_NUDGES = (-16, 0, 16)  # working pixels
_DIRECTIONS = 4  # 0, 45, 90 and 135 degrees


@dataclass(frozen=True, slots=True, eq=False)
class SmearMaps:
    """Smear per tile; every map has the grid's shape.

    Attributes
    ----------
    length_px : FloatMap
        Peak-to-peak extent of the motion during the exposure, full-resolution pixels, 0 upwards.
    angle_deg : FloatMap
        Direction, 0..180 counter-clockwise as seen, 0 along x; 0 where there is no smear.
    confidence : FloatMap
        0..1; 0 where nothing can be said. A length of 0 with confidence means: looked, and there is none.
    """

    length_px: FloatMap
    angle_deg: FloatMap
    confidence: FloatMap


def blind_smear(
    plane: NDArray[np.uint8],
    grid: TileGrid,
    reduction: int,
    usable: NDArray[np.bool_],
    noise_sigma: float,
    settings: ScoreSettings | None = None,
) -> SmearMaps:
    """Motion during the exposure, read off the frame alone; silent rather than wrong.

    Parameters
    ----------
    plane : uint8 array, shape (h, w)
        Working plane.
    grid : TileGrid
    reduction : int
        Full-resolution pixels per working pixel.
    usable : bool map
        Textured, unclipped tiles.
    noise_sigma : float
        Noise of the working plane, 8-bit steps.
    settings : ScoreSettings, optional

    Returns
    -------
    SmearMaps
        Claims smears of about 3.5 to 25 working pixels (half as fine again, and up to 50, where the working plane is
        the picture itself) over areas of one to two hundred working pixels; 0 with confidence on tiles too crisp
        to be smeared in any direction; no confidence elsewhere.

    Notes
    -----
    1. Differences of pixels one and two steps apart, in four directions: a smeared direction is smooth, so their
       mean squares stand as 1 to 4, in a crisp picture as 1 to 2. Only windows smooth in some direction go on.
    2. A uniform smear multiplies the power spectrum by sinc^2: dark lines across its direction, 1/L apart, whatever
       the picture. Log spectra of windows are compared with those of smears of all lengths and directions, as
       Moghaddam & Jamzad (EURASIP J. Adv. Signal Process. 2007) look for the lines by a Radon transform. Everything
       that is no smear is projected out first: smooth falls of the spectrum with radius and angle, defocus discs of
       all sizes, and for each direction the fade of pictures that have one dominant direction (grasses).
    3. Windows are summed over a neighbourhood, and a peak must be high and deep, and stay high when the softness
       without zeros that comes nearest to the spectrum is taken out of it.
    """
    used = settings.smear if settings is not None else BlindSmearSettings()
    if used.window_share > 1:  # no window can hold so many usable tiles: smear is not asked for
        return SmearMaps(*np.zeros((3, *grid.shape), np.float32))
    maps = _at_scale(plane, grid, reduction, usable, noise_sigma, used, 1)
    if reduction == 1 and min(plane.shape) >= 4 * _WINDOW and maps.looked:
        half: NDArray[np.uint8] = cv2.resize(plane, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
        longer = _at_scale(half, grid, reduction, usable, noise_sigma / 2, used, 2)
        better = (longer.length > maps.length) & (longer.confidence >= maps.confidence)
        for mine, theirs in ((maps.length, longer.length), (maps.angle, longer.angle)):
            mine[better] = theirs[better]
        maps.confidence[better] = longer.confidence[better]
    return SmearMaps(maps.length, maps.angle, maps.confidence)


def summarise(
    maps: SmearMaps, usable: NDArray[np.bool_], settings: BlindSmearSettings | None = None
) -> tuple[float | None, float | None, float | None]:
    """A frame's smear in three figures.

    Parameters
    ----------
    maps : SmearMaps
    usable : bool map
        Textured tiles.

    Returns
    -------
    smear_px : float or None
        Robust maximum: the largest length that edge-connected tiles of two tiles or 0.05 % of the picture,
        whichever is more, reach or exceed. 0 where enough tiles are known to be still; None where too few are.
    angle_deg : float or None
        Direction there; None without smear.
    shake_px : float or None
        Smear common to the whole frame: what most known tiles share in one direction; 0 when many are still.
    """
    used = settings or BlindSmearSettings()
    known = usable & (maps.confidence >= used.trusted)
    if not known.any():
        return None, None, None
    least = max(2, int(np.ceil(0.0005 * known.size)))
    smear, angle = _robust_maximum(np.where(known, maps.length_px, 0), maps.angle_deg, least)
    share = float(known.sum() / usable.sum())
    shake = _shake(maps, known, usable, used) if share >= used.shake_known else None
    return (smear if smear > 0 or share >= used.still_known else None), angle, shake


def _robust_maximum(length: FloatMap, angle: FloatMap, least_tiles: int) -> tuple[float, float | None]:
    for value in np.unique(length[length > 0])[::-1]:
        count, labels = cv2.connectedComponents((length >= value).astype(np.uint8), connectivity=4)
        sizes = np.bincount(labels.ravel(), minlength=count)
        sizes[0] = 0
        if sizes.max() >= least_tiles:
            there = labels == int(np.argmax(sizes))
            return float(value), mean_direction(angle[there], length[there])
    return 0.0, None


def turn_between(a_deg: FloatMap | float, b_deg: FloatMap | float) -> FloatMap:
    """Angle between undirected directions, 0..90 degrees; maps and single angles alike."""
    return np.abs((np.asarray(a_deg) - b_deg + 90) % 180 - 90)


def mean_direction(angle_deg: FloatMap, weight: FloatMap) -> float:
    """Mean of undirected angles, 0..180 degrees."""
    doubled = np.deg2rad(2 * angle_deg.astype(np.float64))
    turned = np.arctan2((weight * np.sin(doubled)).sum(), (weight * np.cos(doubled)).sum())
    return float(np.rad2deg(turned) / 2 % 180)


def _shake(
    maps: SmearMaps, known: NDArray[np.bool_], usable: NDArray[np.bool_], used: BlindSmearSettings
) -> float | None:
    moved = known & (maps.length_px > 0)
    share = moved.sum() / known.sum()
    if share < used.shake_share:
        # Still tiles can be told with ease, smeared ones not always: a few still ones are enough.
        return 0.0 if 1 - share >= 1 - used.shake_share else None
    if moved.sum() < used.shake_seen * usable.sum():
        return None  # where little is known, what is smeared is most of it
    common = mean_direction(maps.angle_deg[moved], maps.length_px[moved])
    along = turn_between(maps.angle_deg[moved], common) < 15
    if along.mean() < used.shake_share:
        return None
    return float(np.percentile(maps.length_px[moved][along], 25))


@dataclass(slots=True, eq=False)
class _Maps:
    length: FloatMap
    angle: FloatMap
    confidence: FloatMap
    looked: bool = False


def _at_scale(
    plane: NDArray[np.uint8],
    grid: TileGrid,
    reduction: int,
    usable: NDArray[np.bool_],
    noise_sigma: float,
    used: BlindSmearSettings,
    scale: int,
) -> _Maps:
    """One pass on a plane reduced by `scale` from the working plane."""
    maps = _Maps(*np.zeros((3, *grid.shape), np.float32))
    side = grid.tile_px / (reduction * scale)
    energy = np.zeros((*grid.shape, _DIRECTIONS, 2))
    _differences(np.ascontiguousarray(plane), side, usable, energy)
    steepness, clear = _steepness(energy, noise_sigma)
    if scale == 1:
        still = usable & (clear & (steepness < used.crisp_steepness)).all(2)
        maps.confidence[still] = used.still_confidence
    corners, smooth = _smooth_windows(plane, side, usable, energy, noise_sigma, used)
    if len(corners) == 0:
        return maps
    maps.looked = True
    claims = _claims(plane, corners, smooth, noise_sigma, used)
    if len(claims) == 0:
        return maps
    row, col = np.nonzero(usable)
    x, y = (col + 0.5) * side, (row + 0.5) * side
    # The nearest and best claims last; on tiles that are not crisp in its direction.
    for claim in sorted(claims, key=lambda c: (-c.reach, c.score)):
        near = (np.abs(x - claim.x) <= claim.reach) & (np.abs(y - claim.y) <= claim.reach)
        k = round(claim.angle_deg / 45) % _DIRECTIONS
        near &= (steepness[row, col, k] >= used.crisp_steepness) | ~clear[row, col, k]
        at = row[near], col[near]
        maps.length[at] = claim.length * scale * reduction
        maps.angle[at] = claim.angle_deg
        maps.confidence[at] = claim.confidence
    return maps


@njit(cache=True, nogil=True)
def _differences(plane, side, usable, energy):  # type: ignore[no-untyped-def]
    """Mean squared difference of pixels one and two steps apart, in four directions, on every third line."""
    height, width = plane.shape
    rows, cols = usable.shape
    for row in range(rows):
        for col in range(cols):
            if not usable[row, col]:
                continue
            x0 = max(int(col * side), 2)
            x1 = min(int((col + 1) * side), width - 2)
            y0 = max(int(row * side), 2)
            y1 = min(int((row + 1) * side), height - 2)
            n = x1 - x0
            if n < 2 or y1 - y0 < 2:
                continue
            lines = 0
            for y in range(y0, y1, 3):
                lines += 1
                here = plane[y, x0:x1]
                for k in range(4):
                    # Steps towards 0, 45, 90 and 135 degrees as seen; y points down.
                    dx = 1 if k != 2 else 0
                    dy = 0 if k == 0 else (-1 if k == 1 else 1)
                    near = plane[y + dy, x0 + dx : x1 + dx]
                    far = plane[y + 2 * dy, x0 + 2 * dx : x1 + 2 * dx]
                    first = np.int32(0)
                    second = np.int32(0)
                    for x in range(n):
                        a = np.int32(near[x]) - np.int32(here[x])
                        b = np.int32(far[x]) - np.int32(here[x])
                        first += a * a
                        second += b * b
                    energy[row, col, k, 0] += first
                    energy[row, col, k, 1] += second
            energy[row, col] /= lines * n


def _steepness(energy: Floats, noise_sigma: float) -> tuple[Floats, NDArray[np.bool_]]:
    """Ratio of the two difference energies without noise, and where the nearer one stands out of it."""
    noise = 2 * noise_sigma**2
    near, far = energy[..., 0] - noise, energy[..., 1] - noise
    clear = near > 0.5 * noise
    return np.where(clear, far / np.maximum(near, 1e-9), 4.0), clear


def _smooth_windows(
    plane: NDArray[np.uint8],
    side: float,
    usable: NDArray[np.bool_],
    energy: Floats,
    noise_sigma: float,
    used: BlindSmearSettings,
) -> tuple[Corners, Floats]:
    """Corners (y, x) of windows mostly usable and smooth in some direction, and their four steepnesses."""
    height, width = plane.shape
    if min(height, width) < _WINDOW:
        return np.zeros((0, 2), np.int64), np.zeros((0, _DIRECTIONS))
    ys = np.arange(0, height - _WINDOW + 1, _STRIDE)
    xs = np.arange(0, width - _WINDOW + 1, _STRIDE)

    def over(values: Floats) -> Floats:
        """Sums of a map over each window, by a summed table; whole tiles only."""
        table = np.zeros((values.shape[0] + 1, values.shape[1] + 1, *values.shape[2:]))
        table[1:, 1:] = values.cumsum(0).cumsum(1)
        top = np.minimum(np.ceil(ys / side).astype(int), values.shape[0])
        bottom = np.clip(np.floor((ys + _WINDOW) / side).astype(int), top, values.shape[0])
        left = np.minimum(np.ceil(xs / side).astype(int), values.shape[1])
        right = np.clip(np.floor((xs + _WINDOW) / side).astype(int), left, values.shape[1])
        summed: Floats = (
            table[bottom][:, right] - table[top][:, right] - table[bottom][:, left] + table[top][:, left]
        )
        return summed

    count, tiles = over(usable.astype(np.float64)), over(np.ones(usable.shape))
    mean = over(energy) / np.maximum(count, 1)[..., None, None]
    steepness, _ = _steepness(mean, noise_sigma)
    chosen = (count >= used.window_share * np.maximum(tiles, 1)) & (steepness.max(2) >= used.smooth_steepness)
    at = np.argwhere(chosen)
    return np.stack([ys[at[:, 0]], xs[at[:, 1]]], axis=1), steepness[chosen]


@dataclass(frozen=True, slots=True)
class _Claim:
    """Smear found up to `reach` from (x, y), pixels of the plane looked at."""

    x: float
    y: float
    reach: float
    length: float
    angle_deg: float
    score: float
    beyond: float  # of the score, what no softness without zeros accounts for
    confidence: float


def _claims(
    plane: NDArray[np.uint8], corners: Corners, smooth: Floats, noise_sigma: float, used: BlindSmearSettings
) -> list[_Claim]:
    """Look at a few windows of the whole frame, and closely where they show something."""
    # Half of the first ones are those that differ most between directions, half are spread evenly.
    spread = np.linspace(0, len(corners) - 1, used.first_windows // 2).astype(int)
    uneven = _most_uneven(smooth)[: used.first_windows // 2]
    first = np.unique(np.concatenate([spread, uneven]))
    looks = _likeness(plane, corners[first], noise_sigma)
    scores, depths, cut = looks.scores, looks.depths, looks.cut
    peaks = scores.reshape(len(first), -1).max(1)
    hints = np.argsort(-peaks)[: np.count_nonzero(peaks >= used.hint_score)]
    shared = _pick(looks, float(np.sqrt(len(first))), used) if len(first) > 8 else None
    if shared is None and hints.size == 0:
        return []  # nothing like a smear among those most likely to show one
    found: list[_Claim] = []
    local: list[_Claim] = []
    height, width = plane.shape
    centres = first[hints]
    # Over a whole frame, what makes it unlike any fade adds up.
    if shared is not None and shared.beyond >= 1.5 * used.beyond_fades_sure:
        k, m = round(shared.angle_deg / _TURN_DEG) % _ANGLES_DEG.size, int(np.argmin(np.abs(_LENGTHS - shared.length)))
        alike = depths[:, k, m] >= used.claim_depth / 2
        if alike.mean() >= used.shake_share:
            everywhere = max(plane.shape)
            found.append(_Claim(0.0, 0.0, everywhere, *shared, _confidence(shared.score, used)))
            centres = first[np.argsort(-peaks)]
    second = _worth_a_look(corners, centres, smooth, used.most_windows)
    again = np.isin(second, first)  # looked at already, up to the same frequency
    known = peaks
    peaks = np.empty(len(second))
    peaks[again] = known[np.searchsorted(first, second[again])]
    if not again.all():
        scores = _likeness(plane, corners[second[~again]], noise_sigma, cut).scores
        peaks[~again] = scores.reshape(len(scores), -1).max(1)
    for index in np.nonzero(peaks >= used.hint_score)[0]:
        y, x = corners[second[index]]
        # A bloom rarely lies square on the lattice: look at it through windows a little to every side.
        around = np.array([(y + dy, x + dx) for dy in _NUDGES for dx in _NUDGES])
        inside = (around >= 0).all(1) & (around[:, 0] <= height - _WINDOW) & (around[:, 1] <= width - _WINDOW)
        near = _likeness(plane, around[inside], noise_sigma, cut)
        # They share most of their pixels, and count as three looks, not nine.
        peak = _pick(near, float(np.sqrt(3)), used)
        if peak is None or peak.score < used.local_score:
            continue
        mine = smooth[second[index]]
        k = round(peak.angle_deg / 45) % _DIRECTIONS
        if mine[k] - mine.min() < used.least_contrast:
            continue
        at = x + _WINDOW / 2, y + _WINDOW / 2
        local.append(_Claim(*at, _STRIDE, *peak, _confidence(peak.score, used)))
    return found + [claim for claim in local if _supported(claim, local, used)]


def _supported(claim: _Claim, others: list[_Claim], used: BlindSmearSettings) -> bool:
    """Other places of the frame that do not share its pixels moved in its direction: a wind has one direction.

    How far they moved may differ from bloom to bloom. Chance likenesses point anywhere.
    """
    apart = [o for o in others if max(abs(o.x - claim.x), abs(o.y - claim.y)) >= _WINDOW]
    along = [o for o in apart if turn_between(o.angle_deg, claim.angle_deg) < used.same_direction_deg]
    across = len(apart) - len(along)
    sure = max(o.beyond for o in (claim, *along)) >= used.beyond_fades_sure
    return sure and len(along) >= used.least_company and len(along) > across


def _most_uneven(smooth: Floats) -> NDArray[np.int64]:
    """Windows by how much their steepness differs between directions, most first; above 4 it is noise."""
    return np.argsort(smooth.min(1) - np.minimum(smooth.max(1), 4.0), kind="stable")


def _worth_a_look(
    corners: Corners, centres: NDArray[np.int64], smooth: Floats, most: int
) -> NDArray[np.int64]:
    """Windows around the centres first, then those that differ most between directions, up to a number."""
    chosen = np.zeros(len(corners), bool)
    for y, x in corners[centres]:
        more = (np.abs(corners[:, 0] - y) <= 2 * _STRIDE) & (np.abs(corners[:, 1] - x) <= 2 * _STRIDE)
        if (chosen | more).sum() > most:
            break
        chosen |= more
    uneven = _most_uneven(smooth)
    rest = uneven[~chosen[uneven]]
    chosen[rest[: most - int(chosen.sum())]] = True
    return np.nonzero(chosen)[0]


def _confidence(score: float, used: BlindSmearSettings) -> float:
    return float(1 - 0.5 * np.exp(-(score - used.claim_score) / used.claim_score))


class _Peak(NamedTuple):
    """What a claim tells of a smear: `_Claim` says of what."""

    length: float
    angle_deg: float
    score: float
    beyond: float


def _pick(looks: _Likeness, weight: float, used: BlindSmearSettings) -> _Peak | None:
    """The highest peak of windows that weigh as some number squared, if it is one of a smear."""
    score, depth = looks.scores.mean(0) * weight, looks.depths.mean(0)
    k, m = np.unravel_index(int(np.argmax(score)), score.shape)
    # A peak at the end of the visible lengths is the flank of something else.
    if m in (0, score.shape[1] - 1) or not score[:, m - 1].any():
        return None
    if score[k, m] < used.claim_score or depth[k, m] < used.claim_depth:
        return None
    beyond = weight * _beyond_fades(looks, int(k), int(m))
    if beyond < used.beyond_fades_score:
        return None
    turn = _vertex(score[k - 1, m], score[k, m], score[(k + 1) % score.shape[0], m])
    grow = _vertex(score[k, m - 1], score[k, m], score[k, m + 1])
    angle = (_ANGLES_DEG[k] + turn * _TURN_DEG) % 180
    return _Peak(float(_LENGTHS[m] * _RATIO**grow), float(angle), float(score[k, m]), beyond)


def _beyond_fades(looks: _Likeness, k: int, m: int) -> float:
    """How much more like a smear a mean spectrum is than the softness without zeros that comes nearest to it.

    Returns
    -------
    float
        Projection on what the smear's spectrum has that the nearest fade's has not; at most the score.
    """
    bank, fades = _bank(looks.cut), _fades(looks.cut, k)
    smear = bank.smears[:, k * _LENGTHS.size + m]
    likest = fades[int(np.argmax(fades @ looks.logs))]
    shared = float(likest @ smear)
    own: NDArray[np.float32] = smear - shared * likest
    return float(own @ looks.logs) / max(float(np.linalg.norm(own)), 0.03)


def _vertex(before: float, at: float, after: float) -> float:
    """Offset of a parabola's top through three points, within half a step."""
    bend = before - 2 * at + after
    return float(np.clip(0.5 * (before - after) / bend, -0.5, 0.5)) if bend < 0 else 0.0


@dataclass(frozen=True, slots=True, eq=False)
class _Bank:
    """Log spectra of smears (frequencies, smears) cleaned of all that is no smear, of unit length; their lengths."""

    keep: NDArray[np.intp]  # of the frequencies of a window's spectrum in one row
    smears: NDArray[np.float32]
    size: NDArray[np.float32]
    basis: Floats  # what is taken out for all directions (frequencies, columns), orthonormal
    fx: Floats
    fy: Floats


@lru_cache(maxsize=len(_CUTS))
def _bank(cut: float) -> _Bank:
    v, u = np.fft.fftfreq(_WINDOW)[:, None], np.fft.rfftfreq(_WINDOW)[None, :]
    radius = np.hypot(u, v)
    keep = (radius > _LEAST_RADIUS) & (radius < cut) & ~((u == 0) & (v < 0))
    fx, fy, r = np.broadcast_to(u, radius.shape)[keep], np.broadcast_to(v, radius.shape)[keep], radius[keep]
    turn, log_r = np.arctan2(-fy, fx), np.log(r)
    c2, s2 = np.cos(2 * turn), np.sin(2 * turn)
    smooth = [np.cos(4 * turn), np.sin(4 * turn), c2, s2, r**2 * c2, r**2 * s2, log_r * c2, log_r * s2]
    # Any spectrum alike in all directions, whatever the lens's blur disc looks like: one hat per ring ...
    at = (r - r.min()) * _WINDOW
    rings = np.maximum(1 - np.abs(at - np.arange(0, at.max() + 1)[:, None]), 0)
    # ... and its fading into the noise in some directions before others.
    wide = np.maximum(1 - np.abs(at / _RING_STEP - np.arange(0, at.max() / _RING_STEP + 1)[:, None]), 0)
    basis, _ = np.linalg.qr(np.concatenate([np.stack(smooth), rings, wide * c2, wide * s2]).T)
    smears = []
    for k in range(_ANGLES_DEG.size):
        along, own = _direction(basis, fx, fy, k)
        smears.append(_without(_without(_log_sinc(along, _LENGTHS), basis), own))
    cleaned = np.concatenate(smears)
    size = np.linalg.norm(cleaned, axis=1)
    # A first zero beyond what stands out of the noise cannot be seen.
    hidden = np.tile(cut < 1.15 / _LENGTHS, _ANGLES_DEG.size)
    unit = cleaned / size[:, None]
    unit[hidden] = 0.0
    units = np.ascontiguousarray(unit.T.astype(np.float32))
    return _Bank(np.flatnonzero(keep), units, size.astype(np.float32), basis, fx, fy)


def _direction(basis: Floats, fx: Floats, fy: Floats, k: int) -> tuple[Floats, Floats]:
    """Frequencies along a direction, and the fades of pictures that have it for their own, cleaned, orthonormal."""
    angle = np.deg2rad(_ANGLES_DEG[k])
    along = fx * np.cos(angle) - fy * np.sin(angle)
    ridges = -np.log1p((along / (_RIDGES[:, None] / _WINDOW)) ** 2)
    own, _ = np.linalg.qr(_without(ridges, basis).T)
    return along, own


def _without(spectra: Floats, columns: Floats) -> Floats:
    """Spectra (n, frequencies) without what lies along orthonormal columns (frequencies, m)."""
    return np.asarray(spectra - (spectra @ columns) @ columns.T)


@lru_cache(maxsize=2 * _ANGLES_DEG.size)
def _fades(cut: float, k: int) -> NDArray[np.float32]:
    """Log spectra of softness without zeros along a direction, cleaned as smears, unit length: (fades, frequencies)."""
    bank = _bank(cut)
    along, own = _direction(bank.basis, bank.fx, bank.fy, k)
    power = np.exp(-((2 * np.pi * _FADES[:, None] * along) ** 2))
    fades = np.log(power + _FLOORS[:, None, None]).reshape(-1, along.size)
    fades = _without(_without(fades, bank.basis), own)
    return np.asarray(fades / np.linalg.norm(fades, axis=1, keepdims=True), np.float32)


def _log_sinc(along: NDArray[np.floating], lengths: Floats) -> Floats:
    """Log power of uniform smears at frequencies along them, as a tapered window sees it."""
    seen = np.zeros((lengths.size, along.size))
    for offset in np.linspace(-0.8, 0.8, 7) / _WINDOW:
        seen += np.sinc(lengths[:, None] * (along + offset)) ** 2 / 7
    return np.log(seen + 1e-3)


@lru_cache(maxsize=1)
def _taper() -> NDArray[np.float32]:
    line = np.hanning(_WINDOW + 2)[1:-1]
    taper = np.outer(line, line)
    scaled: NDArray[np.float32] = (taper / np.sqrt((taper**2).sum())).astype(np.float32)
    return scaled


@dataclass(frozen=True, slots=True, eq=False)
class _Likeness:
    """How like each smear each window's spectrum is.

    Attributes
    ----------
    scores, depths : float arrays, shape (windows, angles, lengths)
        Projection on the unit spectrum, and share of the full depth of its zeros.
    logs : float32 array, shape (frequencies,)
        Mean log spectrum of the windows.
    cut : float
        Frequency up to which was compared.
    """

    scores: Floats
    depths: Floats
    logs: NDArray[np.float32]
    cut: float


def _likeness(
    plane: NDArray[np.uint8], corners: Corners, noise_sigma: float, cut: float | None = None
) -> _Likeness:
    windows = np.stack([plane[y : y + _WINDOW, x : x + _WINDOW] for y, x in corners]).astype(np.float32)
    windows -= windows.mean((1, 2), keepdims=True)
    windows *= _taper()
    spectrum = scipy.fft.rfft2(windows, axes=(1, 2), overwrite_x=True).reshape(len(corners), -1)
    noise = max(noise_sigma, 0.3) ** 2
    if cut is None:
        cut = _visible((spectrum.real**2 + spectrum.imag**2).mean(0), noise)
    bank = _bank(cut)
    kept = spectrum.take(bank.keep, axis=1)
    logs = np.zeros((len(corners) + len(corners) % 2, bank.smears.shape[0]), np.float32)
    logs[: len(corners)] = np.log(kept.real**2 + kept.imag**2 + np.float32(0.3 * noise))
    logs -= logs.mean(1, keepdims=True)
    product = np.empty((len(logs), bank.smears.shape[1]), np.float32)
    _project(logs, bank.smears, product)
    scores = product[: len(corners)].astype(np.float64)
    shape = (len(corners), _ANGLES_DEG.size, _LENGTHS.size)
    mean = np.asarray(logs[: len(corners)].mean(0), np.float32)
    return _Likeness(scores.reshape(shape), (scores / bank.size).reshape(shape), mean, cut)


@njit(cache=True, nogil=True, fastmath={"reassoc", "contract"})
def _project(rows, units, result):  # type: ignore[no-untyped-def]
    """rows @ units, float32, on the calling thread alone and always summed in the same order; an even number of rows.

    Two rows by four frequencies at once, so that units and sums are read and written a few times only.
    """
    result[:] = np.float32(0.0)
    block = 64  # frequencies at a time, so that their units stay in the cache for all rows
    for start in range(0, rows.shape[1], block):
        end = min(start + block, rows.shape[1])
        for i in range(0, rows.shape[0], 2):
            one, two, total_one, total_two = rows[i], rows[i + 1], result[i], result[i + 1]
            j = start
            while j + 4 <= end:
                v0, v1, v2, v3 = one[j], one[j + 1], one[j + 2], one[j + 3]
                w0, w1, w2, w3 = two[j], two[j + 1], two[j + 2], two[j + 3]
                u0, u1, u2, u3 = units[j], units[j + 1], units[j + 2], units[j + 3]
                for k in range(units.shape[1]):
                    total_one[k] += v0 * u0[k] + v1 * u1[k] + v2 * u2[k] + v3 * u3[k]
                    total_two[k] += w0 * u0[k] + w1 * u1[k] + w2 * u2[k] + w3 * u3[k]
                j += 4
            while j < end:
                unit = units[j]
                for k in range(units.shape[1]):
                    total_one[k] += one[j] * unit[k]
                    total_two[k] += two[j] * unit[k]
                j += 1


def _visible(power: NDArray[np.float32], noise: float) -> float:
    """Frequency up to which a mean spectrum stands out of the noise, of the ones prepared for."""
    v, u = np.fft.fftfreq(_WINDOW)[:, None], np.fft.rfftfreq(_WINDOW)[None, :]
    ring = (np.hypot(u, v) * _WINDOW).astype(int).ravel()
    profile = np.bincount(ring, power.ravel()) / np.maximum(np.bincount(ring), 1)
    above = [c for c in _CUTS if profile[int(c * _WINDOW) - 2 : int(c * _WINDOW)].mean() > 2 * noise]
    return max(above) if above else _CUTS[0]
