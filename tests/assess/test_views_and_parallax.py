"""Two views: parallax of the ground is the camera's, a moved head the wind's; what cannot be joined is unknown."""

from __future__ import annotations

import json
from pathlib import Path

import cv2
import numpy as np
import pytest
import skimage.data
from layered_scenes import SETTINGS, Kept, Picture, assess_pictures, landscape, scored, taken, with_mover

from windstill.assess import measure_set
from windstill.assess.align import align_pair
from windstill.assess.pyramid import build_pyramid
from windstill.assess.relevance import to_grid_of_a
from windstill.records import FrameSet, Grouping, Placement, TileGrid

WIDE = landscape(2400)


def views(second: Picture, nearness_px: float = 0.0) -> list[np.ndarray]:
    """Two views that share 500 of 1500 columns; in the second the ground shifts by up to `nearness_px` at the foot."""
    seen = with_ground_shifted(second, nearness_px)
    return [taken(WIDE[:, :1500], seed=1), taken(seen[:, 900:2400], seed=2)]


def with_ground_shifted(scene: Picture, nearness_px: float) -> Picture:
    """The scene from a little to the right: the further down in its lower half, the nearer, and the further left."""
    height = scene.shape[0]
    ys, xs = np.mgrid[:height, : scene.shape[1]].astype(np.float32)
    foot = np.clip((ys - 0.5 * height) / (0.5 * height), 0, 1) * np.float32(nearness_px)
    return cv2.remap(scene, xs + foot, ys, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT)


def test_calm_views_that_line_up_are_clean() -> None:
    measure, verdict = assess_pictures("panorama", views(WIDE))
    assert verdict.outlook == "clean"
    assert (measure.pairs[0].parallax_px or 0.0) < 1


def test_parallax_of_the_ground_is_named_and_not_called_sway() -> None:
    measure, verdict = assess_pictures("panorama", views(WIDE, nearness_px=8.0))
    pair = measure.pairs[0]
    assert pair.parallax_px == pytest.approx(8, abs=3)
    assert verdict.outlook == "touch-up"
    assert "near things shift" in verdict.reasons[0]
    assert "the camera moved sideways" in verdict.reasons[0]
    assert (pair.sway_max_px or 0.0) < 2


def test_stems_nearer_than_the_ground_behind_them_are_no_sway_where_the_camera_moved() -> None:
    # More than half the spacing of the roof tiles here could be taken for less than half the other way.
    first, second = WIDE, with_ground_shifted(WIDE, 6.0)
    for x, y, near in ((950, 1150, 14), (1090, 1320, 20), (1250, 1180, 16), (1370, 1400, 23)):
        first = with_mover(first, x, y, 45, 0, 0)
        second = with_mover(second, x, y, 45, -near, 0)
    measure, verdict = assess_pictures("panorama", [taken(first[:, :1500], seed=1), taken(second[:, 900:], seed=2)])
    assert verdict.outlook == "touch-up", verdict.reasons
    assert measure.pairs[0].parallax_px == pytest.approx(23, abs=2)
    assert (measure.pairs[0].sway_max_px or 0.0) < 3


def test_a_real_scene_that_a_camera_moved_before_is_parallax_and_no_sway() -> None:
    """scikit-image's stereo pair of a motorcycle (Middlebury 2014) cut as two views, near things far apart."""
    left, right, _ = skimage.data.stereo_motorcycle()
    pictures = [cv2.cvtColor(each, cv2.COLOR_RGB2GRAY) for each in (left[:, :-200], right[:, 200:])]
    measure, verdict = assess_pictures("panorama", pictures)
    assert measure.pairs[0].parallax_sure
    assert (measure.pairs[0].parallax_px or 0.0) > 20
    assert verdict.outlook == "touch-up", verdict.reasons
    assert (verdict.sway_max_px or 0.0) < 3


def test_a_head_that_moved_across_the_parallax_is_sway_all_the_same() -> None:
    first = with_mover(WIDE, 1200, 1300, 60, 0, 0)
    second = with_mover(with_ground_shifted(WIDE, 6.0), 1200, 1300, 60, -5, 12)
    measure, verdict = assess_pictures("panorama", [taken(first[:, :1500], seed=1), taken(second[:, 900:], seed=2)])
    assert verdict.outlook == "hard"
    assert (measure.pairs[0].sway_max_px or 0.0) > 10


