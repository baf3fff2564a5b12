"""What two small pictures have in common: the same view, an overlapping one, or another.

Pictures are compared as fields of local structure: band-passed luma over its local contrast. That is unchanged by
exposure (any locally linear tone change), nearly unchanged by defocus (the band is coarse), and vanishes where a
picture is clipped or plain, so those parts neither speak for nor against.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from dataclasses import field as dc_field
from functools import lru_cache, partial
from typing import Literal

import cv2
import numpy as np
import scipy.fft
from numpy.typing import NDArray

from windstill.group import kernels
from windstill.records import CameraData, FloatMap, FrameScore
from windstill.records.levels import BLACK, WHITE
from windstill.settings.group import GroupSettings

View = Literal["same", "overlap", "other", "unknown"]

_FINE_SIGMA_PX = 1.0
_COARSE_BOX_PX = (11, 11)
_BOX = np.full(_COARSE_BOX_PX[0], 1 / _COARSE_BOX_PX[0])
_COARSE = np.convolve(_BOX, _BOX)
_SEARCH_SIGMA_PX = 2.5
_ALONG_ROW_PX = 41
_LIGHT_BOX_PX = (5, 5)
# A moving branch differs by more than this and must not pull the registration.
_OUTLIER = 0.8
# Pixels of a shift below which nothing is resampled.
_LEAST_FRACTION = 0.05
# Full-frame diagonal of the 35 mm format, millimetres.
_DIAGONAL_35MM = 43.27
# sRGB decoding of every 8-bit step (IEC 61966-2-1).
_STEPS = np.arange(256, dtype=np.float32) / 255
_LINEAR = np.where(_STEPS <= 0.04045, _STEPS / 12.92, ((_STEPS + 0.055) / 1.055) ** 2.4)
_LOG2_LINEAR = np.log2(np.maximum(_LINEAR, 1e-5)).astype(np.float32)


@dataclass(eq=False)
class Picture:
    """A frame's content at comparison size.

    Attributes
    ----------
    luma : uint8 array (h, w)
        Displayed brightness, on the sphere around the camera (pan and tilt become shifts).
    field : float32 array (h, w)
        Local structure, about unit variance where there is texture, 0 where there is none.
    energy : float
        Mean square of `field`: how much there is to compare.
    scale : float
        Comparison pixels per long side of the picture.
    elsewise : tuple of callables
        The same picture projected for other focal lengths, made when asked for; empty where the file says which.
    """

    luma: NDArray[np.uint8]
    field: FloatMap
    energy: float
    scale: float
    elsewise: tuple[Callable[[], Picture], ...] = ()
    _spectra: dict[tuple[int, int], NDArray[np.complex64]] = dc_field(default_factory=dict)
    _others: tuple[Picture, ...] | None = None
    _slopes: tuple[FloatMap, FloatMap] | None = None
    _blurred: Picture | None = None
    _half: Picture | None = None
    _normals: dict[int, tuple[FloatMap, FloatMap]] = dc_field(default_factory=dict)

    def slopes(self) -> tuple[FloatMap, FloatMap]:
        """Gradient of the field along x and y, kept."""
        if self._slopes is None:
            self._slopes = (
                cv2.Sobel(self.field, cv2.CV_32F, 1, 0, ksize=3, scale=0.125),
                cv2.Sobel(self.field, cv2.CV_32F, 0, 1, ksize=3, scale=0.125),
            )
        return self._slopes

    def normal(self, margin: int) -> tuple[FloatMap, FloatMap]:
        """Change of the field with shift along x and y, scale and turning, within a margin; and the solver for it.

        Scale and turning are measured in pixels at half a long side from the centre. Both are kept.

        Returns
        -------
        (4, n) float32 array, (4, 4) float32 array
            Columns of the least-squares problem; inverse of its normal matrix.
        """
        if margin not in self._normals:
            columns = kernels.normal_columns(self.field, margin)
            matrix = columns @ columns.T
            matrix.flat[::5] = matrix.flat[::5] * 1.001 + 1e-6
            self._normals[margin] = (columns, cv2.invert(matrix)[1])
        return self._normals[margin]

    def blurred(self) -> Picture:
        """The same with a softer field, along which the search reaches further, kept."""
        if self._blurred is None:
            field = cv2.GaussianBlur(self.field, (0, 0), _SEARCH_SIGMA_PX)
            self._blurred = Picture(self.luma, field, _dot(field, field) / field.size, self.scale)
        return self._blurred

    def half(self) -> Picture:
        """The same at half the size, on which a search takes a quarter of the time, kept."""
        if self._half is None:
            size = (self.luma.shape[1] // 2, self.luma.shape[0] // 2)
            field = cv2.resize(self.field, size, interpolation=cv2.INTER_LINEAR)
            self._half = Picture(self.luma[::2, ::2], field, _dot(field, field) / field.size, self.scale / 2)
        return self._half

    def spectrum(self, shape: tuple[int, int]) -> NDArray[np.complex64]:
        """Zero-padded transform of the field, kept."""
        if shape not in self._spectra:
            self._spectra[shape] = scipy.fft.rfft2(self.field, s=shape).astype(np.complex64, copy=False)
        return self._spectra[shape]

    def forget(self) -> None:
        """Let go of everything that can be worked out again."""
        self._spectra.clear()
        self._normals.clear()
        self._slopes = self._blurred = self._half = self._others = None

    def others(self) -> tuple[Picture, ...]:
        """The other projections, kept."""
        if self._others is None:
            self._others = tuple(make() for make in self.elsewise)
        return self._others


@dataclass(frozen=True, slots=True)
class ContentLink:
    """How picture b lies on picture a.

    Attributes
    ----------
    view : {'same', 'overlap', 'other', 'unknown'}
        The likeliest; 'unknown' only where there is too little to compare.
    odds : float
        Log odds that both show one place, nats.
    shift_x, shift_y : float
        What is at x in b is at x + shift in a, in long sides.
    zoom : float
        log of b's magnification over a's: focus breathing, or a step forward (same views only).
    turn_deg : float
        b turned against a, degrees (same views only).
    overlap : float
        Share of a's rectangle that b covers, 0..1 (0 for 'other').
    agreement : float
        Correlation of structure over the overlap, -1..1.
    support : float
        Root mean product of both energies there: how much there was to compare, 0..1.
    ev : float or None
        Brightness of b over a in EV, from pixels clipped in neither (steps of 4 EV read up to a fifth small);
        ``None`` where too few are. Where the views could not be brought together, of their medians.
    ev_spread : float
        Interquartile range of that ratio, EV.
    """

    view: View
    odds: float = 0.0
    shift_x: float = 0.0
    shift_y: float = 0.0
    overlap: float = 0.0
    agreement: float = 0.0
    support: float = 0.0
    ev: float | None = None
    ev_spread: float = 0.0
    zoom: float = 0.0
    turn_deg: float = 0.0

    @property
    def shift(self) -> float:
        """Length of the shift, long sides."""
        return math.hypot(self.shift_x, self.shift_y)


UNKNOWN = ContentLink("unknown")
APART = ContentLink("other", -12.0)


def picture_of(score: FrameScore, camera: CameraData, settings: GroupSettings) -> Picture:
    """Prepare one frame for comparison."""
    small = score.small
    height, width = small.shape
    factor = settings.content_long_px / max(height, width)
    size = (max(round(width * factor), 8), max(round(height * factor), 8))
    # Down to half, neighbouring pixels averaged two by two are their area's mean.
    luma = cv2.resize(small, size, interpolation=cv2.INTER_AREA if factor < 0.49 else cv2.INTER_LINEAR)
    # Averaging n pixels leaves 1/sqrt(n) of the noise; what is left must not be taken for structure.
    averaged = max(settings.content_long_px / (max(score.width_px, score.height_px) / score.reduction), 1e-3)
    floor = max(settings.content_floor_steps, 2.0 * score.noise_sigma * min(averaged, 1.0))
    known = _focal_px(camera, score, max(size))
    if known is not None:
        return _projected(luma, known, floor)
    diagonal_px = float(np.hypot(*size))
    focals = [mm / _DIAGONAL_35MM * diagonal_px for mm in settings.assumed_focals_mm]
    others = tuple(partial(_projected, luma, f, floor) for f in focals[1:])
    return _projected(luma, focals[0], floor, others)


def _projected(
    luma: NDArray[np.uint8], focal_px: float, floor: float, elsewise: tuple[Callable[[], Picture], ...] = ()
) -> Picture:
    height, width = luma.shape
    coarse, fine, inside = _sphere_maps(width, height, round(focal_px, 1))
    luma = cv2.remap(luma, coarse, fine, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    field = structure(luma, floor) * inside
    return Picture(luma, field, _dot(field, field) / field.size, float(max(height, width)), elsewise)


def structure(luma: NDArray[np.uint8], floor_steps: float) -> FloatMap:
    """Band-passed luma over its local contrast.

    Parameters
    ----------
    luma : uint8 array (h, w)
    floor_steps : float
        Contrast, 8-bit steps, that counts as half structure and half nothing.
    """
    plane = luma.astype(np.float32)
    band = cv2.GaussianBlur(plane, (0, 0), _FINE_SIGMA_PX)
    band -= _surroundings(plane)
    # A horizon fits any view of one place and many of others: what runs on along a row tells nothing. And a single
    # bright lamp must not outweigh the rest.
    field: FloatMap = kernels.evened(band, _surroundings(band * band), floor_steps, _ALONG_ROW_PX, 2.5)
    return field


def _surroundings(plane: FloatMap) -> FloatMap:
    """A box run twice, near a Gaussian of 4.5 pixels, in one pass."""
    blurred: FloatMap = cv2.sepFilter2D(plane, -1, _COARSE, _COARSE)
    return blurred


def compare(a: Picture, b: Picture, settings: GroupSettings) -> ContentLink:
    """Register b on a and say what they share.

    Near-aligned pictures are refined from no shift by Gauss-Newton steps; where that does not agree, all shifts
    are searched by correlation in the frequency domain and the best are verified over their true overlap.
    """
    if a.luma.shape != b.luma.shape:
        if abs(np.log(a.luma.shape[0] / a.luma.shape[1] * b.luma.shape[1] / b.luma.shape[0])) > 0.03:
            return ContentLink("other", -12.0, support=1.0)
        b = _reshaped(b, a.luma.shape)
    if math.sqrt(a.energy * b.energy) < settings.min_support:
        return UNKNOWN
    fit = _fitted(a, b)
    best = _agreement(a, b, fit)
    if best[2] < settings.surely_aligned and _alike_blurred(a, b) > settings.blurred_alike:
        # Nearly aligned, but by more than a pixel or two: a larger turn, a longer focus throw.
        reached = _fitted(a, b, _fitted(a.blurred(), b.blurred(), steps=4))
        trial = _agreement(a, b, reached)
        if trial[2] > best[2]:
            fit, best = reached, trial
    if abs(fit[2]) / (0.5 * a.scale) > settings.breathing_looked_at and best[2] > settings.surely_aligned:
        fit = _where_light_kept(a, b, fit, settings)
    zoom, turn = -fit[2] / (0.5 * a.scale), math.degrees(fit[3] / (0.5 * a.scale))
    if best[2] < settings.surely_aligned:
        best = _searched(a, b, best, settings)
    link = _judged(a, b, best, settings)
    if link.view == "same":
        link = replace(link, zoom=zoom, turn_deg=turn)
    if link.view == "other":
        # Neighbouring views match only in the right projection.
        for one, two in zip(a.others(), b.others(), strict=False):
            other = compare(one, two, settings)
            if other.odds > link.odds:
                link = other
    return _as_far_as_lit(a, b, link, settings) if link.view == "other" else link


def _as_far_as_lit(a: Picture, b: Picture, link: ContentLink, settings: GroupSettings) -> ContentLink:
    """A disagreement, for what it is worth: pictures nearly all white or black have little left to differ in."""
    lit = [(picture.luma > BLACK) & (picture.luma < WHITE) for picture in (a, b)]
    if min(float(part.mean()) for part in lit) >= settings.lit_fully:
        return link
    both = float((lit[0] & lit[1]).mean())
    share = (both - settings.lit_least) / (settings.lit_fully - settings.lit_least)
    return replace(link, odds=link.odds * min(share, 1.0)) if share > 0 else UNKNOWN


def placed_on(a: Picture, b: Picture, settings: GroupSettings) -> ContentLink:
    """How b lies on a by correlation alone, over half of the picture at least; quicker than `compare`."""
    if a.luma.shape != b.luma.shape:
        return APART
    if math.sqrt(a.energy * b.energy) < settings.min_support:
        return UNKNOWN
    nothing: _Trial = (0.0, 0.0, 0.0, 0.0, 0.0)
    rough = _searched(a.half(), b.half(), nothing, settings, settings.scene_overlap)
    if rough[2] < settings.agreement_needed:
        return APART
    fine = _verified(a, b, *_refine(a, b, 2 * rough[0], 2 * rough[1]))
    return _judged(a, b, fine, settings)


def _searched(
    a: Picture, b: Picture, best: _Trial, settings: GroupSettings, least: float | None = None
) -> _Trial:
    """The best of all shifts that leave an overlap of `least`, or `best` if none is better.

    A peak of the correlation lies within a pixel of the truth: all are verified first, the best alone is refined.
    """
    places = _candidates(a, b, settings.content_candidates, least or settings.min_overlap)
    trials = [_verified(a, b, dx, dy) for dx, dy in places]

    def merit(trial: _Trial) -> float:
        return _merit(trial, a.scale, settings)

    rough = max(trials, key=merit, default=best)
    if merit(rough) <= 0.8 * merit(best):
        return best
    fine = _verified(a, b, *_refine(a, b, rough[0], rough[1]))
    return max(best, rough, fine, key=merit)


def _alike_blurred(a: Picture, b: Picture) -> float:
    """Correlation of the softened fields where they are."""
    fa, fb = a.blurred(), b.blurred()
    return _dot(fa.field, fb.field) / (math.sqrt(fa.energy * fb.energy) * fa.field.size + 1e-6)


# dx, dy, agreement, support, overlap
_Trial = tuple[float, float, float, float, float]


def _merit(trial: _Trial, long_px: float, settings: GroupSettings) -> float:
    """Agreement in standard deviations of what chance gives on so much overlap."""
    dx, dy, agreement, support, overlap = trial
    if support < settings.min_support:
        return 0.0
    return (agreement - _askew(dx / long_px, dy / long_px, settings)) * math.sqrt(overlap)


def _askew(shift_x: float, shift_y: float, settings: GroupSettings) -> float:
    """Agreement that a shift in both directions needs beyond one along a side."""
    least = min(abs(shift_x), abs(shift_y)) / settings.reframe_max
    return settings.agreement_diagonal * min(max(least - 1, 0), 1)


def _judged(a: Picture, b: Picture, trial: _Trial, settings: GroupSettings) -> ContentLink:
    dx, dy, agreement, support, overlap = trial
    if support < settings.min_support:
        return UNKNOWN
    shift_x, shift_y = dx / a.scale, dy / a.scale
    in_a, in_b = _windows(a.luma.shape, round(dx), round(dy))
    ev, spread = log2_ratio(a.luma[in_a], b.luma[in_b], settings.ev_min_share)
    # Unrelated pictures agree by chance at the best of all shifts: the more so the less there is to compare.
    needed = settings.agreement_needed + settings.agreement_chance / math.sqrt(overlap * min(support, 1.0))
    needed += _askew(shift_x, shift_y, settings)
    needed += settings.agreement_uneven * min(max(spread - 1.0, 0.0), 3.0)
    odds = min(max((agreement - needed) / settings.agreement_per_nat, -12.0), 12.0)
    if odds < 0:
        # A view of little but sky does not disagree with anything.
        odds *= min(support / settings.surely_support, 1.0)
        return ContentLink("other", odds, shift_x, shift_y, 0.0, agreement, support, _middles_apart(a, b), 0.0)
    view: View = "same" if max(abs(shift_x), abs(shift_y)) <= settings.reframe_max else "overlap"
    return ContentLink(view, odds, shift_x, shift_y, overlap, agreement, support, ev, spread)


def _windows(shape: tuple[int, ...], dx: int, dy: int) -> tuple[tuple[slice, slice], tuple[slice, slice]]:
    """Slices of a and of b that show the same when b's x is a's x - dx."""
    height, width = shape[0], shape[1]
    ax, ay = max(dx, 0), max(dy, 0)
    bx, by = max(-dx, 0), max(-dy, 0)
    w, h = width - abs(dx), height - abs(dy)
    return (slice(ay, ay + h), slice(ax, ax + w)), (slice(by, by + h), slice(bx, bx + w))


def _verified(a: Picture, b: Picture, dx: float, dy: float) -> _Trial:
    """Correlation over the overlap at the nearest whole shift, b resampled for the fraction."""
    height, width = a.field.shape
    ix, iy = round(dx), round(dy)
    if abs(ix) > 0.95 * width or abs(iy) > 0.95 * height:
        return dx, dy, 0.0, 0.0, 0.0
    # Less than that is as good as whole.
    part = max(abs(dx - ix), abs(dy - iy)) >= _LEAST_FRACTION
    sums = kernels.products(a.field, b.field, dx if part else float(ix), dy if part else float(iy), ix, iy)
    return _correlated(dx, dy, sums, height * width)


def _correlated(dx: float, dy: float, sums: tuple[float, float, float, int], pixels: int) -> _Trial:
    ab, aa, bb, area = sums
    both = math.sqrt(aa * bb)
    return dx, dy, ab / (both + 1e-6), both / area, area / pixels


# shift along x and y; scale and turning at half a long side: all in pixels
_Fit = tuple[float, float, float, float]


def _fitted(a: Picture, b: Picture, start: _Fit = (0.0, 0.0, 0.0, 0.0), steps: int = 3) -> _Fit:
    """Similarity that brings b onto a, by Gauss-Newton steps (Lucas and Kanade 1981; Baker and Matthews 2004)."""
    fit = np.array(start, np.float64)
    height, width = a.field.shape
    for _ in range(steps):
        # Margins in steps, so that what depends on a alone can be kept.
        margin = min(4 + 8 * int((np.abs(fit).sum() + 4) / 8), min(height, width) // 4)
        columns, solver = a.normal(margin)
        step = solver @ (columns @ kernels.differences(a.field, b.field, fit, margin, _OUTLIER))
        length = float(np.abs(step).max())
        fit += step if length <= 3 else step * (3 / length)
        if length < 0.01:
            break
    if np.abs(fit).max() > 0.2 * max(height, width):
        return start
    return float(fit[0]), float(fit[1]), float(fit[2]), float(fit[3])


def _sampled(shape: tuple[int, ...], margin: int) -> tuple[slice, slice]:
    """The pixels a fit looks at: within a margin, every other row; what lies between says nearly the same."""
    return slice(margin, shape[0] - margin, 2), slice(margin, shape[1] - margin)


def _where_light_kept(a: Picture, b: Picture, fit: _Fit, settings: GroupSettings) -> _Fit:
    """The fit once more where the picture kept its brightness: clouds that change pull the scale their way.

    Where exposure changed, tones say nothing of that; then, and where hardly anything kept, the fit stays.
    """
    margin = 4
    inner = _sampled(a.field.shape, margin)
    moved = _warped(b.luma.astype(np.float32), np.array(fit))
    light = [np.log2(cv2.blur(p, _LIGHT_BOX_PX)[inner] + 1) for p in (a.luma.astype(np.float32), moved)]
    change = light[1] - light[0]
    common = kernels.quantile(change.ravel(), 0.5)
    same = (np.abs(change - np.float32(common)) < settings.focus_light_kept).astype(np.uint8)
    # What changed also changes the contrast that structure around it is measured by.
    kept = cv2.erode(same, np.ones(_COARSE_BOX_PX, np.uint8)).ravel()
    if abs(common) > settings.ev_same or not settings.breathing_kept_share < kept.mean() < 1:
        return fit
    columns = a.normal(margin)[0] * kept
    solver = np.linalg.inv(columns @ columns.T + np.float32(1e-6) * np.eye(4, dtype=np.float32))
    again = np.array(fit, np.float64)
    for _ in range(2):
        again += solver @ (columns @ kernels.differences(a.field, b.field, again, margin, _OUTLIER))
    return float(again[0]), float(again[1]), float(again[2]), float(again[3])


def _warped(plane: FloatMap, fit: NDArray[np.float64]) -> FloatMap:
    """b resampled onto a's pixels."""
    matrix = np.array(kernels.affine(plane.shape, fit)).reshape(2, 3)
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    warped: FloatMap = cv2.warpAffine(plane, matrix, plane.shape[::-1], flags=flags)
    return warped


