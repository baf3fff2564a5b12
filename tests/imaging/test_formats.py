"""Every format and depth comes out as it is displayed."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import tifffile
from PIL import Image

from imaging.picture_files import jpeg_bytes, scene, write_dng
from windstill.imaging import ImageInfo, decode, decode_rgb, preview, probe
from windstill.settings import ImagingSettings

S = ImagingSettings()
PICTURE = scene()
GRAY = PICTURE[..., 1]
OPAQUE, HALF = (np.full(GRAY.shape, alpha, np.uint8) for alpha in (255, 128))
DEEP = PICTURE.astype(np.uint16) * 257
STEPS = np.arange(256, dtype=np.uint16) * 257  # a palette


def srgb_to_linear(encoded: np.ndarray) -> np.ndarray:
    """IEC 61966-2-1."""
    share = encoded / 255
    return np.where(share <= 0.04045, share / 12.92, ((share + 0.055) / 1.055) ** 2.4)


TIFFS: dict[str, tuple[np.ndarray, dict[str, object], np.ndarray]] = {
    "rgb8": (PICTURE, {"photometric": "rgb"}, PICTURE),
    "rgb16": (DEEP, {"photometric": "rgb"}, PICTURE),
    "rgb16-lzw-predictor": (
        DEEP, {"photometric": "rgb", "compression": "lzw", "predictor": True}, PICTURE,
    ),
    "rgb16-deflate-tiles": (
        DEEP, {"photometric": "rgb", "compression": "zlib", "tile": (64, 64)}, PICTURE,
    ),
    "rgb16-planes": (
        np.moveaxis(DEEP, -1, 0), {"photometric": "rgb", "planarconfig": "separate"}, PICTURE,
    ),
    "rgb16-big-endian": (DEEP, {"photometric": "rgb", "byteorder": ">"}, PICTURE),
    "rgb16-bigtiff": (DEEP, {"photometric": "rgb", "bigtiff": True}, PICTURE),
    "gray8": (GRAY, {"photometric": "minisblack"}, GRAY),
    "gray16": (GRAY.astype(np.uint16) * 257, {"photometric": "minisblack"}, GRAY),
    "gray-inverted": (255 - GRAY, {"photometric": "miniswhite"}, GRAY),
    "gray16-signed": (GRAY.astype(np.int16) * 128, {"photometric": "minisblack"}, GRAY),
    "gray32": (GRAY.astype(np.uint32) * 16843009, {"photometric": "minisblack"}, GRAY),
    "bilevel": (GRAY > 127, {"photometric": "minisblack"}, np.where(GRAY > 127, 255, 0)),
    "float-linear": (srgb_to_linear(PICTURE).astype(np.float32), {"photometric": "rgb"}, PICTURE),
    "float-half": (srgb_to_linear(PICTURE).astype(np.float16), {"photometric": "rgb"}, PICTURE),
    "float-counts8": (PICTURE.astype(np.float32), {"photometric": "rgb"}, PICTURE),
    "float-counts16": (PICTURE.astype(np.float64) * 257, {"photometric": "rgb"}, PICTURE),
    "rgba-opaque": (
        np.dstack([PICTURE, OPAQUE]), {"photometric": "rgb", "extrasamples": ["unassalpha"]}, PICTURE,
    ),
    "rgba-half": (
        np.dstack([PICTURE, HALF]), {"photometric": "rgb", "extrasamples": ["unassalpha"]}, PICTURE * (128 / 255),
    ),
    "rgb16-infrared": (
        np.dstack([PICTURE, GRAY]).astype(np.uint16) * 257, {"photometric": "rgb", "extrasamples": ["unspecified"]},
        PICTURE,
    ),
    "palette": (
        GRAY // 16,
        {"photometric": "palette", "colormap": np.stack([STEPS, STEPS[::-1], STEPS])},
        np.stack([STEPS, STEPS[::-1], STEPS], axis=-1)[GRAY // 16] / 257,
    ),
    "cmyk": (
        np.dstack([255 - PICTURE, np.zeros(GRAY.shape, np.uint8)]), {"photometric": "separated"}, PICTURE,
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", TIFFS)
def test_tiff(tmp_path: Path, name: str) -> None:
    values, options, expected = TIFFS[name]
    path = tmp_path / f"{name}.tif"
    written = dict(options)
    opening = {key: written.pop(key) for key in ("byteorder", "bigtiff") if key in written}
    with tifffile.TiffWriter(path, **opening) as out:
        out.write(values, metadata=None, **written)
    rgb = decode_rgb(path, 1, S).astype(float)
    reference = np.repeat(expected[..., None], 3, axis=2) if expected.ndim == 2 else expected
    assert np.abs(rgb - reference).max() <= 1.5
    decoded = decode(path, 8, S)
    assert decoded.decoder == "tiff"
    assert decoded.luma.shape == (320, 214)
    luma = np.rot90(reference.astype(float) @ np.array([0.299, 0.587, 0.114]))
    assert np.abs(decoded.luma - luma).max() <= 2
    assert probe(path) == ImageInfo(320, 214, "tiff")


def test_tiff_jpeg_compressed(tmp_path: Path) -> None:
    path = tmp_path / "a.tif"
    tifffile.imwrite(path, PICTURE, photometric="rgb", compression="jpeg", compressionargs={"level": 95}, tile=(64, 64))
    assert np.abs(decode_rgb(path, 1, S).astype(int) - PICTURE).mean() < 2


def test_tiff_twelve_bits_are_scaled_by_their_depth(tmp_path: Path) -> None:
    path = tmp_path / "a.tif"
    values = np.rint(GRAY * (4095 / 255)).astype(np.uint16)
    # Packed by hand, written as bytes and then called what it is: not every imagecodecs packs, all of them unpack.
    bits = values[..., None] >> np.arange(11, -1, -1, dtype=np.uint16) & 1
    tifffile.imwrite(path, np.packbits(bits.reshape(len(bits), -1), axis=1), photometric="minisblack")
    with tifffile.TiffFile(path, mode="r+b") as file:
        for name, true in (("ImageWidth", values.shape[1]), ("BitsPerSample", 12)):
            file.pages[0].tags[name].overwrite(true)
    decoded = decode(path, 1, S)
    assert decoded.bits == 12
    assert np.abs(decoded.luma.astype(int) - GRAY).max() <= 1


def test_tiff_lab(tmp_path: Path) -> None:
    """Reference: Pillow's own L*a*b* file; L* 0, 50, 100 of neutral gray are sRGB 0, 119, 255 (computed)."""
    path = tmp_path / "a.tif"
    values = np.zeros((3, 8, 3), np.uint8)
    values[..., 0] = np.array([0, 128, 255], np.uint8)[:, None]
    tifffile.imwrite(path, values, photometric="cielab")
    assert np.abs(decode_rgb(path, 1, S)[:, 0].astype(int) - np.array([[0], [119], [255]])).max() <= 2


