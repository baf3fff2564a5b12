"""Where the subject stood in each frame of a set, put together from the sway between neighbours."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import cv2
import numpy as np
from numpy.typing import NDArray

from windstill.assess.geometry import Matrix, inverse, mapping_matrix
from windstill.assess.relevance import exposure_relevance, focus_relevance, to_grid_of_a
from windstill.assess.statistics import robust_maximum
from windstill.records import FloatMap, FrameScore, PairMeasure, SetMeasure, TileGrid
from windstill.settings import AdviseSettings

_RELEVANT = 0.5  # contract
_Maps = tuple[FloatMap, FloatMap]


@dataclass(frozen=True, slots=True)
class Moved:
    """Sway between two frames where a merge of them would blend.

    Its robust maximum, the tiles above tolerance, the share (0..1) of the textured blend that was measured, tiles with
    more than is avoided if that costs nothing, and, if too little was measured, the others where the set shows movers.
    """

    largest_px: float
    tiles: int
    measured: float = 0.0
    avoidable: int = 0
    doubtful: int = 0


@dataclass(slots=True, eq=False)
class Standing:
    """Displacements of the subject against the set's first frame, on that frame's tiles.

    Attributes
    ----------
    measure : SetMeasure
    tolerance_px : float
    avoided_px : float
        Sway for which a frame is left out, if others cover its part; at most the tolerance.
    seen_still_share : float
        Share of a blend that must have been measured for the rest to be of no concern.
    to_first : dict
        Full-resolution mapping of each frame to the first, as far as the pairs aligned.
    x_px, y_px : dict of FloatMap
        By frame name, against the first frame of its part of the chain; NaN where a link was not measured.
    part : dict of int
        By frame name. A pair that could not be compared at all ends one part; nothing is known between two parts.
    movers, seen : bool array or None
        Tiles on which something swayed above tolerance in any pair, blended or not; tiles measured in any pair.
    """

    measure: SetMeasure
    scores: Mapping[str, FrameScore]
    tolerance_px: float
    avoided_px: float
    seen_still_share: float
    to_first: dict[str, Matrix] = field(default_factory=dict)
    x_px: dict[str, FloatMap] = field(default_factory=dict)
    y_px: dict[str, FloatMap] = field(default_factory=dict)
    part: dict[str, int] = field(default_factory=dict)
    movers: NDArray[np.bool_] | None = None
    seen: NDArray[np.bool_] | None = None
    _moved: dict[tuple[str, str], Moved] = field(default_factory=dict)
    _carried: dict[tuple[str, str], FloatMap] = field(default_factory=dict)

    def carried(self, name: str, what: str) -> FloatMap:
        """A map of a frame's score (`sharp`, `luma` ...) on the tiles of the set's first frame; NaN outside."""
        found = self._carried.get((name, what))
        if found is None:
            score, first = self.scores[name], self.scores[self.measure.frames[0]]
            values = np.asarray(getattr(score, what), np.float32)
            found = to_grid_of_a(values, self.to_first.get(name, np.eye(3)), score.grid, first.grid)
            self._carried[name, what] = found
        return found

    def smear_against(self, pair: PairMeasure, trusted_from: float) -> dict[str, FloatMap]:
        """Smear of a pair's frames against the crisper of the two, on the first frame's tiles; NaN where not told."""
        field = pair.field
        if field is None or field.smear is None or pair.frame_a not in self.to_first:
            return {}
        known = field.smear.confidence >= trusted_from
        to_first, grid = self.to_first[pair.frame_a], self.scores[self.measure.frames[0]].grid
        return {
            name: _carried(np.where(known, length, np.nan).astype(np.float32), to_first, field.grid, grid)
            for name, length in ((pair.frame_a, field.smear.smear_a_px), (pair.frame_b, field.smear.smear_b_px))
        }

    def moved(self, a: str, b: str) -> Moved:
        """Sway between two frames of the set, neighbours or not, where the merge would draw on both.

        Tiles that the chain between them does not reach are left out: no measure, no claim.
        """
        key = (a, b) if a < b else (b, a)
        if key not in self._moved:
            self._moved[key] = self._between(a, b)
        return self._moved[key]

    def _between(self, a: str, b: str) -> Moved:
        if a not in self.x_px or b not in self.x_px:
            return Moved(0.0, 0, 0.0)
        length, counted, relevant = self._sway(a, b)
        textured = self._textured(a, b)
        blend = int((relevant & textured).sum())
        largest = robust_maximum(length, counted, float(length.size)) or 0.0
        above, avoidable = (
            int((length > limit).sum()) if largest > limit else 0 for limit in (self.tolerance_px, self.avoided_px)
        )
        measured = float((counted & textured).sum()) / blend if blend else 1.0
        doubtful = 0
        if self.movers is not None and measured < self.seen_still_share:
            doubtful = int((relevant & textured & ~counted & self.movers).sum())
        return Moved(largest, above, measured, avoidable, doubtful)

    def seen_still(self, a: str, b: str) -> float:
        """Share (0..1) of the textured blend of two frames that is known to be still or to sway.

        Where nothing moves in the whole set, what stood still between two other frames is taken to stand still here
        as well.
        """
        _, counted, relevant = self._sway(a, b)
        blend = relevant & self._textured(a, b)
        if self.movers is not None and self.seen is not None and not self.movers.any():
            counted = counted | self.seen
        return float((counted & blend).sum() / blend.sum()) if blend.any() else 1.0

    def _textured(self, a: str, b: str) -> NDArray[np.bool_]:
        return np.asarray(np.nan_to_num(np.fmax(self.carried(a, "textured"), self.carried(b, "textured"))) >= 0.5)

    def moving(self, a: str, b: str) -> NDArray[np.bool_]:
        """Tiles of the first frame that sway by more than the tolerance where a merge blends the two."""
        length, counted, _ = self._sway(a, b)
        if (robust_maximum(length, counted, float(length.size)) or 0.0) <= self.tolerance_px:
            return np.zeros(length.shape, bool)
        return np.asarray(length > self.tolerance_px)

    def _sway(self, a: str, b: str) -> tuple[FloatMap, NDArray[np.bool_], NDArray[np.bool_]]:
        """Sway between two frames (0 where it is not known or of no matter), where that is, where it counts."""
        length = np.hypot(self.x_px[b] - self.x_px[a], self.y_px[b] - self.y_px[a])
        if self.part[a] != self.part[b]:
            length = np.full_like(length, np.nan)
        relevant = np.asarray(self._relevance(a, b) >= _RELEVANT)
        counted = np.isfinite(length) & relevant
        return np.where(counted, length, 0).astype(np.float32), counted, relevant

    def _relevance(self, a: str, b: str) -> FloatMap:
        if self.measure.kind == "bracket":
            return exposure_relevance(self.carried(a, "luma"), self.carried(b, "luma"))
        if self.measure.kind == "stack":
            order = self.measure.frames
            low, high = sorted((order.index(a), order.index(b)))
            others = np.zeros_like(self.carried(a, "sharp"))
            # Frames between the two are those left out; what lies on either side goes on competing.
            for name in (*order[:low], *order[high + 1 :]):
                others = np.fmax(others, self.carried(name, "sharp"))
            return focus_relevance(self.carried(a, "sharp"), self.carried(b, "sharp"), others)
        return np.ones_like(self.x_px[a])


def stand(
    measure: SetMeasure, scores: Mapping[str, FrameScore], tolerance_px: float, settings: AdviseSettings
) -> Standing:
    """Add up the sway along the pairs of a set.

    Parameters
    ----------
    measure : SetMeasure
    scores : mapping by frame name
    tolerance_px : float
        Sway up to this counts as still.

    Notes
    -----
    Sway from a to c is that from a to b, and from there on that from b to c. What something else moved in front of
    is lost sight of from then on.
    """
    standing = Standing(measure, scores, tolerance_px, tolerance_px, settings.seen_still_share)
    if not measure.frames:
        return standing
    first = measure.frames[0]
    grid = scores[first].grid
    long_px = max(scores[first].width_px, scores[first].height_px)
    standing.avoided_px = min(tolerance_px, settings.avoided_share * long_px)
    standing.to_first[first] = np.eye(3)
    standing.x_px[first] = np.zeros(grid.shape, np.float32)
    standing.y_px[first] = np.zeros(grid.shape, np.float32)
    standing.part[first] = 0
    standing.movers, standing.seen = np.zeros(grid.shape, bool), np.zeros(grid.shape, bool)
    waiting = [p for p in measure.pairs if p.frame_a in scores and p.frame_b in scores]
    while waiting:
        known = [p for p in waiting if p.frame_a in standing.x_px or p.frame_b in standing.x_px]
        if not known:
            break
        pair = known[0]
        waiting.remove(pair)
        score = scores[pair.frame_a]
        b_to_a = np.eye(3) if pair.mapping.failed else mapping_matrix(pair.mapping, score.width_px, score.height_px)
        forward = pair.frame_a in standing.x_px
        here, there = (pair.frame_a, pair.frame_b) if forward else (pair.frame_b, pair.frame_a)
        if there in standing.x_px:
            continue
        step = b_to_a if forward else inverse(b_to_a)
        standing.to_first[there] = standing.to_first[here] @ step
        to_first = standing.to_first[pair.frame_a]
        if pair.field is None:
            # Between these two nothing is known; what comes after is compared with the latter.
            standing.part[there] = len(standing.part)
            standing.x_px[there], standing.y_px[there] = np.zeros((2, *grid.shape), np.float32)
            continue
        standing.part[there] = standing.part[here]
        sure = pair.field.confidence >= settings.trusted_confidence
        sway = [
            _carried(np.where(sure, m, np.nan).astype(np.float32), to_first, pair.field.grid, grid)
            for m in (pair.field.sway_x_px, pair.field.sway_y_px)
        ]
        at = (standing.x_px[here], standing.y_px[here])
        standing.movers |= _swaying(sway, tolerance_px)
        standing.seen |= np.isfinite(sway[0])
        moved = _onward(at, sway, grid) if forward else _back(at, sway, grid)
        standing.x_px[there], standing.y_px[there] = _unhidden(moved, grid, tolerance_px)
    return standing


def _swaying(sway: Sequence[FloatMap], tolerance_px: float) -> NDArray[np.bool_]:
    """Tiles of a pair above tolerance, if they are more than speckle."""
    length = np.nan_to_num(np.hypot(*sway)).astype(np.float32)
    if (robust_maximum(length, length > 0, float(length.size)) or 0.0) <= tolerance_px:
        return np.zeros(length.shape, bool)
    return np.asarray(length > tolerance_px)


def _onward(at: _Maps, sway: Sequence[FloatMap], grid: TileGrid) -> _Maps:
    """Displacement after one more step: what stands at x + at(x) goes on by the sway measured there."""
    x, y = _sampled(sway, at, grid)
    return (at[0] + x, at[1] + y)


def _back(at: _Maps, sway: Sequence[FloatMap], grid: TileGrid) -> _Maps:
    """The same against the direction of a pair: where it came from is looked up twice."""
    x, y = _sampled(sway, at, grid)
    x, y = _sampled(sway, (at[0] - np.nan_to_num(x), at[1] - np.nan_to_num(y)), grid)
    return (at[0] - x, at[1] - y)


def _sampled(sway: Sequence[FloatMap], at: _Maps, grid: TileGrid) -> _Maps:
    """Sway at the tiles displaced by `at`; NaN where that is unknown or outside.

    A displaced tile lies over up to four others. It is one that moves, so the one of them that moves farthest is taken
    for it: at the mover's rim the others show what it stands before.
    """
    rows, cols = np.mgrid[: grid.rows, : grid.cols].astype(np.float32)
    x = cols + np.nan_to_num(at[0]) / grid.tile_px
    y = rows + np.nan_to_num(at[1]) / grid.tile_px
    found = np.full((2, *grid.shape), np.nan, np.float32)
    farthest = np.full(grid.shape, -1.0, np.float32)
    for round_x, round_y in itertools.product((_down, _up), repeat=2):
        one, two = (
            cv2.remap(m, round_x(x), round_y(y), cv2.INTER_NEAREST, borderMode=cv2.BORDER_CONSTANT, borderValue=np.nan)
            for m in sway
        )
        length = np.nan_to_num(np.hypot(one, two), nan=-1.0)
        take = length > farthest
        found[0][take], found[1][take], farthest[take] = one[take], two[take], length[take]
    found[:, ~(np.isfinite(at[0]) & np.isfinite(at[1]))] = np.nan
    return found[0], found[1]


def _down(values: FloatMap) -> FloatMap:
    """The tile before; a displacement of less than a tenth of a tile stays on its own."""
    return np.asarray(np.floor(values + 0.1), np.float32)


def _up(values: FloatMap) -> FloatMap:
    return np.asarray(np.ceil(values - 0.1), np.float32)


def _unhidden(moved: _Maps, grid: TileGrid, tolerance_px: float) -> _Maps:
    """Forget the tiles that something else now stands on: what they showed is hidden, and cannot be followed."""
    x, y = moved
    length = np.hypot(x, y)
    arriving = np.isfinite(length) & (length > tolerance_px)
    if not arriving.any():
        return moved
    rows, cols = np.nonzero(arriving)
    hidden = np.zeros(grid.shape, bool)
    for round_x in (np.floor, np.ceil):
        for round_y in (np.floor, np.ceil):
            to_col = (cols + round_x(x[arriving] / grid.tile_px)).astype(int)
            to_row = (rows + round_y(y[arriving] / grid.tile_px)).astype(int)
            inside = (to_col >= 0) & (to_col < grid.cols) & (to_row >= 0) & (to_row < grid.rows)
            r, c = to_row[inside], to_col[inside]
            unlike = np.hypot(x[r, c] - x[arriving][inside], y[r, c] - y[arriving][inside]) > tolerance_px
            hidden[r[unlike], c[unlike]] = True
    keep = ~hidden | arriving
    return np.where(keep, x, np.nan).astype(np.float32), np.where(keep, y, np.nan).astype(np.float32)


def _carried(values: FloatMap, to_first: Matrix, grid_from: TileGrid, grid: TileGrid) -> FloatMap:
    """Carry a map with holes: the holes are carried too, without spreading by interpolation."""
    known = np.isfinite(values)
    weight = to_grid_of_a(known.astype(np.float32), to_first, grid_from, grid)
    total = to_grid_of_a(np.where(known, values, 0).astype(np.float32), to_first, grid_from, grid)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(weight > 0.5, total / weight, np.nan).astype(np.float32)
