"""One exposure is one frame, however many files it has."""

from __future__ import annotations

import shutil
import struct
import zlib
from pathlib import Path

import pytest

from imaging.picture_files import scene, write_dng
from scan.camera_files import bare, exif_block, jpeg, picture, raw, wide_header
from windstill.records import Frame, ScannedShoot
from windstill.scan import scan_shoot

AT = "2026:06:11 21:14:05"
LATER = "2026:06:11 21:14:09"


def names(shoot: ScannedShoot) -> list[str]:
    return [frame.name for frame in shoot.frames]


def files(frame: Frame) -> list[str]:
    return [file.path for file in frame.files]


def test_raw_and_jpeg_and_sidecar_are_one_frame_read_from_the_jpeg(tmp_path: Path) -> None:
    raw(tmp_path / "DCIM/101FELLS/TARN0007.NEF")
    jpeg(tmp_path / "DCIM/101FELLS/TARN0007.JPG")
    (tmp_path / "DCIM/101FELLS/TARN0007.xmp").write_text("<x/>")
    shoot = scan_shoot(tmp_path)
    assert names(shoot) == ["DCIM/101FELLS/TARN0007"]
    frame = shoot.frames[0]
    assert frame.pixels_from == "DCIM/101FELLS/TARN0007.JPG"
    assert files(frame) == [f"DCIM/101FELLS/TARN0007.{e}" for e in ("JPG", "NEF", "xmp")]
    assert [file.role for file in frame.files] == ["image", "raw", "sidecar"]
    assert shoot.problems == ()
    assert shoot.files_seen == 3


def test_reduced_jpeg_does_not_stand_for_its_raw(tmp_path: Path) -> None:
    raw(tmp_path / "TARN0007.NEF", size=(96, 64))
    jpeg(tmp_path / "TARN0007.JPG", size=(48, 32))
    frame = scan_shoot(tmp_path).frames[0]
    assert frame.pixels_from == "TARN0007.NEF"
    assert (frame.width_px, frame.height_px) == (96, 64)
    assert frame.notes


def test_jpeg_a_program_wrote_does_not_stand_for_its_raw(tmp_path: Path) -> None:
    """An edited picture may be cropped and retouched; the raw is what the camera saw."""
    raw(tmp_path / "TARN0007.NEF", software="Ver.1.10")
    jpeg(tmp_path / "TARN0007.JPG", software="Lichen Darkroom 4")
    frame = scan_shoot(tmp_path).frames[0]
    assert frame.pixels_from == "TARN0007.NEF"
    assert len(frame.files) == 2


@pytest.mark.parametrize("free", ["TARN", "_ARN", "tarn"])
def test_free_characters_may_differ_within_a_dcf_object(tmp_path: Path, free: str) -> None:
    """DCF 1.0: the files with one number in one directory are one object."""
    raw(tmp_path / f"101FELLS/{free}0007.NEF")
    jpeg(tmp_path / "101FELLS/TARN0007.JPG")
    assert len(scan_shoot(tmp_path).frames) == 1


def test_companions_of_a_dcf_object(tmp_path: Path) -> None:
    """DCF 1.0's own examples: a THM of another name and a WAV of the same number."""
    jpeg(tmp_path / "100FELLS/ABCD0004.JPG")
    (tmp_path / "100FELLS/THMB0004.THM").write_bytes(b"thumb")
    jpeg(tmp_path / "100FELLS/ABCD0008.JPG", taken=LATER)
    (tmp_path / "100FELLS/ABCD0008.WAV").write_bytes(b"note")
    (tmp_path / "100FELLS/LONE0009.WAV").write_bytes(b"note")
    shoot = scan_shoot(tmp_path)
    assert [files(frame)[1:] for frame in shoot.frames] == [["100FELLS/THMB0004.THM"], ["100FELLS/ABCD0008.WAV"]]
    assert shoot.files_seen == 5
    assert shoot.problems == ()


def test_same_number_in_two_folders_is_two_objects(tmp_path: Path) -> None:
    """DCF 1.0: 100.../0001 and 101.../0001 are two."""
    jpeg(tmp_path / "100FELLS/TARN0001.JPG", taken=AT)
    jpeg(tmp_path / "101FELLS/TARN0001.JPG", taken=LATER)
    assert len(scan_shoot(tmp_path).frames) == 2


