"""What truth.json says is where the pixels are: displacements measured on noise-free pictures."""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise
from typing import Any

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.ndimage import map_coordinates

from windstill.simulate.describe import Blooms, Body, Description, Focus, Scene, Shot, Views, Wind
from windstill.simulate.geometry import Camera, apply_homography, apply_similarity
from windstill.simulate.render import render
from windstill.simulate.stage import Stage
from windstill.simulate.timeline import lay_out
from windstill.simulate.truth import SceneTruth

PLAIN = Body(flat_response=True)


def rendered(description: Description) -> tuple[list[NDArray[np.float32]], list[dict[str, Any]], Stage]:
    """Green channel of the first scene's frames, its pairs, and the stage."""
    timeline = lay_out(description)
    stage = Stage(description, timeline, 0)
    frames = [render(stage, f)[..., 1] for f in timeline.frames]
    return frames, SceneTruth(description, timeline, stage, 0).rows()["pairs"], stage


def residual(a: NDArray[np.float32], b_in_a: NDArray[np.float32]) -> tuple[float, float]:
    """Displacement left between two pictures (dx, dy), by OpenCV's ECC on their texture."""

    def texture(p: NDArray[np.float32]) -> NDArray[np.float32]:
        log = np.log(np.maximum(p, 1e-4))
        return np.asarray(log - cv2.GaussianBlur(log, (0, 0), 6), np.float32)

    warp = np.eye(2, 3, dtype=np.float32)
    stop = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 200, 1e-8)
    _, found = cv2.findTransformECC(texture(a), texture(b_in_a), warp, cv2.MOTION_TRANSLATION, stop, None, 3)
    return float(found[0, 2]), float(found[1, 2])


def centroid(picture: NDArray[np.float32], plain: float, x: float, y: float, half: int) -> NDArray[np.float64]:
    """Centroid of what differs from a plain background about a place."""
    cx, cy = round(x), round(y)
    part = picture[cy - half : cy + half + 1, cx - half : cx + half + 1].astype(np.float64) - plain
    yy, xx = np.mgrid[cy - half : cy + half + 1, cx - half : cx + half + 1]
    return np.array([(part * xx).sum(), (part * yy).sum()]) / part.sum()


@pytest.mark.parametrize("exposure_s", [1 / 500, 1 / 15, 0.6])
def test_a_head_is_where_truth_says(exposure_s: float) -> None:
    head = Blooms(kind="disc", count=1, near_m=1.0, far_m=1.0, head_mm=(40, 40), places_deg=((-16.0, 3.0),), sway_mm=9)
    scene = Scene(look="chart", nearest_m=1.4, pitch_deg=0, blooms=(head,), wind=Wind(speed_ms=4.0, gustiness=0.3))
    shot = Shot(order=("repeat",), repeats=4, exposure_s=exposure_s, focus_m=1.3, f_number=5.6, shift_px=3)
    frames, pairs, stage = rendered(Description(width_px=1200, bodies=(PLAIN,), scenes=(scene,), shots=(shot,)))
    for (a, b), pair in zip(pairwise(frames), pairs, strict=True):
        region = pair["regions"][0]
        at = [centroid(f, float(np.median(f[:200, :200])), region["x_px"], region["y_px"], 90) for f in (a, b)]
        mapping = (pair["shift_x_px"], pair["shift_y_px"], pair["scale"], pair["rotation_deg"])
        moved = apply_similarity(at[1], mapping, stage.camera(stage.frames[0]).centre) - at[0]
        assert at[0] == pytest.approx([region["x_px"], region["y_px"]], abs=0.02)
        assert moved == pytest.approx([region["sway_x_px"], region["sway_y_px"]], abs=0.02)


def test_the_rim_of_a_large_head_that_the_picture_cuts_counts() -> None:
    # An eighth of it is seen, 0.6 % of the picture: more than a whole small head.
    head = Blooms(
        kind="disc", count=1, near_m=1.0, far_m=1.0, head_mm=(300, 300), places_deg=((-5.0, -30.0),), sway_mm=9
    )
    scene = Scene(look="chart", nearest_m=1.4, pitch_deg=0, blooms=(head,), wind=Wind(speed_ms=4.0, gustiness=0.3))
    shot = Shot(order=("repeat",), repeats=2, exposure_s=1 / 500, focus_m=1.3, f_number=5.6)
    _, (pair,), _ = rendered(Description(width_px=1200, bodies=(PLAIN,), scenes=(scene,), shots=(shot,)))
    (region,) = pair["regions"]
    assert region["visible"] < 0.2
    assert pair["sway_max_px"] == pytest.approx(np.hypot(region["sway_x_px"], region["sway_y_px"]), abs=0.01)
    assert pair["sway_max_px"] > 1


