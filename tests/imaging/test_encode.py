"""Pictures for the report read back as they were given."""

from __future__ import annotations

import io

import numpy as np
import pytest
from PIL import Image

from imaging.picture_files import scene
from windstill.imaging import encode_jpeg, encode_png


@pytest.mark.parametrize("gray", [False, True])
def test_jpeg(gray: bool) -> None:
    picture = scene(90, 61)[..., 1] if gray else scene(90, 61)
    with Image.open(io.BytesIO(encode_jpeg(picture, 95))) as image:
        assert image.mode == ("L" if gray else "RGB")
        assert np.abs(np.asarray(image).astype(int) - picture).mean() < 2
    assert len(encode_jpeg(picture, 50)) < len(encode_jpeg(picture, 95))


@pytest.mark.parametrize("channels", [0, 3, 4])
def test_png_is_exact(channels: int) -> None:
    rng = np.random.default_rng(1)
    picture = rng.integers(0, 256, (31, 47, channels) if channels else (31, 47)).astype(np.uint8)
    with Image.open(io.BytesIO(encode_png(picture))) as image:
        assert np.array_equal(np.asarray(image), picture)


def test_a_view_into_a_larger_picture_encodes_as_what_it_shows() -> None:
    picture = scene(200, 140)
    crop = picture[20:80, 30:130]
    assert encode_jpeg(crop, 90) == encode_jpeg(crop.copy(), 90)
    assert encode_png(crop) == encode_png(crop.copy())
