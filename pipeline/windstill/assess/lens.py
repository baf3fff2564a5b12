"""How a lens bends straight lines: read off the views of a panorama, and taken out of their pictures.

No one homography lays views of a bent picture over each other: what is left grows to several pixels at the rims, and
looks like a camera that moved, or like wind. Programs that join views straighten them first.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from functools import lru_cache
from typing import Any, NamedTuple, TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from windstill.assess.align import Aligned
from windstill.assess.geometry import enclosing
from windstill.assess.planes import PlaneSource
from windstill.imaging import Region
from windstill.records import FrameScore, PairMeasure, PairSmear, SwayField, TileGrid

Points = NDArray[np.float64]
Maps = TypeVar("Maps", FrameScore, SwayField, PairSmear)

_FEWEST = 40  # places that both views show, for a lens to be told
_LOOSE = 0.15  # px at 3000 px width, scaled: what a straight lens's views leave is less
_CLOSE = 0.1  # the same, within which places agree
_BETTER = 0.75  # share of what is left without it that a bent lens may leave to be tried
_CLEAR = 0.25  # the same to be sure: of parallax two fifths and more stay
_FAINT = 0.6  # the same where no more is left than noise makes
_LEAST, _MOST = 0.002, 0.12  # share of the radius at the corner
_TRIED = np.arange(-6, 7) * 0.015  # bends among which the fit starts: from further off it may end elsewhere
_ALIKE, _ALIKE_SHARE = 0.004, 0.25  # by which pairs of one panorama may differ, and as a share
_SURE = 1e-8, 30  # of straightening a place: units of half the diagonal, rounds


@dataclass(frozen=True, slots=True)
class Lens:
    """A lens that shows what belongs at the distance r from the picture's centre at r (1 + bend r^2).

    r in units of half the picture's diagonal: `bend` is the share of the radius by which the corners lie too far out;
    below 0 for a barrel, above for a pincushion. The first term of Brown's model (D. C. Brown, Close-range camera
    calibration, Photogrammetric Engineering 37, 1971), which is most of what photographic lenses do.
    """

    bend: float
    width_px: int
    height_px: int

    def straight(self, points: Points) -> Points:
        """Where a lens that bends nothing would show what lies at points (n, 2) of the picture."""
        criteria = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, _SURE[1], _SURE[0])
        matrix, bends = _camera(self.width_px, self.height_px), np.array([self.bend, 0.0, 0.0, 0.0])
        found = cv2.undistortPoints(
            np.asarray(points, np.float64).reshape(-1, 1, 2), matrix, bends, None, None, matrix, criteria
        )
        return np.asarray(found, np.float64).reshape(-1, 2)

    def bent(self, points: Points) -> Points:
        """Where the picture shows what such a lens would show at points (n, 2)."""
        matrix = _camera(self.width_px, self.height_px)
        centre, unit = matrix[:2, 2], matrix[0, 0]
        off = (points - centre) / unit
        return np.asarray(centre + unit * off * (1 + self.bend * (off**2).sum(axis=1, keepdims=True)))

    def as_shown(self, aligned: Aligned) -> Aligned:
        """What was lined up in straightened pictures, by the places the pictures themselves show."""
        return aligned._replace(in_a=self.bent(aligned.in_a), in_b=self.bent(aligned.in_b))


def lens_of_views(
    aligned: Sequence[Aligned], size: tuple[int, int], enough_px: float = 0.0
) -> tuple[Lens | None, bool]:
    """The lens that lays all views of a panorama over each other, or None where a straight one does.

    Parameters
    ----------
    aligned : sequence of Aligned
        Neighbouring views as they were lined up, or not.
    size : (int, int)
        Of every view, full resolution.
    enough_px : float
        Full-resolution pixels: views that a straight lens leaves no further apart than this, in the median, tell
        nothing.

    Returns
    -------
    Lens or None
        None also where too little tells, or pairs do not agree: one lens took them all.
    bool
        Whether it is sure. If not, it lays them better: far from where a straight lens lays them, things are not found
        again, or wrongly, and more will tell in pictures straightened by it.
    """
    told = [found for each in aligned if (found := _bend(each, size, enough_px)) is not None]
    measured = sum(len(each.in_a) >= _FEWEST for each in aligned)
    sure = [each for each in told if each.sureness > 0]
    # What a pair says faintly another must say too.
    if len(sure) > 1 or any(each.sureness > 1 for each in sure):
        bend = _agreed(sure, measured, _ALIKE_SHARE)
        if bend is not None:
            return Lens(bend, *size), True
    bend = _agreed(told, measured, 1.0)
    return (None if bend is None else Lens(bend, *size)), False


class _Told(NamedTuple):
    bend: float
    sureness: int  # 2: next to nothing else is left; 1: no more than noise makes; 0: less than without it


def _agreed(told: Sequence[_Told], measured: int, share: float) -> float | None:
    """The bend most pairs tell, if they differ by no more than a share of it."""
    if not told or 2 * len(told) < measured:
        return None
    bends = np.array([each.bend for each in told])
    bend = float(np.median(bends))
    alike = np.abs(bends - bend).max() <= max(_ALIKE, share * abs(bend))
    return bend if alike and _LEAST <= abs(bend) <= _MOST else None


def _bend(pair: Aligned, size: tuple[int, int], enough_px: float) -> _Told | None:
    """Fit a homography of straightened views by what they share, and compare with one of views as they are."""
    if len(pair.in_a) < _FEWEST:
        return None
    matrix = _camera(*size)
    centre, unit = matrix[:2, 2], matrix[0, 0]
    scale = max(1.0, max(size) / 3000) / unit

    def straight(bend: float) -> list[Points]:
        lens = Lens(bend, *size)
        return [(lens.straight(places) - centre) / unit for places in (pair.in_a, pair.in_b)]

    def left(found: Points) -> Points:
        a, b = straight(found[8])
        laid = np.column_stack([b, np.ones(len(b))]) @ np.append(found[:8], 1.0).reshape(3, 3).T
        return np.asarray(laid[:, :2] / laid[:, 2:] - a).ravel()

    def misfit(found: Points) -> float:
        return float(np.median(np.hypot(*left(found).reshape(-1, 2).T)))

    def start(bend: float) -> Points | None:
        a, b = straight(bend)
        laid, _ = cv2.findHomography(b, a, cv2.LMEDS)
        return None if laid is None else np.append((laid / laid[2, 2]).ravel()[:8], bend)

    cv2.setRNGSeed(1)
    unbent = start(0.0)
    if unbent is None or (off := misfit(unbent)) < max(_LOOSE * scale, enough_px / unit):
        return None
    best = min((found for bend in _TRIED if (found := start(bend)) is not None), key=misfit)
    for close in (4 * _CLOSE, _CLOSE):
        best = least_squares(left, best, loss="cauchy", f_scale=close * scale, x_scale="jac", max_nfev=40).x
    rest = misfit(best)
    if rest > _BETTER * off:
        return None
    faint = rest <= _FAINT * off and rest <= _LOOSE * scale
    return _Told(float(best[8]), 2 if rest <= _CLEAR * off else int(faint))


class StraightPlanes:
    """Pixels by frame name as a lens that bends nothing would have shown them."""

    def __init__(self, planes: PlaneSource, lens: Lens) -> None:
        self._planes, self._lens = planes, lens

    def work(self, name: str) -> NDArray[np.uint8]:
        """The working plane, straightened; 0 where the picture shows nothing."""
        plane = self._planes.work(name)
        across, down = _pulled(self._lens.bend, plane.shape[1], plane.shape[0])
        straightened: NDArray[np.uint8] = cv2.remap(plane, across, down, cv2.INTER_CUBIC)
        return straightened

    def colour(self, name: str, region: Region) -> NDArray[np.uint8]:
        """A part of the straightened picture."""
        left, top, width, height = region
        xs, ys = np.meshgrid(np.arange(left, left + width), np.arange(top, top + height))
        at = self._lens.bent(np.stack([xs, ys], axis=-1).reshape(-1, 2).astype(np.float64))
        shown = enclosing(at, (self._lens.width_px, self._lens.height_px))
        part = self._planes.colour(name, shown)
        across, down = (at - shown[:2]).reshape(height, width, 2).astype(np.float32).transpose(2, 0, 1)
        return np.asarray(cv2.remap(part, across, down, cv2.INTER_LINEAR), np.uint8)


def straight_score(score: FrameScore, lens: Lens) -> FrameScore:
    """A frame's measures on the tiles of its straightened picture."""
    return _on_tiles(score, _pulled(lens.bend, score.grid.cols, score.grid.rows), score.grid)


