"""Sky and water that move on in one piece: no subject's sway. Heads that move in one piece stay one."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from layered_scenes import Picture, assess_pictures, landscape, taken, with_mover
from numpy.typing import NDArray

SCENE = landscape(photograph="flower.jpg")
HEIGHT, WIDTH = SCENE.shape
SKYLINE, HORIZON, SHORE = HEIGHT // 2, HEIGHT // 3, 2 * HEIGHT // 3


def noise(seed: int, across: float, down: float, strength: float, roll: float = 0.0) -> Picture:
    """Noise of a size in pixels, moved on by `roll` pixels to the right."""
    made = np.random.default_rng(seed).normal(0, 1, (HEIGHT, WIDTH)).astype(np.float32)
    made = cv2.GaussianBlur(made, (0, 0), across, sigmaY=down)
    moved = cv2.warpAffine(
        made, np.array([[1, 0, roll], [0, 1, 0]], np.float32), (WIDTH, HEIGHT), flags=cv2.INTER_CUBIC,
        borderMode=cv2.BORDER_WRAP,
    )  # fmt: skip
    return (moved * (strength / made.std())).astype(np.float32)


def clouds(roll: float) -> Picture:
    """Clouds with edges, as soft as clouds are, over still ground with a jagged skyline."""
    bank = 1 / (1 + np.exp(-3 * noise(3, 22, 14, 1.0, roll)))
    sky = 120 + 70 * bank + noise(4, 6, 5, 4, roll)
    line = SKYLINE + 25 * noise(5, 30, 30, 1.0)[0]
    above = np.clip(line[None] - np.arange(HEIGHT)[:, None] + 0.5, 0, 1)
    return (sky * above + SCENE * (1 - above)).astype(np.float32)


def sea(roll: float) -> Picture:
    """A plain sky over waves that all move on, over still ground."""
    picture = SCENE.copy()
    picture[:HORIZON] = 180 + noise(9, 1.5, 1.5, 1)[:HORIZON]
    picture[HORIZON:SHORE] = 100 + noise(8, 5, 1.5, 12, roll)[HORIZON:SHORE]
    return picture


def shot(picture: Picture, light: float, seed: int) -> NDArray[np.uint8]:
    return taken(picture * light, noise=1.2, seed=seed)


@pytest.mark.parametrize("by_px", [6.0, 14.0, 30.0])
def test_clouds_that_move_on_between_exposures_are_no_sway(by_px: float) -> None:
    measure, verdict = assess_pictures("bracket", [shot(clouds(0), 0.75, 1), shot(clouds(by_px), 1.2, 2)])
    assert verdict.outlook == "clean", verdict.reasons
    assert (verdict.sway_max_px or 0) < 2
    assert any("the sky moves on by" in reason for reason in verdict.reasons), verdict.reasons
    field = measure.pairs[0].field
    assert field is not None and field.passing_px is not None
    passing = field.passing_px > 0
    assert np.median(field.passing_px[passing]) == pytest.approx(by_px, abs=0.3)
    assert (field.changed[passing] == 1).all()  # two skies are blended there
    rows = (np.arange(field.grid.rows) + 0.5) * field.grid.tile_px
    assert not passing[rows > SKYLINE + 100].any()


@pytest.mark.parametrize("kind", ["burst", "bracket"])
def test_a_sea_that_moves_on_in_one_piece_is_no_sway(kind: str) -> None:
    light = (1.0, 1.0) if kind == "burst" else (0.7, 1.2)
    frames = [shot(sea(roll), gain, k) for k, (roll, gain) in enumerate(zip((0, 17), light, strict=True))]
    _, verdict = assess_pictures("burst" if kind == "burst" else "bracket", frames)
    assert (verdict.sway_max_px or 0) < 2, verdict.reasons
    assert verdict.outlook == "clean", verdict.reasons
    assert any("the water moves on by 17 px" in reason for reason in verdict.reasons)


def test_clouds_that_move_on_between_views_are_no_parallax() -> None:
    views = [shot(clouds(roll)[:, left : left + 950], 1.0, left) for left, roll in ((0, 0), (WIDTH - 950, 16))]
    _, verdict = assess_pictures("panorama", views)
    assert verdict.outlook == "clean", verdict.reasons
    assert any("the sky moves on by 16 px between views 1 and 2" in reason for reason in verdict.reasons)


def test_steps_of_ground_that_a_moving_camera_shifts_are_no_water() -> None:
    """Three terraces, each nearer than the one above: the uppermost looks like a sea under a level line."""
    views = []
    for left, shifts in ((0, (0, 0, 0)), (WIDTH - 950, (8, 12, 18))):
        picture = SCENE.copy()
        for k, px in enumerate(shifts):
            rows = slice(HEIGHT // 2 + k * HEIGHT // 6, HEIGHT // 2 + (k + 1) * HEIGHT // 6)
            picture[rows] = np.roll(SCENE, px, axis=1)[rows]
        views.append(shot(picture[:, left : left + 950], 1.0, left))
    measure, verdict = assess_pictures("panorama", views)
    assert not any("water" in reason for reason in verdict.reasons), verdict.reasons
    assert not measure.pairs[0].passing


@pytest.mark.parametrize("behind", [clouds, sea])
def test_a_head_before_a_passing_sky_or_sea_is_still_measured(behind: object) -> None:
    """As the wind drives both one way, and the head by less."""
    assert callable(behind)
    frames = []
    for k, (roll, dx) in enumerate([(0, 0), (16, 7)]):
        alone = with_mover(SCENE, 760, 0.45 * HEIGHT, 70, dx, 0)
        ys, xs = np.mgrid[:HEIGHT, :WIDTH]
        cover = np.clip(70.5 - np.hypot(xs - 760 - dx, ys - 0.45 * HEIGHT), 0, 1)
        frames.append(shot((behind(roll) * (1 - cover) + alone * cover).astype(np.float32), 1.0, k))
    _, verdict = assess_pictures("burst", frames)
    assert verdict.sway_max_px == pytest.approx(7, abs=0.5)
    assert verdict.outlook in ("touch-up", "hard"), verdict.reasons


def test_a_sky_told_between_two_exposures_is_known_where_the_next_one_clips_most_of_it() -> None:
    """The sky is brighter to the right: of the longest exposure a third of it is left, too narrow to tell by itself."""
    glow = np.linspace(0.65, 1.35, WIDTH, dtype=np.float32)
    exposures = [(0, 0.6), (14, 0.9), (38, 1.8)]
    frames = [shot(clouds(roll) * glow, light, k) for k, (roll, light) in enumerate(exposures)]
    measure, verdict = assess_pictures("bracket", frames)
    assert all(pair.passing == "sky" for pair in measure.pairs)
    assert (verdict.sway_max_px or 0) < 2, verdict.reasons
    assert not any(" moved " in reason for reason in verdict.reasons), verdict.reasons


def test_a_head_that_swings_later_is_no_sky_told_before() -> None:
    """Between the first two frames the head stands before the sky that moves on; then it swings with it, but less."""
    frames = []
    for k, (roll, dx) in enumerate([(0, 0), (16, 0), (32, 9)]):
        alone = with_mover(SCENE, 760, 0.4 * HEIGHT, 50, dx, 0)
        ys, xs = np.mgrid[:HEIGHT, :WIDTH]
        cover = np.clip(50.5 - np.hypot(xs - 760 - dx, ys - 0.4 * HEIGHT), 0, 1)
        frames.append(shot((clouds(roll) * (1 - cover) + alone * cover).astype(np.float32), 1.0, k))
    measure, verdict = assess_pictures("burst", frames)
    assert measure.pairs[0].passing == "sky"
    assert verdict.sway_max_px == pytest.approx(9, abs=0.7), verdict.reasons


def test_heads_in_a_row_before_a_plain_sky_are_no_sky_though_all_move_alike() -> None:
    picture = SCENE.copy()
    picture[:SKYLINE] = 190 + noise(9, 2, 2, 1)[:SKYLINE]
    frames = []
    for k, dx in enumerate((0, 9)):
        moved = picture
        for n in range(9):
            moved = with_mover(moved, 120 + 160 * n, SKYLINE - 60, 60, dx, 0)
        frames.append(shot(moved, 1.0, k))
    _, verdict = assess_pictures("burst", frames)
    assert verdict.sway_max_px == pytest.approx(9, abs=0.5)
    assert verdict.outlook in ("hard", "lost")


def test_a_flower_that_fills_most_of_the_picture_is_no_water() -> None:
    frames = [shot(with_mover(SCENE, 640, 0.5 * HEIGHT, 0.42 * HEIGHT, dx, 0), 1.0, k) for k, dx in enumerate((0, 8))]
    measure, verdict = assess_pictures("burst", frames)
    assert verdict.outlook in ("hard", "lost", "unknown"), verdict.reasons
    assert (verdict.sway_max_px or 0) > 6, measure.pairs[0].mapping


@pytest.mark.parametrize("down", [0.35, 0.65])
@pytest.mark.parametrize(("overlap_px", "share"), [(400, 0.29), (540, 0.29), (400, 0.7)])
def test_a_head_that_fills_half_of_an_overlap_or_all_is_no_water(overlap_px: int, share: float, down: float) -> None:
    """Of what two views share one head is wide, and its top is as good as level: it was taken for a sea that moved."""
    scene = landscape(2400)
    height, width, second = scene.shape[0], 1500, 1500 - overlap_px
    radius = share * overlap_px
    at = (width - max(radius + 45, overlap_px / 2), down * height, radius)
    first = with_mover(scene, *at, 0, 0)[:, :width]
    other = with_mover(scene, *at, 5, 2)[:, second : second + width]
    measure, verdict = assess_pictures("panorama", [taken(first, seed=1), taken(other, seed=2)])
    assert not measure.pairs[0].passing
    if share < 0.4:  # what hides the ground may be what the camera did
        assert measure.pairs[0].sway_max_px == pytest.approx(np.hypot(5, 2), abs=0.5)
    assert verdict.outlook != "clean", verdict.reasons
