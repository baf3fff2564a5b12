"""Clouds that drift by themselves, under noise, or over water: no subject's sway, and not the camera's shift either."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
import pytest
from layered_scenes import Picture, assess_pictures, landscape, taken
from test_passing_sky_and_water import clouds, noise

SCENE = landscape(photograph="flower.jpg")
HEIGHT, WIDTH = SCENE.shape
SKYLINE = HEIGHT // 2
Cloud = tuple[float, float, float]  # x, y, half of its width


def fair(clouds: Sequence[Cloud], roll: float) -> Picture:
    """Clouds in a plain sky, moved on by `roll` pixels, over still ground."""
    y, x = np.mgrid[:SKYLINE, :WIDTH].astype(np.float32)
    ragged = noise(11, 12, 8, 0.45, roll)[:SKYLINE] + noise(12, 4, 3, 0.2, roll)[:SKYLINE]
    depth = np.max([1 - np.hypot((x - cx - roll) / r, (y - cy) / (0.45 * r)) for cx, cy, r in clouds], axis=0)
    picture = SCENE.copy()
    picture[:SKYLINE] = 120 + 60 * y / SKYLINE + 40 * np.clip(1.5 * depth + ragged, 0, 1) * (depth > -0.6)
    return picture


def swinging(heads: Sequence[Cloud], by_px: float, stem_px: int, blur_px: float) -> Picture:
    """Round soft heads before a plain sky, on stems that stand in the ground."""
    there, tone = np.zeros((2, HEIGHT, WIDTH), np.float32)
    for cx, cy, r in heads:
        if stem_px:
            line = np.array([(cx + by_px * (1 - t) ** 2, cy + t * (SKYLINE + 30 - cy)) for t in np.linspace(0, 1, 20)])
            cv2.polylines(there, [np.round(16 * line).astype(np.int32)], False, 1.0, stem_px, cv2.LINE_AA, 4)
        tone[there > 0] = 60
        head = np.zeros_like(there)
        cv2.circle(head, (round(16 * (cx + by_px)), round(16 * cy)), round(16 * r), 1.0, -1, cv2.LINE_AA, 4)
        tone[head > 0] = 90 + noise(13, 5, 5, 10, by_px)[head > 0]
        there = np.maximum(there, head)
    picture = SCENE.copy()
    picture[:SKYLINE] = np.linspace(120, 180, SKYLINE)[:, None]
    shade, cover = (cv2.GaussianBlur(m, (0, 0), blur_px) for m in (tone * there, there))
    return (picture * (1 - cover) + shade).astype(np.float32)


@pytest.mark.parametrize(
    ("clouds", "rolls"),
    [
        (((420, 150, 120),), (0, 8)),
        (((150, 110, 50), (400, 200, 60), (620, 90, 40), (830, 170, 55)), (0, 11)),
        (((500, 130, 45),), (0, 6, 12)),
    ],
    ids=["one that is wide", "several", "one that drifts on"],
)
def test_clouds_by_themselves_in_a_plain_sky_are_no_sway(clouds: Sequence[Cloud], rolls: Sequence[float]) -> None:
    frames = [taken(fair(clouds, roll), noise=1.0, seed=k) for k, roll in enumerate(rolls)]
    _, verdict = assess_pictures("burst", frames)
    assert verdict.outlook == "clean", verdict.reasons
    assert (verdict.sway_max_px or 0) < 2
    assert any("the sky moves on by" in reason for reason in verdict.reasons), verdict.reasons


@pytest.mark.parametrize("blur_px", [2.0, 4.0])
def test_soft_heads_on_stems_before_a_plain_sky_are_no_clouds(blur_px: float) -> None:
    heads = ((200, 150, 30), (480, 120, 40), (760, 180, 25))
    frames = [taken(swinging(heads, by_px, 4, blur_px), noise=1.0, seed=k) for k, by_px in enumerate((0, 9))]
    _, verdict = assess_pictures("burst", frames)
    assert verdict.sway_max_px == pytest.approx(9, abs=1), verdict.reasons


def test_what_swings_back_is_no_cloud_though_nothing_is_seen_to_hold_it() -> None:
    frames = [taken(swinging(((480, 120, 30),), x, 0, 4.0), noise=1.0, seed=k) for k, x in enumerate((0, 9, 2))]
    _, verdict = assess_pictures("burst", frames)
    assert verdict.sway_max_px == pytest.approx(9, abs=1), verdict.reasons


def test_clouds_under_coarse_noise_are_clouds() -> None:
    """As a camera leaves noise it has smoothed: too coarse for the finest details to tell of it."""
    frames = []
    for k, (roll, light, strength) in enumerate(((0.0, 1.1, 1.5), (6.0, 0.45, 3.0))):
        grain = noise(20 + k, 0.9, 0.9, strength)
        frames.append(taken(light * clouds(roll) + grain, noise=0.3, seed=k))
    _, verdict = assess_pictures("bracket", frames)
    assert (verdict.sway_max_px or 0) < 2, verdict.reasons
    assert verdict.outlook == "clean", verdict.reasons


def over_water(camera_px: float, roll: float, seed: int) -> Picture:
    """Clouds over a narrow skyline, much water that is another in each frame, and a shore."""
    picture = clouds(roll)
    picture[SKYLINE + 60 : HEIGHT - 60] = 100 + noise(seed, 6, 1.5, 14)[SKYLINE + 60 : HEIGHT - 60]
    shift = np.array([[1, 0, camera_px], [0, 1, 0]], np.float32)
    return cv2.warpAffine(picture, shift, (WIDTH, HEIGHT), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)


def test_frames_are_lined_up_by_the_shore_and_not_by_the_clouds() -> None:
    frames = [taken(over_water(x, roll, 30 + k), noise=1.0, seed=k) for k, (x, roll) in enumerate(((0, 0), (5, -9)))]
    measure, verdict = assess_pictures("burst", frames)
    assert measure.pairs[0].mapping.shift_x_px == pytest.approx(-5, abs=0.3)
    assert (verdict.sway_max_px or 0) < 2, verdict.reasons
