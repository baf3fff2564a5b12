"""Broken, hostile and mislabelled files: a picture or one plain line, in bounded time and memory."""

from __future__ import annotations

import contextlib
import os
import re
import struct
import time
import zlib
from collections.abc import Callable
from pathlib import Path

import numpy as np
import psutil
import pytest
import tifffile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image

from imaging.picture_files import jpeg_bytes, scene, write_dng
from windstill.imaging import Decoded, ImagingError, decode, decode_rgb, preview, probe
from windstill.settings import ImagingSettings

S = ImagingSettings()
TIGHT = ImagingSettings(max_megapixels=50, file_timeout_s=10, max_memory_mb=600)


def _heic(path: Path) -> None:
    heif = pytest.importorskip("pillow_heif", reason="optional extra heic")
    heif.from_pillow(Image.fromarray(scene())).save(str(path), quality=80)


def _tiff(**options: object) -> Callable[[Path], None]:
    return lambda path: tifffile.imwrite(path, scene().astype(np.uint16) * 257, photometric="rgb", **options)


WRITERS: dict[str, Callable[[Path], object]] = {
    "a.jpg": lambda path: path.write_bytes(jpeg_bytes(scene())),
    "progressive.jpg": lambda path: path.write_bytes(jpeg_bytes(scene(), progressive=True)),
    "a.png": lambda path: Image.fromarray(scene()).save(path),
    "a.webp": lambda path: Image.fromarray(scene()).save(path, quality=80),
    "a.bmp": lambda path: Image.fromarray(scene()).save(path),
    "a.tif": _tiff(),
    "lzw.tif": _tiff(compression="lzw", rowsperstrip=16, predictor=True),
    "a.heic": _heic,
    "a.dng": lambda path: write_dng(path, scene()),
    "preview.dng": lambda path: write_dng(path, scene(), scene()),
}


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str], bytes]:
    """Bytes of a sound file by name."""
    folder = tmp_path_factory.mktemp("sound")

    def read(name: str) -> bytes:
        path = folder / name
        if not path.exists():
            WRITERS[name](path)
        return path.read_bytes()

    return read


def outcome(path: Path, settings: ImagingSettings = TIGHT) -> Decoded | str:
    """A picture, or the error's one line; anything else fails the test."""
    results: list[Decoded | str] = []
    for task in (decode, decode_rgb, preview):
        try:
            result = task(path, 1, settings)
        except ImagingError as err:
            check_words(str(err))
            results.append(str(err))
        else:
            results.append(result)  # type: ignore[arg-type]
    try:
        probe(path, settings)
    except ImagingError as err:
        check_words(str(err))
    first, rgb = results[:2]
    if isinstance(first, str) != isinstance(rgb, str):
        pytest.fail(f"decode and decode_rgb disagree on {path.name}: {first if isinstance(first, str) else rgb}")
    return first


def check_words(message: str) -> None:
    """One line, printable, with something to do after the semicolon, and no class names or paths."""
    assert message.isprintable() and "\n" not in message
    assert "; " in message and len(message) < 300
    assert "Error" not in message and "Traceback" not in message