def test_same_name_at_another_time_is_another_frame_under_a_name_of_its_own(tmp_path: Path) -> None:
    raw(tmp_path / "TARN0001.NEF", taken=AT)
    jpeg(tmp_path / "TARN0001.JPG", taken=LATER)
    shoot = scan_shoot(tmp_path)
    assert sorted(names(shoot)) == ["TARN0001", "TARN0001.NEF"]


def test_same_name_of_another_body_is_another_frame(tmp_path: Path) -> None:
    raw(tmp_path / "TARN0001.NEF", serial="1000001")
    jpeg(tmp_path / "TARN0001.JPG", serial="1000002")
    assert len(scan_shoot(tmp_path).frames) == 2


@pytest.mark.parametrize("folders", [("card A/DCIM/101FELLS", "card B/DCIM/101FELLS"), ("raw", "jpeg"), ("", "raw")])
def test_raw_on_one_card_and_jpeg_on_another(tmp_path: Path, folders: tuple[str, str]) -> None:
    for number, second in ((1, 5), (2, 6), (3, 7)):
        taken = f"2026:06:11 21:14:0{second}"
        jpeg(tmp_path / folders[0] / f"TARN000{number}.JPG", taken=taken)
        raw(tmp_path / folders[1] / f"TARN000{number}.NEF", taken=taken)
    shoot = scan_shoot(tmp_path)
    assert len(shoot.frames) == 3
    assert all(frame.pixels_file.role == "image" and len(frame.files) == 2 for frame in shoot.frames)


def test_cards_that_count_on_their_own(tmp_path: Path) -> None:
    for number, digits in ((1, "05"), (2, "35"), (3, "65")):
        jpeg(tmp_path / f"A/TARN{number:04d}.JPG", subsec=digits)
        raw(tmp_path / f"B/TARN{number + 40:04d}.NEF", subsec=digits)
    shoot = scan_shoot(tmp_path)
    assert names(shoot) == ["A/TARN0001", "A/TARN0002", "A/TARN0003"]
    assert all(len(frame.files) == 2 for frame in shoot.frames)


def test_two_cards_of_two_bodies_with_one_numbering_stay_apart(tmp_path: Path) -> None:
    for serial, folder, second in (("11", "A", 5), ("22", "B", 7)):
        for number in (1, 2):
            taken = f"2026:06:11 21:14:0{second + number}"
            jpeg(tmp_path / folder / f"TARN000{number}.JPG", serial=serial, taken=taken)
    assert len(scan_shoot(tmp_path).frames) == 4


def test_two_bodies_of_one_second_and_number_are_told_apart_by_serial_or_settings(tmp_path: Path) -> None:
    jpeg(tmp_path / "A/TARN0001.JPG", serial="11")
    jpeg(tmp_path / "B/TARN0001.JPG", serial="22")
    jpeg(tmp_path / "C/TARN0002.JPG", exposure=(1, 60))
    jpeg(tmp_path / "D/TARN0002.JPG", exposure=(1, 8))
    assert len(scan_shoot(tmp_path).frames) == 4


def test_second_file_without_fraction_or_zone_agrees(tmp_path: Path) -> None:
    raw(tmp_path / "raw/TARN0001.NEF", subsec="48", offset="+01:00")
    jpeg(tmp_path / "jpeg/TARN0001.JPG")
    shoot = scan_shoot(tmp_path)
    assert len(shoot.frames) == 1
    camera = shoot.frames[0].camera
    assert camera.captured_at is not None
    assert (camera.captured_at.microsecond, camera.time_resolution_s) == (480_000, 0.01)
    assert camera.captured_at.tzinfo is not None


def test_scans_of_one_name_are_one_frame_and_other_names_stay_apart(tmp_path: Path) -> None:
    bare(tmp_path / "roll 7 no 12.tif")
    bare(tmp_path / "roll 7 no 12.jpg")
    bare(tmp_path / "roll 7 no 13.tif")
    bare(tmp_path / "other roll/roll 7 no 12.tif")
    assert len(scan_shoot(tmp_path).frames) == 3


