"""Planes at falling resolution, and frame b brought to a's coordinates."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from windstill.assess.geometry import Matrix, at_reduction, inverse

Plane = NDArray[np.uint8]
Features = tuple[NDArray[np.float64], NDArray[Any] | None]  # places (x, y), pixels of a level, and descriptors
_SMALLEST_LONG_PX = 190  # below this a picture has too few windows to register on


@dataclass(frozen=True, slots=True, eq=False)
class Pyramid:
    """A frame's working plane and its halvings; level k is reduced by ``reduction * 2**k``.

    `normalised` and `features` keep what `align` made of a level: a frame is lined up with more than one other.
    Features are small, and may be kept longer than the planes they were found on.
    """

    levels: tuple[Plane, ...]
    reduction: int
    normalised: dict[int, NDArray[np.float32]] = field(default_factory=dict)
    features: dict[tuple[int, bool], Features] = field(default_factory=dict)

    def without_finest(self, count: int) -> Pyramid:
        """The same without so many of the finest levels, of which one at least is left."""
        count = min(count, len(self.levels) - 1)
        return Pyramid(self.levels[count:], self.reduction << count) if count else self

    def level_reduction(self, level: int) -> int:
        """Full-resolution pixels per pixel of a level."""
        return self.reduction << level

    def level_with_long_side(self, long_px: int) -> int:
        """The finest level whose long side is at most `long_px` (the coarsest if none is)."""
        for level, plane in enumerate(self.levels):
            if max(plane.shape) <= long_px:
                return level
        return len(self.levels) - 1


def build_pyramid(
    work: Plane, reduction: int, features: dict[tuple[int, bool], Features] | None = None
) -> Pyramid:
    """Halve a working plane by area means until its long side is under 190 pixels.

    Parameters
    ----------
    work : uint8 array, shape (h, w)
    reduction : int
        Full-resolution pixels per pixel of it.
    features : dict, optional
        What was found on the same frame before, by level and kind; added to.
    """
    levels = [work]
    # A strip one pixel high has no half.
    while max(levels[-1].shape) >= _SMALLEST_LONG_PX and min(levels[-1].shape) >= 2:
        levels.append(halved(levels[-1]))
    return Pyramid(tuple(levels), reduction, features={} if features is None else features)


def halved(plane: Plane) -> Plane:
    """A plane at half the size by means of 2 x 2; an odd last row or column is left out."""
    height, width = plane.shape[0] // 2, plane.shape[1] // 2
    half: Plane = cv2.resize(plane[: 2 * height, : 2 * width], (width, height), interpolation=cv2.INTER_AREA)
    return half


def bring_to_a(plane_b: Plane, b_to_a: Matrix, reduction: int, shape: tuple[int, int]) -> Plane:
    """Frame b's plane as the camera mapping says a's picture would show it; 0 where b shows nothing.

    Parameters
    ----------
    plane_b : uint8 array, shape (h_b, w_b)
        Reduced by `reduction`.
    b_to_a : Matrix
        Full-resolution mapping from b to a.
    shape : (int, int)
        Height and width of a's plane.
    """
    matrix = at_reduction(inverse(b_to_a), reduction)
    height, width = shape
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    if abs(matrix[2, 0]) + abs(matrix[2, 1]) < 1e-12:
        if np.allclose(matrix[:2, :2], np.eye(2), atol=1e-9) and np.allclose(matrix[:2, 2], 0, atol=1e-9) and (
            plane_b.shape == shape
        ):
            return plane_b
        warped: Plane = cv2.warpAffine(plane_b, matrix[:2], (width, height), flags=flags)
        return warped
    warped = cv2.warpPerspective(plane_b, matrix, (width, height), flags=flags)
    return warped
