"""Camera data against the reference reader, file by file, and against Exif 2.32 where a value has a trap.

The reference reader is Debian's libimage-exiftool-perl, run on the same files. The files in `tests/data/exif` are
copies from the exif-samples collection (see ATTRIBUTION.md there); more of it, and raw headers, are used where the
folder of outside data is present.
"""

from __future__ import annotations

import math
import struct
from datetime import timedelta
from pathlib import Path
from typing import Any

import piexif
import pytest

from scan import reference_reader
from scan.camera_files import exif_block, jpeg, jpeg_bytes
from windstill.records import CameraData
from windstill.scan import UnreadableError, read_camera_data, scan_shoot
from windstill.settings.scan import ScanSettings

COPIES = Path(__file__).parent.parent / "data" / "exif"

# Our field, the reader's tag, the reader's word for unknown.
NUMBERS = {
    "exposure_written_s": "ExposureTime", "f_number_written": "FNumber", "iso": "ISO", "focal_mm": "FocalLength",
    "focal_35mm_mm": "FocalLengthIn35mmFormat", "bias_ev": "ExposureCompensation", "focus_m": "SubjectDistance",
    "exposure_mode": "ExposureMode", "orientation": "Orientation", "composite": "CompositeImage",
}
TEXTS = {"maker": "Make", "model": "Model", "software": "Software", "image_unique_id": "ImageUniqueID"}


def compare(path: Path, data: CameraData, said: dict[str, Any]) -> list[str]:
    """Fields in which the two readers differ."""
    wrong = []
    for ours, theirs in NUMBERS.items():
        value, expected = getattr(data, ours), said.get(theirs)
        if isinstance(expected, str):  # several numbers: the first that says something
            expected = next((float(part) for part in expected.split() if float(part)), None)
        if ours == "orientation" and expected is None:
            expected = 1
        if expected == 0 and ours in ("exposure_written_s", "f_number_written", "iso", "focal_mm", "focal_35mm_mm"):
            expected = None
        if (value is None) != (expected is None) or (
            value is not None and not math.isclose(value, float(expected), rel_tol=1e-6)
        ):
            wrong.append(f"{path.name}: {ours} is {value}, the reference reader's {theirs} is {expected}")
    for ours, theirs in TEXTS.items():
        value, expected = getattr(data, ours), said.get(theirs)
        if expected is None and theirs == "Software":
            expected = said.get("CreatorTool")
        if (value or "") != " ".join(str(expected or "").split()):
            wrong.append(f"{path.name}: {ours} is {value!r}, the reference reader's {theirs} is {expected!r}")
    return wrong + _compare_time(path, data, said) + _compare_lens_and_body(path, data, said)


def _compare_time(path: Path, data: CameraData, said: dict[str, Any]) -> list[str]:
    expected = said.get("DateTimeOriginal")
    ours = None if data.captured_at is None else data.captured_at.strftime("%Y:%m:%d %H:%M:%S")
    if ours != (None if expected is None else expected[:19]):
        return [f"{path.name}: captured at {ours}, the reference reader says {expected}"]
    digits = str(said.get("SubSecTimeOriginal", ""))
    if data.captured_at is not None and digits.isdigit():
        if not math.isclose(data.captured_at.microsecond / 1e6, float(f"0.{digits}"), abs_tol=1e-6):
            return [f"{path.name}: fraction {data.captured_at.microsecond}, the reference reader says {digits}"]
        if not math.isclose(data.time_resolution_s or 0, 10.0 ** -len(digits)):
            return [f"{path.name}: resolution {data.time_resolution_s} of digits {digits}"]
    return []


