"""The quick look: which embedded picture is taken, and what it says about the full one."""

from __future__ import annotations

import io
import struct
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from imaging.picture_files import jpeg_bytes, scene, write_dng
from windstill.imaging import Decoded, ImagingError, decode, preview, probe
from windstill.settings import ImagingSettings

S = ImagingSettings()
FULL, SHOWN = (2400, 1600), (1200, 800)
LARGE_THUMBNAIL, STEREO = 0x010002, 0x020002
SIDEWAYS = 6


def with_index(main: np.ndarray, second: np.ndarray, kind: int) -> bytes:
    """A Multi-Picture file by Pillow, the second picture's type set (CIPA DC-007, 5.2.3.3.1)."""
    out = io.BytesIO()
    Image.fromarray(main).save(
        out, "MPO", save_all=True, append_images=[Image.fromarray(second)], quality=80, subsampling=0
    )
    data = bytearray(out.getvalue())
    at = data.find(b"MPF\0") + 4
    order = ">" if data[at : at + 2] == b"MM" else "<"
    (directory,) = struct.unpack_from(order + "I", data, at + 4)
    (count,) = struct.unpack_from(order + "H", data, at + directory)
    for k in range(count):
        tag, _, _, offset = struct.unpack_from(order + "HHII", data, at + directory + 2 + 12 * k)
        if tag == 0xB002:
            struct.pack_into(order + "I", data, at + offset + 16, kind)
    return bytes(data)


def in_segment(main: bytes, inner: bytes) -> bytes:
    """A picture in an application segment."""
    assert len(inner) < 65000
    return main[:2] + b"\xff\xe4" + struct.pack(">H", len(inner) + 2) + inner + main[2:]


def check(shown: Decoded | None, full: Decoded) -> None:
    """Same picture, smaller, with the full picture's size and clipping grid."""
    assert shown is not None
    assert (shown.width_px, shown.height_px) == (full.width_px, full.height_px)
    assert shown.luma_scale == pytest.approx(shown.luma.shape[1] / full.width_px, rel=1e-3)
    assert shown.luma_scale < 1
    assert shown.clip_high.shape == full.clip_high.shape
    assert (shown.clip_high == full.clip_high).mean() > 0.97
    assert (shown.clip_low == full.clip_low).mean() > 0.97
    reduced = Image.fromarray(full.luma).resize(shown.luma.shape[::-1], Image.Resampling.BOX)
    assert np.abs(np.asarray(reduced).astype(int) - shown.luma).mean() < 4
    assert np.abs(full.colour_small.astype(int) - shown.colour_small).mean() < 4


def test_listed_as_large_thumbnail(tmp_path: Path) -> None:
    path = tmp_path / "a.jpg"
    path.write_bytes(with_index(scene(*FULL), scene(*SHOWN), LARGE_THUMBNAIL))
    shown = preview(path, SIDEWAYS, S)
    check(shown, decode(path, SIDEWAYS, S))
    assert shown is not None and shown.decoder == "embedded preview"
    assert shown.luma.shape == SHOWN


def test_another_view_is_no_preview(tmp_path: Path) -> None:
    """The second picture of a stereo pair, a depth or a gain map is not this picture made small."""
    path = tmp_path / "a.jpg"
    path.write_bytes(with_index(scene(*FULL), scene(*SHOWN, seed=8), STEREO))
    assert preview(path, 1, S) is None


