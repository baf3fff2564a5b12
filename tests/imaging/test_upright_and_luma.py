"""Pictures come out the way the camera was held, as bright as they are displayed, with clipping where it is."""

from __future__ import annotations

from pathlib import Path

import imagecodecs
import numpy as np
import pytest
from PIL import Image, ImageOps

from imaging.picture_files import jpeg_bytes, scene
from windstill.imaging import Decoded, decode, decode_rgb, probe
from windstill.settings import ImagingSettings

S = ImagingSettings()


def rec601(rgb: np.ndarray) -> np.ndarray:
    """Luma of ITU-R BT.601, computed here."""
    return rgb.astype(float) @ np.array([0.299, 0.587, 0.114])


SMALL, LARGE = (213, 145), (2201, 1403)


@pytest.mark.parametrize(
    ("orientation", "suffix", "size"),
    [
        *((orientation, suffix, SMALL) for orientation in range(1, 9) for suffix in (".jpg", ".png")),
        *((orientation, ".jpg", LARGE) for orientation in (1, 6, 7)),
    ],
)
def test_upright_as_pillow_has_it(tmp_path: Path, orientation: int, suffix: str, size: tuple[int, int]) -> None:
    """Reference: PIL.ImageOps.exif_transpose."""
    path = tmp_path / f"cliff{suffix}"
    exif = Image.Exif()
    exif[0x0112] = orientation
    options = {"quality": 95, "subsampling": 0} if suffix == ".jpg" else {"compress_level": 1}
    Image.fromarray(scene(*size)).save(path, exif=exif, **options)
    with Image.open(path) as image:
        expected = np.asarray(ImageOps.exif_transpose(image).convert("RGB")).astype(int)
    got = decode_rgb(path, orientation, S)
    assert got.shape == expected.shape
    assert np.abs(got - expected).max() <= 2
    decoded = decode(path, orientation, S)
    check_consistent(decoded, expected)
    info = probe(path)
    assert (info.width_px, info.height_px, info.format) == (*size, {".jpg": "jpeg", ".png": "png"}[suffix])


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("suffix", [".jpg", ".png"])
def test_a_region_is_that_part_of_the_upright_picture(tmp_path: Path, orientation: int, suffix: str) -> None:
    path = tmp_path / f"cliff{suffix}"
    Image.fromarray(scene(*SMALL)).save(path)
    whole = decode_rgb(path, orientation, S)
    height, width = whole.shape[:2]
    for left, top, wide, high in ((0, 0, 5, 3), (width - 7, height - 4, 7, 4), (11, 6, 17, 9), (0, 0, width, height)):
        part = decode_rgb(path, orientation, S, (left, top, wide, high))
        assert np.array_equal(part, whole[top : top + high, left : left + wide])


def check_consistent(decoded: Decoded, rgb: np.ndarray) -> None:
    """All parts of a full-size result against the upright picture."""
    assert (decoded.height_px, decoded.width_px) == rgb.shape[:2] == decoded.luma.shape
    assert decoded.luma_scale == 1.0
    assert np.abs(decoded.luma - rec601(rgb)).max() <= 2
    sampled = rgb[::4, ::4]
    for mask, low, high in (
        (decoded.clip_high, (sampled >= 252).any(axis=2), (sampled >= 256).any(axis=2)),
        (decoded.clip_low, (sampled <= 3).all(axis=2), (sampled <= -1).all(axis=2)),
    ):
        assert mask.shape == sampled.shape[:2]
        # Decoders differ by a step or two, so the mask lies between a looser and a stricter reading.
        assert not (mask & ~low).any()
        assert not (high & ~mask).any()
    assert decoded.clip_high.any() and decoded.clip_low.any()
    small = decoded.colour_small
    long_px = max(rgb.shape[:2])
    assert max(small.shape[:2]) == min(1024, long_px)
    reference = Image.fromarray(rgb.astype(np.uint8)).resize(small.shape[1::-1], Image.Resampling.BOX)
    assert np.abs(small.astype(int) - np.asarray(reference)).mean() < 1.0


def test_clipping_is_exact_where_the_file_is_lossless(tmp_path: Path) -> None:
    rng = np.random.default_rng(3)
    rgb = rng.choice(np.array([0, 1, 2, 128, 253, 254, 255], np.uint8), (61, 83, 3))
    path = tmp_path / "noise.png"
    Image.fromarray(rgb).save(path)
    for orientation in range(1, 9):
        upright = decode_rgb(path, orientation, S)
        decoded = decode(path, orientation, S)
        assert np.array_equal(decoded.clip_high, (upright[::4, ::4] >= 254).any(axis=2))
        assert np.array_equal(decoded.clip_low, (upright[::4, ::4] <= 1).all(axis=2))


@pytest.mark.parametrize("value", [0, 9, 255, -1])
def test_reserved_orientations_leave_the_picture_as_it_is(tmp_path: Path, value: int) -> None:
    """Exif 2.32, tag 0x0112: other values are reserved."""
    path = tmp_path / "a.jpg"
    path.write_bytes(jpeg_bytes(scene(64, 40)))
    assert np.array_equal(decode(path, value, S).luma, decode(path, 1, S).luma)