def test_scans_with_camera_like_names_need_evidence_to_be_one(tmp_path: Path) -> None:
    """FILM0001 and NEGS0001 are two strips' first pictures, not two files of one exposure."""
    bare(tmp_path / "FILM0001.tif")
    bare(tmp_path / "NEGS0001.tif")
    assert len(scan_shoot(tmp_path).frames) == 2


def test_second_cards_copies_count_once_and_are_noted(tmp_path: Path) -> None:
    jpeg(tmp_path / "A/101FELLS/TARN0001.JPG")
    raw(tmp_path / "A/101FELLS/TARN0001.NEF")
    shutil.copytree(tmp_path / "A", tmp_path / "B")
    shoot = scan_shoot(tmp_path)
    assert names(shoot) == ["A/101FELLS/TARN0001"]
    assert len(shoot.frames[0].files) == 4
    assert [(p.file, p.stage) for p in shoot.problems] == [
        ("B/101FELLS/TARN0001.JPG", "scan"), ("B/101FELLS/TARN0001.NEF", "scan"),
    ]
    assert all("copy of A/101FELLS" in problem.problem for problem in shoot.problems)


def test_copy_beside_the_original_leaves_the_cameras_name(tmp_path: Path) -> None:
    original = jpeg(tmp_path / "TARN0001.JPG")
    for name in ("AAA.JPG", "TARN0001 (1).JPG", "TARN0001 copy.JPG"):
        shutil.copy(original, tmp_path / name)
    shoot = scan_shoot(tmp_path)
    assert names(shoot) == ["TARN0001"]
    assert len(shoot.problems) == 3


