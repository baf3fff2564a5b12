"""Smear read off one frame: real textures moved by a known amount, sharp and defocused ones, the sample's tuft."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

import cv2
import numpy as np
import pytest

from smear_scenes import blurred, picture
from windstill.imaging import decode
from windstill.records import FrameScore
from windstill.scan import scan_shoot
from windstill.score.noise import immerkaer_sigma
from windstill.score.smear import SmearMaps, blind_smear, summarise
from windstill.score.tiles import grid_for
from windstill.settings import Settings

SETTINGS = Settings()
TEXTURES = ("coffee", "coins", "flower", "grass", "gravel")


def smear_of(plane: np.ndarray, noise: float = 1.0) -> tuple[float | None, float | None, float | None]:
    noisy = plane + np.random.default_rng(7).normal(0, noise, plane.shape)
    seen = np.clip(noisy, 0, 255).astype(np.uint8)
    grid = grid_for(seen.shape[1], seen.shape[0], 1, SETTINGS.score)
    usable = np.ones(grid.shape, bool)
    return summarise(blind_smear(seen, grid, 1, usable, immerkaer_sigma(seen), SETTINGS.score), usable)


@pytest.mark.parametrize("name", TEXTURES)
@pytest.mark.parametrize(("length", "angle", "profile"), [(8.0, 30.0, "uniform"), (15.0, 160.0, "swing")])
def test_a_shaken_frame_is_told_with_length_and_direction(
    name: str, length: float, angle: float, profile: Literal["uniform", "swing"]
) -> None:
    # A swing rests at its ends and reads about a fifth longer than a uniform motion: known and stated.
    smear, turned, shake = smear_of(blurred(picture(name), length, angle, profile=profile))
    assert smear is not None and turned is not None
    assert smear == pytest.approx(length, rel=0.25)
    assert abs((turned - angle + 90) % 180 - 90) < 5
    assert shake is None or shake == pytest.approx(length, rel=0.25)


@pytest.mark.parametrize("name", (*TEXTURES, "brick", "camera", "rocket"))
@pytest.mark.parametrize("disc", [0.0, 4.0, 9.0])
def test_sharp_and_defocused_frames_are_not_called_smeared(name: str, disc: float) -> None:
    smear, _, shake = smear_of(blurred(picture(name), disc_px=disc))
    assert smear in (None, 0.0)
    assert shake in (None, 0.0)


def test_an_edge_aligned_texture_is_not_called_smeared() -> None:
    """Grasses: long in one direction by nature, crisp across it."""
    rng = np.random.default_rng(3)
    blades = np.full((600, 800), 60, np.uint8)
    for _ in range(2500):
        x, y, lean, long = rng.integers(0, 800), rng.integers(0, 600), rng.normal(0, 0.15), rng.integers(25, 90)
        tip = (int(x + lean * long), int(y - long))
        cv2.line(blades, (int(x), int(y)), tip, int(rng.integers(50, 190)), 2, cv2.LINE_AA)
    smear, _, _ = smear_of(blades)
    assert smear in (None, 0.0)


@pytest.mark.parametrize(("across", "down"), [(2.0, 0.8), (3.0, 1.5), (5.0, 1.5), (8.0, 2.0), (12.0, 4.0)])
@pytest.mark.parametrize("strength", [9, 25])
def test_softness_along_one_direction_is_not_called_smeared(across: float, down: float, strength: float) -> None:
    """Waves, clouds: before, two in three such textures were said to be smeared by 4 to 22 px."""
    soft = np.random.default_rng(1).normal(0, 1, (700, 1000)).astype(np.float32)
    soft = cv2.GaussianBlur(soft, (0, 0), across, sigmaY=down)
    smear, _, shake = smear_of((110 + strength * soft / soft.std()).astype(np.float32), noise=0.8)
    assert smear in (None, 0.0)
    assert shake in (None, 0.0)


def scored(sample_shoot: Path, ending: str) -> FrameScore:
    from windstill.score import score_frame

    found = next(f for f in scan_shoot(sample_shoot, SETTINGS.scan).frames if f.name.endswith(ending))
    decoded = decode(sample_shoot / found.pixels_from, found.camera.orientation, SETTINGS.imaging)
    return score_frame(found, decoded, SETTINGS.score).score


def test_heads_swinging_in_the_wind_are_told_from_the_still_ground(sample_shoot: Path) -> None:
    tuft = scored(sample_shoot, "0016")  # truth.json: 13.2 px, along 0 degrees, no shake
    assert tuft.frame_smear_px == pytest.approx(13.2, rel=0.25)
    assert tuft.frame_smear_angle_deg is not None
    assert abs((tuft.frame_smear_angle_deg + 90) % 180 - 90) < 10
    moved = tuft.smear_px > 0
    assert moved.mean() < 0.15  # the heads, not the picture
    assert tuft.shake_px in (None, 0.0)


@pytest.mark.parametrize("ending", ["0001", "0003", "0014", "0017"])
def test_calm_frames_of_the_sample_are_not(sample_shoot: Path, ending: str) -> None:
    assert scored(sample_shoot, ending).frame_smear_px in (None, 0.0)


@pytest.mark.parametrize(("still_share", "said"), [(0.9, 0.0), (0.5, None), (0.15, None)])
def test_no_smear_is_only_said_of_a_frame_whose_detail_tells(still_share: float, said: float | None) -> None:
    """Heads may be smeared that nothing tells of: a strip of crisp ground at the foot does not speak for them."""
    confidence = np.zeros((60, 80), np.float32)
    confidence[round(60 * (1 - still_share)) :] = 0.9
    nothing = np.zeros_like(confidence)
    assert summarise(SmearMaps(nothing, nothing, confidence), np.ones((60, 80), bool))[0] == said
