"""How much of the picture the set serves somewhere: sharp, well exposed, or overlapped."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from windstill.assess.geometry import Matrix
from windstill.assess.relevance import smoothed, to_grid_of_a
from windstill.records import CoverageMeasure, FloatMap, FrameScore
from windstill.score import blur_from_fineness
from windstill.settings import AssessSettings

_EDGE_EXPONENT = 0.5  # plain edges: the kindest reading of a low fineness
_OWN_SOFTNESS_PX = 0.7  # of lens, demosaicing and pixel, Gaussian sigma: common practice, no source
_EXPOSED = 0.9  # share of a tile that must not be clipped


def stack_coverage(
    scores: Sequence[FrameScore],
    to_first: Sequence[Matrix],
    discs_px: Sequence[float | None],
    served_disc_px: float,
    settings: AssessSettings,
) -> CoverageMeasure:
    """Share of the textured picture that is sharp in some frame.

    Parameters
    ----------
    scores : sequence of FrameScore
        One per focus position, neighbours in focus next to each other.
    to_first : sequence of Matrix
        Full-resolution mapping of each frame to the first.
    discs_px : sequence of float or None, one fewer than `scores`
        Blur disc that a point in focus at one position has in the next, full-resolution pixels; ``None`` where
        distances or lens are unknown.
    served_disc_px : float
        Blur disc up to which a point counts as sharp.

    Returns
    -------
    CoverageMeasure
        ``served`` is 1 up to the limit and falls with the blur beyond it.

    Notes
    -----
    How blurred natural detail is cannot be told from one picture to better than several pixels; how much sharper it
    is in one frame than in the next can. Between two known positions the two discs add up to a known one, so the ratio
    of sharpness places a tile between them, and its smaller disc says whether it fell into a gap. Without distances
    only blur that no detail could have by nature is called a gap.
    """
    sharp, textured, fineness = _stacked(scores, to_first)
    best = sharp.argmax(axis=0).astype(np.int16)
    # Detail strong enough to be told sharp from soft; a background dissolved in blur has none left to miss.
    brightness = 255 * scores[0].luma + 8
    subject = textured.any(axis=0) & (sharp.max(axis=0) * brightness > settings.coverage_detail_steps)
    finest = np.take_along_axis(fineness, best[None].astype(np.int64), axis=0)[0]
    dissolved = 4 * scores[0].reduction * blur_from_fineness(finest, _EDGE_EXPONENT)
    disc = np.where(dissolved > settings.dissolved_disc_px, dissolved, 0).astype(np.float32)
    disc = np.maximum(disc, _disc_between(sharp, best, discs_px))
    served = np.where(subject, np.clip(2 - disc / served_disc_px, 0, 1), 0).astype(np.float32)
    uncovered = subject & (disc > served_disc_px)
    # One tile's blur is a noisy figure: a hole counts when its neighbours agree.
    hole = uncovered & (cv2.blur(uncovered.astype(np.float32), (3, 3)) > 0.5)
    best[~subject | hole] = -1
    total = int(subject.sum())
    pct = 100 * (1 - float(hole.sum()) / total) if total else None
    return CoverageMeasure(scores[0].grid, best, served, pct, _gap_phrases(hole, total, "sharp in no frame"), hole)


def _disc_between(
    sharp: NDArray[np.float32], best: NDArray[np.int16], discs_px: Sequence[float | None]
) -> FloatMap:
    """Blur disc of each tile in its sharpest frame, from how much less sharp the next frame is; 0 if unknown."""
    result = np.zeros(best.shape, np.float32)
    count = sharp.shape[0]
    for index in range(count):
        here = best == index
        beside = [n for n in (index - 1, index + 1) if 0 <= n < count]
        if not beside or not here.any():
            continue
        # The tile lies towards the neighbour that shows it sharper.
        towards = np.stack([sharp[n] for n in beside])
        chosen = towards.argmax(axis=0)
        for place, other in enumerate(beside):
            between = discs_px[min(index, other)]
            mask = here & (chosen == place)
            if between is None or not mask.any():
                continue
            ratio = sharp[index][mask] / np.maximum(sharp[other][mask], 1e-6)
            # sharpness falls as 1 / sqrt(o^2 + (disc/4)^2), o the picture's own softness
            candidates = np.linspace(0, between / 2, 33)
            own = _OWN_SOFTNESS_PX**2
            expected = np.sqrt((own + (between - candidates) ** 2 / 16) / (own + candidates**2 / 16))
            result[mask] = np.interp(-ratio, -expected, candidates).astype(np.float32)
    smooth: FloatMap = cv2.medianBlur(result, 3)
    return smooth


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
    return CoverageMeasure(grid, best, served, 100 * (1 - float(hole.mean())), gaps, hole)


def _stacked(
    scores: Sequence[FrameScore], to_first: Sequence[Matrix]
) -> tuple[NDArray[np.float32], NDArray[np.bool_], NDArray[np.float32]]:
    """Sharpness, texture and fineness of every frame on the first frame's tiles."""
    grid = scores[0].grid
    sharp, textured, fineness = [], [], []
    for score, matrix in zip(scores, to_first, strict=True):
        sharp.append(smoothed(to_grid_of_a(score.sharp, matrix, score.grid, grid)))
        there: FloatMap = to_grid_of_a(score.textured.astype(np.float32), matrix, score.grid, grid)
        textured.append(np.nan_to_num(there) >= 0.5)
        fineness.append(smoothed(to_grid_of_a(score.fineness, matrix, score.grid, grid)))
    return np.stack(sharp), np.stack(textured), np.stack(fineness)


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