def test_heads_that_all_lean_one_way_over_still_ground_are_sway() -> None:
    first, second = WIDE, WIDE
    for x, y, lean in ((950, 800, 9), (1100, 1050, 14), (1250, 850, 12), (1380, 1100, 16), (1010, 1300, 13)):
        first = with_mover(first, x, y, 45, 0, 0)
        second = with_mover(second, x, y, 45, lean, 0)
    measure, verdict = assess_pictures("panorama", [taken(first[:, :1500], seed=1), taken(second[:, 900:], seed=2)])
    assert verdict.outlook in ("hard", "lost")
    assert measure.pairs[0].sway_max_px == pytest.approx(16, abs=2)


def test_heads_that_shift_one_way_are_parallax_where_the_camera_moved_between_other_views() -> None:
    """Even ground lines up whatever the camera did; only what stands on it shifts, in two views alone as if by wind."""
    wide = landscape(3300)
    third = with_ground_shifted(wide, 8.0)
    second = third[:, 900:2400]
    for x, y, near in ((1850, 800, 9), (2000, 1050, 14), (2150, 850, 12), (2280, 1100, 16), (1910, 1300, 13)):
        second = with_mover(second, x - 900, y, 45, 0, 0)
        third = with_mover(third, x, y, 45, -near, 0)
    pictures = [taken(wide[:, :1500], seed=1), taken(second, seed=2), taken(third[:, 1800:], seed=3)]
    measure, verdict = assess_pictures("panorama", pictures)
    assert [pair.parallax_sure for pair in measure.pairs] == [True, True], verdict.reasons
    assert verdict.outlook == "touch-up", verdict.reasons
    assert (verdict.sway_max_px or 0.0) < 2
    _, alone = assess_pictures("panorama", pictures[1:])
    assert alone.outlook in ("hard", "lost", "unknown"), alone.reasons


def test_heads_against_a_plain_sky_that_sway_either_way_are_sway() -> None:
    ground = WIDE.copy()
    ground[:700] = 200
    first, second = ground, ground
    for x, y, lean in ((950, 690, 9), (1080, 700, -14), (1200, 690, 12), (1320, 700, -16), (1430, 690, 13)):
        first = with_mover(first, x, y, 40, 0, 0)
        second = with_mover(second, x, y, 40, lean, 0)
    measure, verdict = assess_pictures("panorama", [taken(first[:, :1500], seed=1), taken(second[:, 900:], seed=2)])
    assert verdict.outlook in ("hard", "lost")
    assert (measure.pairs[0].sway_max_px or 0.0) > 10


def noise_of_sizes(seed: int, sizes: tuple[float, ...], shape: tuple[int, int]) -> Picture:
    """A sum of soft noises, one of each size in pixels, each of a root mean square near one."""
    rng = np.random.default_rng(seed)
    made = np.zeros(shape, np.float32)
    for size in sizes:
        coarse = rng.normal(0, 1, (int(shape[0] / size) + 2, int(shape[1] / size) + 2)).astype(np.float32)
        made += cv2.resize(coarse, shape[::-1], interpolation=cv2.INTER_CUBIC)
    return made


def turned_along_a_lake(waves: tuple[int, int]) -> list[np.ndarray]:
    """Two views of a lake under a level skyline, by a camera that turned over a third of what it sees."""
    shape, focal, turn = (1500, 4000), 1800.0, 0.56
    ground = 65 + 10 * noise_of_sizes(1, (1.5, 3, 6, 14), shape)
    pictures = []
    for view, seed in enumerate(waves):
        scene = np.full(shape, 170, np.float32)
        scene[640:] = ground[640:]
        scene[820:1000] = (95 + 12 * noise_of_sizes(seed, (4, 9, 20), shape))[820:1000]
        ys, xs = np.mgrid[:1200, :1800].astype(np.float32)
        xs, ys = (xs - 899.5) / focal, (ys - 599.5) / focal
        along = (np.arctan(xs) + (view - 0.5) * turn) * focal + shape[1] / 2
        down = ys / np.hypot(xs, 1) * focal + shape[0] / 2
        pictures.append(taken(cv2.remap(scene, along.astype(np.float32), down.astype(np.float32), cv2.INTER_CUBIC)))
    return pictures


