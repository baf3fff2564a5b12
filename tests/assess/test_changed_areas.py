"""What changed without moving, or moved without showing: waves, veils of cloud, grain. None of it is sway."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
from layered_scenes import Picture, assess_pictures, landscape, taken, with_mover
from numpy.typing import NDArray

HORIZON = Path(__file__).parents[1] / "data" / "horizon"
SCENE = landscape()
HEIGHT = SCENE.shape[0]


def soft(seed: int, size: tuple[float, float], strength: float) -> Picture:
    """Noise of a size in pixels across and down, of a root mean square."""
    made = np.random.default_rng(seed).normal(0, 1, SCENE.shape).astype(np.float32)
    made = cv2.GaussianBlur(made, (0, 0), size[0], sigmaY=size[1])
    return (made * (strength / made.std())).astype(np.float32)


def as_jpeg(picture: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """What a camera keeps of a picture."""
    packed = cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, 90])[1]
    return np.asarray(cv2.imdecode(packed, cv2.IMREAD_GRAYSCALE), np.uint8)


def sea(seed: int, waves: tuple[float, float] = (5.0, 1.5)) -> Picture:
    """A bright sky over a dark sea of other waves for every seed; a still shore below."""
    picture = SCENE.copy()
    horizon, shore = HEIGHT // 3, 2 * HEIGHT // 3
    picture[:horizon] = 180 + soft(99, (1.5, 1.5), 3)[:horizon]
    picture[horizon:shore] = 95 + soft(seed, waves, 9)[horizon:shore]
    return picture


def test_waves_under_a_horizon_have_changed_and_not_moved() -> None:
    measure, verdict = assess_pictures("burst", [taken(sea(k), seed=k) for k in range(3)])
    assert verdict.outlook in ("clean", "unknown"), verdict.reasons
    field = measure.pairs[0].field
    assert field is not None
    rows = (np.arange(field.grid.rows) + 0.5) * field.grid.tile_px
    waves = (rows > 0.36 * HEIGHT) & (rows < 0.63 * HEIGHT)
    known = field.textured & (field.confidence >= 0.5)
    assert known[waves].mean() < 0.1
    assert (field.changed[waves] > 0.3).mean() > 0.5
    assert known[rows > 0.7 * HEIGHT].mean() > 0.8
    assert np.median(field.changed[rows > 0.7 * HEIGHT]) < 0.1


def test_a_horizon_at_rest_does_not_slide_with_waves_that_seem_to_have_moved() -> None:
    """Some of the waves resemble others beside them; the horizon agrees wherever along it one looks."""
    frames = [cv2.imread(str(HORIZON / f"focus_{k}.jpg"), cv2.IMREAD_GRAYSCALE) for k in (3, 4)]
    assert all(frame is not None for frame in frames)
    measure, verdict = assess_pictures("stack", [np.asarray(frame, np.uint8) for frame in frames])
    assert (measure.pairs[0].sway_max_px or 0) < 2
    assert verdict.outlook == "clean", verdict.reasons


@pytest.mark.parametrize("crop", [(206, 55, 544, 320), (178, 15, 336, 318), (43, 47, 364, 267)])
def test_one_of_many_waves_that_resembles_another_has_not_moved(crop: tuple[int, int, int, int]) -> None:
    """Where hundreds of tiles show other waves than before, some find the like of theirs near by."""
    x, y, width, height = crop
    frames = [np.asarray(cv2.imread(str(HORIZON / f"focus_{k}.jpg"), cv2.IMREAD_GRAYSCALE), np.uint8) for k in (3, 4)]
    cut = [np.ascontiguousarray(frame[y : y + height, x : x + width]) for frame in frames]
    measure, verdict = assess_pictures("burst", cut)
    assert (measure.pairs[0].sway_max_px or 0) < 2
    assert verdict.outlook == "clean", verdict.reasons


@pytest.mark.parametrize("waves", [(6.0, 3.0), (12.0, 6.0)])
def test_soft_waves_that_resemble_others_far_off_have_not_moved(waves: tuple[float, float]) -> None:
    """Soft detail is found again anywhere by chance; before, such a sea was said to move by 20 to 70 px."""
    measure, verdict = assess_pictures("burst", [taken(sea(k, waves), noise=3.0, seed=k) for k in range(2)])
    assert verdict.outlook in ("clean", "unknown"), verdict.reasons
    assert (measure.pairs[0].sway_max_px or 0.0) < 1


def test_three_tiles_that_share_a_corner_do_not_bear_each_other_out() -> None:
    """They are tried by the one window there: the like of a wave that it finds by chance it finds for all three."""
    _, verdict = assess_pictures("burst", [taken(sea(k, (6.0, 3.0)), seed=k - 10) for k in (10, 11)])
    assert verdict.outlook == "clean", verdict.reasons


def test_a_veil_of_cloud_under_another_fall_off_of_light_has_not_moved() -> None:
    veil = 170 + soft(5, (14, 9), 3)
    frames = []
    for k in range(2):
        picture = SCENE.copy()
        light = 1 + 0.03 * k * soft(6 + k, (25, 25), 0.3)
        picture[: HEIGHT // 2] = (veil * light)[: HEIGHT // 2]
        frames.append(as_jpeg(taken(picture, noise=0.7, seed=k)))
    measure, verdict = assess_pictures("burst", frames)
    assert verdict.outlook == "clean", verdict.reasons
    assert (measure.pairs[0].sway_max_px or 0.0) < 1


def test_grain_in_a_plain_sky_has_not_moved() -> None:
    frames = []
    for k in range(2):
        picture = SCENE.copy()
        picture[: HEIGHT // 2] = 150 + soft(4, (3, 3), 1.5)[: HEIGHT // 2]
        grain = cv2.GaussianBlur(soft(20 + k, (0.6, 0.6), 1.5), (0, 0), 0.6)
        frames.append(as_jpeg(taken(picture + grain, noise=0.5, seed=k)))
    measure, _ = assess_pictures("burst", frames)
    assert (measure.pairs[0].sway_max_px or 0.0) < 1


def test_a_faint_head_that_shows_has_moved() -> None:
    plain = SCENE.copy()
    plain[: HEIGHT // 2] = 150 + soft(4, (2.0, 2.0), 5)[: HEIGHT // 2]
    moved = [with_mover(plain, 700, 250, 55, dx, 0) * 0.5 + 0.5 * plain for dx in (0, 7)]
    measure, _ = assess_pictures("burst", [taken(m, noise=0.7, seed=k) for k, m in enumerate(moved)])
    largest = measure.pairs[0].sway_max_px
    assert largest is not None and abs(largest - 7) < 1


def under_a_veil(strength: float, noise: float) -> list[NDArray[np.uint8]]:
    """Two frames between which a veil of cloud, so many steps strong, moved on by 12 px."""
    veil = 200 + soft(5, (9, 7), strength)
    frames = []
    for k in range(2):
        picture = SCENE.copy()
        picture[: HEIGHT // 2] = np.roll(veil, 12 * k, axis=1)[: HEIGHT // 2]
        frames.append(as_jpeg(taken(picture, noise=noise, seed=k)))
    return frames


@pytest.mark.parametrize("strength", [1.0, 1.5])
def test_a_veil_too_faint_to_see_has_not_moved_at_the_rim_either(strength: float) -> None:
    """Where a window at rest does not fit into the picture it was not known how little differs there."""
    measure, _ = assess_pictures("burst", under_a_veil(strength, noise=2.0))
    field = measure.pairs[0].field
    assert field is not None
    claimed = field.textured & (field.confidence >= 0.5) & (np.hypot(field.sway_x_px, field.sway_y_px) > 2)
    assert not claimed.any()


@pytest.mark.parametrize(
    ("strength", "noise"), [(3.0, 1.0), (6.0, 2.0)], ids=["shows here and there", "seems fine by the grain in it"]
)
def test_a_veil_that_hardly_shows_moves_on_as_a_sky_does(strength: float, noise: float) -> None:
    measure, verdict = assess_pictures("burst", under_a_veil(strength, noise))
    assert verdict.outlook == "clean", verdict.reasons
    assert (measure.pairs[0].sway_max_px or 0.0) < 2


def test_a_plain_sky_is_as_plain_at_the_rim() -> None:
    """Where a window does not fit into the picture nothing is measured: where all looks alike, nothing need be."""
    frames = []
    for k in range(2):
        picture = SCENE.copy()
        picture[: HEIGHT // 2] = 150 + soft(4, (2, 2), 1.3)[: HEIGHT // 2]
        frames.append(as_jpeg(taken(picture, noise=1.2, seed=k)))
    field = assess_pictures("burst", frames)[0].pairs[0].field
    assert field is not None
    assert not (field.textured & (field.confidence < 0.5))[0].any()


def test_a_head_that_the_rim_cuts_has_moved() -> None:
    moved = [with_mover(SCENE, 700, 4, 60, dx, 0) for dx in (0, 9)]
    measure, _ = assess_pictures("burst", [taken(m, noise=0.7, seed=k) for k, m in enumerate(moved)])
    assert measure.pairs[0].sway_max_px == pytest.approx(9, abs=1)
