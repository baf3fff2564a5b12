"""Tiles drawn as a mask over one picture, its edges softened for use as a layer mask."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray

from windstill.assess.geometry import Matrix, apply

Mask = NDArray[np.uint8]
Points = NDArray[np.float64]
Grey = TypeVar("Grey", bound=np.generic)
# Parts of a pixel corners are drawn to, as a power of two.
_SHIFT = 4
# Corners this far outside are past anything a picture shows, and would overflow the drawing.
_FAR_PX = 100_000.0


@dataclass(frozen=True, slots=True)
class Plane:
    """What a mask is drawn on: the picture, or a smaller one of its shape."""

    width_px: int
    height_px: int
    drawn_width: int
    drawn_height: int

    @classmethod
    def of(cls, width_px: int, height_px: int, most_px: int) -> Plane:
        """For a picture, no side longer than `most_px`."""
        reduce = min(1.0, most_px / max(width_px, height_px))
        return cls(width_px, height_px, max(1, round(width_px * reduce)), max(1, round(height_px * reduce)))

    @property
    def scale(self) -> float:
        """Drawn pixels per pixel of the picture."""
        return self.drawn_width / self.width_px

    def to_drawn(self, points: Points) -> Points:
        """Picture coordinates (..., 2) to those of the plane: pixels' areas fall on each other, not their centres."""
        factors = np.array([self.drawn_width / self.width_px, self.drawn_height / self.height_px])
        return np.asarray((points + 0.5) * factors - 0.5)

    def full_size(self, drawn: NDArray[Grey], interpolation: int = cv2.INTER_LINEAR) -> NDArray[Grey]:
        """The drawn plane at the picture's size."""
        if drawn.shape == (self.height_px, self.width_px):
            return drawn
        return np.asarray(cv2.resize(drawn, (self.width_px, self.height_px), interpolation=interpolation), drawn.dtype)


def tile_corners(x_px: NDArray[np.float64], y_px: NDArray[np.float64], side_px: NDArray[np.float64]) -> Points:
    """Corners (n, 4, 2) of tiles by their upper left pixel: a pixel's area reaches half a pixel around its centre."""
    left, top = x_px - 0.5, y_px - 0.5
    right, bottom = left + side_px, top + side_px
    round_about = ((left, top), (right, top), (right, bottom), (left, bottom))
    return np.stack([np.stack(corner, axis=-1) for corner in round_about], axis=1)


def swept(corners: Points, by_px: Points) -> Points:
    """Tiles and where they moved to: corners (n, 8, 2) of what lies between.

    Parameters
    ----------
    corners : (n, 4, 2)
    by_px : (n, 2)
        Displacement, x and y.
    """
    return np.concatenate([corners, corners + by_px[:, None, :]], axis=1)


def draw(shapes: Points, to_base: Matrix, plane: Plane, mask: Mask) -> None:
    """Mark the hulls of shapes (n, k, 2), given in another frame's coordinates, on a plane of the base frame."""
    if not len(shapes):
        return
    count, corners, _ = shapes.shape
    mapped = apply(to_base, shapes.reshape(-1, 2)).reshape(count, corners, 2)
    there = np.isfinite(mapped).all(axis=(1, 2)) & (np.abs(mapped) < _FAR_PX).all(axis=(1, 2))
    points = np.round(plane.to_drawn(mapped[there]) * (1 << _SHIFT)).astype(np.int32)
    for shape in points:
        cv2.fillConvexPoly(mask, cv2.convexHull(shape), 255, lineType=cv2.LINE_8, shift=_SHIFT)


def softened(mask: Mask, feather_px: float) -> Mask:
    """The mask with an edge that fades outwards over so many pixels; what is marked stays fully marked."""
    if feather_px < 1 or not mask.any():
        return mask
    distance = cv2.distanceTransform((mask == 0).astype(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_5)
    left = np.clip(1 - distance / np.float32(feather_px), 0, 1)
    return np.asarray(np.round(255 * left * left * (3 - 2 * left)), np.uint8)