def test_pictures_of_equal_size_that_differ_in_one_byte_are_no_copies(tmp_path: Path) -> None:
    first = raw(tmp_path / "TARN0001.NEF", taken=AT, size=(400, 300))
    data = bytearray(first.read_bytes())
    data[len(data) // 3] ^= 1
    (tmp_path / "TARN0002.NEF").write_bytes(bytes(data))
    shoot = scan_shoot(tmp_path)
    assert len(shoot.frames) == 2
    assert shoot.problems == ()


def test_hard_links_count_once(tmp_path: Path) -> None:
    (tmp_path / "TARN0002.JPG").hardlink_to(jpeg(tmp_path / "TARN0001.JPG"))
    shoot = scan_shoot(tmp_path)
    assert names(shoot) == ["TARN0001"]
    assert len(shoot.problems) == 1


@pytest.mark.skipif(not Path("/proc/self/io").exists(), reason="the system does not say how much was read")
def test_hard_links_are_not_read_again(tmp_path: Path) -> None:
    """A shoot linked into many places is scanned as fast as its headers are read."""

    def read_bytes() -> int:
        return int(dict(line.split(": ") for line in Path("/proc/self/io").read_text().splitlines())["rchar"])

    first = jpeg(tmp_path / "TARN0001.JPG")
    first.write_bytes(first.read_bytes() + bytes(8_000_000))
    for number in range(2, 30):
        (tmp_path / f"TARN{number:04d}.JPG").hardlink_to(first)
    before = read_bytes()
    assert len(scan_shoot(tmp_path).problems) == 28
    assert read_bytes() - before < 2 * first.stat().st_size


def test_sidecar_goes_to_the_raw_where_two_exposures_share_a_name(tmp_path: Path) -> None:
    jpeg(tmp_path / "TARN0001.JPG", taken=LATER)
    raw(tmp_path / "TARN0001.NEF", taken=AT)
    (tmp_path / "TARN0001.xmp").write_text("<x/>")
    (tmp_path / "TARN0001.JPG.xmp").write_text("<x/>")
    by_lead = {frame.pixels_from: files(frame) for frame in scan_shoot(tmp_path).frames}
    assert by_lead["TARN0001.NEF"] == ["TARN0001.NEF", "TARN0001.xmp"]
    assert by_lead["TARN0001.JPG"] == ["TARN0001.JPG", "TARN0001.JPG.xmp"]


def test_jpeg_named_as_a_raw_is_read_for_what_it_is(tmp_path: Path) -> None:
    jpeg(tmp_path / "TARN0001.NEF")
    frame = scan_shoot(tmp_path).frames[0]
    assert frame.pixels_file.role == "image"
    assert (frame.width_px, frame.height_px) == (48, 32)
    assert frame.camera.model == "Tarnline F1"


def test_body_of_half_stops_is_recognised_from_all_its_frames(tmp_path: Path) -> None:
    """1/6 s is a third-stop 1/6.35 on most cameras; on a camera that also shows 1/45 s it is 1/5.66."""
    for number, exposure in enumerate(((1, 45), (1, 6), (1, 90)), start=1):
        jpeg(tmp_path / f"TARN000{number}.JPG", exposure=exposure, taken=f"2026:06:11 21:14:0{number}")
    times = [frame.camera.exposure_s for frame in scan_shoot(tmp_path).frames]
    assert times == [pytest.approx(2**-5.5), pytest.approx(2**-2.5), pytest.approx(2**-6.5)]


def test_fractions_that_are_always_zero_are_no_fractions(tmp_path: Path) -> None:
    for number in range(1, 6):
        jpeg(tmp_path / f"TARN000{number}.JPG", subsec="00", taken=f"2026:06:11 21:14:0{number}")
    assert {frame.camera.time_resolution_s for frame in scan_shoot(tmp_path).frames} == {1.0}


@pytest.mark.parametrize("name", ["a.jpg", "a.png", "a.webp", "a.tif", "a.bmp"])
def test_pictures_without_camera_data(tmp_path: Path, name: str) -> None:
    bare(tmp_path / name, size=(60, 40))
    frame = scan_shoot(tmp_path).frames[0]
    assert (frame.width_px, frame.height_px) == (60, 40)
    assert frame.camera.captured_at is None
    assert frame.camera.exposure_s is None


@pytest.mark.parametrize("name", ["a.png", "a.webp", "a.heic", "a.tif"])
def test_camera_data_in_other_containers(tmp_path: Path, name: str) -> None:
    """PNG's eXIf, WebP's EXIF, HEIC's Exif item and TIFF's own directory."""
    block = exif_block(orientation=6, subsec="25")
    path = tmp_path / name
    if name.endswith("heic"):
        heif = pytest.importorskip("pillow_heif")
        heif.register_heif_opener()
        picture(1, (64, 48)).save(path, exif=block)
    elif name.endswith("tif"):
        from PIL import Image

        held = Image.Exif()
        held.load(block)
        picture(1, (64, 48)).save(path, exif=held)
    else:
        picture(1, (64, 48)).save(path, exif=block)
    frame = scan_shoot(tmp_path).frames[0]
    assert frame.camera.exposure_s == pytest.approx(1 / 64)
    assert frame.camera.captured_at is not None
    assert frame.camera.captured_at.microsecond == 250_000
    assert (frame.width_px, frame.height_px) == (48, 64)


def test_camera_data_behind_the_picture_of_a_png(tmp_path: Path) -> None:
    """Where programs that add it afterwards may put it (PNG specification, third edition, 11.3.2.1)."""
    bare(tmp_path / "a.png")
    data, exif = (tmp_path / "a.png").read_bytes(), exif_block()[6:]
    chunk = b"eXIf" + exif
    late = len(exif).to_bytes(4, "big") + chunk + zlib.crc32(chunk).to_bytes(4, "big")
    (tmp_path / "a.png").write_bytes(data[:-12] + late + data[-12:])
    assert scan_shoot(tmp_path).frames[0].camera.f_number_written == 8


def test_raw_that_only_the_raw_decoder_reads(tmp_path: Path) -> None:
    """An old container: blocks of the sensor's size, white balance and camera data before the mosaic."""
    pytest.importorskip("rawpy", reason="optional extra raw")

    def block(name: bytes, data: bytes) -> bytes:
        return b"\0" + name + struct.pack(">I", len(data)) + data

    sensor = struct.pack(">8s4H6BH", b"27730001", 128, 192, 128, 192, 16, 12, 0x59, 0, 0, 0, 1)
    blocks = (
        block(b"PRD", sensor) + block(b"WBG", struct.pack(">I4H", 0, 256, 256, 256, 256))
        + block(b"TTW", exif_block(image={0x010F: "Minolta"})[6:])
    )  # fmt: skip
    (tmp_path / "TARN0001.MRW").write_bytes(
        b"\0MRM" + struct.pack(">I", len(blocks)) + blocks + 128 * 192 * b"\x03\x84"
    )
    (frame,) = scan_shoot(tmp_path).frames
    assert (frame.width_px, frame.height_px) == (192, 128)
    assert frame.camera.f_number == 8 and frame.camera.iso == 100
    assert frame.camera.exposure_s == pytest.approx(1 / 64)
    assert str(frame.camera.captured_at) == "2026-06-11 21:14:05"


def test_raw_of_a_camera_held_upright_gives_its_upright_size(tmp_path: Path) -> None:
    pytest.importorskip("rawpy", reason="optional extra raw")
    write_dng(tmp_path / "TARN0001.DNG", scene(320, 214), orientation=6)
    (frame,) = scan_shoot(tmp_path).frames
    assert (frame.width_px, frame.height_px) == (214, 320)


@pytest.mark.parametrize(("name", "package"), [("a.heic", "pillow_heif"), ("a.MRW", "rawpy")])
def test_a_missing_optional_package_is_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str, package: str
) -> None:
    (tmp_path / "hidden").mkdir()
    (tmp_path / "hidden" / f"{package}.py").write_text(f"raise ModuleNotFoundError(name={package!r})\n")
    monkeypatch.setenv("PYTHONPATH", str(tmp_path / "hidden"))
    (tmp_path / name).write_bytes(b"\0\0\0\x18ftypheic" if name == "a.heic" else b"\0MRM")
    (problem,) = scan_shoot(tmp_path).problems
    assert problem.problem == f"reading it needs the package {package}; install windstill[all]"


