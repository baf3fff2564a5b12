"""Sway in pixels, where it is and nowhere else."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
from layered_scenes import assess_pictures, disc_blur, landscape, seen_from, taken, with_mover

SCENE = landscape()


@pytest.mark.parametrize(("dx", "dy"), [(0.6, -0.3), (2.5, 1.5), (9.0, -5.0), (30.0, 18.0)])
@pytest.mark.parametrize("radius", [45.0, 90.0])
def test_a_mover_is_found_and_measured(dx: float, dy: float, radius: float) -> None:
    a = taken(with_mover(SCENE, 700, 520, radius, 0, 0), seed=1)
    b = taken(with_mover(SCENE, 700, 520, radius, dx, dy), seed=2)
    measure, _ = assess_pictures("burst", [a, b])
    pair = measure.pairs[0]
    assert pair.sway_max_px == pytest.approx(np.hypot(dx, dy), abs=0.25, rel=0.04)
    assert pair.worst_x_px is not None and abs(pair.worst_x_px - 700) < radius + 40
    assert pair.field is not None
    low, high = (np.array([520, 700]) + sign * radius / 2 for sign in (-1, 1))
    tile = pair.field.grid.tile_px
    inside = tuple(slice(int(a), int(b)) for a, b in zip(low / tile, high / tile, strict=True))
    sure = pair.field.confidence[inside] >= 0.5
    assert sure.mean() > 0.6
    assert np.median(pair.field.sway_x_px[inside][sure]) == pytest.approx(dx, abs=0.15)
    assert np.median(pair.field.sway_y_px[inside][sure]) == pytest.approx(dy, abs=0.15)


def test_a_far_move_of_soft_detail_is_not_passed_over() -> None:
    """Blooms of the sample shoot as a sensor of three times the pixels would see them, no sharper: 12 px become 40.

    Such detail places them to some pixels only, which is more than enough to tell. Truth: truth.json of the shoot.
    """
    folder = Path(__file__).parents[2] / "sample_data" / "cliff-thrift" / "DCIM" / "100CLIFF"
    lumas = []
    for name in ("THRF0010.JPG", "THRF0011.JPG"):
        whole = cv2.imread(str(folder / name), cv2.IMREAD_GRAYSCALE)
        assert whole is not None
        lumas.append(cv2.resize(whole, None, fx=10 / 3, fy=10 / 3, interpolation=cv2.INTER_CUBIC).astype(np.uint8))
    measure, verdict = assess_pictures("bracket", lumas)
    assert verdict.outlook == "hard"
    assert measure.pairs[0].sway_max_px == pytest.approx(12.0953 * 10 / 3, rel=0.2)


def test_a_soft_mover_is_followed_all_the_way() -> None:
    """Detail some twelve pixels across looks much the same two pixels off: before, 14 px were read as 12."""
    soft = cv2.GaussianBlur(np.random.default_rng(4).normal(0, 1, SCENE.shape).astype(np.float32), (0, 0), 6)
    texture = (120 + 25 * soft / soft.std()).astype(np.float32)
    matrix = np.array([[1, 0, 14], [0, 1, 0]], np.float32)
    moved = cv2.warpAffine(texture, matrix, SCENE.shape[::-1], flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT)
    cover = np.zeros(SCENE.shape, np.float32)
    cv2.circle(cover, (750, 500), 260, 1.0, -1)
    frames = [taken(SCENE * (1 - cover) + shown * cover, seed=k) for k, shown in enumerate((texture, moved))]
    field = assess_pictures("burst", frames)[0].pairs[0].field
    assert field is not None
    row, col = (slice(int((at - 150) / field.grid.tile_px), int((at + 150) / field.grid.tile_px)) for at in (500, 750))
    sure = field.confidence[row, col] >= 0.5
    assert sure.mean() > 0.6
    assert np.percentile(np.abs(field.sway_x_px[row, col][sure] - 14), 90) < 0.3


def test_swapping_the_pair_turns_the_sway_round() -> None:
    a = taken(with_mover(SCENE, 700, 520, 80, 0, 0), seed=1)
    b = taken(with_mover(SCENE, 700, 520, 80, 4, -3), seed=2)
    forth, back = (assess_pictures("burst", pictures)[0].pairs[0] for pictures in ([a, b], [b, a]))
    assert forth.field is not None and back.field is not None
    row, col = 520 // forth.field.grid.tile_px, 700 // forth.field.grid.tile_px
    assert forth.field.sway_x_px[row, col] == pytest.approx(4, abs=0.2)
    assert back.field.sway_x_px[row, col] == pytest.approx(-4, abs=0.2)
    assert back.field.sway_y_px[row, col] == pytest.approx(3, abs=0.2)


def test_a_still_scene_stays_still_through_noise() -> None:
    _, verdict = assess_pictures("burst", [taken(SCENE, 6, seed=1), taken(SCENE, 6, seed=2), taken(SCENE, 6, seed=3)])
    assert verdict.outlook == "clean"
    assert verdict.sway_max_px is not None and verdict.sway_max_px < 0.7


def test_a_still_bracket_over_four_stops_is_clean() -> None:
    dark, mid, bright = SCENE * 0.3, SCENE * 0.75, np.minimum(SCENE * 1.8, 255).astype(np.float32)
    measure, verdict = assess_pictures("bracket", [taken(dark, seed=1), taken(mid, seed=2), taken(bright, seed=3)])
    assert not any(p.mapping.failed for p in measure.pairs)
    assert verdict.outlook == "clean"
    assert verdict.sway_max_px is not None and verdict.sway_max_px < 1


@pytest.mark.parametrize(("radius", "dx"), [(5.0, 3.0), (7.0, 4.0), (9.0, 4.0), (9.0, 5.0)])
def test_what_moved_between_focus_positions_is_measured_through_the_blur(radius: float, dx: float) -> None:
    scene = landscape(1800)
    sharp = with_mover(scene, 900, 700, 110, 0, 0)
    blurred = disc_blur(with_mover(scene, 900, 700, 110, dx, 0), radius)
    measure, verdict = assess_pictures("stack", [taken(sharp, seed=1), taken(blurred, seed=2)])
    assert not measure.pairs[0].mapping.failed
    assert measure.pairs[0].sway_max_px == pytest.approx(dx, abs=0.4)
    assert verdict.outlook in ("touch-up", "hard")


@pytest.mark.parametrize("radius", [2.0, 5.0, 9.0])
def test_unequal_defocus_is_not_sway(radius: float) -> None:
    height = SCENE.shape[0]
    ramp = np.clip((np.arange(height) - 0.45 * height) / (0.1 * height), 0, 1)[:, None]
    soft = disc_blur(SCENE, radius)
    near, far = SCENE * ramp + soft * (1 - ramp), SCENE * (1 - ramp) + soft * ramp
    pictures = [taken(p.astype(np.float32), seed=i) for i, p in enumerate((near, far))]
    measure, verdict = assess_pictures("stack", pictures)
    assert verdict.outlook in ("clean", "touch-up")
    assert measure.pairs[0].sway_p95_px is not None and measure.pairs[0].sway_p95_px < 1


def test_breathing_shift_and_roll_are_the_cameras_and_not_sway() -> None:
    height, width = SCENE.shape
    turn = cv2.getRotationMatrix2D(((width - 1) / 2, (height - 1) / 2), -0.2, 1 / 1.02)
    turn[:, 2] += (-3.5, 2.0)
    moved = cv2.warpAffine(SCENE, turn, (width, height), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT)
    measure, verdict = assess_pictures("burst", [taken(SCENE, seed=1), taken(moved, seed=2)])
    mapping = measure.pairs[0].mapping
    assert mapping.scale == pytest.approx(1.02, abs=0.0003)
    assert abs(abs(mapping.rotation_deg) - 0.2) < 0.01
    assert verdict.sway_max_px is not None and verdict.sway_max_px < 0.7


def test_wind_that_moves_most_of_the_picture_alike_is_not_the_cameras() -> None:
    shape = SCENE.shape[::-1]
    leaning = cv2.warpAffine(SCENE, np.array([[1, 0, 7.0], [0, 1, 2.0]]), shape, borderMode=cv2.BORDER_REFLECT)
    ramp = np.clip((np.arange(SCENE.shape[0]) - 0.25 * SCENE.shape[0]) / 4, 0, 1)[:, None]
    swept = (SCENE * (1 - ramp) + leaning * ramp).astype(np.float32)  # the upper quarter stands still
    measure, verdict = assess_pictures("burst", [taken(SCENE, seed=1), taken(swept, seed=2)])
    mapping = measure.pairs[0].mapping
    assert not mapping.failed
    assert np.hypot(mapping.shift_x_px, mapping.shift_y_px) < 0.3
    assert verdict.sway_p95_px == pytest.approx(np.hypot(7, 2), abs=0.3)
    assert verdict.outlook in ("hard", "lost")


def test_a_camera_that_was_pushed_is_not_taken_for_wind() -> None:
    shape = SCENE.shape[::-1]
    pushed = cv2.warpAffine(SCENE, np.array([[1, 0, 7.0], [0, 1, 2.0]]), shape, borderMode=cv2.BORDER_REFLECT)
    measure, verdict = assess_pictures("burst", [taken(SCENE, seed=1), taken(pushed, seed=2)])
    assert measure.pairs[0].mapping.shift_px == pytest.approx(np.hypot(7, 2), abs=0.1)
    assert verdict.outlook == "clean"


def test_a_camera_that_moved_sideways_is_said_to_have() -> None:
    frames = [taken(seen_from(SCENE, at), seed=i) for i, at in enumerate((0, 16, 32))]
    measure, verdict = assess_pictures("burst", frames)
    assert all(pair.mapping.sideways for pair in measure.pairs)
    # A merge goes by one mapping and ghosts whatever it leaves, whoever moved.
    assert verdict.outlook in ("hard", "lost")
    # The nearest shifts by 16 px, the middle by 6, which the mapping takes up.
    assert verdict.sway_max_px == pytest.approx(10, abs=2)
    said = [reason for reason in verdict.reasons if "sideways" in reason]
    assert said and "(and 1 more pair)" in said[0]


def test_along_a_bare_edge_nothing_is_claimed() -> None:
    height, width = 600, 900
    ys = np.arange(height)[:, None] + np.zeros((1, width))
    horizon = np.where(ys < 280, 190, 70).astype(np.float32)
    horizon = cv2.GaussianBlur(horizon, (0, 0), 1.0)
    scene = landscape(900)[:height]
    scene = np.where(np.arange(height)[:, None] > 400, scene[:height], horizon).astype(np.float32)
    shifted = scene.copy()
    shifted[:400] = np.roll(scene[:400], 7, axis=1)  # slides along itself: nothing to see
    _, verdict = assess_pictures("burst", [taken(scene, seed=1), taken(shifted, seed=2)])
    assert verdict.sway_max_px is None or verdict.sway_max_px < 1


def test_frames_of_different_scenes_fail_and_say_so() -> None:
    other = landscape(900, 2, "flower.jpg")
    measure, verdict = assess_pictures("burst", [taken(landscape(900, 1)), taken(other)])
    assert measure.pairs[0].mapping.failed
    assert verdict.outlook == "unknown"
    assert "could not be aligned" in verdict.reasons[0]


def test_two_overlapping_views_give_a_homography() -> None:
    width = SCENE.shape[1]
    views = SCENE[:, : int(0.65 * width)], SCENE[:, int(0.35 * width) :]
    measure, verdict = assess_pictures("panorama", [taken(view.copy(), seed=i) for i, view in enumerate(views)])
    mapping = measure.pairs[0].mapping
    assert not mapping.failed and mapping.homography is not None
    assert mapping.shift_x_px == pytest.approx(int(0.35 * width), abs=0.5)
    assert verdict.overlap_pct == pytest.approx(100 * 0.30 / 0.65, abs=2)
    assert verdict.sway_max_px is not None and verdict.sway_max_px < 0.5


@pytest.mark.parametrize("radius", [16.0, 22.0])
def test_a_small_head_counts_before_a_background_that_another_frame_holds_sharper(radius: float) -> None:
    """A head of two or three tiles, sharp in two frames of a stack; what it stands before is sharp in the third."""
    at, behind, hazy = 1.0, 14.0, (SCENE + SCENE.mean()) / 2
    pictures = []
    for seed, (focus, dx) in enumerate(((0.0, 0.0), (2.0, 9.0), (behind, 9.0))):
        far, near = hazy, with_mover(SCENE, 700, 520, radius, dx, 0)
        far = disc_blur(far, abs(behind - focus) / 2) if focus < behind else far
        near = disc_blur(near, abs(at - focus) / 2) if abs(at - focus) > 1.5 else near
        ys, xs = np.mgrid[: SCENE.shape[0], : SCENE.shape[1]]
        head = np.clip(radius + 0.5 - np.hypot(xs - 700 - dx, ys - 520), 0, 1).astype(np.float32)
        pictures.append(taken(far * (1 - head) + near * head, seed=seed))
    measure, verdict = assess_pictures("stack", pictures)
    assert measure.pairs[0].sway_max_px == pytest.approx(9.0, abs=0.5)
    assert verdict.outlook != "clean"
