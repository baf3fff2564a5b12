"""What the quick check calls things: how much to look at, where it moved, lines on a narrow screen."""

from __future__ import annotations

from datetime import datetime, timedelta

import numpy as np
import pytest

from windstill.field.latest import EVERYTHING, Latest, moment, stretches, within
from windstill.field.lines import SetLine, name_columns
from windstill.field.places import place_words
from windstill.records import CameraData, Frame, ShootFile

DUSK = datetime(2031, 6, 3, 21, 14)


def frame(name: str, after_s: float | None, exposure_s: float = 0.01) -> Frame:
    taken = None if after_s is None else DUSK + timedelta(seconds=after_s)
    files = (ShootFile(f"{name}.JPG", "image", 1, 10**18),)
    return Frame(name, files, f"{name}.JPG", 60, 40, CameraData(captured_at=taken, exposure_s=exposure_s))


@pytest.mark.parametrize(
    ("words", "means"),
    [("6", Latest(sets=6)), ("1 set", Latest(sets=1)), ("20min", Latest(minutes=20)), ("20 m", Latest(minutes=20)),
     ("1.5h", Latest(minutes=90)), ("ALL", EVERYTHING)],
)  # fmt: skip
def test_how_much_to_look_at(words: str, means: Latest) -> None:
    assert Latest.from_words(words) == means


@pytest.mark.parametrize("words", ["", "0", "-3", "2.5", "20s", "a while", "min"])
def test_words_that_say_nothing(words: str) -> None:
    with pytest.raises(ValueError, match="20min"):
        Latest.from_words(words)


def test_stretches_end_at_a_pause_after_the_exposure() -> None:
    # 40 s between starts, but 25 s of them were the exposure: no pause of 30 s.
    frames = [frame("a", 0, 25.0), frame("b", 40), frame("c", 100), frame("d", 99)]
    runs = stretches(frames, 30.0)
    assert [[f.name for f in run] for run in runs] == [["a", "b"], ["c", "d"]]
    assert [[f.name for f in run] for run in within(runs, 0.5)] == [["c", "d"]]
    assert within(runs, 2) == runs
    assert within((), 2) == ()


def test_a_frame_without_a_clock_goes_by_its_file() -> None:
    assert moment(frame("a", None)) == datetime.fromtimestamp(1e9)


@pytest.mark.parametrize(
    ("row", "col", "words"),
    [(29, 1, "left foreground"), (29, 20, "centre foreground"), (25, 39, "right foreground"), (1, 1, "upper left"),
     (15, 20, "middle"), (15, 38, "right middle"), (2, 20, "upper centre")],
)  # fmt: skip
def test_where_it_moved(row: int, col: int, words: str) -> None:
    weight = np.zeros((30, 40), np.float32)
    weight[row, col] = 5
    assert place_words(weight) == words


def test_nothing_moved_nowhere() -> None:
    assert place_words(np.zeros((30, 40), np.float32)) == ""


def line(what: str, first: str = "THFT0031", count: int = 12, kind: str = "panorama") -> SetLine:
    return SetLine(f"{first}~{kind}", "reshoot", first, DUSK, kind, count, "touch-up", what)


def test_the_longest_usual_line_fits_a_phone() -> None:
    text = line("centre foreground, 117 px").text(60)
    assert "\n" not in text and len(text) <= 60
    assert text.startswith("reshoot 0031 panorama 12 touch-up centre foreground, 117 px")


def test_a_longer_one_goes_on_below() -> None:
    rows = line("only 12 % of the seams are joined with enough overlap").text(60).splitlines()
    assert len(rows) == 2 and max(map(len, rows)) <= 60
    assert rows[1].startswith("        ")
    assert " ".join(" ".join(rows).split()).endswith("joined with enough overlap")


def test_kinds_stand_in_one_column_whatever_the_names() -> None:
    lines = (line("middle, 4 px", first="YellowMeadow_A"), line("middle, 4 px", first="Tor_A"))
    assert len({said.text(120, name_columns(lines)).index("panorama") for said in lines}) == 1


def test_names_without_a_number_keep_their_end() -> None:
    assert " page " in line("middle, 4 px", first="scan-b-page").text(60)
    assert "scan-b-page" in line("middle, 4 px", first="scan-b-page").text(120)
