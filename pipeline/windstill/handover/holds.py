"""Which frame holds each place best, as one picture of grey values."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from windstill.assess.geometry import Matrix, apply
from windstill.handover.drawing import Plane
from windstill.handover.tiles import PairTiles
from windstill.records import CoverageMeasure

Index = NDArray[np.unsignedinteger[Any]]


@dataclass(frozen=True, slots=True, eq=False)
class Holders:
    """Per tile of one frame's grid: which of `frames` holds it best, -1 where none is needed or none does."""

    frames: tuple[str, ...]
    best: NDArray[np.int16]
    tile_px: int
    to_base: Matrix


def from_coverage(coverage: CoverageMeasure, frames: Sequence[str], to_base: Matrix) -> Holders:
    """As the review found it, on the tiles of the set's first frame."""
    return Holders(tuple(frames), coverage.best, coverage.grid.tile_px, to_base)


def from_sharpness(
    pairs: Sequence[PairTiles], chain: Mapping[str, Matrix], width_px: int, height_px: int
) -> Holders | None:
    """By the sharpness of the frames on the base frame's tiles; ``None`` without any tile.

    Parameters
    ----------
    pairs : sequence of PairTiles
        Of one set, of frames of one view.
    chain : mapping
        Mapping of each frame to the base.
    width_px, height_px : int
        Of the base frame.
    """
    pairs = [pair for pair in pairs if pair.frame_a in chain and len(pair.x_px)]
    if not pairs:
        return None
    side = int(pairs[0].w_px[0])
    rows, cols = height_px // side, width_px // side
    frames = tuple(dict.fromkeys(name for pair in pairs for name in (pair.frame_a, pair.frame_b)))
    sharp = np.zeros((len(frames), rows, cols), np.float32)
    for pair in pairs:
        centres = np.stack([pair.x_px, pair.y_px], 1) + (pair.w_px[:, None] - 1) / 2
        at = np.floor((apply(chain[pair.frame_a], centres) + 0.5) / side)
        inside = np.isfinite(at).all(1) & (at >= 0).all(1) & (at[:, 0] < cols) & (at[:, 1] < rows)
        col, row = at[inside].astype(np.int64).T
        for name, values in ((pair.frame_a, pair.sharp_a), (pair.frame_b, pair.sharp_b)):
            known = np.nan_to_num(values[inside]).astype(np.float32)
            np.maximum.at(sharp[frames.index(name)], (row, col), known)
    # One tile's sharpness is a noisy figure.
    sharp = np.stack([cv2.blur(plane, (3, 3)) for plane in sharp])
    best = np.where(sharp.max(axis=0) > 0, sharp.argmax(axis=0), -1).astype(np.int16)
    return Holders(frames, best, side, np.eye(3))


def index_step(frames: int) -> int:
    """Grey steps from one frame to the next: as far apart as they go, so that the eye tells them apart."""
    return 255 // frames if frames <= 255 else 65535 // frames


def index_map(holders: Holders, plane: Plane) -> Index:
    """Grey value of each place, on the plane: 0 for no frame, then a step for each frame in order.

    Notes
    -----
    Every frame's share of the tiles around a place is interpolated and the largest taken: borders run smoothly
    between tiles, and single tiles that disagree with all their neighbours give way.
    """
    side = holders.tile_px
    grow = np.array([[side, 0, side / 2 - 0.5], [0, side, side / 2 - 0.5], [0, 0, 1.0]])
    sx, sy = plane.drawn_width / plane.width_px, plane.drawn_height / plane.height_px
    shrink = np.array([[sx, 0, sx / 2 - 0.5], [0, sy, sy / 2 - 0.5], [0, 0, 1.0]])
    matrix = shrink @ holders.to_base @ grow
    size = (plane.drawn_width, plane.drawn_height)
    most = np.full(size[::-1], -1, np.float32)
    count = len(holders.frames)
    index: Index = np.zeros(size[::-1], np.uint8) if count <= 255 else np.zeros(size[::-1], np.uint16)
    for value in range(-1, count):
        share = cv2.blur((holders.best == value).astype(np.float32), (3, 3), borderType=cv2.BORDER_REPLICATE)
        if not share.any():
            continue
        there = cv2.warpPerspective(share, matrix, size, flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        more = there > most
        most[more] = there[more]
        index[more] = (value + 1) * index_step(count)
    return index
