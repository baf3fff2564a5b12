"""Frames no camera makes are measured without a word from a library."""

from __future__ import annotations

import math
import warnings
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from windstill.field.check import for_previews
from windstill.imaging import decode
from windstill.records import Frame, ShootFile
from windstill.score import score_frame
from windstill.settings import Settings


@pytest.mark.parametrize("quick", [False, True])
@pytest.mark.parametrize("size", [(9001, 2), (2, 9001), (5003, 1), (1, 1), (7, 3), (4801, 3)])
def test_a_strip_or_a_dot_has_finite_measures_and_warns_of_nothing(
    size: tuple[int, int], quick: bool, tmp_path: Path
) -> None:
    pixels = np.random.default_rng(1).integers(0, 256, (size[1], size[0], 3)).astype(np.uint8)
    path = tmp_path / "ODD_0001.PNG"
    Image.fromarray(pixels).save(path)
    settings = for_previews(Settings()) if quick else Settings()
    frame = Frame("ODD_0001", (ShootFile(path.name, "image", 1, 1),), path.name, *size)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        score = score_frame(frame, decode(path, 1, settings.imaging), settings.score).score
    assert math.isfinite(score.noise_sigma) and score.noise_sigma > 0
    assert math.isfinite(score.sharpness)
    assert np.isfinite(score.noise).all() and np.isfinite(score.sharp).all()