def _agreement(a: Picture, b: Picture, fit: _Fit) -> _Trial:
    """Correlation of structure under a similarity, where b reaches."""
    height, width = a.field.shape
    ix, iy = round(fit[0]), round(fit[1])
    if abs(ix) > 0.9 * width or abs(iy) > 0.9 * height:
        return fit[0], fit[1], 0.0, 0.0, 0.0
    sums = kernels.similar_products(a.field, b.field, np.array(fit), ix, iy)
    return _correlated(fit[0], fit[1], sums, height * width)


def _refine(a: Picture, b: Picture, dx: float, dy: float, steps: int = 3) -> tuple[float, float]:
    """Gauss-Newton on the shift, from a start within about two pixels of the truth (Lucas and Kanade 1981)."""
    height, width = a.field.shape
    slope_x, slope_y = a.slopes()
    start_x, start_y = dx, dy
    for _ in range(steps):
        ix, iy = round(dx), round(dy)
        if abs(ix) > width - 8 or abs(iy) > height - 8:
            return start_x, start_y
        part = max(abs(dx - ix), abs(dy - iy)) >= _LEAST_FRACTION
        at = (dx, dy) if part else (float(ix), float(iy))
        xx, yy, xy, rx, ry = kernels.pulls(a.field, slope_x, slope_y, b.field, *at, ix, iy)
        det = xx * yy - xy * xy
        if det <= 1e-6 * (xx + yy) ** 2:
            break
        step_x, step_y = (yy * rx - xy * ry) / det, (xx * ry - xy * rx) / det
        dx, dy = dx + min(max(step_x, -2.0), 2.0), dy + min(max(step_y, -2.0), 2.0)
        if abs(step_x) < 0.05 and abs(step_y) < 0.05:
            break
    if abs(dx - start_x) > 5 or abs(dy - start_y) > 5:
        return start_x, start_y
    return dx, dy