def _compare_lens_and_body(path: Path, data: CameraData, said: dict[str, Any]) -> list[str]:
    wrong = []
    serial = said.get("SerialNumber")
    if serial is not None and (data.body_serial or "").lstrip("0") != str(serial).lstrip("0"):
        wrong.append(f"{path.name}: serial {data.body_serial}, the reference reader says {serial}")
    lens = said.get("LensModel")
    if lens is not None and data.lens != lens:
        wrong.append(f"{path.name}: lens {data.lens}, the reference reader says {lens}")
    pitch = said.get("FocalPlaneXResolution")
    unit_mm = {2: 25.4, 3: 10.0}.get(said.get("FocalPlaneResolutionUnit", 2), 25.4)
    same_size = said.get("ExifImageWidth") == said.get("ImageWidth")
    if pitch and same_size and not math.isclose(data.pixel_pitch_um or 0, 1000 * unit_mm / pitch, rel_tol=1e-6):
        wrong.append(f"{path.name}: pitch {data.pixel_pitch_um}, the reference reader's is {1000 * unit_mm / pitch}")
    return wrong


def _assert_equal(paths: list[Path]) -> None:
    said = reference_reader.read(paths)
    wrong = [line for path in paths for line in compare(path, read_camera_data(path), said[path])]
    assert not wrong, "\n".join(wrong)


def test_copied_files_read_as_the_reference_reader_reads_them() -> None:
    paths = sorted(COPIES.glob("*.jpg"))
    assert len(paths) == 7
    _assert_equal(paths)


def test_all_outside_files_read_as_the_reference_reader_reads_them(outside_data: Path) -> None:
    _assert_equal(sorted(path for path in (outside_data / "exif").glob("*.*")))


def test_raw_headers_read_as_the_reference_reader_reads_them(outside_data: Path) -> None:
    """Headers of six raw containers, pixels cut off, among them two that `exifread` gives nothing for."""
    paths = sorted((outside_data / "exif" / "headers").glob("*.*"))
    assert len(paths) == 6
    _assert_equal(paths)


def test_every_outside_file_gives_a_frame_or_one_problem(outside_data: Path) -> None:
    shoot = scan_shoot(outside_data / "exif", ScanSettings())
    files = {path.relative_to(outside_data / "exif").as_posix() for path in (outside_data / "exif").rglob("*.*")}
    framed = [file.path for frame in shoot.frames for file in frame.files]
    reported = [problem.file for problem in shoot.problems]
    assert sorted(framed + reported) == sorted(files)


def test_sizes_are_those_of_the_reference_reader(outside_data: Path) -> None:
    shoot = scan_shoot(outside_data / "exif", ScanSettings())
    paths = {frame.name: outside_data / "exif" / frame.pixels_from for frame in shoot.frames}
    said = reference_reader.read(list(paths.values()))
    for frame in shoot.frames:
        if frame.pixels_file.role == "image":
            tags = said[paths[frame.name]]
            size = (tags["ImageWidth"], tags["ImageHeight"])
            assert (frame.width_px, frame.height_px) == (size[::-1] if frame.camera.orientation >= 5 else size)


def _read(tmp_path: Path, **camera: Any) -> CameraData:
    return read_camera_data(jpeg(tmp_path / "TARN0001.JPG", **camera))


@pytest.mark.parametrize(
    ("digits", "fraction", "resolution"),
    [("130", 0.130, 1e-3), ("13", 0.13, 1e-2), ("05 ", 0.05, 1e-2), ("5", 0.5, 1e-1), ("   ", 0.0, 1.0)],
)
def test_subsecond_digits_are_a_left_aligned_fraction(
    tmp_path: Path, digits: str, fraction: float, resolution: float
) -> None:
    """Exif 2.32, SubSecTimeOriginal."""
    data = _read(tmp_path, subsec=digits)
    assert data.captured_at is not None
    assert data.captured_at.microsecond == pytest.approx(fraction * 1e6)
    assert data.time_resolution_s == pytest.approx(resolution)