def test_lens_described_by_its_range_alone(tmp_path: Path) -> None:
    jpeg(tmp_path / "TARN0001.JPG", exif={0xA432: ((28, 1), (300, 1), (35, 10), (56, 10))})
    jpeg(tmp_path / "TARN0002.JPG", taken=LATER, exif={0xA432: ((50, 1), (50, 1), (0, 1), (0, 1))})
    lenses = [frame.camera.lens for frame in scan_shoot(tmp_path).frames]
    assert lenses == ["28-300mm f/3.5-5.6", "50mm"]


@pytest.mark.parametrize(("packet", "lens"), [
    (
        b"<x:xmpmeta xmlns:x='adobe:ns:meta/'><rdf:RDF xmlns:rdf='http://www.w3.org/1999/02/22-rdf-syntax-ns#'>"
        b"<rdf:Description xmlns:aux='http://ns.adobe.com/exif/1.0/aux/'><!-- by hand --><aux:Lens>Fell 24</aux:Lens>"
        b"</rdf:Description></rdf:RDF></x:xmpmeta>", "Fell 24",
    ),
    (b"no packet at all", None),
    (b"<x" + bytes(3), None),
])  # fmt: skip
def test_properties_of_any_packet(tmp_path: Path, packet: bytes, lens: str | None) -> None:
    data = jpeg(tmp_path / "TARN0001.JPG").read_bytes()
    segment = b"http://ns.adobe.com/xap/1.0/\0" + packet
    (tmp_path / "TARN0001.JPG").write_bytes(
        data[:2] + b"\xff\xe1" + struct.pack(">H", len(segment) + 2) + segment + data[2:]
    )
    (frame,) = scan_shoot(tmp_path).frames
    assert frame.camera.lens == lens and frame.camera.iso == 100


def test_sixteen_bit_colour_tiff_gives_its_size(tmp_path: Path) -> None:
    import numpy as np
    import tifffile

    tifffile.imwrite(tmp_path / "scan 1.tif", np.zeros((40, 60, 3), np.uint16), photometric="rgb")
    frame = scan_shoot(tmp_path).frames[0]
    assert (frame.width_px, frame.height_px) == (60, 40)


@pytest.mark.parametrize("name", ["wide.tif", "wide.jpg", "wide.png"])
def test_stitched_panorama_beyond_the_size_libraries_suspect_is_a_photograph(tmp_path: Path, name: str) -> None:
    wide_header(tmp_path / name, 20_000, 12_000)
    frame = scan_shoot(tmp_path).frames[0]
    assert (frame.width_px, frame.height_px) == (20_000, 12_000)