def test_an_index_of_pictures_that_were_dropped(tmp_path: Path) -> None:
    """Programs that save a JPEG anew may keep the index and lose what it lists; the picture is whole all the same."""
    path = tmp_path / "a.jpg"
    data = with_index(scene(*FULL), scene(*SHOWN), LARGE_THUMBNAIL)
    main = data[: data.find(b"\xff\xd8\xff", data.find(b"\xff\xda"))]
    path.write_bytes(main)
    assert decode(path, 1, S).width_px == FULL[0]
    assert preview(path, 1, S) is None
    path.write_bytes(main[: len(main) // 2])
    with pytest.raises(ImagingError, match="cut off"):
        preview(path, 1, S)


@pytest.mark.filterwarnings("ignore:Corrupt EXIF data")
def test_an_index_that_cannot_be_read_is_no_index(tmp_path: Path) -> None:
    path = tmp_path / "a.jpg"
    data = bytearray(with_index(scene(*FULL), scene(*SHOWN), LARGE_THUMBNAIL))
    at = data.find(b"MPF\0") + 4
    data[at + 4 : at + 60] = bytes(range(100, 156))
    path.write_bytes(data)
    check(preview(path, 1, S), decode(path, 1, S))


def test_a_damaged_preview_leaves_the_picture_itself(tmp_path: Path) -> None:
    path = tmp_path / "a.jpg"
    main, inner = jpeg_bytes(scene(*FULL), quality=80), bytearray(jpeg_bytes(scene(*SHOWN), quality=60))
    inner[len(inner) // 2 : len(inner) // 2 + 400] = b"\xff\xc4" * 200
    path.write_bytes(main + inner)
    assert preview(path, 1, S) is None
    assert decode(path, 1, S).width_px == FULL[0]


def test_camera_data_of_half_a_megabyte_before_the_picture(tmp_path: Path) -> None:
    """As colour profiles and edit histories are."""
    path = tmp_path / "a.jpg"
    main = jpeg_bytes(scene(*FULL), quality=80)
    path.write_bytes(main[:2] + 8 * (b"\xff\xe5" + struct.pack(">H", 65000) + bytes(64998)) + main[2:])
    assert (probe(path).width_px, probe(path).height_px) == FULL
    check(preview(path, 1, S, allow_scaled=True), decode(path, 1, S))


@pytest.mark.parametrize("place", ["segment", "behind"])
def test_not_listed(tmp_path: Path, place: str) -> None:
    path = tmp_path / "a.jpg"
    main, inner = jpeg_bytes(scene(*FULL), quality=80), jpeg_bytes(scene(*SHOWN), quality=60)
    path.write_bytes(in_segment(main, inner) if place == "segment" else main + inner)
    check(preview(path, 8, S), decode(path, 8, S))


def test_letterboxed_and_tiny_ones_are_passed_over(tmp_path: Path) -> None:
    path = tmp_path / "a.jpg"
    main = jpeg_bytes(scene(*FULL), quality=80)
    for size in ((1280, 960), (160, 107)):
        path.write_bytes(in_segment(main, jpeg_bytes(scene(*size), quality=50)))
        assert preview(path, 1, S) is None


def test_the_largest_is_taken(tmp_path: Path) -> None:
    path = tmp_path / "a.jpg"
    main = jpeg_bytes(scene(*FULL), quality=80)
    inner = jpeg_bytes(scene(1080, 720), quality=50)
    path.write_bytes(in_segment(main, inner) + jpeg_bytes(scene(1350, 900)))
    shown = preview(path, 1, S)
    assert shown is not None and shown.luma.shape == (900, 1350)
    path.write_bytes(main + jpeg_bytes(scene(1080, 720)) + jpeg_bytes(scene(1350, 900)))
    shown = preview(path, 1, S)
    assert shown is not None and shown.luma.shape == (900, 1350)


def test_without_a_preview_only_on_request(tmp_path: Path) -> None:
    path = tmp_path / "a.jpg"
    path.write_bytes(jpeg_bytes(scene(3601, 2401), quality=80))
    assert preview(path, 1, S) is None
    shown = preview(path, SIDEWAYS, S, allow_scaled=True)
    check(shown, decode(path, SIDEWAYS, S))
    assert shown is not None and (shown.decoder, shown.luma.shape) == ("jpeg at 1/2", (1801, 1201))


def test_raw_with_a_smaller_preview(tmp_path: Path) -> None:
    pytest.importorskip("rawpy", reason="optional extra raw")
    path = tmp_path / "a.dng"
    write_dng(path, scene(*FULL), scene(*SHOWN), SIDEWAYS)
    full = decode(path, SIDEWAYS, S)
    assert full.decoder == "raw half size"
    shown = preview(path, SIDEWAYS, S)
    assert shown is not None and shown.luma.shape == SHOWN
    assert (shown.width_px, shown.height_px, shown.luma_scale) == (1600, 2400, 0.5)
    assert np.abs(shown.luma.astype(int) - full.luma).mean() < 6


def test_kinds_without_previews(tmp_path: Path) -> None:
    for suffix in ("png", "tif", "webp"):
        path = tmp_path / f"a.{suffix}"
        Image.fromarray(scene(64, 48)).save(path)
        assert preview(path, 1, S, allow_scaled=True) is None