def test_tiff_takes_the_full_picture_not_its_thumbnail(tmp_path: Path) -> None:
    path = tmp_path / "scan.tif"
    with tifffile.TiffWriter(path) as out:
        out.write(np.zeros((900, 1400, 3), np.uint8), photometric="rgb", subfiletype=1, metadata=None)
        out.write(PICTURE, photometric="rgb", metadata=None)
    assert np.array_equal(decode_rgb(path, 1, S), PICTURE)


def test_nan_and_infinity_in_float_tiff(tmp_path: Path) -> None:
    path = tmp_path / "a.tif"
    values = np.full((8, 8), 0.2140411, np.float32)  # linear light of sRGB 127.5
    values[0, 0], values[0, 1], values[0, 2] = np.nan, np.inf, -np.inf
    tifffile.imwrite(path, values)
    luma = decode(path, 1, S).luma
    assert (luma[0, 0], luma[0, 1], luma[0, 2]) == (0, 255, 0)
    assert luma[4, 4] in (127, 128)


@pytest.mark.parametrize("mode", ["RGB", "L", "P", "1", "LA", "RGBA", "I;16"])
def test_png_modes(tmp_path: Path, mode: str) -> None:
    """Reference: Pillow's conversion of the same file."""
    path = tmp_path / "a.png"
    if mode == "I;16":
        Image.fromarray(GRAY.astype(np.uint16) * 257).save(path)
        expected = np.repeat(GRAY[..., None], 3, axis=2)
    else:
        Image.fromarray(PICTURE).convert(mode).save(path)
        with Image.open(path) as image:
            expected = np.asarray(image.convert("RGB"))
    assert np.abs(decode_rgb(path, 1, S).astype(int) - expected).max() <= 1
    assert decode(path, 1, S).bits == (16 if mode == "I;16" else 1 if mode == "1" else 8)


