"""What `assess` measures on a set, before any judgement: a changed tolerance re-judges these as they are."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from windstill.records.scores import FloatMap, TileGrid
from windstill.records.sets import Kind, Relation


@dataclass(frozen=True, slots=True)
class CameraMapping:
    """x_a = scale * R(rotation_deg) * (x_b - c) + c + (shift_x_px, shift_y_px), c the picture's centre.

    Full-resolution upright pixels; angles counter-clockwise as seen. `homography` (row by row, b to a) is
    given for views. `residual_px` is the robust spread of what the mapping leaves on still tiles; `systematic_px` is
    the part of it that neighbouring places share, which is the mapping's own error: the rest is each place's noise.
    `sideways`: near things of one view shift against far ones, as when the camera moves, and no mapping lines up both
    (of views, they may). `bend`, of views, is the share of the radius by which the lens showed the corners too far out,
    and the mapping that of pictures straightened by it.
    """

    shift_x_px: float = 0.0
    shift_y_px: float = 0.0
    scale: float = 1.0
    rotation_deg: float = 0.0
    homography: tuple[float, ...] | None = None
    residual_px: float = 0.0
    systematic_px: float = 0.0
    sideways: bool = False
    failed: bool = False
    reason: str = ""
    bend: float = 0.0

    @property
    def shift_px(self) -> float:
        """Length of the shift."""
        return float(np.hypot(self.shift_x_px, self.shift_y_px))


@dataclass(frozen=True, slots=True, eq=False)
class PairSmear:
    """Smear of either frame against the crisper of the two, on the tiles of frame a; every map has the grid's shape.

    `smear_a_px`, `smear_b_px` are peak-to-peak extents of the motion during that frame's exposure, full-resolution
    pixels, 0 where there is none beyond what the other frame shows too. `confidence` 0..1 is 0 where it was not
    measured. `angle_deg` is 0..180 counter-clockwise as seen, in the picture of the smeared frame.
    """

    smear_a_px: FloatMap
    smear_b_px: FloatMap
    angle_deg: FloatMap
    confidence: FloatMap


@dataclass(frozen=True, slots=True, eq=False)
class SwayField:
    """The sway of one pair on the tiles of frame a: every map has the grid's shape.

    `textured` says which tiles have anything to measure in a; `confidence` is 0 where nothing could be
    measured. `changed` is what displacement cannot explain, 0..1. `parallax_px`, of views, is how far a tile shifted
    by what may be the camera's own move, `passing_px` how far sky or water moved on in one piece; both are no part of
    the sway.
    """

    grid: TileGrid
    textured: NDArray[np.bool_]
    sway_x_px: FloatMap
    sway_y_px: FloatMap
    confidence: FloatMap
    relevance: FloatMap
    changed: FloatMap
    sharp_a: FloatMap
    sharp_b: FloatMap
    smear: PairSmear | None = None
    parallax_px: FloatMap | None = None
    passing_px: FloatMap | None = None


@dataclass(frozen=True, slots=True, eq=False)
class CropPair:
    """The worst place of a pair at 100 %: JPEG of a, and of b brought to a's coordinates."""

    a_jpeg: bytes
    b_jpeg: bytes
    x_px: int
    y_px: int
    width_px: int
    height_px: int


@dataclass(frozen=True, slots=True, eq=False)
class PairMeasure:
    """One judged pair. Figures follow CONTRACT's definitions; ``None`` is unknown."""

    set_id: str
    frame_a: str
    frame_b: str
    relation: Relation
    mapping: CameraMapping
    field: SwayField | None
    sway_p50_px: float | None = None
    sway_p95_px: float | None = None
    sway_max_px: float | None = None
    relevant_pct: float | None = None
    measured_pct: float | None = None
    textured_relevant_pct: float | None = None
    smear_px: float | None = None
    worst_x_px: float | None = None
    worst_y_px: float | None = None
    overlap_pct: float | None = None
    parallax_px: float | None = None
    crops: CropPair | None = None
    smear_a_px: float | None = None  # robust maximum of each frame's smear against the other, where measured
    smear_b_px: float | None = None
    smear_angle_deg: float | None = None  # of the larger of the two
    passing_px: float | None = None
    passing: str = ""  # what moved on in one piece, for people: "sky", "water", "sky and water"
    parallax_sure: bool = False  # it is the camera's doing, and not the wind's


GapKind = Literal["near", "far", "before", "after", "between", "bright", "dark", "step", "seam", "drift"]
"""Beyond the nearest or farthest focus; before the first or after the last where near and far are not known; between
two neighbours; clipped or drowned in every exposure; a step left out; too little overlap; a panorama that drifts."""


@dataclass(frozen=True, slots=True)
class CoverageGap:
    """One thing a set does not cover.

    `first` and `second` index the set's frames (`second` is ``None`` at an end). `share_pct` is a share of the textured
    picture, 0 for gaps that lie in no place. `near_m`, `far_m` bound the distances missed, `step_ev` a missing step,
    `overlap_pct` a seam; ``None`` is unknown.
    """

    what: GapKind
    phrase: str
    first: int
    second: int | None = None
    share_pct: float = 0.0
    near_m: float | None = None
    far_m: float | None = None
    step_ev: float | None = None
    overlap_pct: float | None = None
    add_focus_m: tuple[float, ...] = ()  # focus distances that would close it, nearest first


@dataclass(frozen=True, slots=True, eq=False)
class CoverageMeasure:
    """How much of the textured picture the set serves somewhere.

    `best` holds, per tile of the set's first frame, the index (into the set's frames) of the frame that
    serves it best, -1 where none does; `served` 0..1 how well. `gaps` are short phrases with numbers. `gap` marks the
    tiles they speak of: a tile without texture needs no frame and is no gap. `reached` (frames, rows, cols) tells
    which frames of a stack hold a tile within the limit of sharpness (if any does, where `coverage_pct` is not known);
    ``None`` where that is not known. `alone_pct` is what each frame would cover by itself, percent of the same picture
    as `coverage_pct` and never more; empty where that is not known. A stack's shares are of what tells whether it is
    sharp; `told_pct` is how much of the textured picture that is, where the rest is hidden by noise (``None`` where
    frames are focused too much alike to say so). `perhaps_missed_pct` is what may be sharp in no frame where too little
    of it is sure for `coverage_pct`. `sky`, of brackets, are tiles of `gap` that are left out of `coverage_pct`.
    """

    grid: TileGrid
    best: NDArray[np.int16]
    served: FloatMap
    coverage_pct: float | None
    gaps: tuple[str, ...] = ()
    gap: NDArray[np.bool_] | None = None
    found: tuple[CoverageGap, ...] = ()  # the same gaps as records, in the order of `gaps`
    reached: NDArray[np.bool_] | None = None
    alone_pct: tuple[float, ...] = ()
    told_pct: float | None = None
    perhaps_missed_pct: float | None = None
    sky: NDArray[np.bool_] | None = None


@dataclass(frozen=True, slots=True, eq=False)
class SetMeasure:
    """All measures of one set at its own level (children have their own)."""

    set_id: str
    kind: Kind
    frames: tuple[str, ...]
    pairs: tuple[PairMeasure, ...]
    coverage: CoverageMeasure | None
    smear_px: float | None
    smear_frame: str | None
    overlap_pct: float | None
    step_ev: float | None
    shift_px: float | None
    textured_pct: float
    notes: tuple[str, ...] = ()
    smear_held_px: float | None = None  # left on relevant tiles when each is taken from its stillest frame
    smear_moved_px: float | None = None  # the same where something was seen to move between the frames too
