"""What a watch speaks of and when, on real files and a clock of the test's own."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing, suppress
from datetime import timedelta
from pathlib import Path

import pytest
from preview_shoots import DUSK, write_burst

from windstill.field import Check, FieldDesk, Watcher, set_lines
from windstill.field.lines import SetLine
from windstill.records import FrameScore, SetMeasure
from windstill.run.codec import CodecError, loads
from windstill.settings import Settings

SIZE = (1200, 800)


class Folder:
    """A watched folder, what was said of it, and a clock."""

    def __init__(self, root: Path, desk: FieldDesk) -> None:
        self.root = root
        self.said: list[list[tuple[str, ...]]] = []
        self.lines: list[SetLine] = []
        self.notes: list[str] = []
        self.now_s = 0.0
        self.watcher = Watcher(root, desk, self._hear, self.notes.append)
        self.watcher.begin(self.now_s)

    def _hear(self, check: Check) -> None:
        self.said.append([node.frames for node in check.grouping.top_level()])
        self.lines += reversed(set_lines(check, Settings().assess))

    def after(self, seconds: float) -> list[list[tuple[str, ...]]]:
        """Look at once, and again when the time has passed; gives what was said."""
        self.said.clear()
        self.watcher.tick(self.now_s)
        self.now_s += seconds
        self.watcher.tick(self.now_s)
        return self.said


@pytest.fixture
def folder(tmp_path: Path) -> Iterator[Folder]:
    """Watched with the default settings: files settle in 1 s, a pause of 30 s ends a set."""
    root = tmp_path / "tether"
    root.mkdir()
    with FieldDesk(Settings(), tmp_path / "cache") as desk:
        yield Folder(root, desk)


def burst(root: Path, first: int, minutes: int, frames: int = 2) -> list[Path]:
    taken = DUSK + timedelta(minutes=minutes)
    return write_burst(root, first, 40 + first, taken, (0.0,) * frames, preview_width=0, size=SIZE)


def test_a_set_is_complete_after_a_pause_or_when_the_next_begins(folder: Folder) -> None:
    burst(folder.root, 1, 0)
    assert folder.after(2) == []
    assert folder.after(25) == []
    assert folder.after(10) == [[("THFT0001", "THFT0002")]]
    assert folder.after(100) == []
    burst(folder.root, 3, 5)
    assert folder.after(2) == []
    burst(folder.root, 5, 10)
    assert folder.after(2) == [[("THFT0003", "THFT0004")]]
    assert folder.after(31) == [[("THFT0005", "THFT0006")]]


def test_frames_that_come_after_those_of_a_later_set_are_waited_for(folder: Folder) -> None:
    """Copied newest first, a set is spoken of once and whole, not after every frame."""
    late = burst(folder.root, 1, 0, frames=4)
    for path in late:
        path.rename(folder.root.parent / path.name)
    burst(folder.root, 11, 5)
    assert folder.after(2) == []
    for path in late:
        (folder.root.parent / path.name).rename(path)
        assert folder.after(2) == []
    assert folder.after(31) == [[tuple(p.stem for p in late), ("THFT0011", "THFT0012")]]


def test_a_set_that_gains_a_frame_is_spoken_of_again_one_that_loses_it_is_not(folder: Folder) -> None:
    late = burst(folder.root, 1, 0, frames=3)[2]
    aside = late.rename(folder.root.parent / late.name)
    assert folder.after(2) == []
    assert folder.after(31) == [[("THFT0001", "THFT0002")]]
    aside.rename(late)
    assert folder.after(2) == []
    assert folder.after(31) == [[("THFT0001", "THFT0002", "THFT0003")]]
    (folder.root / "THFT0001.JPG").unlink()
    assert folder.after(40) == []


def test_a_file_that_does_not_decode_waits_and_is_named_once(folder: Folder) -> None:
    last = burst(folder.root, 1, 0, frames=3)[2]
    whole = last.read_bytes()
    last.write_bytes(whole[: len(whole) // 2])
    assert folder.after(2) == []
    assert folder.notes == []
    assert folder.after(31) == [[("THFT0001", "THFT0002")]]
    assert folder.after(31) == []
    assert len(folder.notes) == 1 and folder.notes[0].startswith("THFT0003.JPG: cannot be read")
    last.write_bytes(whole)
    assert folder.after(2) == []
    assert folder.after(31) == [[("THFT0001", "THFT0002", "THFT0003")]]
    assert len(folder.notes) == 1


def test_what_was_there_before_is_not_spoken_of(tmp_path: Path) -> None:
    root = tmp_path / "tether"
    burst(root, 1, 0)
    with FieldDesk(Settings(), tmp_path / "cache") as desk:
        folder = Folder(root, desk)
        assert folder.after(100) == []
        burst(root, 3, 5)
        assert folder.after(2) == []
        assert folder.after(31) == [[("THFT0003", "THFT0004")]]


@pytest.mark.parametrize("before_the_watch", [False, True])
def test_a_take_that_moved_is_no_reason_to_reshoot_where_an_earlier_one_holds(
    tmp_path: Path, before_the_watch: bool
) -> None:
    """Whether the good take was shot while watching or before; a scene without one is still to be reshot."""
    root = tmp_path / "tether"
    root.mkdir()

    def take(first: int, seed: int, minutes: int, *moves: float) -> None:
        write_burst(root, first, seed, DUSK + timedelta(minutes=minutes), moves, preview_width=0, size=SIZE)

    with FieldDesk(Settings(), tmp_path / "cache") as desk:
        if before_the_watch:
            take(1, 41, 0, 0.0, 0.0, 0.0)
        folder = Folder(root, desk)
        if not before_the_watch:
            take(1, 41, 0, 0.0, 0.0, 0.0)
            folder.after(2)
            folder.after(31)
        take(4, 41, 3, 0.0, 12.0, 0.0)
        folder.after(2)
        folder.after(31)
        take(7, 42, 9, 0.0, 12.0, 0.0)
        folder.after(2)
        folder.after(31)
    said = {line.first: (line.outlook, line.action, "take 1 holds" in line.what) for line in folder.lines}
    assert said.pop("THFT0001", ("clean", "go on", False)) == ("clean", "go on", False)
    assert said["THFT0004"][0] in ("hard", "lost") and said["THFT0004"][1:] == ("go on", True)
    assert said["THFT0007"][0] in ("hard", "lost") and said["THFT0007"][1:] == ("reshoot", False)


def test_of_two_takes_in_one_stretch_the_first_counts_too(folder: Folder) -> None:
    """The second set follows within the pause that ends a set; a change of scene lies between the takes."""
    for first, seed, moves in ((1, 41, (0.0, 0.0, 0.0)), (4, 42, (0.0, 0.0)), (6, 41, (0.0, 12.0, 0.0))):
        taken = DUSK + timedelta(seconds=10 * first)
        write_burst(folder.root, first, seed, taken, moves, preview_width=0, size=SIZE)
        folder.after(2)
    folder.after(31)
    assert [(line.first, line.action) for line in folder.lines] == [
        ("THFT0001", "go on"), ("THFT0004", "go on"), ("THFT0006", "go on")
    ]  # fmt: skip
    assert "take 1 holds" in folder.lines[-1].what


@pytest.mark.parametrize("kind", [FrameScore, SetMeasure])
def test_kept_measures_that_are_damaged_are_measured_anew_at_once(tmp_path: Path, kind: type) -> None:
    """Of the frames that arrive and of an earlier take they are compared with; nobody is there to run it again."""
    root = tmp_path / "tether"
    root.mkdir()

    def take(minutes: int, first: int, *moves: float) -> None:
        write_burst(root, first, 41, DUSK + timedelta(minutes=minutes), moves, preview_width=0, size=SIZE)

    with FieldDesk(Settings(), tmp_path / "cache") as desk:
        folder = Folder(root, desk)
        take(0, 1, 0.0, 0.0, 0.0)
        folder.after(31)
        take(3, 4, 0.0, 12.0, 0.0)
        folder.after(2)
        folder.after(31)
    lines = {line.first: line.text(200) for line in folder.lines}
    assert {*lines} == {"THFT0001", "THFT0004"}
    damage(tmp_path / "cache" / "measures.sqlite", kind)
    moved_back = sorted(root.iterdir())[3:]
    for path in moved_back:
        path.rename(tmp_path / path.name)
    with FieldDesk(Settings(), tmp_path / "cache") as desk:
        folder = Folder(root, desk)
        for path in moved_back:
            (tmp_path / path.name).rename(path)
        folder.after(2)
        folder.after(31)
    assert [(line.first, line.text(200)) for line in folder.lines] == [("THFT0004", lines["THFT0004"])]
    assert folder.notes == []


def damage(cache: Path, kind: type) -> None:
    """Cut every kept record of a kind in half."""
    with closing(sqlite3.connect(cache)) as db, db:
        for key, data in db.execute("SELECT key, data FROM entries").fetchall():
            with suppress(CodecError):
                loads(data, kind)
                db.execute("UPDATE entries SET data = substr(data, 1, length(data) / 2) WHERE key = ?", (key,))