def _dot(p: FloatMap, q: FloatMap) -> float:
    return float(np.vdot(p, q))


def _candidates(a: Picture, b: Picture, count: int, least: float) -> list[tuple[float, float]]:
    """The most significant shifts of the whole correlation surface."""
    height, width = a.field.shape
    weight, shape = _lattice(height, width, least)
    surface = scipy.fft.irfft2(a.spectrum(shape) * np.conj(b.spectrum(shape)), s=shape)
    # Significance: correlation over the root of the overlap.
    return [(float(dx), float(dy)) for dx, dy in kernels.peaks(surface, weight, count, 4).tolist()]


@lru_cache(maxsize=16)
def _lattice(height: int, width: int, least: float) -> tuple[FloatMap, tuple[int, int]]:
    """Weights of all shifts that can leave the least overlap, 0 where they do not; shape of the padded transform."""
    reach_y, reach_x = max(int(height * (1 - least)), 1), max(int(width * (1 - least)), 1)
    # Room for the furthest shift either way is enough: what wraps round lies beyond it.
    tall = scipy.fft.next_fast_len(height + reach_y + 1, real=True)
    shape = (tall, scipy.fft.next_fast_len(width + reach_x + 1, real=True))
    dys, dxs = np.arange(-reach_y, reach_y + 1), np.arange(-reach_x, reach_x + 1)
    area = np.outer(height - np.abs(dys), width - np.abs(dxs)) / (height * width)
    weight = np.where(area >= least, 1 / np.sqrt(np.maximum(area, least)), 0).astype(np.float32)
    return weight, shape


