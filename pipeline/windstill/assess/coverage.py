"""How much of the picture the set serves somewhere: sharp, well exposed, or overlapped."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from windstill.assess.geometry import Matrix
from windstill.assess.relevance import smoothed, to_grid_of_a
from windstill.records import CoverageMeasure, FloatMap, FrameScore
from windstill.settings import AssessSettings

_EXPOSED = 0.9  # share of a tile that must not be clipped


def stack_coverage(
    scores: Sequence[FrameScore], to_first: Sequence[Matrix], settings: AssessSettings
) -> CoverageMeasure:
    """Share of the textured picture that is sharp in some frame.

    Parameters
    ----------
    scores : sequence of FrameScore
        One per focus position, neighbours in focus next to each other.
    to_first : sequence of Matrix
        Full-resolution mapping of each frame to the first.

    Returns
    -------
    CoverageMeasure
        ``served`` is 1 where the sharpest frame's blur is under the limit and falls with it.
    """
    sharp, textured, blur = _stacked(scores, to_first)
    best = sharp.argmax(axis=0).astype(np.int16)
    blur_there = np.take_along_axis(blur, best[None].astype(np.int64), axis=0)[0]
    limit = settings.coverage_blur_px / scores[0].reduction
    subject = textured.any(axis=0) & (sharp.max(axis=0) > 0)
    served = np.where(subject, np.clip(2 - blur_there / limit, 0, 1), 0).astype(np.float32)
    covered = subject & (blur_there <= limit)
    # One tile's blur is a noisy figure: a hole counts when its neighbours agree.
    uncovered = subject & ~covered
    hole = uncovered & (cv2.blur(uncovered.astype(np.float32), (3, 3)) > 0.5)
    best[~subject | hole] = -1
    total = int(subject.sum())
    pct = 100 * (1 - float(hole.sum()) / total) if total else None
    return CoverageMeasure(scores[0].grid, best, served, pct, _gap_phrases(hole, total, "sharp in no frame"))


def bracket_coverage(
    scores: Sequence[FrameScore], to_first: Sequence[Matrix], settings: AssessSettings
) -> CoverageMeasure:
    """Share of the picture that some frame exposes well: neither clipped nor drowned in noise."""
    grid = scores[0].grid
    quality, high, low = [], [], []
    for score, matrix in zip(scores, to_first, strict=True):
        clipped_high = to_grid_of_a(score.clipped_high, matrix, score.grid, grid)
        clipped_low = to_grid_of_a(score.clipped_low, matrix, score.grid, grid)
        luma = to_grid_of_a(score.luma, matrix, score.grid, grid)
        noise = to_grid_of_a(score.noise, matrix, score.grid, grid)
        drowned = 255 * luma < settings.drowned_times_noise * noise
        usable = (clipped_high + clipped_low < 1 - _EXPOSED) & ~drowned
        quality.append(np.where(usable, 1 - np.abs(luma - 0.5), 0))
        high.append(np.nan_to_num(clipped_high, nan=1.0))
        low.append(np.maximum(np.nan_to_num(clipped_low, nan=1.0), drowned))
    stacked = np.nan_to_num(np.stack(quality)).astype(np.float32)
    best = stacked.argmax(axis=0).astype(np.int16)
    served = stacked.max(axis=0)
    hole = served <= 0
    best[hole] = -1
    gaps = _gap_phrases(hole & (np.min(high, axis=0) > 1 - _EXPOSED), hole.size, "clipped in every frame")
    gaps += _gap_phrases(hole & (np.min(low, axis=0) > 1 - _EXPOSED), hole.size, "lost in the dark in every frame")
    return CoverageMeasure(grid, best, served, 100 * (1 - float(hole.mean())), gaps)


def _stacked(
    scores: Sequence[FrameScore], to_first: Sequence[Matrix]
) -> tuple[NDArray[np.float32], NDArray[np.bool_], NDArray[np.float32]]:
    """Sharpness, texture and blur of every frame on the first frame's tiles."""
    grid = scores[0].grid
    sharp, textured, blur = [], [], []
    for score, matrix in zip(scores, to_first, strict=True):
        sharp.append(smoothed(to_grid_of_a(score.sharp, matrix, score.grid, grid)))
        there: FloatMap = to_grid_of_a(score.textured.astype(np.float32), matrix, score.grid, grid)
        textured.append(np.nan_to_num(there) >= 0.5)
        capped = np.minimum(score.blur_px, 20).astype(np.float32)
        blur.append(np.nan_to_num(to_grid_of_a(capped, matrix, score.grid, grid), nan=20.0))
    return np.stack(sharp), np.stack(textured), np.stack(blur)


def _gap_phrases(hole: NDArray[np.bool_], total: int, what: str) -> tuple[str, ...]:
    share = 100 * float(hole.sum()) / max(total, 1)
    if share < 0.5:
        return ()
    return (f"{share:.0f} % {what}, mostly {place_of(hole)}",)


def place_of(mask: NDArray[np.bool_]) -> str:
    """Where in the picture a mask lies, in words: "lower left", "centre"."""
    rows, cols = np.nonzero(mask)
    if rows.size == 0:
        return "nowhere"
    y, x = float(np.median(rows)) / mask.shape[0], float(np.median(cols)) / mask.shape[1]
    vertical = "upper" if y < 1 / 3 else "lower" if y > 2 / 3 else ""
    horizontal = "left" if x < 1 / 3 else "right" if x > 2 / 3 else ""
    if not vertical and not horizontal:
        return "in the centre"
    if vertical and horizontal:
        return f"at {vertical} {horizontal}"
    if vertical:
        return f"at {vertical} centre"
    return f"at the {horizontal}"
