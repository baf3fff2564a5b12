"""Camera mappings between frames: from b's full-resolution picture coordinates to a's, and back.

Coordinates have their origin at the upper left pixel's centre, x right, y down. A plane reduced by `r` holds at
(x, y) the mean of an r by r square, so full-resolution x is ``(x + 0.5) * r - 0.5``.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from windstill.records import CameraMapping

Matrix = NDArray[np.float64]


def centre_of(width_px: int, height_px: int) -> tuple[float, float]:
    """The picture's centre in picture coordinates."""
    return ((width_px - 1) / 2, (height_px - 1) / 2)


def mapping_matrix(mapping: CameraMapping, width_px: int, height_px: int) -> Matrix:
    """The 3x3 matrix that takes homogeneous (x_b, y_b, 1) to a, full resolution."""
    if mapping.homography is not None:
        return np.array(mapping.homography, np.float64).reshape(3, 3)
    return similarity_matrix(
        mapping.scale, mapping.rotation_deg, mapping.shift_x_px, mapping.shift_y_px, centre_of(width_px, height_px)
    )


def similarity_matrix(
    scale: float, rotation_deg: float, shift_x: float, shift_y: float, centre: tuple[float, float]
) -> Matrix:
    """x_a = scale R (x_b - c) + c + shift, as a 3x3 matrix; R turns counter-clockwise as seen (y points down)."""
    angle = np.deg2rad(rotation_deg)
    cos, sin = scale * np.cos(angle), scale * np.sin(angle)
    cx, cy = centre
    return np.array(
        [
            [cos, sin, cx + shift_x - cos * cx - sin * cy],
            [-sin, cos, cy + shift_y + sin * cx - cos * cy],
            [0.0, 0.0, 1.0],
        ]
    )


def similarity_from_matrix(matrix: Matrix, centre: tuple[float, float]) -> tuple[float, float, float, float]:
    """Scale, rotation in degrees and shift of the similarity nearest to a mapping at the picture's centre.

    Returns
    -------
    scale, rotation_deg, shift_x_px, shift_y_px : float
    """
    cx, cy = centre
    moved, jacobian = apply_with_jacobian(matrix, np.array([[cx, cy]]))
    (j00, j01), (j10, j11) = jacobian[0]
    cos, sin = (j00 + j11) / 2, (j01 - j10) / 2
    scale = float(np.hypot(cos, sin))
    return scale, float(np.rad2deg(np.arctan2(sin, cos))), float(moved[0, 0] - cx), float(moved[0, 1] - cy)


def apply_with_jacobian(matrix: Matrix, points: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Map points (n, 2) and give the local derivative (n, 2, 2) at each."""
    x, y = points[:, 0], points[:, 1]
    u = matrix[0, 0] * x + matrix[0, 1] * y + matrix[0, 2]
    v = matrix[1, 0] * x + matrix[1, 1] * y + matrix[1, 2]
    w = matrix[2, 0] * x + matrix[2, 1] * y + matrix[2, 2]
    with np.errstate(divide="ignore", invalid="ignore"):
        mapped = np.stack([u / w, v / w], axis=1)
        jacobian = np.empty((len(points), 2, 2))
        for i in range(2):
            for j in range(2):
                jacobian[:, i, j] = (matrix[i, j] - mapped[:, i] * matrix[2, j]) / w
    return mapped, jacobian


def apply(matrix: Matrix, points: NDArray[np.float64]) -> NDArray[np.float64]:
    """Map points of shape (n, 2)."""
    x, y = points[:, 0], points[:, 1]
    mapped = np.empty((len(points), 2))
    mapped[:, 0] = matrix[0, 0] * x + matrix[0, 1] * y + matrix[0, 2]
    mapped[:, 1] = matrix[1, 0] * x + matrix[1, 1] * y + matrix[1, 2]
    if matrix[2, 0] or matrix[2, 1] or matrix[2, 2] != 1:
        with np.errstate(divide="ignore", invalid="ignore"):
            mapped /= (matrix[2, 0] * x + matrix[2, 1] * y + matrix[2, 2])[:, None]
    return mapped


def apart(one: Matrix, other: Matrix, size: tuple[int, int]) -> float:
    """Farthest apart that two mappings put a corner of the picture, full-resolution pixels."""
    corners = np.array([(x, y) for x in (0.0, size[0] - 1.0) for y in (0.0, size[1] - 1.0)])
    return float(np.hypot(*(apply(one, corners) - apply(other, corners)).T).max())


def inverse(matrix: Matrix) -> Matrix:
    """The mapping the other way."""
    result: Matrix = np.linalg.inv(matrix).astype(np.float64)
    return result


@lru_cache(maxsize=4)
def lattice(size: tuple[int, int]) -> Matrix:
    """Places spread evenly over a picture of some width and height, shape (625, 2); not to be written to."""
    xs, ys = np.meshgrid(np.linspace(0, size[0] - 1, 25), np.linspace(0, size[1] - 1, 25))
    places = np.column_stack([xs.ravel(), ys.ravel()])
    places.flags.writeable = False
    return places


def inside(places: Matrix, size: tuple[int, int]) -> NDArray[np.bool_]:
    """Which of some places (n, 2) lie in a picture of that width and height."""
    return np.asarray(((places >= 0) & (places < np.array(size))).all(axis=1))


def enclosing(places: Matrix, size: tuple[int, int]) -> tuple[int, int, int, int]:
    """Left, top, width and height of the part of a picture about some places (n, 2); at least a pixel of it."""
    most = np.array(size) - 1
    first = np.clip(np.floor(places.min(axis=0)).astype(int) - 1, 0, most)
    last = np.clip(np.ceil(places.max(axis=0)).astype(int) + 1, first, most)
    return int(first[0]), int(first[1]), int(last[0] - first[0] + 1), int(last[1] - first[1] + 1)


def overlap(b_to_a: Matrix, size_a: tuple[int, int], size_b: tuple[int, int]) -> float:
    """Share 0..1 of a's picture that b's shows too; sizes are width and height, pixels."""
    in_a, back = lattice(size_a), inverse(b_to_a)
    # What lies behind a turned camera is mapped too, upside down: a camera's own mapping has a positive determinant.
    before = np.sign(np.linalg.det(back)) * (in_a @ back[2, :2] + back[2, 2]) > 0
    return float((before & inside(apply(back, in_a), size_b)).mean())


def at_reduction(matrix: Matrix, reduction: float) -> Matrix:
    """The same full-resolution mapping between planes reduced by `reduction`."""
    return at_reductions(matrix, reduction, reduction)


def at_reductions(matrix: Matrix, from_reduction: float, to_reduction: float) -> Matrix:
    """The same mapping from a plane of one reduction to a plane of another."""
    grow = np.array(
        [
            [from_reduction, 0, from_reduction / 2 - 0.5],
            [0, from_reduction, from_reduction / 2 - 0.5],
            [0, 0, 1.0],
        ]
    )
    shrink = np.linalg.inv(
        np.array(
            [[to_reduction, 0, to_reduction / 2 - 0.5], [0, to_reduction, to_reduction / 2 - 0.5], [0, 0, 1.0]]
        )
    )
    result: Matrix = shrink @ matrix @ grow
    result /= result[2, 2]
    return result