def test_views_are_joined_by_what_fits_closely_and_not_by_a_skyline_laid_on_itself() -> None:
    """Laid over each other, views agree in their skyline more or less, and in more windows than overlap truly."""
    measure, verdict = assess_pictures("panorama", turned_along_a_lake(waves=(1002, 1003)))
    assert measure.overlap_pct == pytest.approx(41, abs=3)
    assert verdict.outlook == "clean", verdict.reasons


def test_a_little_parallax_is_touched_up() -> None:
    _, verdict = assess_pictures("panorama", views(WIDE, nearness_px=2.6))
    assert verdict.outlook in ("clean", "touch-up")


def test_a_head_that_moved_in_the_overlap_is_sway() -> None:
    first = taken(with_mover(WIDE, 1200, 800, 60, 0, 0)[:, :1500], seed=1)
    second = taken(with_mover(WIDE, 1200, 800, 60, 9, -4)[:, 900:2400], seed=2)
    measure, _ = assess_pictures("panorama", [first, second])
    assert measure.pairs[0].sway_max_px == pytest.approx(np.hypot(9, 4), abs=0.5)
    assert (measure.pairs[0].parallax_px or 0.0) < 2


def test_views_that_share_nothing_are_unknown_not_lost() -> None:
    other = landscape(1500, photograph="flower.jpg")
    _, verdict = assess_pictures("panorama", [taken(WIDE[:, :1500], seed=1), taken(other, seed=2)])
    assert verdict.outlook == "unknown"


@pytest.mark.parametrize("turn_deg", [20.0, 42.0, 55.0])
def test_wide_views_share_what_the_turn_leaves_even_where_a_corner_lies_behind_the_other_camera(
    turn_deg: float,
) -> None:
    grid = TileGrid(rows=80, cols=120, tile_px=10)
    focal, half = 560.0, (599.5, 399.5)
    lens = np.array([[focal, 0, half[0]], [0, focal, half[1]], [0, 0, 1]])
    turn = np.deg2rad(turn_deg)
    rotation = np.array([[np.cos(turn), 0, np.sin(turn)], [0, 1, 0], [-np.sin(turn), 0, np.cos(turn)]])
    b_to_a = lens @ rotation @ np.linalg.inv(lens)
    carried = to_grid_of_a(np.ones(grid.shape, np.float32), b_to_a / b_to_a[2, 2], grid, grid)
    # On the horizon, b's left edge lies its half angle of view left of where the camera turned to.
    left = half[0] + focal * np.tan(turn - np.arctan(half[0] / focal))
    first = np.flatnonzero(np.isfinite(carried[40]))[0]
    assert first * 10 == pytest.approx(left, abs=15)
    assert np.isfinite(carried[40, first:]).all()


def test_a_view_joined_to_each_neighbour_by_another_exposure_is_measured() -> None:
    bright = [WIDE[:, :1100], WIDE[:, 650:1750]]
    calm = with_mover(WIDE, 1500, 800, 60, 0, 0)[:, 650:1750]
    dark = [0.4 * calm, 0.4 * with_mover(WIDE, 1500, 800, 60, 9, -4)[:, 1300:2400]]
    lumas = {n: taken(p, seed=i) for i, (n, p) in enumerate(zip("ABCD", [*bright, *dark], strict=True))}
    made = {n: scored(n, luma) for n, luma in lumas.items()}
    views_of = FrameSet("A~panorama", None, 1, 1, "panorama", ("A", "B~bracket", "D"), ("A", "B", "C", "D"))
    bracket = FrameSet("B~bracket", "A~panorama", 2, 1, "bracket", ("B", "C"), ("B", "C"))
    grouping = Grouping((views_of, bracket), {n: Placement(n, "A~panorama") for n in "AD"})
    planes = Kept(lumas, {n: m[1].work for n, m in made.items()})
    measure = measure_set(
        views_of, grouping, {n: m[0] for n, m in made.items()}, {n: m[1].score for n, m in made.items()},
        planes, SETTINGS.assess,
    )  # fmt: skip
    assert [(p.frame_a, p.frame_b) for p in measure.pairs] == [("A", "B"), ("C", "D")]
    second = measure.pairs[1]
    assert second.sway_max_px == pytest.approx(np.hypot(9, 4), abs=0.5)
    assert second.crops is not None