@pytest.mark.parametrize("name", WRITERS)
def test_cut_off_at_every_64th(tmp_path: Path, sound: Callable[[str], bytes], name: str) -> None:
    data = sound(name)
    path = tmp_path / name
    shares = []
    step = 1 if name == "a.jpg" else 5
    for part in range(1, 64, step):
        path.write_bytes(data[: len(data) * part // 64])
        with pytest.raises(ImagingError) as caught:
            decode(path, 1, S)
        check_words(str(caught.value))
        assert "cut off" in str(caught.value)
        if found := re.search(r"after (\d+) %", str(caught.value)):
            shares.append(int(found[1]))
        with pytest.raises(ImagingError):
            decode_rgb(path, 1, S)
    assert shares == sorted(shares)
    if name == "a.jpg":
        assert len(shares) > 55 and shares[-1] > 85 and shares[5] < 40
    path.write_bytes(data)
    assert isinstance(decode(path, 1, S), Decoded)


def test_a_cut_off_file_is_no_picture_even_with_a_whole_preview(tmp_path: Path) -> None:
    path = tmp_path / "a.jpg"
    small = jpeg_bytes(scene(1200, 800), quality=50)
    assert len(small) < 65000
    whole = with_maker_preview(jpeg_bytes(scene(3000, 2000)), small)
    path.write_bytes(whole)
    assert preview(path, 1, S) is not None
    path.write_bytes(whole[: len(whole) * 2 // 3])
    with pytest.raises(ImagingError, match="cut off"):
        preview(path, 1, S)


def with_maker_preview(main: bytes, small: bytes) -> bytes:
    """A JPEG with another in an application segment of its own."""
    segment = b"\xff\xe4" + struct.pack(">H", len(small) + 2) + small
    return main[:2] + segment + main[2:]


@pytest.mark.parametrize("size", [0, 1, 2, 3, 12, 40, 5000])
@pytest.mark.parametrize("suffix", [".JPG", ".NEF", ".CR3", ".DNG", ".TIF", ".PNG", ".HEIC", ".RAF"])
def test_random_bytes_and_zeros_under_a_cameras_name(tmp_path: Path, size: int, suffix: str) -> None:
    path = tmp_path / f"COVE0001{suffix}"
    for content in (np.random.default_rng(size).bytes(size), bytes(size)):
        path.write_bytes(content)
        message = outcome(path)
        assert isinstance(message, str)
        assert ("empty" in message) == (size == 0)


def test_known_beginnings_with_random_rest(tmp_path: Path) -> None:
    starts = (
        b"\xff\xd8\xff\xe1", b"\x89PNG\r\n\x1a\n", b"RIFF\x00\x10\x00\x00WEBP", b"II*\0\x08\0\0\0", b"MM\0*\0\0\0\x08",
        b"II+\0\x08\0\0\0", b"\0\0\0\x18ftypheic", b"\0\0\0\x18ftypcrx ", b"FUJIFILMCCD-RAW ", b"IIRO", b"IIU\0",
        b"FOVb", b"\0MRM", b"II*\0\x10\0\0\0CR\x02\0",
    )  # fmt: skip
    rng = np.random.default_rng(11)
    for number, start in enumerate(starts):
        for suffix in (".ARW", ".JPG"):
            path = tmp_path / f"{number}{suffix}"
            path.write_bytes(start + rng.bytes(4000))
            assert isinstance(outcome(path), str)


def png_header(width: int, height: int) -> bytes:
    """A PNG that claims a size and holds a few bytes (PNG specification, chunk layout)."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    ihdr = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    some = chunk(b"IDAT", zlib.compress(bytes(1000)))
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", ihdr) + some + chunk(b"IEND", b"")


def test_jpeg_headers_that_cannot_be(tmp_path: Path, sound: Callable[[str], bytes]) -> None:
    whole = sound("a.jpg")
    frame = whole.index(b"\xff\xc0")
    after = frame + 2 + int.from_bytes(whole[frame + 2 : frame + 4], "big")
    path = tmp_path / "a.jpg"
    for data in (
        whole[:frame] + b"\xff\xd9" + whole[frame:],  # the end before the picture
        whole[:frame] + b"\xff\xe1\0\1" + whole[frame:],  # a segment shorter than its own length
        whole[:frame] + b"\xff\xc0\0\4\x08\0" + whole[after:],  # no room for a size
        whole[: frame + 5] + b"\0\0" + whole[frame + 7 :],  # no height
        whole[:frame] + whole[after:],  # no size at all
    ):
        path.write_bytes(data)
        message = outcome(path)
        assert isinstance(message, str) and "the file is damaged" in message
    # Allowed before any marker, and written by some (ITU-T T.81, B.1.1.2).
    path.write_bytes(whole[:frame] + b"\xff\xff\xff" + whole[frame:])
    assert isinstance(outcome(path), Decoded)


def test_kinds_no_decoder_knows_are_not_called_damaged(tmp_path: Path, sound: Callable[[str], bytes]) -> None:
    bitmap = bytearray(sound("a.bmp"))
    bitmap[30:34] = struct.pack("<I", 4)  # compressed in a way only printers know
    (tmp_path / "a.bmp").write_bytes(bitmap)
    for number, compression in enumerate((34676, 9999)):
        path = tmp_path / f"{number}.tif"
        path.write_bytes(sound("a.tif"))
        with tifffile.TiffFile(path, mode="r+b") as file:
            file.pages[0].tags["Compression"].overwrite(compression)  # type: ignore[union-attr]
    for path in tmp_path.iterdir():
        message = outcome(path)
        assert isinstance(message, str) and "export it as" in message, (path.name, message)


def test_a_video_under_a_pictures_name(tmp_path: Path) -> None:
    path = tmp_path / "a.jpg"
    path.write_bytes(b"\0\0\0\x18ftypisom" + bytes(2000))
    assert "the content is no JPEG" in str(outcome(path))


def test_a_file_over_the_limit_is_not_read(tmp_path: Path, sound: Callable[[str], bytes]) -> None:
    path = tmp_path / "a.jpg"
    path.write_bytes(sound("a.jpg"))
    os.truncate(path, 3_000_000)
    assert "3 MB, over the limit of 2 MB" in str(outcome(path, ImagingSettings(max_file_mb=2)))


def test_a_raw_whose_end_was_never_copied(tmp_path: Path, sound: Callable[[str], bytes]) -> None:
    """Of its full length, as a copy is that broke off after its space was set aside."""
    path = tmp_path / "a.dng"
    data = sound("a.dng")
    for whole, percent in ((len(data) * 6 // 10, 60), (0, 0)):
        head = data[: whole or len(data) - 2 * 320 * 214]
        path.write_bytes(head + bytes(len(data) - len(head)))
        assert f"cut off after {percent} % of the picture" in str(outcome(path))


def test_headers_that_claim_too_much_are_refused_before_decoding(
    tmp_path: Path, sound: Callable[[str], bytes]
) -> None:
    jpeg = bytearray(sound("a.jpg"))
    at = jpeg.find(b"\xff\xc0")
    jpeg[at + 5 : at + 9] = struct.pack(">HH", 65000, 65000)
    tiff = tmp_path / "source.tif"
    tifffile.imwrite(tiff, np.zeros((16, 16), np.uint8), metadata=None)
    with tifffile.TiffFile(tiff, mode="r+") as file:
        file.pages[0].tags["ImageWidth"].overwrite(100_000, dtype=4)  # type: ignore[union-attr]
        file.pages[0].tags["ImageLength"].overwrite(100_000, dtype=4)  # type: ignore[union-attr]
    heic = bytearray(sound("a.heic"))
    at = heic.find(b"ispe")
    heic[at + 8 : at + 16] = struct.pack(">II", 100_000, 100_000)
    for name, data in {
        "a.jpg": bytes(jpeg), "a.png": png_header(100_000, 100_000), "a.tif": tiff.read_bytes(), "a.heic": bytes(heic),
    }.items():  # fmt: skip
        path = tmp_path / name
        path.write_bytes(data)
        began = time.perf_counter()
        message = outcome(path, S)
        assert isinstance(message, str)
        assert "megapixels" in message or name == "a.heic", message
        assert time.perf_counter() - began < 20


def test_bombs_are_stopped_by_memory_or_size(tmp_path: Path) -> None:
    """Small files of one colour that unpack to hundreds of megabytes."""
    side = 4000
    Image.new("L", (side, side)).save(tmp_path / "a.png")
    Image.new("RGB", (side, side)).save(tmp_path / "a.webp", lossless=True, method=0)
    tifffile.imwrite(tmp_path / "a.tif", np.zeros((side, side, 3), np.uint16), photometric="rgb", compression="zlib")
    limited = ImagingSettings(max_memory_mb=64)
    for name in ("a.png", "a.webp", "a.tif"):
        assert (tmp_path / name).stat().st_size < 2e6
        message = outcome(tmp_path / name, limited)
        assert isinstance(message, str)
        assert "memory" in message or name == "a.webp", message


def test_memory_limit_holds_in_the_decoder_itself(tmp_path: Path, sound: Callable[[str], bytes]) -> None:
    """What no header check foresees ends at the limit of the process, and the next file is unharmed."""
    path = tmp_path / "a.jpg"
    Image.new("RGB", (4000, 4000)).save(path, progressive=True, subsampling=0)
    limited = ImagingSettings(max_memory_mb=100)
    for _ in range(2):
        with pytest.raises(ImagingError, match="more than 100 MB of memory"):
            decode(path, 1, limited)
    assert decode(path, 1, S).width_px == 4000
    good = tmp_path / "a.png"
    good.write_bytes(sound("a.png"))
    assert isinstance(decode(good, 1, limited), Decoded)


def test_a_decoder_that_takes_too_long_is_stopped_and_the_next_file_works(
    tmp_path: Path, sound: Callable[[str], bytes]
) -> None:
    slow = tmp_path / "slow.png"
    rng = np.random.default_rng(0)
    Image.fromarray(rng.integers(0, 256, (3000, 4000), np.uint8)).save(slow, compress_level=1)
    good = tmp_path / "good.png"
    good.write_bytes(sound("a.png"))
    decode(good, 1, S)
    with pytest.raises(ImagingError, match="did not finish within"):
        decode(slow, 1, ImagingSettings(file_timeout_s=0.01))
    assert isinstance(decode(good, 1, S), Decoded)
    assert isinstance(decode(slow, 1, S), Decoded)


def decoding_processes() -> list[psutil.Process]:
    """The separate decoding processes of this one."""
    found = []
    for process in psutil.Process().children():
        with contextlib.suppress(psutil.Error):
            if "windstill.imaging.worker" in " ".join(process.cmdline()):
                found.append(process)
    return found


def decoder_that_read(path: Path, data: bytes) -> psutil.Process:
    """The decoding process, after a sound file was written and read by it."""
    path.write_bytes(data)
    decode(path, 1, S)
    (process,) = decoding_processes()
    return process


def test_a_decoder_that_dies_costs_nothing_but_its_file(tmp_path: Path, sound: Callable[[str], bytes]) -> None:
    import signal
    import threading

    good = tmp_path / "good.png"
    decoder_that_read(good, sound("a.png")).send_signal(signal.SIGSEGV)
    assert isinstance(decode(good, 1, S), Decoded), "a process that died between files is started again"

    slow = tmp_path / "slow.png"
    rng = np.random.default_rng(0)
    Image.fromarray(rng.integers(0, 256, (3000, 4000), np.uint8)).save(slow, compress_level=1)
    stop = threading.Event()

    def killer() -> None:
        while not stop.is_set():
            for process in decoding_processes():
                with contextlib.suppress(psutil.Error):
                    process.send_signal(signal.SIGSEGV)
            time.sleep(0.02)

    thread = threading.Thread(target=killer)
    thread.start()
    try:
        with pytest.raises(ImagingError) as caught:
            decode(slow, 1, S)
    finally:
        stop.set()
        thread.join()
    check_words(str(caught.value))
    assert isinstance(decode(slow, 1, S), Decoded)
    assert len(decoding_processes()) == 1


def test_a_decoder_that_stands_still_is_ended_all_the_same(tmp_path: Path, sound: Callable[[str], bytes]) -> None:
    import signal

    from windstill.imaging import isolated

    path = tmp_path / "a.png"
    process = decoder_that_read(path, sound("a.png"))
    process.send_signal(signal.SIGSTOP)
    isolated.end()
    assert not process.is_running()
    assert isinstance(decode(path, 1, S), Decoded)


def test_forks_have_decoders_of_their_own(tmp_path: Path, sound: Callable[[str], bytes]) -> None:
    import multiprocessing

    if "fork" not in multiprocessing.get_all_start_methods():
        pytest.skip("no fork on this system")
    path = tmp_path / "a.png"
    path.write_bytes(sound("a.png"))
    expected = decode(path, 1, S).luma
    with multiprocessing.get_context("fork").Pool(2) as pool:
        jobs = [pool.apply_async(decode, (path, 1, S)) for _ in range(6)]
        for job in jobs:
            assert np.array_equal(job.get(timeout=60).luma, expected)
    assert np.array_equal(decode(path, 1, S).luma, expected)


def test_nothing_is_imported_from_the_folder_one_stands_in(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, sound: Callable[[str], bytes]
) -> None:
    """A stranger's card may hold a numpy.py."""
    from windstill.imaging import isolated

    trap = tmp_path / "ran"
    for name in ("numpy", "PIL", "cv2", "windstill", "json"):
        (tmp_path / f"{name}.py").write_text(f"open({str(trap)!r}, 'w').close()\n")
    (tmp_path / "a.png").write_bytes(sound("a.png"))
    monkeypatch.chdir(tmp_path)
    isolated.end()
    assert decode(Path("a.png"), 1, S).width_px == 320
    assert not trap.exists()


def test_what_is_no_regular_file(tmp_path: Path) -> None:
    folder = tmp_path / "folder.JPG"
    folder.mkdir()
    paths = [folder, tmp_path / "absent.JPG"]
    if hasattr(os, "mkfifo"):
        os.mkfifo(tmp_path / "pipe.JPG")
        paths.append(tmp_path / "pipe.JPG")
    for path in paths:
        assert isinstance(outcome(path), str)


def test_originals_are_not_touched(tmp_path: Path, sound: Callable[[str], bytes]) -> None:
    for name in WRITERS:
        path = tmp_path / name
        path.write_bytes(sound(name))
        path.chmod(0o444)
        before = path.stat()
        outcome(path, S)
        after = path.stat()
        assert path.read_bytes() == sound(name)
        assert (before.st_mtime_ns, before.st_mode, before.st_size) == (after.st_mtime_ns, after.st_mode, after.st_size)
    assert sorted(p.name for p in tmp_path.iterdir()) == sorted(WRITERS)


def mutated(data: bytes, seed: int) -> bytes:
    """Some bytes changed, a piece removed, repeated or zeroed; half the time near the beginning."""
    rng = np.random.default_rng(seed)
    changed = bytearray(data)
    reach = len(changed) if rng.random() < 0.5 else min(len(changed), 2000)
    for _ in range(rng.integers(1, 24)):
        changed[rng.integers(0, reach)] = rng.integers(0, 256)
    start = int(rng.integers(0, reach))
    end = start + int(rng.integers(0, 400))
    match rng.integers(0, 6):
        case 0:
            del changed[start:end]
        case 1:
            changed[start:start] = changed[start:end]
        case 2:
            changed[start:end] = bytes(len(changed[start:end]))
        case 3:
            changed[start:end] = b"\xff" * len(changed[start:end])
    return bytes(changed)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(name=st.sampled_from(sorted(WRITERS)), seed=st.integers(0, 2**32 - 1))
def test_changed_bytes(
    tmp_path: Path, sound: Callable[[str], bytes], name: str, seed: int
) -> None:
    path = tmp_path / name
    path.write_bytes(mutated(sound(name), seed))
    began = time.perf_counter()
    outcome(path)
    assert time.perf_counter() - began < 4 * TIGHT.file_timeout_s + 10


@pytest.mark.slow
@pytest.mark.parametrize("name", sorted(WRITERS))
def test_changed_bytes_many(tmp_path: Path, sound: Callable[[str], bytes], name: str) -> None:
    path = tmp_path / name
    pictures = 0
    for seed in range(600):
        path.write_bytes(mutated(sound(name), seed))
        began = time.perf_counter()
        pictures += isinstance(outcome(path), Decoded)
        assert time.perf_counter() - began < 4 * TIGHT.file_timeout_s + 10, seed
        for process in (psutil.Process(), *decoding_processes()):
            assert process.memory_info().rss < 2e9, seed
    assert pictures < 600


def test_real_camera_files_and_raw_headers(outside_data: Path) -> None:
    """Every file of the exif-samples collection and of the reference reader's raw headers: a picture or a line."""
    paths = sorted((outside_data / "exif").rglob("*.*"))
    if not paths:
        pytest.skip("no exif folder among the real photographs")
    for path in paths:
        result = outcome(path, S)
        # The headers' pixels are cut off; the rest, odd as their camera data may be, are whole pictures.
        if isinstance(result, str) != (path.parent.name == "headers"):
            pytest.fail(f"{path.name}: {result if isinstance(result, str) else result.decoder}")
