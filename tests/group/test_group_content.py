"""Two small pictures: what they share, and how one lies on the other."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
import skimage.data
from numpy.typing import NDArray

from group.light_shoots import Look, score_of
from windstill.group import group_frames
from windstill.group.content import ContentLink, compare, picture_of, structure
from windstill.group.views import features_of, match_views
from windstill.records import CameraData, Frame, FrameScore, ShootFile
from windstill.settings import GroupSettings

SETTINGS = GroupSettings()
# 35 mm equivalent so long that the projection is flat.
FLAT = CameraData(focal_35mm_mm=400.0)


def showing(small: NDArray[np.uint8]) -> FrameScore:
    height, width = small.shape
    return replace(score_of("x", Look(81), 1), small=small, width_px=width * 8, height_px=height * 8)


def between(a: NDArray[np.uint8], b: NDArray[np.uint8]) -> ContentLink:
    return compare(
        picture_of(showing(a), FLAT, SETTINGS), picture_of(showing(b), FLAT, SETTINGS), SETTINGS
    )


@pytest.fixture(scope="module")
def scene() -> NDArray[np.uint8]:
    grey = cv2.cvtColor(skimage.data.coffee(), cv2.COLOR_RGB2GRAY)
    resized: NDArray[np.uint8] = cv2.resize(grey, (900, 600), interpolation=cv2.INTER_CUBIC)
    return resized


def cut(scene: NDArray[np.uint8], x: int, y: int, width: int = 512, height: int = 340) -> NDArray[np.uint8]:
    return np.ascontiguousarray(scene[y : y + height, x : x + width])


@pytest.mark.parametrize(("dx", "dy"), [(0, 0), (7, -3), (-20, 12), (3, 40)])
def test_a_reframing_is_measured(scene: NDArray[np.uint8], dx: int, dy: int) -> None:
    link = between(cut(scene, 120, 100), cut(scene, 120 + dx, 100 + dy))
    assert link.view == "same"
    # What is at x in b is at x + shift in a, in long sides.
    assert link.shift_x * 512 == pytest.approx(dx, abs=1.0)
    assert link.shift_y * 512 == pytest.approx(dy, abs=1.0)


@pytest.mark.parametrize("zoom", [0.004, -0.004, 0.02])
def test_a_change_of_scale_is_measured(scene: NDArray[np.uint8], zoom: float) -> None:
    a = cut(scene, 120, 100)
    matrix = cv2.getRotationMatrix2D((255.5, 169.5), 0, float(np.exp(zoom)))
    b = cv2.warpAffine(a, matrix, (512, 340), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT)
    assert between(a, b).zoom == pytest.approx(zoom, abs=0.0008 + 0.05 * abs(zoom))


def test_clouds_that_grow_are_no_change_of_scale(scene: NDArray[np.uint8]) -> None:
    a = cut(scene, 120, 100)
    matrix = cv2.getRotationMatrix2D((255.5, 60.0), 0, 1.006)
    grown = cv2.warpAffine(a, matrix, (512, 340), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT)
    b = a.copy()
    b[:110] = np.clip(grown[:110] * 1.1, 0, 255)
    assert abs(between(a, b).zoom) < 0.0004


@pytest.mark.parametrize("ev", [-4.0, -2.0, 2.0, 4.0])
def test_exposure_changes_neither_the_view_nor_the_shift(scene: NDArray[np.uint8], ev: float) -> None:
    a = cut(scene, 120, 100)
    linear = (cut(scene, 126, 100) / 255.0) ** 2.2
    b = np.round(255 * np.clip(linear * 2**ev, 0, 1) ** (1 / 2.2)).astype(np.uint8)
    link = between(a, b)
    assert link.view == "same"
    assert link.shift_x * 512 == pytest.approx(6, abs=1.5)
    # Large steps leave only what is clipped in neither, and read a little small.
    assert link.ev == pytest.approx(ev, abs=max(0.35, 0.2 * abs(ev)))


def test_defocus_is_the_same_view(scene: NDArray[np.uint8]) -> None:
    a = cut(scene, 120, 100)
    assert between(a, cv2.GaussianBlur(a, (0, 0), 5)).view == "same"


@pytest.mark.parametrize("overlap", [0.25, 0.4])
def test_a_neighbouring_view_overlaps(scene: NDArray[np.uint8], overlap: float) -> None:
    a, b = cut(scene, 0, 100), cut(scene, round(512 * (1 - overlap)), 100)
    link = between(a, b)
    assert link.view == "overlap"
    assert link.overlap == pytest.approx(overlap, abs=0.03)
    by_features = match_views(features_of(a, careful=True), features_of(b, careful=True), SETTINGS)
    assert by_features.view == "overlap"
    assert by_features.overlap == pytest.approx(overlap, abs=0.04)


def test_a_horizon_alone_is_no_common_view() -> None:
    rng = np.random.default_rng(5)

    def shore(seed: int) -> NDArray[np.uint8]:
        ground = cv2.GaussianBlur(np.random.default_rng(seed).normal(0, 1, (340, 512)), (0, 0), 3)
        picture = np.where(np.arange(340)[:, None] < 150, 200, 70 + 120 * ground)
        return np.clip(picture + rng.normal(0, 1, (340, 512)), 0, 255).astype(np.uint8)

    assert between(shore(1), shore(2)).view == "other"


def test_a_black_frame_says_nothing(scene: NDArray[np.uint8]) -> None:
    black = np.zeros((340, 512), np.uint8)
    link = between(cut(scene, 120, 100), black)
    assert link.view == "unknown"
    assert link.ev is None


@pytest.mark.parametrize("fill", [0, 3, 128, 255])
def test_plain_pictures_leave_no_undefined_numbers(fill: int) -> None:
    assert np.isfinite(structure(np.full((85, 128), fill, np.uint8), 0.6)).all()
    spot = np.full((85, 128), fill, np.uint8)
    spot[:20, :20] = np.random.default_rng(1).integers(0, 255, (20, 20))
    assert np.isfinite(structure(spot, 0.6)).all()


def test_odd_shapes_are_grouped_without_complaint() -> None:
    rng = np.random.default_rng(2)
    frames, scores = [], {}
    for k, shape in enumerate([(1, 1), (1, 512), (512, 2), (171, 256), (256, 171), (40, 40)]):
        name = f"print_{k}"
        file = ShootFile(f"{name}.png", "image", 1, 1)
        frames.append(Frame(name, (file,), file.path, shape[1], shape[0]))
        small = rng.integers(0, 255, shape).astype(np.uint8)
        scores[name] = replace(
            score_of(name, Look(82), k), small=small, width_px=shape[1], height_px=shape[0]
        )
    grouping = group_frames(frames, scores, SETTINGS)
    assert set(grouping.placements) == {f.name for f in frames}
