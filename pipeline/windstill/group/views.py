"""Overlapping views by matched features: wide lenses, tilted cameras and turned ones bend the overlap too much for
a plain shift. Slower than correlation, so asked only where that finds nothing.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from windstill.group.content import ContentLink, View, log2_ratio
from windstill.settings.group import GroupSettings

# n_inliers > 8 + 0.3 n_features_in_overlap: M. Brown and D. G. Lowe, Automatic Panoramic Image Stitching using
# Invariant Features, International Journal of Computer Vision 74 (2007).
_ALPHA, _BETA = 8.0, 0.3
_LEAST_PX = 48
# Odds of frames with many features of which too few fit, nats.
NOTHING_FOUND = -3.0
_RATIO = 0.8  # nearest over second nearest descriptor: D. G. Lowe, IJCV 60 (2004)


@dataclass(frozen=True, slots=True, eq=False)
class Features:
    """Keypoints (x, y in long sides from the centre) and descriptors (whole, 0..255) of one frame, by one detector."""

    points: NDArray[np.float32]
    descriptors: NDArray[np.uint8]
    careful: bool
    luma: NDArray[np.uint8]

    @property
    def extent(self) -> tuple[float, float]:
        """Half the width and half the height, long sides."""
        height, width = self.luma.shape
        long_px = max(width, height)
        return width / long_px / 2, height / long_px / 2


@lru_cache(maxsize=1)
def _quick() -> cv2.Feature2D:
    return cv2.ORB_create(500, fastThreshold=8)


@lru_cache(maxsize=1)
def _careful() -> cv2.Feature2D:
    return cv2.SIFT_create(400)


def features_of(small: NDArray[np.uint8], *, careful: bool) -> Features:
    """Features of a frame's small luma: ORB, or SIFT at 384 pixels where that does not settle it."""
    height, width = small.shape
    if min(height, width) < _LEAST_PX:
        # Too small for the detectors' pyramids.
        return Features(np.zeros((0, 2), np.float32), np.zeros((0, 1), np.uint8), careful, small)
    if careful and max(height, width) > 384:
        factor = 384 / max(height, width)
        small = cv2.resize(
            small, (max(round(width * factor), 1), max(round(height * factor), 1)), interpolation=cv2.INTER_AREA
        )
        height, width = small.shape
    keypoints, descriptors = (_careful() if careful else _quick()).detectAndCompute(small, None)
    points = np.array([k.pt for k in keypoints], np.float32).reshape(-1, 2)
    points = (points - ((width - 1) / 2, (height - 1) / 2)).astype(np.float32) / np.float32(max(height, width))
    if descriptors is None:
        descriptors = np.zeros((0, 1), np.uint8)
    return Features(points, descriptors.astype(np.uint8), careful, small)