@pytest.mark.parametrize(("offset", "minutes"), [("+01:00", 60), ("-09:30", -570), ("+00:00", 0)])
def test_offset_is_kept(tmp_path: Path, offset: str, minutes: int) -> None:
    """Exif 2.32, OffsetTimeOriginal."""
    data = _read(tmp_path, offset=offset)
    assert data.captured_at is not None
    assert data.captured_at.utcoffset() == timedelta(minutes=minutes)


@pytest.mark.parametrize("offset", ["   :  ", "+25:00", "+01:75", "nonsense"])
def test_offset_that_is_none_leaves_the_time_naive(tmp_path: Path, offset: str) -> None:
    data = _read(tmp_path, offset=offset)
    assert data.captured_at is not None
    assert data.captured_at.tzinfo is None


@pytest.mark.parametrize(
    ("written", "metres"),
    [
        ((0xFFFFFFFF, 1), math.inf), ((0xFFFFFFFF, 0xFFFFFFFF), math.inf), ((0xFFFFFFFF, 100), math.inf),
        ((0, 1), None), ((0, 0), None), ((125, 100), 1.25),
    ],
)
def test_subject_distance(tmp_path: Path, written: tuple[int, int], metres: float | None) -> None:
    """Exif 2.32, SubjectDistance: numerator FFFFFFFF is infinity whatever the denominator, 0 is unknown."""
    assert _read(tmp_path, exif={0x9206: written}).focus_m == metres


def test_pitch_of_a_worked_example(tmp_path: Path) -> None:
    """Exif 2.32, FocalPlaneXResolution: 5773.5 per inch is 4.399 um; the same in centimetres."""
    inches = _read(tmp_path, exif={0xA20E: (57735, 10), 0xA210: 2})
    centimetres = _read(tmp_path, exif={0xA20E: (227303, 100), 0xA210: 3})
    assert inches.pixel_pitch_um == pytest.approx(4.399, abs=5e-4)
    assert centimetres.pixel_pitch_um == pytest.approx(4.399, abs=5e-4)


def test_pitch_follows_a_reduced_picture(tmp_path: Path) -> None:
    """The resolution counts pixels of the recorded picture (Exif 2.32): halved, each covers twice as much."""
    exif = {0xA20E: (57735, 10), 0xA210: 2, 0xA002: 96, 0xA003: 64}
    assert _read(tmp_path, exif=exif).pixel_pitch_um == pytest.approx(2 * 4.399, abs=1e-3)


def test_iso_above_the_cap_is_read_from_the_wide_tag(tmp_path: Path) -> None:
    """Exif 2.32: PhotographicSensitivity is a SHORT, capped at 65535; RecommendedExposureIndex is a LONG."""
    assert _read(tmp_path, iso=65535, exif={0x8830: 2, 0x8832: 102400}).iso == 102400
    assert _read(tmp_path, iso=65535).iso is None, "at the cap it may be any above"
    assert _read(tmp_path, iso=65534).iso == 65534


def test_apex_values_serve_where_the_plain_ones_are_missing(tmp_path: Path) -> None:
    """Exif 2.32: Tv = -log2 t, Av = 2 log2 N."""
    data = _read(tmp_path, exposure=None, f_number=None, exif={0x9201: (6, 1), 0x9202: (6, 1)})
    assert data.exposure_s == pytest.approx(1 / 64)
    assert data.f_number == pytest.approx(8.0)


@pytest.mark.parametrize("mode", [0, 1, 2])
def test_exposure_mode(tmp_path: Path, mode: int) -> None:
    """Exif 2.32, ExposureMode: 0 auto, 1 manual, 2 auto bracket; only 2 marks a bracket, 1 does not deny one."""
    data = _read(tmp_path, exif={0xA402: mode})
    assert data.exposure_mode == mode
    assert data.bracket_mark is (True if mode == 2 else None)


