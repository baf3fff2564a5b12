"""Broken and hostile files: a frame or one line each, in bounded time and memory, and never a value that is none."""

from __future__ import annotations

import math
import os
import random
import resource
import shutil
import struct
import subprocess
import sys
import threading
import time
from dataclasses import asdict
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from scan.camera_files import bare, exif_block, jpeg, jpeg_bytes, picture, raw, wide_header
from windstill.records import CameraData
from windstill.scan import UnreadableError, read_camera_data, scan_shoot
from windstill.scan.camera import camera_data
from windstill.scan.headers import read_header
from windstill.scan.isolated import HeaderWorker
from windstill.settings.scan import ScanSettings

COPIES = Path(__file__).parent.parent / "data" / "exif"
SECONDS_PER_FILE = 3.0  # of processor time: far more than any header needs, far less than a hang


def assert_sane(data: CameraData) -> None:
    """No field holds what the rest of the program could stumble over."""
    for name, value in asdict(data).items():
        if isinstance(value, float):
            assert not math.isnan(value), name
            assert math.isfinite(value) or name == "focus_m", name
        if isinstance(value, str):
            assert value.isprintable(), name
            assert 0 < len(value) <= 1000, name
    for name in ("exposure_s", "f_number", "iso", "focal_mm", "focal_35mm_mm", "focus_m", "pixel_pitch_um"):
        value = getattr(data, name)
        assert value is None or value > 0, name
    assert 1 <= data.orientation <= 8
    assert data.exposure_mode in (None, 0, 1, 2)
    assert data.captured_at is None or data.time_resolution_s is not None


def entry(tag: int, kind: int, count: int, value: int) -> bytes:
    """A little-endian directory entry."""
    return struct.pack("<HHII", tag, kind, count, value)


def tiff(*directories: tuple[int, list[bytes], int], tail: bytes = b"", first: int = 8) -> bytes:
    """A little-endian TIFF structure of directories (place, entries, next)."""
    data = bytearray(b"II*\0" + struct.pack("<I", first))
    for place, entries, following in directories:
        held = struct.pack("<H", len(entries)) + b"".join(entries) + struct.pack("<I", following)
        data.extend(bytes(max(0, place + len(held) - len(data))))
        data[place: place + len(held)] = held
    return bytes(data) + tail


SIZE = [entry(0x0100, 4, 1, 48), entry(0x0101, 4, 1, 32)]
HOSTILE: dict[str, bytes] = {
    "directory is its own successor": tiff((8, SIZE, 8)),
    "two directories in a circle": tiff((8, SIZE, 100), (100, SIZE, 8)),
    "exif pointer to the first directory": tiff((8, [*SIZE, entry(0x8769, 4, 1, 8)], 0)),
    "sub-directories pointing back": tiff((8, [*SIZE, entry(0x014A, 4, 1, 8), entry(0x8769, 4, 1, 8)], 8)),
    "count of four thousand million": tiff((8, [*SIZE, entry(0x010F, 2, 0xFFFFFFFF, 60)], 0)),
    "rationals beyond the file": tiff((8, [*SIZE, entry(0x829A, 5, 0x20000000, 60)], 0)),
    "offset beyond the file": tiff((8, [*SIZE, entry(0x010F, 2, 40, 0xFFFFFFF0)], 0)),
    "sixty-five thousand entries": b"II*\0\x08\0\0\0\xff\xff" + entry(0x0100, 4, 1, 48) * 65535,
    "entries that all read the whole file": tiff(
        (8, [*SIZE, *(entry(0x9000 + n, 7, 2_000_000, 8) for n in range(1000))], 0), tail=bytes(2_000_000)
    ),
    "a maker's note without end": tiff(
        (8, [*SIZE, entry(0x010F, 2, 4, 0x00696D69), entry(0x8769, 4, 1, 100)], 0),
        (100, [entry(0x927C, 7, 0xFFFFFFFF, 8)], 0),
    ),
    "first directory beyond the file": b"II*\0\xf0\xff\xff\xff" + bytes(64),
    "header only": b"II*\0\x08\0\0\0",
    "no entries": tiff((8, [], 0)),
    "unknown types": tiff((8, [*SIZE, entry(0x010F, 0, 1, 1), entry(0x0110, 99, 1, 1), entry(0x829A, 129, 9, 0)], 0)),
    "sizes of nought": tiff((8, [entry(0x0100, 4, 1, 0), entry(0x0101, 4, 1, 0)], 0)),
    "long chain of directories": b"II*\0\x08\0\0\0" + b"".join(
        struct.pack("<H", 0) + struct.pack("<I", 8 + 6 * (n + 1)) for n in range(100_000)
    ),
    "big TIFF in a circle": b"II+\0\x08\0\0\0" + struct.pack("<Q", 16) + struct.pack("<Q", 0) + struct.pack("<Q", 16),
}


