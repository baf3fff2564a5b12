"""Alignment and displacement against reference libraries and a measured scene.

Sources: scikit-image `registration.phase_cross_correlation` (returns the correction, rows first); OpenCV
`findTransformECC`; scikit-image's packaged stereo pair with true disparities (Scharstein et al., High-resolution stereo
datasets with subpixel-accurate ground truth, GCPR 2014: Middlebury 2014, "motorcycle").
"""

from __future__ import annotations

import cv2
import numpy as np
import pytest
import skimage.data
from layered_scenes import assess_pictures
from numpy.typing import NDArray
from skimage.registration import phase_cross_correlation

from windstill.assess.pyramid import build_pyramid
from windstill.assess.sway import measure_sway
from windstill.records import TileGrid
from windstill.score.noise import immerkaer_sigma
from windstill.settings import Settings

CAMERA = skimage.data.camera()


def moved(down: float, right: float) -> NDArray[np.uint8]:
    """The camera picture moved exactly, in the spectrum."""
    rows, cols = np.fft.fftfreq(CAMERA.shape[0])[:, None], np.fft.fftfreq(CAMERA.shape[1])[None, :]
    turned = np.fft.fft2(CAMERA.astype(np.float64)) * np.exp(-2j * np.pi * (rows * down + cols * right))
    return np.clip(np.round(np.fft.ifft2(turned).real), 0, 255).astype(np.uint8)


def test_the_shift_is_the_correction_of_phase_correlation() -> None:
    second = moved(3.25, -7.6)
    correction = phase_cross_correlation(CAMERA, second, upsample_factor=100)[0]
    assert correction == pytest.approx([-3.25, 7.60], abs=0.02)
    mapping = assess_pictures("burst", [CAMERA, second])[0].pairs[0].mapping
    assert not mapping.failed
    assert (mapping.shift_y_px, mapping.shift_x_px) == pytest.approx(tuple(correction), abs=0.03)
    assert mapping.scale == pytest.approx(1, abs=5e-5)
    assert mapping.rotation_deg == pytest.approx(0, abs=0.01)


def test_the_shift_agrees_with_ecc() -> None:
    size = (CAMERA.shape[1], CAMERA.shape[0])
    by = np.array([[1, 0, 2.5], [0, 1, -1.25]], np.float32)
    second = cv2.warpAffine(CAMERA, by, size, flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT)
    start = np.eye(2, 3, dtype=np.float32)
    stop = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 100, 1e-7)
    _, ecc = cv2.findTransformECC(CAMERA, second, start, cv2.MOTION_TRANSLATION, stop)
    assert ecc[:, 2] == pytest.approx([2.5, -1.25], abs=0.1)
    mapping = assess_pictures("burst", [CAMERA, second])[0].pairs[0].mapping
    assert (-mapping.shift_x_px, -mapping.shift_y_px) == pytest.approx(tuple(ecc[:, 2]), abs=0.1)


def test_the_disparity_of_a_measured_scene_is_recovered_as_displacement() -> None:
    left, right, disparity = skimage.data.stereo_motorcycle()
    a, b = cv2.cvtColor(left, cv2.COLOR_RGB2GRAY), cv2.cvtColor(right, cv2.COLOR_RGB2GRAY)
    middle = float(np.median(disparity[np.isfinite(disparity)]))
    tile = 9
    grid = TileGrid(tile_px=tile, rows=a.shape[0] // tile, cols=a.shape[1] // tile)
    noise = np.full(grid.shape, np.hypot(immerkaer_sigma(a), immerkaer_sigma(b)), np.float32)
    b_to_a = np.array([[1, 0, middle], [0, 1, 0], [0, 0, 1.0]])
    everywhere = np.ones(grid.shape, bool)
    sway = measure_sway(
        build_pyramid(a, 1), build_pyramid(b, 1), b_to_a, grid, everywhere, noise, "view", Settings().assess
    )
    errors = []
    for row, col in np.argwhere(sway.confidence >= 0.5):
        true = disparity[row * tile : (row + 1) * tile, col * tile : (col + 1) * tile]
        known = true[np.isfinite(true)]
        # Both views see the point, and the tile shows one surface.
        if known.size > 0.7 * true.size and np.ptp(known) < 2:
            found = middle - sway.x_px[row, col]
            errors.append(np.hypot(found - np.median(known), sway.y_px[row, col]))
    assert len(errors) > 1500
    assert np.median(errors) < 1.0
    assert np.mean(np.array(errors) > 3) < 0.15