@pytest.mark.parametrize("orientation", range(1, 9))
def test_orientation_turns_the_size(tmp_path: Path, orientation: int) -> None:
    """Exif 2.32, Orientation: 5 to 8 lie on their sides."""
    jpeg(tmp_path / "TARN0001.JPG", orientation=orientation, size=(48, 32))
    frame = scan_shoot(tmp_path).frames[0]
    assert (frame.width_px, frame.height_px) == ((32, 48) if orientation >= 5 else (48, 32))
    assert frame.camera.orientation == orientation


def test_nominal_values_are_snapped_and_kept_as_written(tmp_path: Path) -> None:
    data = _read(tmp_path, exposure=(1, 60), f_number=(11, 1))
    assert (data.exposure_written_s, data.f_number_written) == (pytest.approx(1 / 60), 11)
    assert (data.exposure_s, data.f_number) == (pytest.approx(1 / 64), pytest.approx(2**3.5))


def _sequence_info(index: int, count: int, kind: bytes = b"Focus Stack", final: int = 0) -> bytes:
    """DNG 1.7.1, ImageSequenceInfo (52548)."""
    return b"evening-3\0" + kind + b"\0" + b"\0" + struct.pack(">IIB", index, count, final)


@pytest.mark.parametrize("kind", [b"Exposure Bracket", b"Focus Stack", b"Panorama Segment", b"Burst Denoise"])
def test_dng_sequence_info(tmp_path: Path, kind: bytes) -> None:
    """DNG Specification 1.7.1, ImageSequenceInfo: id, type, frame info, index, count, final; big-endian."""
    piexif.TAGS["Image"].setdefault(0xCD44, {"name": "ImageSequenceInfo", "type": piexif.TYPES.Undefined})
    block = exif_block(image={0xC612: (1, 7, 1, 0), 0x0100: 48, 0x0101: 32, 0xCD44: _sequence_info(2, 5, kind, 1)})
    path = tmp_path / "TARN0002.DNG"
    path.write_bytes(block[6:])
    sequence = read_camera_data(path).sequence
    assert sequence is not None
    assert (sequence.sequence_id, sequence.sequence_type) == ("evening-3", kind.decode())
    assert (sequence.index, sequence.count, sequence.final) == (2, 5, True)


@pytest.mark.parametrize("content", [b"", b"\0", b"id", b"id\0Focus Stack\0", b"\xff" * 40, b"id\0kind\0info\0\0\0\0"])
def test_broken_dng_sequence_info_is_no_sequence_or_an_uncounted_one(tmp_path: Path, content: bytes) -> None:
    piexif.TAGS["Image"].setdefault(0xCD44, {"name": "ImageSequenceInfo", "type": piexif.TYPES.Undefined})
    path = tmp_path / "TARN0002.DNG"
    path.write_bytes(exif_block(image={0xC612: (1, 7, 1, 0), 0x0100: 48, 0x0101: 32, 0xCD44: content})[6:])
    sequence = read_camera_data(path).sequence
    assert sequence is None or (sequence.index is None and sequence.count is None)


# Makers' notes, built by hand and read by both readers: our field and the reference reader's tag.
def _directory(entries: list[tuple[int, int, int, bytes]], at: int, order: str = "<") -> bytes:
    """A TIFF directory at place `at` of its structure, values after it."""
    beyond = at + 2 + 12 * len(entries) + 4
    head, tail = struct.pack(order + "H", len(entries)), b""
    for tag, kind, count, value in entries:
        if len(value) <= 4:
            held = value.ljust(4, b"\0")
        else:
            held = struct.pack(order + "I", beyond + len(tail))
            tail += value
        head += struct.pack(order + "HHI", tag, kind, count) + held
    return head + bytes(4) + tail


def _shorts(*values: int) -> bytes:
    return struct.pack(f"<{len(values)}h", *values)


