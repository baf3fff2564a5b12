"""Brackets whose frames hold little in common because nothing shows there: no reason to call them unknown."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from layered_scenes import Picture, assess_pictures, landscape, taken, with_mover
from numpy.typing import NDArray

MEADOW = landscape()


def under_a_night_sky(scene: Picture) -> Picture:
    """The lower third of a scene under a plain sky that brightens towards the horizon."""
    height = scene.shape[0]
    picture = scene.copy()
    sky = np.linspace(90, 170, 2 * height // 3, dtype=np.float32)
    picture[: len(sky)] = sky[:, None]
    return picture


def with_camera_noise(picture: Picture, strength: float, seed: int) -> NDArray[np.uint8]:
    """Noise as processing leaves it: smoothed over neighbouring pixels, twice as strong towards the corners."""
    rng = np.random.default_rng(seed)
    height, width = picture.shape
    ys, xs = np.mgrid[-1 : 1 : height * 1j, -1 : 1 : width * 1j]
    grain = cv2.GaussianBlur(rng.normal(0, 1, picture.shape), (0, 0), 0.8)
    noisy = picture + (strength / grain.std()) * (1 + (xs**2 + ys**2) / 2) * grain
    return np.clip(noisy, 0, 255).astype(np.uint8)


def test_a_noisy_sky_that_holds_nothing_leaves_a_calm_bracket_clean() -> None:
    bright = under_a_night_sky(MEADOW)
    _, verdict = assess_pictures(
        "bracket", [with_camera_noise(0.75 * bright, 4.0, 1), with_camera_noise(bright, 3.0, 2)]
    )
    assert verdict.outlook == "clean", verdict.reasons


def test_a_head_that_moved_under_the_noisy_sky_is_found_all_the_same() -> None:
    still, moved = (under_a_night_sky(with_mover(MEADOW, 700, 780, 60, dx, 0)) for dx in (0, 11))
    _, verdict = assess_pictures(
        "bracket", [with_camera_noise(0.75 * still, 4.0, 1), with_camera_noise(moved, 3.0, 2)]
    )
    assert verdict.sway_max_px == pytest.approx(11, abs=1.5)
    assert verdict.outlook in ("touch-up", "hard"), verdict.reasons


def test_a_bloom_that_left_a_plain_place_is_no_plain_place() -> None:
    ground = under_a_night_sky(MEADOW)
    bloom = with_mover(ground, 700, 300, 60, 0, 0)
    measure, _ = assess_pictures("burst", [taken(bloom, 1.0, 1), taken(ground, 1.0, 2)])
    field = measure.pairs[0].field
    assert field is not None
    row, col = (int(v // field.grid.tile_px) for v in (300, 700))
    assert field.textured[row, col] and field.changed[row, col] > 0.5


def test_a_frame_that_is_all_white_takes_no_part_and_hides_nothing() -> None:
    white = np.clip(200 + 4 * MEADOW, 0, 255)
    measure, verdict = assess_pictures(
        "bracket", [taken(0.5 * MEADOW, seed=1), taken(MEADOW, seed=2), taken(white, seed=3)]
    )
    assert measure.pairs[-1].mapping.failed
    assert verdict.outlook == "clean", verdict.reasons


def test_a_frame_that_is_white_but_for_its_darkest_places_is_lined_up_by_those() -> None:
    portrait = MEADOW[:, : MEADOW.shape[0] * 2 // 3]
    burnt = np.clip(255 - 6 * np.maximum(np.percentile(portrait, 22) - portrait, 0), 0, 255).astype(np.float32)
    assert 0.19 < (burnt < 250).mean() < 0.23
    measure, _ = assess_pictures("bracket", [taken(portrait, seed=1), taken(burnt, seed=2)])
    mapping = measure.pairs[0].mapping
    assert not mapping.failed and mapping.shift_px < 0.3