def test_still_scenery_follows_the_camera() -> None:
    shot = Shot(order=("repeat",), repeats=3, shift_px=20, roll_deg=0.05, exposure_s=1 / 100, f_number=8, shake_px=2)
    scene = Scene(look="moor", nearest_m=0.8, camera_height_m=0.6, waves=False)
    frames, pairs, stage = rendered(Description(width_px=1000, bodies=(PLAIN,), scenes=(scene,), shots=(shot,)))
    for k, pair in enumerate(pairs):
        assert abs(pair["shift_x_px"]) + abs(pair["shift_y_px"]) > 0.2
        a, b = (stage.camera(f) for f in stage.frames[k : k + 2])
        h = a.homography_from(b)
        moved = resample(frames[k + 1], lambda p, h=h: apply_homography(p, np.linalg.inv(h)))
        for cols in (slice(30, 400), slice(600, 970)):
            # To half of 1/32 px and a little: to that OpenCV 4 interpolates in the ECC.
            assert residual(frames[k][330:630, cols], moved[330:630, cols]) == pytest.approx((0, 0), abs=0.02)


def test_the_mapping_of_a_small_move_is_the_camera_s() -> None:
    shot = Shot(order=("repeat",), repeats=4, shift_px=3, roll_deg=0.02, exposure_s=1 / 100, f_number=8)
    scene = Scene(look="moor", nearest_m=0.8, camera_height_m=0.6, focal_mm=60)
    frames, pairs, stage = rendered(Description(width_px=1000, bodies=(PLAIN,), scenes=(scene,), shots=(shot,)))
    centre = np.asarray(stage.camera(stage.frames[0]).centre)
    for (a, b), pair in zip(pairwise(frames), pairs, strict=True):
        moved = _to_a(b, pair, centre)
        assert residual(a[30:-30, 30:-30], moved[30:-30, 30:-30]) == pytest.approx((0, 0), abs=0.02)


def test_breathing_is_in_the_mapping() -> None:
    shot = Shot(order=("focus",), focus=Focus(positions_m=(0.8, 0.95)), exposure_s=1 / 100, f_number=16)
    scene = Scene(look="shore", nearest_m=0.7, camera_height_m=0.5, waves=False)
    frames, pairs, stage = rendered(Description(width_px=1000, bodies=(PLAIN,), scenes=(scene,), shots=(shot,)))
    centre = np.asarray(stage.camera(stage.frames[0]).centre)
    b = _to_a(frames[1], pairs[0], centre)
    assert pairs[0]["scale"] == pytest.approx((0.8 / (0.8 - 0.024)) / (0.95 / (0.95 - 0.024)), abs=1e-5)
    for rows, cols in ((slice(350, 640), slice(20, 400)), (slice(350, 640), slice(600, 980))):
        assert residual(frames[0][rows, cols], b[rows, cols]) == pytest.approx((0, 0), abs=0.04)


def test_views_meet_by_their_homography() -> None:
    shot = Shot(order=("view",), views=Views(count=3, overlap_pct=40), exposure_s=1 / 100, f_number=11, focus_m=4)
    scene = Scene(look="moor", nearest_m=1.0, camera_height_m=0.7, focal_mm=30)
    frames, pairs, _ = rendered(Description(width_px=900, bodies=(PLAIN,), scenes=(scene,), shots=(shot,)))
    for a, b, pair in zip(frames, frames[1:], pairs, strict=False):
        h = np.array(pair["homography"]).reshape(3, 3)
        warped = resample(b, lambda p, h=h: apply_homography(p, np.linalg.inv(h)))
        seen = cv2.warpPerspective(np.ones_like(b), h, (a.shape[1], a.shape[0])) > 0.999
        assert 100 * seen.mean() == pytest.approx(pair["overlap_pct"], abs=2.5)
        left = int(np.flatnonzero(seen[330:580].all(axis=0))[0]) + 5
        dx, dy = residual(a[330:580, left:], warped[330:580, left:])
        assert (dx, dy) == pytest.approx((0, 0), abs=0.05)


def test_a_near_bush_at_the_edge_of_a_view_meets_by_the_homography_to_its_rim() -> None:
    bush = Blooms(kind="bush", count=1, near_m=0.8, far_m=0.8, head_mm=(400, 400), places_deg=((12, -4),), sway_mm=0)
    scene = Scene(look="chart", nearest_m=60.0, pitch_deg=0, blooms=(bush,), focal_mm=24)
    shot = Shot(
        order=("view",), views=Views(count=2, overlap_pct=50), exposure_s=1 / 100, f_number=16, focus_m=0.8, shift_px=0,
    )
    frames, pairs, _ = rendered(Description(width_px=1200, bodies=(PLAIN,), scenes=(scene,), shots=(shot,)))
    (a, b), region = frames, pairs[0]["regions"][0]
    h = np.array(pairs[0]["homography"]).reshape(3, 3)
    warped = resample(b, lambda p: apply_homography(p, np.linalg.inv(h)))
    x, y, half = round(region["x_px"]), round(region["y_px"]), round(0.3 * region["h_px"])
    for cx, cy in ((x - half, y - half), (x + half, y - half), (x - half, y + half), (x + half, y + half)):
        about = np.s_[cy - 40 : cy + 40, cx - 40 : cx + 40]
        assert residual(a[about], warped[about]) == pytest.approx((0, 0), abs=0.1)