def test_what_is_transparent_is_black(tmp_path: Path) -> None:
    """The corners of a panorama export hide colours that nobody sees."""
    rgba = np.dstack([PICTURE, np.where(GRAY > 120, 255, 0).astype(np.uint8)])
    for name, options in {"a.png": {}, "a.webp": {"lossless": True, "exact": True}}.items():
        path = tmp_path / name
        Image.fromarray(rgba).save(path, **options)
        expected = PICTURE * (GRAY > 120)[..., None]
        assert np.abs(decode_rgb(path, 1, S).astype(int) - expected).max() <= 1


@pytest.mark.parametrize("options", [{"lossless": True}, {"quality": 90}])
def test_webp(tmp_path: Path, options: dict[str, object]) -> None:
    path = tmp_path / "a.webp"
    Image.fromarray(PICTURE).save(path, **options)  # type: ignore[arg-type]
    with Image.open(path) as image:
        expected = np.asarray(image.convert("RGB")).astype(int)
    assert np.abs(decode_rgb(path, 1, S) - expected).max() <= 1
    assert probe(path) == ImageInfo(320, 214, "webp")


def test_bmp(tmp_path: Path) -> None:
    path = tmp_path / "a.bmp"
    Image.fromarray(PICTURE).save(path)
    assert np.array_equal(decode_rgb(path, 1, S), PICTURE)
    assert probe(path) == ImageInfo(320, 214, "bmp")


@pytest.mark.parametrize("depth", [8, 10])
def test_heic(tmp_path: Path, depth: int) -> None:
    heif = pytest.importorskip("pillow_heif", reason="optional extra heic")
    path = tmp_path / "a.heic"
    if depth == 8:
        heif.from_pillow(Image.fromarray(PICTURE)).save(str(path), quality=95, chroma=444)
    else:
        wide = DEEP
        heif.encode("RGB;16", (320, 214), wide.tobytes(), str(path), quality=95, chroma=444)
    decoded = decode(path, 1, S)
    assert np.abs(decode_rgb(path, 1, S).astype(int) - PICTURE).mean() < 3
    assert (decoded.decoder, decoded.width_px, decoded.height_px) == ("heic", 320, 214)
    assert decoded.bits >= depth


def test_heic_is_turned_once(tmp_path: Path) -> None:
    """The container turns; the orientation beside it (here 6) must not turn again. Reference: pillow-heif."""
    heif = pytest.importorskip("pillow_heif", reason="optional extra heic")
    heif.register_heif_opener()
    path = tmp_path / "a.heic"
    exif = Image.Exif()
    exif[0x0112] = 6
    Image.fromarray(PICTURE).save(path, quality=90, exif=exif.tobytes())
    with Image.open(path) as image:
        expected = np.asarray(image.convert("RGB")).astype(int)
    assert expected.shape == (320, 214, 3)
    decoded = decode(path, 6, S)
    assert np.abs(decode_rgb(path, 6, S) - expected).mean() < 1
    assert (decoded.width_px, decoded.height_px) == (214, 320)
    assert probe(path) == ImageInfo(214, 320, "heic", turned=True)


def test_heic_gray_and_transparent(tmp_path: Path) -> None:
    heif = pytest.importorskip("pillow_heif", reason="optional extra heic")
    opaque = GRAY > 120
    rgba = np.dstack([PICTURE, np.where(opaque, 255, 0).astype(np.uint8)])
    for name, values, expected in (("gray", GRAY, GRAY[..., None]), ("rgba", rgba, PICTURE * opaque[..., None])):
        path = tmp_path / f"{name}.heic"
        heif.from_pillow(Image.fromarray(values)).save(str(path), quality=95, chroma=444)
        assert np.abs(decode_rgb(path, 1, S).astype(int) - expected).mean() < 1


def test_heic_whose_last_part_goes_on_to_the_end(tmp_path: Path) -> None:
    """A box of length 0 does (ISO/IEC 14496-12, 4.2)."""
    heif = pytest.importorskip("pillow_heif", reason="optional extra heic")
    path = tmp_path / "a.heic"
    heif.from_pillow(Image.fromarray(PICTURE)).save(str(path), quality=95, chroma=444)
    data = path.read_bytes()
    path.write_bytes(data.replace(data[data.index(b"mdat") - 4 :][:8], bytes(4) + b"mdat"))
    assert np.abs(decode_rgb(path, 1, S).astype(int) - PICTURE).mean() < 3


