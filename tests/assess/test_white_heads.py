"""Blown-out heads: their outline tells that they moved; a clipped sky's rim moves with the light alone."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from layered_scenes import Picture, assess_pictures, landscape, taken

SCENE = landscape()


def with_daisy(scene: Picture, x: float, y: float, radius: float) -> Picture:
    """A head of twelve rays, twice as bright as white is."""
    reach = int(radius) + 3
    left, top = int(x) - reach, int(y) - reach
    box = np.s_[top : top + 2 * reach, left : left + 2 * reach]
    ys, xs = np.mgrid[top : top + 2 * reach, left : left + 2 * reach].astype(np.float32)
    away, angle = np.hypot(xs - x, ys - y), np.arctan2(ys - y, xs - x)
    rays = radius * (0.8 + 0.2 * np.cos(12 * angle))
    cover = np.clip(rays + 0.5 - away, 0, 1)
    picture = scene.copy()
    picture[box] = scene[box] * (1 - cover) + 510 * cover
    return picture


@pytest.mark.parametrize("kind", ["burst", "panorama"])
def test_a_white_head_that_moved_has_moved(kind: str) -> None:
    places = [(700, 620), (709, 616)]
    pictures = [taken(with_daisy(SCENE, *place, 40), seed=k) for k, place in enumerate(places)]
    measure, verdict = assess_pictures(kind, pictures)
    assert measure.pairs[0].sway_max_px == pytest.approx(np.hypot(9, 4), abs=1)
    assert verdict.outlook in ("touch-up", "hard"), verdict.reasons


def test_a_white_head_that_stood_still_has_not_moved() -> None:
    measure, verdict = assess_pictures("burst", [taken(with_daisy(SCENE, 700, 620, 40), seed=k) for k in range(2)])
    assert (measure.pairs[0].sway_max_px or 0.0) < 1
    assert verdict.outlook == "clean", verdict.reasons


def test_the_rim_of_a_clipped_glow_that_shrinks_with_the_light_has_not_moved() -> None:
    ys, xs = np.mgrid[: SCENE.shape[0], : SCENE.shape[1]].astype(np.float32)
    glow = 330 * np.exp(-(np.hypot(xs - 750, ys - 300) / 260) ** 2)
    clouds = cv2.GaussianBlur(np.random.default_rng(3).normal(0, 1, SCENE.shape), (0, 0), 9)
    sky = glow * (1 + 0.05 * clouds / clouds.std()) + 60
    frames = []
    for k, light in enumerate((1.0, 0.93)):
        picture = SCENE.copy() * light
        picture[:600] = sky[:600] * light
        frames.append(taken(picture, seed=k))
    measure, _ = assess_pictures("burst", frames)
    assert (measure.pairs[0].sway_max_px or 0.0) < 1