@pytest.mark.parametrize("name", HOSTILE, ids=str)
@pytest.mark.parametrize("ending", ["tif", "NEF", "jpg"])
def test_hostile_structures_end_soon(tmp_path: Path, name: str, ending: str) -> None:
    path = tmp_path / f"TARN0001.{ending}"
    block = HOSTILE[name]
    path.write_bytes(jpeg_bytes(b"Exif\0\0" + block[:65000]) if ending == "jpg" else block)
    before = time.process_time()
    shoot = scan_shoot(tmp_path)
    assert time.process_time() - before < SECONDS_PER_FILE
    assert len(shoot.frames) + len(shoot.problems) == 1
    if ending == "jpg":
        assert (shoot.frames[0].width_px, shoot.frames[0].height_px) == (16, 16)


@pytest.mark.parametrize(
    "taken",
    [
        "0000:00:00 00:00:00", "0001:01:01 00:00:00", "2026:13:01 12:00:00", "2026:02:30 12:00:00",
        "2026:06:11 25:00:00", "    :  :     :  :  ", "yesterday evening  ", "9999:12:31 23:59:59", "2026:06:11", "",
        "\0" * 19, "2026:06:11 21:14:61",
    ],
)
def test_dates_that_do_not_exist_are_unknown(tmp_path: Path, taken: str) -> None:
    jpeg(tmp_path / "TARN0001.JPG", taken=taken, offset="+14:00", subsec="99")
    frame = scan_shoot(tmp_path).frames[0]
    assert frame.camera.captured_at is None
    assert frame.camera.time_resolution_s is None


VALUES: dict[str, dict[int, Any]] = {
    "nought over nought": {0x829A: (0, 0), 0x829D: (0, 0), 0x920A: (0, 0), 0x9206: (0, 0), 0xA20E: (0, 0)},
    "one over nought": {0x829A: (1, 0), 0x829D: (1, 0), 0x920A: (1, 0), 0x9206: (1, 0), 0xA20E: (1, 0)},
    "nought over one": {0x829A: (0, 1), 0x829D: (0, 1), 0x920A: (0, 1), 0x9206: (0, 1), 0xA20E: (0, 1), 0xA405: 0},
    "huge": {0x829A: (0xFFFFFFFF, 1), 0x829D: (0xFFFFFFFF, 1), 0x920A: (0xFFFFFFFF, 1), 0xA20E: (0xFFFFFFFF, 1)},
    "tiny": {0x829A: (1, 0xFFFFFFFF), 0x829D: (1, 0xFFFFFFFF), 0x920A: (1, 0xFFFFFFFF), 0xA20E: (1, 0xFFFFFFFF)},
    "signed": {0x9204: (-1, 0), 0x9201: (-2147483648, 1), 0x9202: (0xFFFFFFFF, 1)},
}


@pytest.mark.parametrize("name", VALUES, ids=str)
def test_numbers_that_are_none_are_unknown_never_nought(tmp_path: Path, name: str) -> None:
    data = read_camera_data(
        jpeg(tmp_path / "TARN0001.JPG", exposure=None, f_number=None, iso=0, exif=VALUES[name])
    )
    assert_sane(data)
    unknown = (data.exposure_s, data.f_number, data.iso, data.focal_mm, data.pixel_pitch_um, data.bias_ev)
    assert unknown == (None,) * 6