@pytest.mark.parametrize(("module", "name", "extra"), [("pillow_heif", "heic", "heic"), ("rawpy", "raw", "raw")])
def test_a_missing_extra_is_named_with_the_way_to_get_it(tmp_path: Path, module: str, name: str, extra: str) -> None:
    """In an interpreter that cannot import the optional decoder."""
    script = (
        f"import sys; sys.modules[{module!r}] = None\n"
        "from pathlib import Path\n"
        f"from windstill.imaging import ImagingError, {name}\n"
        "from windstill.settings import ImagingSettings\n"
        "try:\n"
        f"    {name}.info(Path(sys.argv[1]), ImagingSettings())\n"
        "except ImagingError as err:\n"
        "    print(err)\n"
    )
    done = subprocess.run([sys.executable, "-c", script, str(tmp_path)], capture_output=True, text=True, check=True)
    assert done.stdout.strip().endswith(f"pip install 'windstill[{extra}]'")


@pytest.mark.parametrize("orientation", [1, 3, 6, 8])
def test_dng_mosaic_at_half_size(tmp_path: Path, orientation: int) -> None:
    """The synthetic camera has sRGB primaries, so development gives back the picture it was made from."""
    pytest.importorskip("rawpy", reason="optional extra raw")
    path = tmp_path / "a.dng"
    write_dng(path, PICTURE, orientation=orientation)
    decoded = decode(path, orientation, S)
    turns = {1: 0, 3: 2, 6: -1, 8: 1}[orientation]
    upright = np.rot90(PICTURE, turns)
    assert (decoded.decoder, decoded.luma_scale, decoded.bits) == ("raw half size", 0.5, 12)
    assert (decoded.height_px, decoded.width_px) == upright.shape[:2]
    assert decoded.luma.shape == (upright.shape[0] // 2, upright.shape[1] // 2)
    assert decoded.clip_high.shape == (-(-upright.shape[0] // 4), -(-upright.shape[1] // 4))
    halved = upright.reshape(upright.shape[0] // 2, 2, upright.shape[1] // 2, 2, 3).mean(axis=(1, 3))
    error = np.abs(decoded.luma - halved @ np.array([0.299, 0.587, 0.114]))
    assert np.median(error) <= 1 and np.percentile(error, 97) <= 4
    clipped = (upright[::4, ::4] == 255).any(axis=2)
    assert (decoded.clip_high == clipped).mean() > 0.97
    rgb = decode_rgb(path, orientation, S)
    assert rgb.shape == upright.shape
    assert np.abs(rgb.astype(int) - upright).mean() < 1
    assert probe(path) == ImageInfo(320, 214, "raw")


def test_frames_of_a_raw_bracket_stay_apart(tmp_path: Path) -> None:
    """One stop less light is one stop less in the picture: no brightening to the frame's own maximum."""
    pytest.importorskip("rawpy", reason="optional extra raw")
    linear = srgb_to_linear(np.clip(PICTURE, 0, 200).astype(float))
    means = []
    for stops in (0, 1, 2):
        dimmer = linear / 2**stops
        encoded = np.where(dimmer <= 0.0031308, 12.92 * dimmer, 1.055 * dimmer ** (1 / 2.4) - 0.055)
        path = tmp_path / f"{stops}.dng"
        write_dng(path, np.rint(encoded * 255).astype(np.uint8))
        means.append(srgb_to_linear(decode(path, 1, S).luma.astype(float)).mean())
    assert means[0] / means[1] == pytest.approx(2, rel=0.05)
    assert means[1] / means[2] == pytest.approx(2, rel=0.05)


@pytest.mark.parametrize("orientation", [1, 6])
def test_dng_with_full_size_preview(tmp_path: Path, orientation: int) -> None:
    pytest.importorskip("rawpy", reason="optional extra raw")
    path = tmp_path / "a.dng"
    shown = 255 - PICTURE  # unlike the raw, to tell which was used
    write_dng(path, PICTURE, shown, orientation)
    decoded = decode(path, orientation, S)
    assert (decoded.decoder, decoded.luma_scale) == ("embedded preview", 1.0)
    expected = np.rot90(shown, {1: 0, 6: -1}[orientation])
    assert np.abs(decode_rgb(path, orientation, S).astype(int) - expected).mean() < 6
    assert (decoded.height_px, decoded.width_px) == expected.shape[:2]


def test_dng_with_small_preview_is_developed(tmp_path: Path) -> None:
    pytest.importorskip("rawpy", reason="optional extra raw")
    path = tmp_path / "a.dng"
    write_dng(path, PICTURE, scene(160, 107))
    assert decode(path, 1, S).decoder == "raw half size"


def test_dng_with_an_uncompressed_thumbnail_is_developed(tmp_path: Path) -> None:
    pytest.importorskip("rawpy", reason="optional extra raw")
    path = tmp_path / "a.dng"
    write_dng(path, PICTURE, scene(160, 107), compression=None)
    assert decode(path, 1, S).decoder == "raw half size"
    assert preview(path, 1, S) is None


def test_dng_of_a_sensor_without_colours(tmp_path: Path) -> None:
    pytest.importorskip("rawpy", reason="optional extra raw")
    path = tmp_path / "a.dng"
    tags = [(50706, 1, 4, bytes((1, 4, 0, 0)), True), (50714, 3, 1, 0, True), (50717, 3, 1, 4095, True)]
    values = np.rint(srgb_to_linear(GRAY) * 4095).astype(np.uint16)
    tifffile.imwrite(path, values, photometric="minisblack", extratags=tags, metadata=None, rowsperstrip=len(values))
    with tifffile.TiffFile(path, mode="r+b") as file:
        file.pages[0].tags["PhotometricInterpretation"].overwrite(34892)  # LinearRaw, here of one colour
    decoded = decode(path, 1, S)
    assert (decoded.decoder, decoded.luma_scale) == ("raw", 1.0)
    assert np.abs(decoded.luma.astype(int) - GRAY).mean() < 1


@pytest.mark.parametrize(("name", "start"), [("a.x3f", b"FOVb"), ("a.raw", b"ABCD")])
def test_raw_no_decoder_knows_is_seen_by_the_picture_in_it(tmp_path: Path, name: str, start: bytes) -> None:
    """As that of a body newer than the decoder; the largest picture counts."""
    pytest.importorskip("rawpy", reason="optional extra raw")
    path = tmp_path / name
    large = scene(2400, 1600)
    path.write_bytes(start + bytes(200) + jpeg_bytes(scene(160, 107)) + bytes(77) + jpeg_bytes(large))
    assert np.abs(decode_rgb(path, 1, S).astype(int) - large).mean() < 3
    shown = preview(path, 1, S)
    assert shown is not None and (shown.width_px, shown.height_px, shown.luma_scale) == (2400, 1600, 0.5)


def test_content_decides_not_the_extension(tmp_path: Path) -> None:
    path = tmp_path / "COVE0001.NEF"
    path.write_bytes(jpeg_bytes(PICTURE))
    assert decode(path, 1, S).decoder == "jpeg"
    assert probe(path).format == "jpeg"
    path = tmp_path / "COVE0002.JPG"
    write_dng(path, PICTURE)
    assert probe(path).format == "raw"
    path = tmp_path / "COVE0003.CR2"
    Image.fromarray(PICTURE).save(path, "PNG")
    assert decode(path, 1, S).decoder == "png"
    path = tmp_path / "COVE0004.ARW"
    tifffile.imwrite(path, PICTURE, photometric="rgb")
    assert np.array_equal(decode_rgb(path, 1, S), PICTURE)


def test_names_that_are_not_text(tmp_path: Path) -> None:
    for stem in ("with space", "new\nline", "-rf", "\udcff\udcfe", "☂ ünïcode", "n" * 240):
        for suffix, write in ((".jpg", lambda p: p.write_bytes(jpeg_bytes(PICTURE))), (".dng", _dng)):
            path = tmp_path / (stem + suffix)
            try:
                write(path)
            except (OSError, UnicodeError):
                pytest.skip(f"this file system has no such names ({os.fsencode(path.name)!r})")
            assert decode(path, 1, S).width_px == 320


def _dng(path: Path) -> None:
    plain = path.with_name("plain.dng")
    write_dng(plain, PICTURE)
    plain.replace(path)