@pytest.mark.parametrize("noise", [0.5, 1.5])
@pytest.mark.parametrize("seed", [0, 1])
def test_few_windows_that_agree_beat_many_that_do_not(noise: float, seed: int, sample_shoot: Path) -> None:
    """Two views of the sample share 38 %; a false place where they share more finds as many windows by chance."""
    truth = json.loads((sample_shoot / "truth.json").read_text())
    pair = next(p for p in truth["pairs"] if p["relation"] == "view")
    rng = np.random.default_rng(seed)
    pyramids = []
    for name in (pair["frame_a"], pair["frame_b"]):
        plane = cv2.imread(str(sample_shoot / f"{name}.JPG"), cv2.IMREAD_GRAYSCALE)
        shown = cv2.resize(plane, (1500, 1000), interpolation=cv2.INTER_AREA)
        pyramids.append(build_pyramid(np.clip(shown + rng.normal(0, noise, shown.shape), 0, 255).astype(np.uint8), 1))
    mapping = align_pair(pyramids[0], pyramids[1], (1500, 1000), (1500, 1000), True, SETTINGS.assess).mapping
    assert not mapping.failed
    assert mapping.shift_x_px == pytest.approx(pair["shift_x_px"] * 1500 / 1800, abs=10)
    assert mapping.shift_y_px == pytest.approx(pair["shift_y_px"] * 1500 / 1800, abs=10)


def test_narrow_overlaps_of_small_views_are_joined() -> None:
    """Views of 900 px that share two ninths: on the level of the other pairs that is a strip of a few windows."""
    small = cv2.resize(WIDE, None, fx=0.75, fy=0.75, interpolation=cv2.INTER_AREA)
    first, second = small[:500, :900], small[:500, 700:1600]
    measure, verdict = assess_pictures("panorama", [taken(first, 3.0, 1), taken(second, 3.0, 2)])
    assert verdict.outlook != "unknown", verdict.reasons
    assert measure.pairs[0].mapping.shift_x_px == pytest.approx(700, abs=0.5)


def test_a_head_that_moved_where_two_rows_meet_is_found_though_other_views_came_between() -> None:
    """Shot there and back, the second row above the first: the first and the last view share a seam."""
    still = with_mover(WIDE, 420, 800, 60, 0, 0)
    moved = with_mover(WIDE, 420, 800, 60, 11, -5)
    corners = [(0, 700), (900, 700), (900, 0), (0, 0)]
    pictures = [
        taken((moved if i == 3 else still)[y : y + 1000, x : x + 1500], seed=i) for i, (x, y) in enumerate(corners)
    ]
    measure, verdict = assess_pictures("panorama", pictures)
    seam = next(p for p in measure.pairs if (p.frame_a, p.frame_b) == ("TEST0001", "TEST0004"))
    assert seam.sway_max_px == pytest.approx(np.hypot(11, 5), abs=0.5)
    assert verdict.outlook == "hard"
    assert any("views 1 and 4" in reason for reason in verdict.reasons)


@pytest.mark.parametrize("size", [(1500, 1000), (1499, 999)], ids=str)
def test_views_that_share_a_narrow_strip_are_lined_up_whatever_their_size(size: tuple[int, int]) -> None:
    """1500 x 1000 suits a Fourier transform, as 6000 x 4000 does, and used to be windowed before features were sought:
    at the borders, where views overlap, none were left.
    """
    width, height = size
    wide, step = landscape(3000), round(0.8 * width)
    views = [taken(wide[500 : 500 + height, x : x + width], noise=3.0, seed=x) for x in (0, step)]
    measure, verdict = assess_pictures("panorama", views)
    mapping = measure.pairs[0].mapping
    assert not mapping.failed, mapping.reason
    assert mapping.shift_x_px == pytest.approx(step, abs=0.3)
    assert verdict.outlook == "clean", verdict.reasons
