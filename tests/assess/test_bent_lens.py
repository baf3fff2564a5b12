"""Views that a wide lens bent: a merge straightens them, so that bending is neither parallax nor wind."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from layered_scenes import Picture, assess_pictures, landscape, taken, with_mover

from windstill.assess.lens import Lens

WIDE = landscape(2400)
TURNED_PX = 800
SIDE = 1500


def camera(width: int, height: int) -> np.ndarray:
    half_diagonal = np.hypot(width, height) / 2
    return np.array([[half_diagonal, 0, (width - 1) / 2], [0, half_diagonal, (height - 1) / 2], [0, 0, 1.0]])


def view(scene: Picture, left: int, bend: float, seed: int) -> np.ndarray:
    """What OpenCV's camera model shows of a part of the scene: `bend` is its first radial coefficient, by half a
    diagonal."""
    height = 1000
    ys, xs = np.mgrid[:height, :SIDE].astype(np.float64)
    straight = cv2.undistortPoints(
        np.stack([xs, ys], axis=-1).reshape(-1, 1, 2), camera(SIDE, height), np.array([bend, 0, 0, 0]), None, None,
        camera(SIDE, height), (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 40, 1e-9),
    )  # fmt: skip
    at = straight.reshape(height, SIDE, 2).astype(np.float32)
    shown = cv2.remap(scene, at[..., 0] + left, at[..., 1] + 200, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT)
    return taken(shown, seed=seed)


def views(first: Picture, second: Picture, bend: float) -> list[np.ndarray]:
    return [view(first, 50, bend, 1), view(second, 50 + TURNED_PX, bend, 2)]


@pytest.mark.parametrize("bend", [-0.07, -0.04, -0.015, 0.02])
def test_calm_views_of_a_bent_lens_are_clean(bend: float) -> None:
    measure, verdict = assess_pictures("panorama", views(WIDE, WIDE, bend))
    assert verdict.outlook == "clean", verdict.reasons
    assert (verdict.sway_max_px or 0.0) < 1
    assert measure.pairs[0].mapping.bend == pytest.approx(bend, abs=0.003)
    assert measure.pairs[0].mapping.shift_x_px == pytest.approx(TURNED_PX, abs=3)


def test_a_head_that_moved_before_a_bent_lens_is_sway_where_the_picture_shows_it() -> None:
    """Near the corner, where the barrel has drawn it in by 40 px."""
    moved = with_mover(WIDE, 1460, 1100, 50, 9, 0)
    measure, verdict = assess_pictures("panorama", views(with_mover(WIDE, 1460, 1100, 50, 0, 0), moved, -0.05))
    pair = measure.pairs[0]
    assert verdict.outlook in ("touch-up", "hard"), verdict.reasons
    assert pair.sway_max_px == pytest.approx(9, abs=1)
    lens = Lens(-0.05, SIDE, 1000)
    shown = lens.bent(np.array([[1460.0 - 50, 1100.0 - 200]]))[0]
    assert pair.worst_x_px is not None and pair.worst_y_px is not None
    assert np.hypot(pair.worst_x_px - shown[0], pair.worst_y_px - shown[1]) < 55
    assert pair.field is not None
    counted = pair.field.textured & (pair.field.confidence >= 0.5) & (np.abs(pair.field.sway_x_px) > 5)
    rows, cols = np.nonzero(counted)
    middle = (np.array([np.median(cols), np.median(rows)]) + 0.5) * pair.field.grid.tile_px
    assert np.hypot(*(middle - shown)) < 30


def test_a_straight_lens_is_left_as_it_is() -> None:
    measure, _ = assess_pictures("panorama", views(WIDE, WIDE, 0.0))
    assert measure.pairs[0].mapping.bend == 0


def test_parallax_is_not_taken_for_a_bent_lens() -> None:
    height = WIDE.shape[0]
    ys, xs = np.mgrid[:height, : WIDE.shape[1]].astype(np.float32)
    nearer = np.clip((ys - 0.4 * height) / (0.6 * height), 0, 1) * np.float32(12)
    shifted = cv2.remap(WIDE, xs + nearer, ys, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT)
    measure, verdict = assess_pictures("panorama", views(WIDE, shifted, 0.0))
    assert measure.pairs[0].mapping.bend == 0
    assert "near things shift" in verdict.reasons[0]


def test_places_are_bent_as_opencv_bends_them_and_back() -> None:
    """Reference: cv2.projectPoints, the model of Brown 1971."""
    lens = Lens(-0.06, 6000, 4000)
    straight = np.random.default_rng(1).uniform((0, 0), (5999, 3999), (50, 2))
    matrix = camera(6000, 4000)
    rays = np.column_stack([(straight - matrix[:2, 2]) / matrix[0, 0], np.ones(50)])
    shown, _ = cv2.projectPoints(rays, np.zeros(3), np.zeros(3), matrix, np.array([-0.06, 0, 0, 0]))
    assert lens.bent(straight) == pytest.approx(shown.reshape(-1, 2), abs=1e-6)
    assert lens.straight(lens.bent(straight)) == pytest.approx(straight, abs=0.01)
