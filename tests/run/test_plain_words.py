"""What a photographer reads about a broken file is ours, never a library's."""

from __future__ import annotations

import re
from datetime import timedelta
from pathlib import Path

import cv2
import numpy as np
import pytest
import tifffile
from PIL import Image

from run.small_shoots import DUSK, cliff, write_frame
from windstill.field import FieldDesk, quick_check
from windstill.imaging import ImagingError
from windstill.records import Frame, FrameSet, Grouping, ShootFile
from windstill.run import Options, ReviewError, reviewed
from windstill.run.tasks import UNFORESEEN, MeasureTask, ScoreTask, detail_of, measure_one, one_line, score_one
from windstill.settings import Settings
from written import rows

# Libraries' names, their ways of speaking, source files and class names.
_FOREIGN = re.compile(
    r"opencv|cv2|assert|libjpeg|tifffile|pillow|\bPIL\b|libraw|rawpy|heif|numpy|imagecodecs|\.cpp|\.py\b|traceback|"
    r"Error|0x[0-9a-f]|\(-\d+|none\b|array|bytes-like|errno|unpack|buffer|marker",
    re.IGNORECASE,
)


def broken(folder: Path) -> Path:
    """A card with two sound frames and files broken in ways that reach every decoder."""
    for index in range(2):
        write_frame(folder / f"THFT000{index + 1}.JPG", cliff(0), DUSK + timedelta(seconds=index))
    sound = (folder / "THFT0001.JPG").read_bytes()
    scan = sound.index(b"\xff\xda")
    picture = cliff(3).astype(np.uint8)
    files = {
        "THFT0010.JPG": sound[: len(sound) * 2 // 3],
        "THFT0011.JPG": sound[: scan + 900] + bytes(400) + sound[scan + 1300 :],
        "THFT0012.JPG": sound[: scan + 40] + np.random.default_rng(1).bytes(4000) + sound[scan + 4040 :],
        "THFT0013.JPG": sound.replace(b"\xff\xc4", b"\xff\xfe"),
        "THFT0014.JPG": b"\xff\xd8\xff\xd9",
        "THFT0015.JPG": bytes(5000),
        "THFT0016.JPG": b"copied badly " * 400,
    }
    for name, data in files.items():
        (folder / name).write_bytes(data)
    for name, step in (("a.png", 60), ("b.webp", 90), ("c.bmp", 400)):
        Image.fromarray(picture).save(folder / name)
        data = bytearray((folder / name).read_bytes())
        data[step : step + 40] = bytes(range(40))
        (folder / name).write_bytes(data[: len(data) * 3 // 4])
    for name, options in (("d.tif", {"compression": "lzw"}), ("e.tif", {"compression": "jpeg"}), ("f.tif", {})):
        tifffile.imwrite(folder / name, picture, photometric="rgb", rowsperstrip=16, **options)
        data = bytearray((folder / name).read_bytes())
        middle = len(data) // 2
        data[middle : middle + 600] = np.random.default_rng(2).bytes(600)
        (folder / name).write_bytes(data[:-900] if not options else data)
    for name in ("g.dng", "h.cr3", "i.nef", "j.heic", "k.raf"):
        head = {
            "g": b"II*\0\x08\0\0\0", "h": b"\0\0\0\x18ftypcrx ", "i": b"MM\0*\0\0\0\x08",
            "j": b"\0\0\0\x18ftypheic", "k": b"FUJIFILMCCD-RAW ",
        }[name[0]]  # fmt: skip
        (folder / name).write_bytes(head + np.random.default_rng(3).bytes(60_000))
    return folder


@pytest.fixture(scope="module")
def card(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("card") / "100CLIFF"
    folder.mkdir()
    return broken(folder).parent


def test_every_line_of_problems_is_ours(card: Path, tmp_path: Path) -> None:
    with reviewed(card, tmp_path / "out", Settings(), Options(cache_folder=tmp_path / "cache")) as review:
        assert len(review.scores) >= 2
        assert "details" not in review.run  # nothing was unforeseen
    told = rows(tmp_path / "out" / "problems.csv")
    assert len(told) >= 16
    for row in told:
        assert not _FOREIGN.search(row["problem"]), row
        assert not _FOREIGN.search(row["consequence"]), row


def test_the_quick_check_speaks_alike(card: Path, tmp_path: Path) -> None:
    with FieldDesk(Settings(), tmp_path) as desk:
        problems = quick_check(card, desk).problems
    assert len(problems) >= 12
    for problem in problems:
        assert not _FOREIGN.search(problem.problem), problem


def failing(what: str) -> BaseException:
    """OpenCV's own errors, really raised."""
    with pytest.raises(cv2.error) as caught:
        if what == "assertion":
            cv2.resize(np.zeros((0, 0), np.uint8), (4, 4))
        else:
            cv2.resize(np.zeros((2, 2), np.uint8), (2**30, 2**20))
    return caught.value


@pytest.mark.parametrize(("what", "said"), [("assertion", UNFORESEEN), ("memory", "not enough memory")])
def test_opencv_is_not_quoted(what: str, said: str) -> None:
    err = failing(what)
    assert "OpenCV" in str(err)
    assert one_line(err).startswith(said)
    assert not _FOREIGN.search(one_line(err))
    assert ("OpenCV" in detail_of(err)) == (what == "assertion")


def test_what_is_ours_passes_and_says_all() -> None:
    for err in (ImagingError("the file is cut off; copy it again"), ReviewError("OUT: is full; free some space")):
        assert one_line(err) == str(err)
        assert detail_of(err) == ""


def test_what_no_one_foresaw_keeps_its_traceback(card: Path) -> None:
    """Settings that are none stand for a fault of the program."""
    file = ShootFile("100CLIFF/THFT0001.JPG", "image", 1, 1)
    frame = Frame("100CLIFF/THFT0001", (file,), file.path, 480, 320)
    settings = Settings()
    scored = score_one(ScoreTask(str(card), frame, settings.imaging, None, None))  # type: ignore[arg-type]
    node = FrameSet(f"{frame.name}~burst", None, 1, 1, "burst", (frame.name,), (frame.name,))
    measured = measure_one(
        MeasureTask(str(card), node, Grouping((node,)), (frame,), {frame.name: b"no record"}, settings.imaging,
                    settings.score, settings.assess, None)
    )  # fmt: skip
    for done in (scored, measured):
        assert done.data is None
        assert done.problem is not None and done.problem.problem == UNFORESEEN
        assert "Traceback" in done.detail