@pytest.mark.parametrize("double", [math.nan, math.inf, -math.inf, 1e308, -1.0, 0.0])
def test_doubles_in_place_of_rationals(tmp_path: Path, double: float) -> None:
    held = tiff(
        (8, [*SIZE, entry(0x8769, 4, 1, 100)], 0),
        (100, [entry(tag, 12, 1, 200) for tag in (0x829A, 0x829D, 0x9204, 0x9206, 0x920A, 0xA20E)], 0),
    ).ljust(200, b"\0") + struct.pack("<d", double)
    path = tmp_path / "TARN0001.JPG"
    path.write_bytes(jpeg_bytes(b"Exif\0\0" + held))
    assert_sane(read_camera_data(path))


@pytest.mark.parametrize("orientation", [0, 9, 255, 65535])
def test_orientation_that_is_none_counts_as_upright(tmp_path: Path, orientation: int) -> None:
    assert read_camera_data(jpeg(tmp_path / "TARN0001.JPG", orientation=orientation)).orientation == 1


def test_texts_come_clean_and_short(tmp_path: Path) -> None:
    model = "F1\x07\x1b[31m\r\n\u202etxt\u2066".encode()
    data = read_camera_data(jpeg(tmp_path / "TARN0001.JPG", model=model, serial="9" * 30_000, software=" \t "))
    assert_sane(data)
    assert data.model is not None and data.model.startswith("F1")
    assert data.body_serial == "9" * 200
    assert data.software is None


def test_lens_named_as_a_script_is_kept_as_text(tmp_path: Path) -> None:
    name = "<script>alert(1)</script>"
    assert read_camera_data(jpeg(tmp_path / "TARN0001.JPG", exif={0xA434: name})).lens == name


def test_string_of_many_megabytes_costs_no_more_than_its_budget(tmp_path: Path) -> None:
    text_at = 200
    block = tiff((8, [*SIZE, entry(0x0110, 2, 80_000_000, text_at)], 0)).ljust(text_at, b"\0")
    path = tmp_path / "TARN0001.tif"
    with path.open("wb") as file:
        file.write(block)
        file.write(b"A" * 80_000_000)
    shoot = scan_shoot(tmp_path)
    assert len(shoot.frames) + len(shoot.problems) == 1


BROKEN: dict[str, bytes] = {
    "empty.jpg": b"", "empty.NEF": b"", "empty.heic": b"", "text.jpg": b"tide 21:40", "text.CR3": b"tide 21:40",
    "text.RAF": b"FUJIFILMCCD-RAW 0201", "text.dng": b"\0" * 4096, "jpeg.jpg": b"\xff\xd8\xff",
    "png.png": b"\x89PNG\r\n\x1a\n",
    "long.jpg": b"\xff\xd8" + b"\xff\xe5\0\4\0\0" * 20_000, "video.jpg": b"\0\0\0\x18ftypisom" + bytes(99),
    "RAF.RAF": b"FUJIFILMCCD-RAW 0201".ljust(84, b"\0") + b"\0\0\0\x5c\0\0\0\x08" + b"tide 21:40",
    "webp.webp": b"RIFF\xff\xff\xff\xffWEBPVP8X", "bmp.bmp": b"BM" + b"\xff" * 60, "html.tif": b"<html>",
    "heic.heic": b"\0\0\0\x18ftypheic\0\0\0\0mif1heic", "cr3.CR3": b"\0\0\0\x18ftypcrx \0\0\0\x01crx isom",
    "cr3.circle.CR3": b"\0\0\0\x18ftypcrx \0\0\0\x01crx isom" + b"\0\0\0\0moov" * 50,
    "x3f.X3F": b"FOVb" + b"\xff" * 600,
    "mrw.MRW": b"\0MRM" + b"\xff" * 600, "rw2.RW2": b"IIU\0" + b"\xff" * 600,
    "orf.ORF": b"IIRO" + b"\x08\0\0\0" + b"\xff" * 600,
}


