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
_FAINTLY = 0.25  # relevance by a tile's mean from which some of its pixels, brighter or darker, may blend
_NEIGHBOURS = 2  # measured tiles around one that was not, from which they tell of it
_AGREE = 0.5  # times the tolerance by which they may differ: what is between them is then within it, too
_Maps = tuple[FloatMap, FloatMap]


@dataclass(frozen=True, slots=True)
class Moved:
    """Sway between two frames where a merge of them would blend.

    Its robust maximum, the tiles above tolerance, the share (0..1) of the textured blend that was measured, tiles with
    more than is avoided if that costs nothing, and, if too little was measured, the others where the set shows movers.
    `faint`: further tiles above tolerance, where it blends a little at least.
    """

    largest_px: float
    tiles: int
    measured: float = 0.0
    avoidable: int = 0
    doubtful: int = 0
    faint: int = 0


@dataclass(frozen=True, slots=True, eq=False)
class Link:
    """Sway of one pair, on the tiles of the set's first frame; NaN where it was not measured.

    It leads from the frame `before` (nearer to the first) to the next, or back if `backward`.
    """

    before: str
    sway: _Maps
    backward: bool


@dataclass(slots=True, eq=False)
class Standing:
    """Displacements of the subject between any two frames of a set, on the tiles of the set's first frame.

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
    links : dict of Link
        By frame name: how it is tied to the frame nearer to the first. A pair that could not be compared at all leaves
        the latter without one, and nothing is known across it.
    movers, seen : bool array or None
        Tiles on which something swayed above tolerance in any pair, blended or not; tiles measured in any pair.
    """

    measure: SetMeasure
    scores: Mapping[str, FrameScore]
    tolerance_px: float
    avoided_px: float
    seen_still_share: float
    to_first: dict[str, Matrix] = field(default_factory=dict)
    links: dict[str, Link] = field(default_factory=dict)
    movers: NDArray[np.bool_] | None = None
    seen: NDArray[np.bool_] | None = None
    _moved: dict[tuple[str, str, tuple[str, ...]], Moved] = field(default_factory=dict)
    _walk: tuple[str, dict[str, _Maps]] = ("", {})
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

    def moved(self, a: str, b: str, kept: Sequence[str] | None = None) -> Moved:
        """Sway between two frames of the set, neighbours or not, where the merge would draw on both.

        Tiles that the chain between them does not reach are left out: no measure, no claim. `kept` are the frames the
        merge is of, in the measure's order; by default all but those between the two.
        """
        key = (*self._in_order(a, b), self._competing(a, b, kept))
        if key not in self._moved:
            self._moved[key] = self._between(*key)
        return self._moved[key]

    def _in_order(self, a: str, b: str) -> tuple[str, str]:
        """As the set has them: against the direction of the pairs it is less exactly known where a thing came from."""
        order = self.measure.frames
        return (a, b) if order.index(a) <= order.index(b) else (b, a)

    def _competing(self, a: str, b: str, kept: Sequence[str] | None) -> tuple[str, ...]:
        """Frames of a stack that may hold a place sharper than a and b; those next to the two that were left out not.

        Beyond the nearest frame kept on either side those left out may count: where they are sharpest, it is sharper
        than a and b as well.
        """
        if self.measure.kind != "stack":
            return ()
        order = self.measure.frames
        low, high = sorted((order.index(a), order.index(b)))
        below, above = low, high + 1
        if kept is not None:
            places = [order.index(n) for n in kept]
            below = 1 + max((i for i in places if i < low), default=-1)
            above = min((i for i in places if i > high), default=len(order))
        return (*order[:below], *order[above:])

    def _between(self, a: str, b: str, others: Sequence[str]) -> Moved:
        if a not in self.to_first or b not in self.to_first:
            return Moved(0.0, 0, 0.0)
        length, counted, relevant = self._sway(a, b, others)
        textured = self._textured(a, b)
        blend = int((relevant & textured).sum())
        largest = robust_maximum(length, counted, float(length.size)) or 0.0
        above, avoidable = (
            int((length > limit).sum()) if largest > limit else 0 for limit in (self.tolerance_px, self.avoided_px)
        )
        measured = float((counted & relevant & textured).sum()) / blend if blend else 1.0
        doubtful = 0
        if self.movers is not None and measured < self.seen_still_share:
            doubtful = int((relevant & textured & ~counted & self.movers).sum())
        faint = max(self._blending(a, b) - above, 0) if self.measure.kind == "bracket" else 0
        return Moved(largest, above, measured, avoidable, doubtful, faint)

    def _blending(self, a: str, b: str) -> int:
        """Tiles above tolerance where two exposures blend, be it a little."""
        length, _, _ = self._sway(a, b, (), _FAINTLY)
        return int(_swaying(length, self.tolerance_px).sum())

    def seen_still(self, a: str, b: str, kept: Sequence[str] | None = None) -> float:
        """Share (0..1) of the textured blend of two frames that is known to be still or to sway.

        Where nothing moves in the whole set, what stood still between two other frames is taken to stand still here
        as well.
        """
        _, counted, relevant = self._sway(a, b, self._competing(a, b, kept))
        blend = relevant & self._textured(a, b)
        if self.movers is not None and self.seen is not None and not self.movers.any():
            counted = counted | self.seen
        return float((counted & blend).sum() / blend.sum()) if blend.any() else 1.0

    def _textured(self, a: str, b: str) -> NDArray[np.bool_]:
        return np.asarray(np.nan_to_num(np.fmax(self.carried(a, "textured"), self.carried(b, "textured"))) >= 0.5)

    def moving(self, a: str, b: str, kept: Sequence[str] | None = None) -> NDArray[np.bool_]:
        """Tiles of the first frame that sway by more than the tolerance where a merge blends the two."""
        length, _, _ = self._sway(a, b, self._competing(a, b, kept))
        return _swaying(length, self.tolerance_px)

    def _sway(
        self, a: str, b: str, others: Sequence[str], relevant_from: float = _RELEVANT
    ) -> tuple[FloatMap, NDArray[np.bool_], NDArray[np.bool_]]:
        """Sway between two frames (0 where it is not known or of no matter), where that is, where it counts.

        In a stack a head counts beside a blend as well: its outline lies over what is blended, in two places.
        """
        length = np.hypot(*self._displaced(*self._in_order(a, b)))
        relevant = np.asarray(self._relevance(a, b, others) >= relevant_from)
        counted = np.isfinite(length) & relevant
        if self.measure.kind == "stack":
            beside = cv2.dilate(relevant.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
            counted |= beside & (np.nan_to_num(length) > self.tolerance_px)
        return np.where(counted, length, 0).astype(np.float32), counted, relevant

    def _displaced(self, a: str, b: str) -> _Maps:
        """Where what stands on each tile in a has gone by b; NaN where a link on the way was not measured.

        From frame to frame between the two and no others: each pair of a stack measures where it blends, and of one far
        off that is elsewhere.
        """
        grid = self.grid
        if self._walk[0] != a:
            still = np.zeros(grid.shape, np.float32)
            self._walk = (a, {a: (still, still)})
        known = self._walk[1]
        path = self._path(a, b)
        if path is None:
            unknown = np.full(grid.shape, np.nan, np.float32)
            return unknown, unknown
        for here, there in itertools.pairwise(path):
            if there not in known:
                ahead = there in self.links and self.links[there].before == here
                link = self.links[there if ahead else here]
                moved = (_back if link.backward == ahead else _onward)(known[here], link.sway, grid)
                known[there] = _unhidden(moved, grid, self.tolerance_px)
        return known[b]

    def _path(self, a: str, b: str) -> list[str] | None:
        """The frames from a to b along the links, both included; ``None`` where none lead there."""
        ways = []
        for name in (a, b):
            way = [name]
            while way[-1] in self.links:
                way.append(self.links[way[-1]].before)
            ways.append(way)
        shared = next((name for name in ways[0] if name in ways[1]), None)
        if shared is None:
            return None
        up, down = (way[: way.index(shared)] for way in ways)
        return [*up, shared, *reversed(down)]

    @property
    def grid(self) -> TileGrid:
        """The tiles all maps are on."""
        return self.scores[self.measure.frames[0]].grid

    def _relevance(self, a: str, b: str, others: Sequence[str]) -> FloatMap:
        if self.measure.kind == "bracket":
            return exposure_relevance(self.carried(a, "luma"), self.carried(b, "luma"))
        if self.measure.kind == "stack":
            sharpest = np.zeros(self.grid.shape, np.float32)
            for name in others:
                sharpest = np.fmax(sharpest, self.carried(name, "sharp"))
            return focus_relevance(self.carried(a, "sharp"), self.carried(b, "sharp"), sharpest)
        return np.ones(self.grid.shape, np.float32)


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
    standing.movers, standing.seen = np.zeros(grid.shape, bool), np.zeros(grid.shape, bool)
    waiting = [p for p in measure.pairs if p.frame_a in scores and p.frame_b in scores]
    while waiting:
        known = [p for p in waiting if p.frame_a in standing.to_first or p.frame_b in standing.to_first]
        if not known:
            break
        pair = known[0]
        waiting.remove(pair)
        score = scores[pair.frame_a]
        b_to_a = np.eye(3) if pair.mapping.failed else mapping_matrix(pair.mapping, score.width_px, score.height_px)
        forward = pair.frame_a in standing.to_first
        here, there = (pair.frame_a, pair.frame_b) if forward else (pair.frame_b, pair.frame_a)
        if there in standing.to_first:
            continue
        step = b_to_a if forward else inverse(b_to_a)
        standing.to_first[there] = standing.to_first[here] @ step
        to_first = standing.to_first[pair.frame_a]
        if pair.field is None:
            # Between these two nothing is known; what comes after is compared with the latter.
            continue
        sure = pair.field.confidence >= settings.trusted_confidence
        measured = [np.where(sure, m, np.nan).astype(np.float32) for m in (pair.field.sway_x_px, pair.field.sway_y_px)]
        x, y = (_carried(m, to_first, pair.field.grid, grid) for m in _closed(measured, tolerance_px))
        sway = (x, y)
        standing.movers |= _swaying(np.nan_to_num(np.hypot(*sway)).astype(np.float32), tolerance_px)
        standing.seen |= np.isfinite(sway[0])
        standing.links[there] = Link(here, sway, not forward)
    return standing


def _closed(sway: Sequence[FloatMap], tolerance_px: float) -> _Maps:
    """Give tiles that were not measured the mean of the measured ones around them, where those agree.

    Of a blurred head a tile here and a tile there is measured, and others in the next pair: added up, next to nothing
    would be left of a head that moved as one.
    """
    x, y = sway
    known = np.isfinite(x)
    around = np.ones((3, 3), np.uint8)
    count = 9 * cv2.blur(known.astype(np.float32), (3, 3), borderType=cv2.BORDER_CONSTANT)
    agree = ~known & (count > _NEIGHBOURS - 0.5)
    means = []
    for m in (x, y):
        high = cv2.dilate(np.where(known, m, -np.inf).astype(np.float32), around)
        low = cv2.erode(np.where(known, m, np.inf).astype(np.float32), around)
        with np.errstate(invalid="ignore", over="ignore"):
            agree &= high - low <= _AGREE * tolerance_px
        total = 9 * cv2.blur(np.where(known, m, 0).astype(np.float32), (3, 3), borderType=cv2.BORDER_CONSTANT)
        means.append(total / np.maximum(count, 1))
    first, second = (np.where(agree, mean, m).astype(np.float32) for mean, m in zip(means, (x, y), strict=True))
    return first, second


def _swaying(length: FloatMap, tolerance_px: float) -> NDArray[np.bool_]:
    """Tiles of a pair above tolerance, if they are more than speckle; 0 where nothing is known."""
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
