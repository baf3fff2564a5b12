"""Sharpness and noise against published estimators and reference libraries.

Sources: J. Immerkaer, Fast noise variance estimation, CVIU 64 (1996); EMVA standard 1288 (linear model); scikit-image
`measure.blur_effect` and OpenCV `Laplacian` on scikit-image's `camera` picture, as float64, blurred with
scipy.ndimage.gaussian_filter (values computed with those libraries).
"""

from __future__ import annotations

import itertools

import cv2
import numpy as np
import pytest
import scipy.ndimage
import skimage.data
import skimage.measure
from layered_scenes import scored

from windstill.score.noise import immerkaer_sigma

CAMERA = skimage.data.camera().astype(np.float64)
SIGMAS = (0.0, 0.5, 1.0, 2.0, 4.0)


def blurred(sigma: float) -> np.ndarray:
    return CAMERA if sigma == 0 else scipy.ndimage.gaussian_filter(CAMERA, sigma)


def seen(plane: np.ndarray) -> np.ndarray:
    return np.clip(np.round(plane), 0, 255).astype(np.uint8)


@pytest.mark.parametrize(
    ("plane", "expected"),
    [("flat", 5.005), ("camera", 3.62), ("camera and 5", 6.92)],
)
def test_the_noise_estimate_is_immerkaers(plane: str, expected: float) -> None:
    grain = np.random.default_rng(0).normal(0, 5, CAMERA.shape)
    picture = {"flat": 128 + grain, "camera": CAMERA, "camera and 5": CAMERA + grain}[plane]
    assert immerkaer_sigma(seen(picture)) == pytest.approx(expected, rel=0.02)


def test_noise_of_the_linear_camera_model_is_recovered() -> None:
    # EMVA 1288: sigma_y^2 = K^2 (sigma_d^2 + mu_e) + 1/12; K = .25, mu = 1000, sigma_d = 3 gives 7.946 DN.
    rng = np.random.default_rng(1)
    electrons = rng.poisson(1000 - 250, (400, 400)) + rng.poisson(250, (400, 400)) + rng.normal(0, 3, (400, 400))
    assert immerkaer_sigma(seen(0.25 * electrons - 100)) == pytest.approx(7.946, rel=0.03)


def test_sharpness_falls_as_the_reference_measures_say() -> None:
    ours = [scored("CAM", seen(blurred(s)))[1].score.sharpness for s in SIGMAS]
    theirs = [skimage.measure.blur_effect(blurred(s)) for s in SIGMAS]
    laplacian = [cv2.Laplacian(blurred(s), cv2.CV_64F).var() for s in (0.0, 1.0, 2.0)]
    assert theirs == pytest.approx([0.2885, 0.3235, 0.4255, 0.6173, 0.8413], abs=2e-4)
    assert laplacian == pytest.approx([1133.2, 48.83, 6.030], rel=1e-3)
    assert all(a > b for a, b in itertools.pairwise(ours))
    assert ours[0] - ours[-1] > 0.15


def test_a_strong_blur_leaves_no_sharp_area() -> None:
    sharp, soft = (scored("CAM", seen(blurred(s)))[1].score.sharp_area_pct for s in (0.0, 4.0))
    assert soft < 0.2 * sharp


def test_a_constant_picture_is_nothing_to_be_sharp() -> None:
    # blur_effect calls a constant picture entirely blurred (1.0): plain skies must be masked instead.
    assert skimage.measure.blur_effect(np.full((64, 64), 0.5)) == pytest.approx(1.0)
    score = scored("SKY", np.full((600, 800), 120, np.uint8))[1].score
    assert not score.textured.any()
    assert score.sharp_area_pct == 0