def test_parallax_when_the_pivot_is_off_the_entrance_pupil() -> None:
    head = Blooms(kind="disc", count=1, near_m=1.0, far_m=1.0, head_mm=(30, 30), places_deg=((-6.0, 4.0),), sway_mm=0)
    scene = Scene(look="chart", nearest_m=60.0, pitch_deg=0, blooms=(head,), focal_mm=24)
    shot = Shot(
        order=("view",), views=Views(count=2, overlap_pct=50, pivot_offset_mm=80), exposure_s=1 / 100, f_number=16,
        focus_m=1.0, shift_px=0,
    )
    frames, pairs, _ = rendered(Description(width_px=1200, bodies=(PLAIN,), scenes=(scene,), shots=(shot,)))
    pair, region = pairs[0], pairs[0]["regions"][0]
    h = np.array(pair["homography"]).reshape(3, 3)
    here = np.array([region["x_px"], region["y_px"]])
    apart = np.array([region["parallax_x_px"], region["parallax_y_px"]])
    there = apply_homography(here + apart, np.linalg.inv(h))
    at = []
    for frame, (x, y) in zip(frames, (here, there), strict=True):
        about = frame[round(y) - 40 : round(y) + 40, round(x) - 40 : round(x) + 40]
        at.append(centroid(frame, float(np.median(about)), x, y, 30))
    # The middle of a disc seen at a slant is not quite the centroid of its picture.
    assert at[0] == pytest.approx(here, abs=0.1)
    assert apply_homography(at[1], h) - at[0] == pytest.approx(apart, abs=0.2)
    assert abs(apart[0]) > 10
    assert region["sway_x_px"] == pytest.approx(0, abs=1e-6)


def test_truth_s_light_falls_off_to_the_corners_as_the_pixels_do() -> None:
    def seen(vignetting_ev: float) -> tuple[NDArray[np.float32], NDArray[np.float64]]:
        body = Body(flat_response=True, vignetting_ev=vignetting_ev)
        shot = Shot(order=("repeat",), repeats=1, exposure_s=1 / 100, f_number=8)
        described = Description(width_px=600, bodies=(body,), scenes=(Scene(look="moor", waves=False),), shots=(shot,))
        timeline = lay_out(described)
        stage = Stage(described, timeline, 0)
        (frame,) = timeline.frames
        places = SceneTruth(described, timeline, stage, 0).seen(frame)
        picture = render(stage, frame)[..., 1]
        return picture[places.y.astype(int), places.x.astype(int)], places.light

    (even, even_light), (dark, dark_light) = seen(0.0), seen(2.0)
    assert dark[0, 0] / even[0, 0] < 0.3, "two stops in the corner"
    lit = even > 0.01
    assert dark_light[lit] / even_light[lit] == pytest.approx(dark[lit] / even[lit], rel=0.01)


@pytest.mark.parametrize("distortion", [-0.06, -0.004, 0.0, 0.06])
def test_what_stands_beside_the_camera_is_not_in_the_picture(distortion: float) -> None:
    """A barrel's polynomial turns back far outside of the picture; nothing may come back into it by that."""
    camera = Camera(1800, 1200, 1200.0, 0.0, 0.0, 0.0, distortion=distortion, cylinder=True)
    aside = np.radians(np.linspace(0, 89.9, 900))
    x = camera.project(camera.place(aside, np.zeros_like(aside), 0.5))[:, 0]
    seen = np.isfinite(x)
    assert np.all(np.diff(x[seen]) > 0), "further aside, further out"
    assert not seen[np.argmin(seen) :].any() or seen.all()
    assert x[seen].max() > 1.4 * 1800, "what stands about the picture may reach into it"


def _to_a(b: NDArray[np.float32], pair: dict[str, Any], centre: NDArray[np.float64]) -> NDArray[np.float32]:
    """b resampled to a's picture by the pair's similarity."""
    turn, c = -pair["rotation_deg"], (float(centre[0]), float(centre[1]))
    shift = np.array([pair["shift_x_px"], pair["shift_y_px"]])
    return resample(b, lambda p: apply_similarity(p - shift, (0.0, 0.0, 1 / pair["scale"], turn), c))


def resample(
    picture: NDArray[np.float32], back: Callable[[NDArray[np.float64]], NDArray[np.float64]]
) -> NDArray[np.float32]:
    """Sample at `back` of each pixel's place, exactly (OpenCV's warps round places to 1/32 px)."""
    yy, xx = np.mgrid[0 : picture.shape[0], 0 : picture.shape[1]].astype(np.float64)
    at = back(np.stack([xx, yy], axis=-1))
    return np.asarray(map_coordinates(picture, [at[..., 1], at[..., 0]], order=3, mode="nearest"), np.float32)