def _with_note(path: Path, maker: str, note: bytes) -> tuple[CameraData, dict[str, Any]]:
    """A little-endian Exif block holding a note at a known place, read by both readers."""
    exif_at = 26 + 12 + 32
    block = b"II*\0" + struct.pack("<I", 8)
    block += struct.pack("<H", 2)
    block += struct.pack("<HHI", 0x010F, 2, 32) + struct.pack("<I", 38)
    block += struct.pack("<HHI", 0x8769, 4, 1) + struct.pack("<I", exif_at) + bytes(4)
    block += maker.encode().ljust(32, b"\0")
    assert len(block) == exif_at
    note_at = exif_at + 2 + 12 + 4
    block += struct.pack("<H", 1) + struct.pack("<HHI", 0x927C, 7, len(note)) + struct.pack("<I", note_at) + bytes(4)
    path.write_bytes(jpeg_bytes(b"Exif\0\0" + block + note))
    return read_camera_data(path), reference_reader.read([path])[path]


NOTE_AT = 88


@pytest.mark.parametrize(
    ("mode", "value", "ev"), [(1, -32, -1.0), (1, 32, 1.0), (1, 44, 4 / 3), (3, -20, -2 / 3), (0, 0, None)]
)
def test_canon_bracket_marks(tmp_path: Path, mode: int, value: int, ev: float | None) -> None:
    """BracketMode, BracketValue (65504 stands for -32), BracketShotNumber, drive and sequence number."""
    camera = _shorts(34, 0, 0, 0, 0, 1, *[0] * 11)
    shot = _shorts(36, 0, 0, 0, 0, 0, 0, 0, 0, 3, *[0] * 8)
    file = _shorts(16, 0, 0, mode, value, 2, 0, 0)
    note = _directory(
        [(0x0001, 3, 17, camera), (0x0004, 3, 18, shot), (0x0093, 3, 8, file)], NOTE_AT
    )
    ours, theirs = _with_note(tmp_path / "a.jpg", "Canon", note)
    assert (theirs["BracketMode"], theirs["BracketShotNumber"], theirs["ContinuousDrive"]) == (mode, 2, 1)
    assert theirs["SequenceNumber"] == ours.sequence_number == 3
    assert ours.drive_mode == "continuous"
    assert ours.bracket_mark is (mode != 0)
    assert ours.bracket_value_ev == (None if ev is None else pytest.approx(ev))
    if mode:
        assert theirs["BracketValue"] == value
        assert ours.bracket_shot == 2


@pytest.mark.parametrize("bits", [0, 1, 8, 16, 17, 32, 64, 24, 49])
def test_nikon_bracket_bits(tmp_path: Path, bits: int) -> None:
    """ShootingMode's bits: 1 continuous, 8 self-timer, 16 exposure bracket, 32 automatic ISO, 64 white balance."""
    inner = b"II*\0" + struct.pack("<I", 8) + _directory(
        [(0x0019, 10, 1, struct.pack("<ii", -2, 3)), (0x001D, 2, 8, b"2047311\0"), (0x0089, 3, 1, _shorts(bits))], 8
    )
    ours, theirs = _with_note(tmp_path / "a.jpg", "NIKON CORPORATION", b"Nikon\0\x02\x10\0\0" + inner)
    assert theirs["ShootingMode"] == bits
    assert ours.bracket_mark is bool(bits & 16)
    assert ours.drive_mode == ("continuous" if bits & 1 else "self-timer" if bits & 8 else "single")
    assert ours.body_serial == str(theirs["SerialNumber"])
    if bits & 16:
        assert ours.bracket_value_ev == pytest.approx(theirs["ExposureBracketValue"])


@pytest.mark.parametrize(("mode", "bracket"), [(0, False), (2, False), (5, True)])
@pytest.mark.parametrize("beginning", [b"SONY DSC \0\0\0", b""])
def test_sony_release_mode(tmp_path: Path, mode: int, bracket: bool, beginning: bytes) -> None:
    """ReleaseMode 5 is exposure bracketing; JPEG files begin the note with the maker's name, raws do not."""
    note = beginning + _directory([(0xB049, 3, 1, _shorts(mode)), (0xB04A, 3, 1, _shorts(2))], NOTE_AT)
    ours, theirs = _with_note(tmp_path / "a.jpg", "SONY", note)
    assert (theirs["ReleaseMode"], theirs["SequenceNumber"]) == (mode, 2)
    assert ours.bracket_mark is bracket
    assert ours.sequence_number == 2