def bent_back(pair: PairMeasure, lens: Lens) -> PairMeasure:
    """What was measured on straightened pictures, on the tiles of a as its picture shows them.

    Displacements stay those between straightened pictures, which are what a merge joins.
    """
    if pair.field is None:
        return replace(pair, mapping=replace(pair.mapping, bend=lens.bend))
    grid = pair.field.grid
    places = np.stack(np.meshgrid(np.arange(grid.cols), np.arange(grid.rows)), axis=-1).reshape(-1, 2)
    on_tiles = Lens(lens.bend, grid.cols, grid.rows)
    across, down = (
        on_tiles.straight(places.astype(np.float64)).reshape(*grid.shape, 2).astype(np.float32).transpose(2, 0, 1)
    )
    field = _on_tiles(pair.field, (across, down), grid)
    if field.smear is not None:
        field = replace(field, smear=_on_tiles(field.smear, (across, down), grid))
    x, y = pair.worst_x_px, pair.worst_y_px
    if x is not None and y is not None:
        x, y = (float(v) for v in lens.bent(np.array([[x, y]]))[0])
    return replace(
        pair, field=field, worst_x_px=x, worst_y_px=y, mapping=replace(pair.mapping, bend=lens.bend)
    )


def _on_tiles(maps: Maps, taken_from: tuple[NDArray[np.float32], NDArray[np.float32]], grid: TileGrid) -> Maps:
    """A record whose maps of a grid's shape are taken from the nearest tiles: neighbours are not mixed."""
    moved: dict[str, Any] = {}
    for each in fields(maps):
        values = getattr(maps, each.name)
        if isinstance(values, np.ndarray) and values.shape == grid.shape:
            shown = cv2.remap(
                values.astype(np.float32), *taken_from, cv2.INTER_NEAREST, borderMode=cv2.BORDER_REPLICATE
            )
            moved[each.name] = shown.astype(values.dtype)
    return replace(maps, **moved)


def _camera(width: int, height: int) -> Points:
    """A camera matrix whose unit is half the diagonal of a picture."""
    unit = 0.5 * float(np.hypot(width, height))
    return np.array([[unit, 0, (width - 1) / 2], [0, unit, (height - 1) / 2], [0, 0, 1]])


@lru_cache(maxsize=2)
def _pulled(bend: float, width: int, height: int) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Where each pixel of a straightened picture is found in the one the lens made: x and y."""
    matrix = _camera(width, height)
    across, down = cv2.initUndistortRectifyMap(
        matrix, np.array([bend, 0.0, 0.0, 0.0]), np.eye(3), matrix, (width, height), cv2.CV_32FC1
    )
    return np.asarray(across, np.float32), np.asarray(down, np.float32)
