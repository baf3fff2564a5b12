"""Waves that are others in every frame: changed, no sway and no reason to know nothing of what stands about them."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from layered_scenes import Picture, assess_pictures, landscape, taken
from test_passing_sky_and_water import noise

SCENE = landscape(photograph="flower.jpg")
HEIGHT, WIDTH = SCENE.shape
SKYLINE, HORIZON, SHORE = HEIGHT // 10, HEIGHT // 4, HEIGHT - 50


def lake(seed: int, across: float = 9.0, down: float = 2.0) -> Picture:
    """A strip of land under a plain sky, much water with waves of its own, and a shore."""
    picture = SCENE.copy()
    picture[:SKYLINE] = 170
    picture[HORIZON:SHORE] = 110 + noise(seed, across, down, 25)[HORIZON:SHORE]
    return picture


def test_a_lake_whose_waves_are_others_in_every_frame_has_changed_and_all_else_is_known() -> None:
    frames = [taken(lake(50 + k), noise=1.0, seed=k) for k in range(3)]
    measure, verdict = assess_pictures("burst", frames)
    assert verdict.outlook == "clean", verdict.reasons
    field = measure.pairs[0].field
    assert field is not None
    rows = (np.arange(field.grid.rows) + 0.5) * field.grid.tile_px
    water = (rows > HORIZON + 30) & (rows < SHORE - 60)
    assert (field.changed[water] > 0.5).mean() > 0.9
    assert (field.changed[rows > SHORE + 20] > 0.5).mean() < 0.1


def test_a_meadow_that_is_not_found_again_is_no_water() -> None:
    """Blades stand upright: what a gale did to them is not known."""
    frames = [taken(lake(60 + k, 2.0, 9.0), noise=1.0, seed=k) for k in range(2)]
    measure, _ = assess_pictures("burst", frames)
    field = measure.pairs[0].field
    assert field is not None
    rows = (np.arange(field.grid.rows) + 0.5) * field.grid.tile_px
    meadow = (rows > HORIZON + 30) & (rows < SHORE - 60)
    assert field.textured[meadow].mean() > 0.8
    assert (field.changed[meadow] == 1).mean() < 0.1


def test_still_reeds_before_waves_have_not_moved_along_themselves() -> None:
    frames = []
    for k in range(4):
        picture = lake(70 + k)
        for x in range(120, WIDTH - 100, 90):
            cv2.line(picture, (x, SHORE), (x + 6, HORIZON + 120), 25, 4, cv2.LINE_AA)
        frames.append(taken(picture, noise=1.0, seed=k))
    _, verdict = assess_pictures("burst", frames)
    assert (verdict.sway_max_px or 0) < 2, verdict.reasons


@pytest.mark.parametrize("by_px", [6.0, 12.0])
def test_a_head_that_swings_before_waves_is_still_measured(by_px: float) -> None:
    head = SCENE[200:320, 400:520] - SCENE[200:320, 400:520].mean() + 200
    round_ = cv2.circle(np.zeros(head.shape, np.float32), (60, 60), 55, 1.0, -1, cv2.LINE_AA)
    frames = []
    for k in range(2):
        picture, left = lake(80 + k), 440 + round(by_px * k)
        at = np.s_[330:450, left : left + 120]
        picture[at] = picture[at] * (1 - round_) + head * round_
        frames.append(taken(picture, noise=1.0, seed=k))
    _, verdict = assess_pictures("burst", frames)
    assert verdict.sway_max_px == pytest.approx(by_px, abs=1), verdict.reasons