@pytest.mark.parametrize("mode", [0, 1])
def test_fujifilm_bracket(tmp_path: Path, mode: int) -> None:
    note = b"FUJIFILM" + struct.pack("<I", 12) + _directory(
        [(0x1100, 3, 1, _shorts(mode)), (0x1101, 3, 1, _shorts(3))], 12
    )
    ours, theirs = _with_note(tmp_path / "a.jpg", "FUJIFILM", note)
    assert (theirs["AutoBracketing"], theirs["SequenceNumber"]) == (mode, 3)
    assert (ours.bracket_mark, ours.sequence_number) == (mode == 1, 3)


@pytest.mark.parametrize(("mode", "bracket", "focus"), [(0, False, False), (2, True, False), (3, False, True)])
def test_panasonic_burst_mode(tmp_path: Path, mode: int, bracket: bool, focus: bool) -> None:
    note = b"Panasonic\0\0\0" + _directory(
        [(0x002A, 3, 1, _shorts(mode)), (0x002B, 4, 1, struct.pack("<I", 4))], NOTE_AT + 12
    )
    ours, theirs = _with_note(tmp_path / "a.jpg", "Panasonic", note)
    assert (theirs["BurstMode"], theirs["SequenceNumber"]) == (mode, 4)
    assert ours.bracket_mark is bracket
    assert (ours.sequence is not None) is focus
    if ours.sequence is not None:
        assert (ours.sequence.sequence_type, ours.sequence.index) == ("Focus Stack", 4)


@pytest.mark.parametrize(
    ("drive", "words", "bracket", "focus"),
    [
        ((0, 0, 0, 0, 0), "Single Shot", False, False),
        ((1, 3, 0, 0, 0), "Continuous", False, False),
        ((5, 2, 1, 0, 0), "AE Bracketing", True, False),
        ((5, 7, 64, 0, 0), "Focus Bracketing", False, True),
    ],
)
@pytest.mark.parametrize("maker", ["OLYMPUS CORPORATION", "OM Digital Solutions"])
def test_olympus_drive_mode(
    tmp_path: Path, maker: str, drive: tuple[int, ...], words: str, bracket: bool, focus: bool
) -> None:
    beginning = b"OLYMPUS\0II\x03\0" if maker.startswith("OLY") else b"OM SYSTEM\0\0\0II\x04\0"
    inner_at = len(beginning) + 2 + 12 + 4
    first = struct.pack("<H", 1) + struct.pack("<HHII", 0x2020, 13, 1, inner_at) + bytes(4)
    inner = _directory([(0x0000, 7, 4, b"0100"), (0x0600, 3, 5, _shorts(*drive))], inner_at)
    path = tmp_path / "a.jpg"
    ours, theirs = _with_note(path, maker, beginning + first + inner)
    assert theirs["DriveMode"].split()[:3] == [str(part) for part in drive[:3]]
    assert words in reference_reader.words(path, "DriveMode")
    assert ours.bracket_mark is bracket
    assert (ours.sequence is not None) is focus


def test_note_of_a_camera_that_a_program_moved_is_not_misread(outside_data: Path) -> None:
    """A real file whose note was moved, its offsets left: the reference reader corrects them and finds no bracket."""
    data = read_camera_data(outside_data / "exif" / "odd_11-tests.jpg")
    assert data.bracket_mark is False


def test_text_under_a_camera_name_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "TARN0001.NEF"
    path.write_text("a shopping list")
    with pytest.raises(UnreadableError):
        read_camera_data(path)
