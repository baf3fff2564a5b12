"""Pictures come out the way the camera was held."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from PIL import Image, ImageOps

from windstill.imaging import decode, decode_rgb
from windstill.settings import ImagingSettings


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("suffix", [".jpg", ".png"])
def test_upright_as_pillow_has_it(tmp_path: Path, orientation: int, suffix: str) -> None:
    """Reference: PIL.ImageOps.exif_transpose."""
    rng = np.random.default_rng(orientation)
    coarse = Image.fromarray(rng.integers(0, 256, (9, 14, 3), np.uint8))
    path = tmp_path / f"cliff{suffix}"
    exif = Image.Exif()
    exif[0x0112] = orientation
    kwargs = {"quality": 95, "subsampling": 0} if suffix == ".jpg" else {}
    coarse.resize((213, 145), Image.Resampling.BICUBIC).save(path, exif=exif, **kwargs)
    with Image.open(path) as image:
        expected = np.asarray(ImageOps.exif_transpose(image).convert("RGB")).astype(int)
    got = decode_rgb(path, orientation, ImagingSettings())
    assert got.shape == expected.shape
    assert np.abs(got - expected).max() <= 2
    decoded = decode(path, orientation, ImagingSettings())
    assert (decoded.height_px, decoded.width_px) == expected.shape[:2]
    luma = expected @ np.array([0.299, 0.587, 0.114])
    assert np.abs(decoded.luma - luma).max() <= 2
