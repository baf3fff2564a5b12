"""Which of two groups of windows is the ground, where the sky between two frames moved on as one piece."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from windstill.assess.fitting import reweighted_similarity
from windstill.assess.geometry import Matrix, apply
from windstill.assess.grain import COARSE_SIGMA, gradients
from windstill.assess.pyramid import Pyramid

Points = NDArray[np.float64]

_APART_PX = 0.5  # pixels of the level by which the groups must differ at least
_CLOSE_PX = 0.3  # pixels of the level within which windows of what stands still agree: what the wind moves does not
_LEAST_SHARE = 0.1  # of the windows found again that ground must hold
_MOSTLY = 0.4  # share of the other windows that ground must hold: heads that swing go many ways
_WIDE = 0.5  # share of the picture's width over which both must reach
_BELOW = 0.9  # probability that a window of the ground lies lower than one of the sky
_SOFT = 3.0  # how fine the sky's detail is at the most, on a plane halved once: what noise is left there is little
_SOFTER = 0.75  # and over that of the ground, on one halved twice
_HALF_PX = 10


@dataclass(frozen=True, slots=True, eq=False)
class Ground:
    """Ground below a sky that moved on: its mapping, and the windows of both, in pixels of a's full resolution."""

    b_to_a: Matrix
    places: Points
    sky: Points

    def holds(self, places: Points) -> NDArray[np.bool_]:
        """Which of some places (n, 2) of a are nearer to a window of the ground than to one of the sky."""
        to_ground, to_sky = (
            ((places[:, None] - group[None]) ** 2).sum(axis=2).min(axis=1) for group in (self.places, self.sky)
        )
        return np.asarray(to_ground < to_sky)


def ground_below(a: Pyramid, level: int, b_to_a: Matrix, in_a: Points, in_b: Points) -> Ground | None:
    """Ground that agrees with another mapping than the one found, where that is the sky's.

    Parameters
    ----------
    a : Pyramid
    level : int
        The windows were matched on.
    b_to_a : Matrix
        The mapping most windows agree on, full resolution.
    in_a, in_b : float arrays, shape (n, 2)
        Centres of all windows found again, full resolution.

    Returns
    -------
    Ground or None
        ``None`` where the mapping found may as well be the ground's.

    Notes
    -----
    Over water, or plain hills, clouds are the largest thing that moves as one. They lie above, their detail is soft on
    every scale, and what stands still below them agrees to a fraction of a pixel. Heads before a still hill that a gust
    bends all one way agree less well among themselves, and the hill is not soft.
    """
    reduction = a.level_reduction(level)
    left = apply(b_to_a, in_b) - in_a
    agrees = np.hypot(*left.T) < _APART_PX * reduction
    others = ~agrees
    least = max(_LEAST_SHARE * len(in_a), 8)
    if others.sum() < least or agrees.sum() < 4 or len(a.levels) < 3:
        return None
    if np.median(in_a[others][:, 1]) <= np.median(in_a[agrees][:, 1]):
        return None
    cv2.setRNGSeed(1)
    found, mask = cv2.estimateAffinePartial2D(
        in_b[others], in_a[others], ransacReprojThreshold=_CLOSE_PX * reduction, maxIters=2000, confidence=0.999
    )
    if found is None:
        return None
    inlier = mask.ravel() > 0
    if inlier.sum() < max(least, _MOSTLY * others.sum()):
        return None
    sky, ground = in_a[agrees], in_a[others][inlier]
    lower = np.searchsorted(np.sort(sky[:, 1]), ground[:, 1]) / len(sky)
    if lower.mean() < _BELOW:
        return None
    width = a.levels[0].shape[1] * a.reduction
    if min(np.ptp(np.percentile(group[:, 0], (5, 95))) for group in (sky, ground)) < _WIDE * width:
        return None
    (sky_fine, _), (sky_coarse, ground_coarse) = (
        (_fineness(a, k, sky), _fineness(a, k, ground)) for k in (1, 2)
    )
    if sky_fine > _SOFT or sky_coarse > _SOFTER * ground_coarse:
        return None
    weight = np.ones(len(ground))
    matrix, _ = reweighted_similarity(in_b[others][inlier], ground, weight, np.ones(len(ground)))
    return Ground(matrix, ground, sky)


def _fineness(a: Pyramid, level: int, places: Points) -> float:
    """Energy of the gradient before over after a known blur, in windows about places of the picture; their median."""
    plane, reduction = a.levels[level], a.level_reduction(level)
    x, y = (np.clip((places[:, k] / reduction).astype(int), 0, plane.shape[1 - k] - 1) for k in (0, 1))
    energies = []
    for sigma in (0.0, COARSE_SIGMA):
        dx, dy = gradients(plane, sigma)
        energies.append(cv2.blur(dx * dx + dy * dy, (2 * _HALF_PX + 1, 2 * _HALF_PX + 1))[y, x])
    return float(np.median(energies[0] / np.maximum(energies[1], 0.01)))