@pytest.mark.parametrize("subsampling", ["4:4:4", "4:2:2", "4:2:0", "4:1:1"])
@pytest.mark.parametrize("progressive", [False, True])
def test_luma_of_every_sampling_as_libjpeg_has_it(tmp_path: Path, subsampling: str, progressive: bool) -> None:
    """Reference: the Y component, which Pillow decodes alone in draft mode "L"."""
    rng = np.random.default_rng(5)
    coarse = rng.integers(70, 180, (6, 8, 3)).astype(np.uint8)
    picture = np.array(Image.fromarray(coarse).resize((331, 243), Image.Resampling.BICUBIC))
    path = tmp_path / "a.jpg"
    path.write_bytes(jpeg_bytes(picture, subsampling=subsampling, progressive=progressive))
    with Image.open(path) as image:
        image.draft("L", image.size)
        expected = np.asarray(image).astype(int)
    assert np.abs(decode(path, 1, S).luma - expected).max() <= 2


def test_gray_and_cmyk_jpeg(tmp_path: Path) -> None:
    picture = scene(120, 90)
    gray = tmp_path / "gray.jpg"
    gray.write_bytes(jpeg_bytes(picture[..., 1]))
    with Image.open(gray) as image:
        assert np.abs(decode(gray, 1, S).luma - np.asarray(image).astype(int)).max() <= 1
    assert decode_rgb(gray, 1, S).shape == (90, 120, 3)
    cmyk = tmp_path / "cmyk.jpg"
    Image.fromarray(picture).convert("CMYK").save(cmyk, quality=95)
    with Image.open(cmyk) as image:
        expected = np.asarray(image.convert("RGB")).astype(int)
    assert np.abs(decode_rgb(cmyk, 1, S) - expected).max() <= 2
    assert np.abs(decode(cmyk, 6, S).luma - np.rot90(rec601(expected), -1)).max() <= 2


@pytest.mark.parametrize("subsampling", ["411", "440"])
def test_rare_chroma_sampling(tmp_path: Path, subsampling: str) -> None:
    """Samplings that libjpeg-turbo's simple interface may refuse still come out, by another library."""
    picture = scene(160, 96)
    path = tmp_path / "odd.jpg"
    path.write_bytes(imagecodecs.jpeg8_encode(picture, level=95, subsampling=subsampling))
    with Image.open(path) as image:
        expected = rec601(np.asarray(image.convert("RGB")))
    assert np.abs(decode(path, 1, S).luma - expected).mean() < 2


def test_results_do_not_share_memory_with_the_next_decode(tmp_path: Path) -> None:
    """The decoding buffer is used again for the next frame; what was given out must not change."""
    kept = []
    for seed in (1, 2, 3):
        path = tmp_path / f"{seed}.jpg"
        path.write_bytes(jpeg_bytes(scene(90, 60, seed)))
        decoded = decode(path, 1, S)
        kept.append((decoded, decode_rgb(path, 1, S), decoded.luma.copy(), decoded.colour_small.copy()))
    for decoded, rgb, luma, small in kept:
        assert np.array_equal(decoded.luma, luma)
        assert np.array_equal(decoded.colour_small, small)
        assert np.abs(rec601(rgb) - luma).max() <= 2


def test_pictures_of_one_pixel_and_of_one_row(tmp_path: Path) -> None:
    for size in ((1, 1), (5000, 1), (1, 2500), (3, 2)):
        for suffix in ("jpg", "png", "tif"):
            path = tmp_path / f"thin-{size[0]}-{size[1]}.{suffix}"
            Image.new("RGB", size, (40, 80, 120)).save(path)
            decoded = decode(path, 6, S)
            assert decoded.luma.shape == size
            assert max(decoded.colour_small.shape[:2]) == min(1024, max(size))
            assert abs(int(decoded.luma[0, 0]) - 73) <= 2


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("reduction", [2, 4, 8])
def test_reduced_on_request(tmp_path: Path, orientation: int, reduction: int) -> None:
    """As averaging the full picture over squares, in the same place, for the sizes that allow it."""
    rng = np.random.default_rng(2)
    picture = scene(640, 416)
    picture = np.clip(picture + rng.normal(0, 6, (416, 640, 1)), 0, 255).astype(np.uint8)
    path = tmp_path / "a.jpg"
    path.write_bytes(jpeg_bytes(picture, subsampling="4:2:2"))
    full = decode(path, orientation, S)
    reduced = decode(path, orientation, S, reduction=reduction)
    assert reduced.luma_scale == 1 / reduction
    assert (reduced.width_px, reduced.height_px) == (full.width_px, full.height_px)
    height, width = (side // reduction for side in full.luma.shape)
    mean = full.luma.reshape(height, reduction, width, reduction).mean(axis=(1, 3))
    error = np.abs(reduced.luma - mean)
    assert reduced.luma.shape == (height, width)
    assert np.median(error) <= 1 and np.percentile(error, 97) <= 6
    # A shift by half a reduced pixel in any direction would fit worse.
    for axis in (0, 1):
        moved = (mean + np.roll(mean, 1, axis)) / 2
        assert error.mean() < 0.7 * np.abs(reduced.luma - moved).mean()
    for mask, expected in ((reduced.clip_high, full.clip_high), (reduced.clip_low, full.clip_low)):
        assert mask.shape == expected.shape
        assert (mask == expected).mean() > 0.97
    assert np.abs(reduced.colour_small.astype(int).mean((0, 1)) - full.colour_small.mean((0, 1))).max() < 1


def test_sizes_that_are_no_multiples_stay_full(tmp_path: Path) -> None:
    path = tmp_path / "a.jpg"
    path.write_bytes(jpeg_bytes(scene(322, 214)))
    assert decode(path, 1, S, reduction=2).luma_scale == 0.5
    assert decode(path, 1, S, reduction=4).luma_scale == 1.0
    assert decode(path, 1, S, reduction=3).luma_scale == 1.0