def test_each_broken_file_is_one_line_and_the_rest_is_scanned(tmp_path: Path) -> None:
    for name, content in BROKEN.items():
        (tmp_path / name).write_bytes(content)
    jpeg(tmp_path / "TARN0001.JPG")
    shoot = scan_shoot(tmp_path)
    assert [frame.name for frame in shoot.frames] == ["TARN0001"]
    assert sorted(problem.file for problem in shoot.problems) == sorted(BROKEN)
    for problem in shoot.problems:
        assert problem.stage == "scan"
        assert "\n" not in problem.problem and "Traceback" not in problem.problem
        assert problem.consequence


def test_camera_data_without_end_is_called_so(tmp_path: Path) -> None:
    (tmp_path / "a.jpg").write_bytes(BROKEN["long.jpg"])
    (problem,) = scan_shoot(tmp_path).problems
    assert problem.problem == "its camera data is endless or circular"


def test_picture_data_cut_off_is_still_a_frame(tmp_path: Path) -> None:
    """The header is whole; whether the pixels are shows when they are decoded."""
    jpeg(tmp_path / "TARN0001.JPG", size=(300, 200))
    data = (tmp_path / "TARN0001.JPG").read_bytes()
    (tmp_path / "TARN0001.JPG").write_bytes(data[: len(data) // 2])
    assert len(scan_shoot(tmp_path).frames) == 1


@pytest.mark.parametrize("name", ["bomb.jpg", "bomb.png", "bomb.tif"])
def test_bombs_are_measured_not_opened(tmp_path: Path, name: str) -> None:
    side = 65_500 if name.endswith("jpg") else 100_000
    wide_header(tmp_path / name, side, side)
    before = time.process_time()
    frame = scan_shoot(tmp_path).frames[0]
    assert (frame.width_px, frame.height_px) == (side, side)
    assert time.process_time() - before < SECONDS_PER_FILE


def test_files_that_vanish_while_the_folder_is_read(tmp_path: Path) -> None:
    for number in range(1, 201):
        jpeg(tmp_path / f"TARN{number:04d}.JPG", taken=f"2026:06:11 21:{number // 60:02d}:{number % 60:02d}", seed=1)
    gone = {f"TARN{number:04d}.JPG" for number in range(150, 201)}

    def take_away() -> None:
        time.sleep(0.05)
        for name in gone:
            (tmp_path / name).unlink()

    thread = threading.Thread(target=take_away)
    thread.start()
    shoot = scan_shoot(tmp_path)
    thread.join()
    framed = {frame.pixels_from for frame in shoot.frames}
    reported = {problem.file for problem in shoot.problems}
    assert len(framed & reported) == 0
    assert {f"TARN{number:04d}.JPG" for number in range(1, 150)} <= framed
    assert reported <= gone


def test_nothing_in_the_shoot_is_touched(tmp_path: Path) -> None:
    for number, name in enumerate(sorted(COPIES.glob("*.jpg"))):
        shutil.copy(name, tmp_path / f"TARN{number + 1:04d}.JPG")
    raw(tmp_path / "TARN0001.NEF")
    picture(1).save(tmp_path / "a.webp")
    for name, content in BROKEN.items():
        (tmp_path / name).write_bytes(content)

    def state() -> dict[str, tuple[bytes, int, int, int]]:
        return {
            str(path): (path.read_bytes(), *((s := path.stat()).st_mtime_ns, s.st_mode, s.st_ctime_ns))
            for path in sorted(tmp_path.rglob("*")) if path.is_file()
        }

    before = state()
    scan_shoot(tmp_path)
    assert state() == before


def test_reading_process_that_dies_or_hangs_costs_one_file(tmp_path: Path) -> None:
    """The process is really killed, and really made to wait: by a pipe that never delivers."""
    picture(1, (64, 48)).save(tmp_path / "a.webp")
    os.mkfifo(tmp_path / "pipe.webp")
    with HeaderWorker(0.5) as worker:
        before = time.monotonic()
        assert "longer than 0.5 s" in worker.ask("webp", tmp_path / "pipe.webp").problem
        assert time.monotonic() - before < 10
    with HeaderWorker(20) as worker:
        assert worker.ask("webp", tmp_path / "a.webp").width_px == 64
        assert worker._process is not None
        worker._process.process.kill()
        worker._process.process.wait()
        assert "broke down" in worker.ask("webp", tmp_path / "a.webp").problem
        assert worker.ask("webp", tmp_path / "a.webp").width_px == 64


# Mutations of real files and of our own, by seed.
def _sources(folder: Path) -> list[tuple[str, bytes]]:
    made = folder / "made"
    raw(made / "a.NEF", exif={0x927C: b"Nikon\0\x02\x10\0\0II*\0\x08\0\0\0" + bytes(200)})
    bare(made / "b.tif")
    bare(made / "c.png")
    picture(3, (64, 48)).save(made / "d.png", exif=exif_block())
    bare(made / "e.bmp")
    wide_header(made / "f.tif", 300, 200)
    return [(path.suffix, path.read_bytes()) for path in sorted(COPIES.glob("*.jpg")) + sorted(made.glob("*.*"))]


EXTREMES = [struct.pack(">I", n) for n in (0, 1, 8, 0x10000, 0x7FFFFFFF, 0x80000000, 0x08000000, 0xFFFFFFFF)]


def mutate(data: bytes, dice: random.Random) -> bytes:
    """One broken descendant: cut, flipped, overwritten, doubled; most damage near the header."""
    held = bytearray(data)
    reach = min(len(held), dice.choice([64, 512, 4096, len(held)]))
    for _ in range(dice.choice([1, 1, 2, 5, 30])):
        at = dice.randrange(max(1, reach))
        match dice.randrange(6):
            case 0:
                held[at: at + 1] = bytes([held[at] ^ (1 << dice.randrange(8))]) if at < len(held) else b""
            case 1:
                held[at: at + 4] = dice.choice(EXTREMES)
            case 2:
                held[at: at + 2] = dice.randbytes(2)
            case 3:
                del held[at: at + dice.randrange(1, 40)]
            case 4:
                held[at:at] = held[at: at + dice.randrange(1, 200)]
            case _:
                if dice.random() < 0.3:
                    del held[at:]
        reach = min(reach, max(1, len(held)))
        if not held:
            break
    return bytes(held)


def _fuzz(folder: Path, seed: int, count: int, sources: list[tuple[str, bytes]], config: ScanSettings) -> int:
    dice = random.Random(seed)
    read = 0
    slowest = 0.0
    with HeaderWorker(config.header_timeout_s) as worker:
        for at in range(count):
            ending, data = dice.choice(sources)
            path = folder / f"fuzzed{ending}"
            path.write_bytes(mutate(data, dice))
            before = time.process_time()
            try:
                data_read = camera_data(read_header(path, config, worker))
            except UnreadableError as err:
                assert "\n" not in str(err), (seed, at)
            else:
                assert_sane(data_read)
                read += 1
            slowest = max(slowest, time.process_time() - before)
    assert slowest < SECONDS_PER_FILE
    return read


def test_mutated_files_are_read_or_refused(tmp_path: Path) -> None:
    sources = _sources(tmp_path)
    assert _fuzz(tmp_path, 20261125, 300, sources, ScanSettings()) > 100


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(10))
def test_many_mutated_files_are_read_or_refused(tmp_path: Path, seed: int, outside_data: Path) -> None:
    """Raw headers, HEIC and WebP too; with the memory of the process limited to what it has and a gigabyte more."""
    sources = _sources(tmp_path)
    sources += [(path.suffix, path.read_bytes()) for path in sorted((outside_data / "exif" / "headers").iterdir())]
    picture(5, (64, 48)).save(tmp_path / "g.webp", exif=exif_block())
    pytest.importorskip("pillow_heif").register_heif_opener()
    picture(6, (64, 48)).save(tmp_path / "h.heic", exif=exif_block())
    sources += [(path.suffix, path.read_bytes()) for path in (tmp_path / "g.webp", tmp_path / "h.heic")]
    soft, hard = resource.getrlimit(resource.RLIMIT_AS)
    now = int(Path("/proc/self/statm").read_text().split()[0]) * resource.getpagesize()
    resource.setrlimit(resource.RLIMIT_AS, (now + 1_000_000_000, hard))
    try:
        assert _fuzz(tmp_path, seed, 2500, sources, ScanSettings()) > 200
    finally:
        resource.setrlimit(resource.RLIMIT_AS, (soft, hard))


def test_hostile_structures_within_a_gigabyte(tmp_path: Path) -> None:
    """All of the above in one folder, in a process that may not take more than a gigabyte beyond its start."""
    for at, (name, block) in enumerate(HOSTILE.items()):
        assert name
        (tmp_path / f"TARN{at + 1:04d}.NEF").write_bytes(block)
        (tmp_path / f"HILL{at + 1:04d}.tif").write_bytes(block)
    script = (
        "import resource, sys, pathlib\n"
        "from windstill.scan import scan_shoot\n"
        "pages = int(pathlib.Path('/proc/self/statm').read_text().split()[0])\n"
        "limit = pages * resource.getpagesize() + 1_000_000_000\n"
        "resource.setrlimit(resource.RLIMIT_AS, (limit, limit))\n"
        "shoot = scan_shoot(pathlib.Path(sys.argv[1]))\n"
        "print(sum(len(f.files) for f in shoot.frames) + len([p for p in shoot.problems if 'copy' not in p.problem]))\n"
    )
    done = subprocess.run([sys.executable, "-c", script, str(tmp_path)], capture_output=True, text=True, timeout=60)
    assert done.returncode == 0, done.stderr[-2000:]
    assert int(done.stdout) == 2 * len(HOSTILE)


@st.composite
def exif_tables(draw: st.DrawFn) -> dict[int, Any]:
    """Exif tags with any values their types allow."""
    whole = st.integers(0, 0xFFFFFFFF)
    signed = st.integers(-(2**31), 2**31 - 1)
    table: dict[int, Any] = {}
    for tag in draw(st.lists(st.sampled_from([0x829A, 0x829D, 0x920A, 0x9206, 0xA20E, 0x9202]), unique=True)):
        table[tag] = draw(st.tuples(whole, whole))
    for tag in draw(st.lists(st.sampled_from([0x9201, 0x9204]), unique=True)):
        table[tag] = draw(st.tuples(signed, signed))
    for tag in draw(st.lists(st.sampled_from([0xA402, 0xA405, 0xA210]), unique=True)):
        table[tag] = draw(st.integers(0, 65535))
    for tag in draw(st.lists(st.sampled_from([0x9003, 0x9011, 0x9291, 0xA431, 0xA434, 0xA420]), unique=True)):
        table[tag] = draw(st.binary(max_size=40))
    return table


@given(exif=exif_tables(), orientation=st.integers(0, 65535))
@settings(max_examples=120, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_any_values_give_a_sane_frame(tmp_path: Path, exif: dict[int, Any], orientation: int) -> None:
    path = tmp_path / "TARN0001.JPG"
    path.write_bytes(
        jpeg_bytes(exif_block(taken=None, exposure=None, f_number=None, exif=exif, orientation=orientation))
    )
    shoot = scan_shoot(tmp_path)
    assert len(shoot.frames) == 1
    assert_sane(shoot.frames[0].camera)


def test_scan_of_many_files_is_quick(tmp_path: Path) -> None:
    """A few milliseconds of CPU per file, camera data and maker's note and all."""
    source = (COPIES / "Canon_40D.jpg").read_bytes()
    for number in range(1, 401):
        (tmp_path / f"TARN{number:04d}.JPG").write_bytes(source + number.to_bytes(2, "big"))
    before = time.process_time()
    assert len(scan_shoot(tmp_path).frames) == 400
    assert (time.process_time() - before) / 400 < 0.010