def match_views(a: Features, b: Features, settings: GroupSettings) -> ContentLink:
    """Find b's place on a by a homography most matches agree on.

    Returns
    -------
    ContentLink
        'same' or 'overlap' with odds by Brown and Lowe's count, or 'other'.
    """
    other = ContentLink("other", NOTHING_FOUND if min(len(a.points), len(b.points)) >= settings.features_min else -0.5)
    if min(len(a.points), len(b.points)) < 8 or a.descriptors.shape[1] != b.descriptors.shape[1]:
        return other
    matcher = cv2.BFMatcher(cv2.NORM_L2 if a.careful else cv2.NORM_HAMMING)
    # Distances between floats are quicker found than between bytes, which take a quarter of the room.
    theirs, ours = (f.descriptors.astype(np.float32) if f.careful else f.descriptors for f in (b, a))
    kept = [
        pair[0] for pair in matcher.knnMatch(theirs, ours, k=2)
        if len(pair) == 2 and pair[0].distance < _RATIO * pair[1].distance
    ]
    if len(kept) < 6:
        return other
    pa = np.array([a.points[m.trainIdx] for m in kept], np.float32)
    pb = np.array([b.points[m.queryIdx] for m in kept], np.float32)
    # The robust fit is scaled for pixels.
    grid = np.float32(512)
    cv2.setRNGSeed(1)
    homography, inliers = cv2.findHomography(
        pb * grid, pa * grid, cv2.USAC_MAGSAC, settings.feature_reach * float(grid), maxIters=500
    )
    if homography is None or inliers is None or int(inliers.sum()) < 4:
        return other
    found = inliers.ravel() > 0
    shrink = np.diag([float(grid), float(grid), 1.0])
    homography = np.linalg.inv(shrink) @ homography @ shrink
    homography = homography / (np.median(np.c_[pb[found], np.ones(int(found.sum()))] @ homography[2]))
    slope = _slope(homography, np.median(pb[found], axis=0))
    if not 0.2 < float(np.linalg.det(slope)) < 5:
        return other
    overlap, beside = _overlap(homography, pb, a, b)
    count = int(inliers.sum())
    odds = (count - _ALPHA - _BETA * beside) / settings.features_per_nat
    if odds <= 0 or overlap < settings.min_overlap / 2:
        return ContentLink("other", max(odds, NOTHING_FOUND) if odds <= 0 else -1.0)
    shift_x, shift_y = (float(v) for v in np.median(pa[found] - pb[found], axis=0))
    turn = math.degrees(math.atan2(slope[0, 1] - slope[1, 0], slope[0, 0] + slope[1, 1]))
    view: View = "same" if max(abs(shift_x), abs(shift_y)) <= settings.reframe_max else "overlap"
    ev, spread = _brightness(homography, a, b, settings)
    return ContentLink(
        view, min(odds, 12.0), shift_x, shift_y, overlap, min(count / max(beside, 1), 1.0), 1.0, ev, spread,
        0.0, turn,
    )


def _slope(homography: NDArray[np.float64], at: NDArray[np.float32]) -> NDArray[np.float64]:
    """Jacobian of the mapping at a point: how the overlap is scaled and turned there."""
    point = homography @ (at[0], at[1], 1.0)
    mapped = point[:2] / point[2]
    jacobian: NDArray[np.float64] = (homography[:2, :2] - np.outer(mapped, homography[2, :2])) / point[2]
    return jacobian


def _overlap(
    homography: NDArray[np.float64], pb: NDArray[np.float32], a: Features, b: Features
) -> tuple[float, int]:
    """(share of a that b covers, matches of b that fall inside a). What lies behind the camera does not count."""
    width, height = b.extent
    x, y = np.meshgrid(np.linspace(-1, 1, 31) * a.extent[0], np.linspace(-1, 1, 21) * a.extent[1])
    inverse = np.linalg.inv(homography)
    lattice = np.c_[x.ravel(), y.ravel(), np.ones(x.size)] @ inverse.T
    covered = _inside(lattice, width, height)
    moved = np.c_[pb, np.ones(len(pb))] @ homography.T
    return float(covered.mean()), int(_inside(moved, *a.extent).sum())


def _inside(points: NDArray[np.float64], width: float, height: float) -> NDArray[np.bool_]:
    front = points[:, 2] > 1e-3
    flat = points[:, :2] / np.where(front, points[:, 2], 1.0)[:, None]
    return np.asarray(front & (np.abs(flat[:, 0]) <= width) & (np.abs(flat[:, 1]) <= height))


def _brightness(
    homography: NDArray[np.float64], a: Features, b: Features, settings: GroupSettings
) -> tuple[float | None, float]:
    """Brightness of b over a in the overlap."""
    size = (96, max(round(96 * a.extent[1] / a.extent[0]), 8))
    pixels = np.diag([size[0] / (2 * a.extent[0]), size[1] / (2 * a.extent[1]), 1.0])
    pixels[:2, 2] = (size[0] / 2, size[1] / 2)
    height, width = b.luma.shape
    units = np.diag([1 / max(height, width), 1 / max(height, width), 1.0])
    units[:2, 2] = (-b.extent[0], -b.extent[1])
    moved = cv2.warpPerspective(b.luma, pixels @ homography @ units, size, flags=cv2.INTER_AREA)
    still = cv2.resize(a.luma, size, interpolation=cv2.INTER_AREA)
    return log2_ratio(still, moved, settings.ev_min_share * 0.3)
