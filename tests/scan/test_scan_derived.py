"""Finished merges and exports are listed as derived; photographs, edited or not, are not."""

from __future__ import annotations

from pathlib import Path

import pytest

from scan.camera_files import bare, jpeg, picture, raw
from windstill.scan import scan_shoot

PROGRAM = "Lichen Darkroom 4"


def derived(root: Path) -> set[str]:
    return {frame.name for frame in scan_shoot(root).frames if frame.derived}


def shoot(root: Path, frames: int = 6, **camera: object) -> None:
    for number in range(1, frames + 1):
        taken = f"2026:06:11 21:14:{number:02d}"
        jpeg(root / f"101FELLS/TARN{number:04d}.JPG", taken=taken, software="Ver.1.10", **camera)


@pytest.mark.parametrize("name", ["101FELLS/TARN0003-merged.JPG", "101FELLS/thrift stack.JPG", "out/final.JPG"])
def test_merge_that_keeps_its_first_frames_data(tmp_path: Path, name: str) -> None:
    shoot(tmp_path)
    jpeg(tmp_path / name, taken="2026:06:11 21:14:03", software=PROGRAM)
    assert derived(tmp_path) == {name.removesuffix(".JPG")}


def test_merge_that_lost_its_time(tmp_path: Path) -> None:
    shoot(tmp_path)
    jpeg(tmp_path / "thrift.JPG", taken=None, software=PROGRAM)
    assert derived(tmp_path) == {"thrift"}


@pytest.mark.parametrize("folder", ["101FELLS", "101FELLS/merged/final"])
def test_merge_named_after_a_frame_without_any_data(tmp_path: Path, folder: str) -> None:
    shoot(tmp_path)
    bare(tmp_path / folder / "TARN0003_stack.tif")
    bare(tmp_path / folder / "TARN0099_crop.tif")  # named after no frame
    assert derived(tmp_path) == {f"{folder}/TARN0003_stack"}


def test_merge_among_scans_without_data(tmp_path: Path) -> None:
    for number in range(8):
        bare(tmp_path / f"no {number}.png")
    jpeg(tmp_path / "merged.JPG", software=PROGRAM)
    assert derived(tmp_path) == {"merged"}


def test_composite_made_in_camera(tmp_path: Path) -> None:
    """Exif 2.32, CompositeImage: 3 is a composite made while capturing; phones write 2 on ordinary pictures."""
    shoot(tmp_path)
    jpeg(tmp_path / "101FELLS/TARN0007.JPG", taken="2026:06:11 21:14:08", composite=3)
    jpeg(tmp_path / "101FELLS/TARN0008.JPG", taken="2026:06:11 21:14:09", composite=2)
    jpeg(tmp_path / "101FELLS/TARN0009.JPG", taken="2026:06:11 21:14:10", composite=1)
    assert derived(tmp_path) == {"101FELLS/TARN0007"}


def test_panorama_put_together_in_the_camera(tmp_path: Path) -> None:
    shoot(tmp_path)
    jpeg(tmp_path / "101FELLS/TARN0007.JPG", taken="2026:06:11 21:14:08", software="Ver.1.10", size=(120, 30))
    assert derived(tmp_path) == {"101FELLS/TARN0007"}


def test_shoot_developed_as_a_whole_is_no_export(tmp_path: Path) -> None:
    """All frames written by one program: these are the photographs, there is nothing else to merge."""
    for number in range(1, 7):
        jpeg(tmp_path / f"TARN{number:04d}.JPG", taken=f"2026:06:11 21:14:{number:02d}", software=PROGRAM)
    assert derived(tmp_path) == set()


def test_single_developed_frame_whose_raw_is_gone_is_a_frame(tmp_path: Path) -> None:
    shoot(tmp_path)
    jpeg(tmp_path / "101FELLS/TARN0007.JPG", taken="2026:06:11 21:14:09", software=PROGRAM)
    assert derived(tmp_path) == set()


def test_developed_picture_beside_its_raw_is_a_file_of_the_frame(tmp_path: Path) -> None:
    for number in range(1, 7):
        taken = f"2026:06:11 21:14:{number:02d}"
        raw(tmp_path / f"101FELLS/TARN{number:04d}.NEF", taken=taken, software="Ver.1.10")
    jpeg(tmp_path / "developed/TARN0002.JPG", taken="2026:06:11 21:14:02", software=PROGRAM)
    scanned = scan_shoot(tmp_path)
    assert len(scanned.frames) == 6
    assert not any(frame.derived for frame in scanned.frames)
    assert [len(frame.files) for frame in scanned.frames] == [1, 2, 1, 1, 1, 1]


def test_scanners_program_does_not_make_scans_derived(tmp_path: Path) -> None:
    for number in range(1, 7):
        block = {0x0131: "Scanline 3.2"}
        from PIL import Image

        held = Image.Exif()
        held.update(block)
        picture(number).save(tmp_path / f"roll {number}.tif", exif=held)
    assert derived(tmp_path) == set()


def test_burst_of_whole_seconds_is_not_taken_for_exports(tmp_path: Path) -> None:
    for number in range(1, 7):
        jpeg(tmp_path / f"TARN{number:04d}.JPG", software="Ver.1.10")
    assert derived(tmp_path) == set()


@pytest.mark.parametrize("software", ["Ver.1.10", "Tarnline F1 1.2", "F1 Ver 3.0", "2.10", "Digital Camera F1 Ver1.06"])
def test_new_firmware_on_the_same_evening(tmp_path: Path, software: str) -> None:
    shoot(tmp_path)
    jpeg(tmp_path / "101FELLS/TARN0007.JPG", taken="2026:06:11 21:14:06", software=software)
    assert derived(tmp_path) == set()


def test_reason_is_noted(tmp_path: Path) -> None:
    shoot(tmp_path)
    jpeg(tmp_path / "thrift.JPG", taken="2026:06:11 21:14:03", software=PROGRAM)
    frame = next(frame for frame in scan_shoot(tmp_path).frames if frame.derived)
    assert frame.notes == ("written by a program from a frame of the same moment",)