def _middles_apart(a: Picture, b: Picture) -> float:
    """Median brightness of b over a in EV: all that can be said of pictures that cannot be laid on each other."""
    low, high = (float(_LOG2_LINEAR[kernels.middle(p.luma)]) for p in (a, b))
    return high - low


def log2_ratio(la: NDArray[np.uint8], lb: NDArray[np.uint8], least: float) -> tuple[float | None, float]:
    """Median and interquartile range of b over a in EV, where both are neither black nor white.

    ``None`` where less than the share `least` of the pixels is.
    """
    every = 2 if la.size > 4096 else 1
    ratio = kernels.brightness_ratios(la, lb, _LOG2_LINEAR, every)
    if ratio.size < max(least * la.size / every**2, 8):
        return None, 0.0
    at = (ratio.size // 4, ratio.size // 2, 3 * ratio.size // 4)
    ratio.partition(at)
    low, middle, high = (float(ratio[k]) for k in at)
    return middle, high - low


def _focal_px(camera: CameraData, score: FrameScore, long_px: int) -> float | None:
    """Focal length in comparison pixels, ``None`` where the file does not say."""
    long_full, short_full = max(score.width_px, score.height_px), min(score.width_px, score.height_px)
    if camera.focal_35mm_mm:
        return camera.focal_35mm_mm / _DIAGONAL_35MM * long_px * float(np.hypot(1.0, short_full / max(long_full, 1)))
    if camera.focal_mm and camera.pixel_pitch_um:
        return camera.focal_mm * 1000 / camera.pixel_pitch_um * long_px / max(long_full, 1)
    return None


@lru_cache(maxsize=64)
def _sphere_maps(
    width: int, height: int, focal_px: float
) -> tuple[NDArray[np.int16], NDArray[np.uint16], FloatMap]:
    """Where each pixel of the spherical picture lies in the flat one (equirectangular, same width), and whether.

    The first two are OpenCV's fixed-point maps.
    """
    cx, cy = (width - 1) / 2, (height - 1) / 2
    theta = (np.arange(width) - cx) / focal_px
    phi = (np.arange(height) - cy) / focal_px
    # Squeeze a wide picture so that its edges stay inside the canvas.
    reach_x = np.arctan(cx / focal_px) / max(cx / focal_px, 1e-6)
    theta, phi = np.meshgrid(theta * reach_x, phi * reach_x)
    x = focal_px * np.tan(theta) + cx
    y = focal_px * np.tan(phi) / np.cos(theta) + cy
    inside = ((x >= 0) & (x <= width - 1) & (y >= 0) & (y <= height - 1)).astype(np.float32)
    inside = cv2.erode(inside, np.ones((3, 3), np.uint8), borderType=cv2.BORDER_CONSTANT, borderValue=1.0)
    coarse, fine = cv2.convertMaps(x.astype(np.float32), y.astype(np.float32), cv2.CV_16SC2)
    return coarse, fine, inside


def _reshaped(picture: Picture, shape: tuple[int, ...]) -> Picture:
    """The same picture on a canvas of another size (sizes that differ by rounding)."""
    size = (shape[1], shape[0])
    return Picture(
        cv2.resize(picture.luma, size), cv2.resize(picture.field, size), picture.energy, float(max(size))
    )
