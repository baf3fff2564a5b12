"""A review from files to tables: what it costs again, and what may go wrong under way."""

from __future__ import annotations

import os
import shutil
import signal
import sqlite3
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from datetime import timedelta
from pathlib import Path
from typing import Any

import psutil
import pytest

import windstill
from run.small_shoots import DUSK, cliff, moved, write_frame, write_shoot
from windstill.records import FrameScore
from windstill.run import Options, ReviewError, Silent, reviewed
from windstill.run.codec import CodecError, loads
from windstill.settings import Settings, load_settings
from written import rows

TABLES = ("frames.csv", "sets.csv", "pairs.csv", "problems.csv", "tiles.parquet")


class Meddler(Silent):
    """Does something when a stage begins or a step is done."""

    def __init__(self, stage: str, act: Callable[[], object], at_step: int = 0) -> None:
        self._stage, self._act, self._at = stage, act, at_step
        self._now, self._steps, self.notes = "", 0, list[str]()

    def stage(self, name: str, total: int) -> None:
        self._now, self._steps = name, 0
        self._meddle()

    def step(self, count: int = 1) -> None:
        self._steps += count
        self._meddle()

    def note(self, line: str) -> None:
        self.notes.append(line)

    def _meddle(self) -> None:
        if self._now == self._stage and self._steps >= self._at and self._act is not None:
            act, self._act = self._act, lambda: None
            act()


@pytest.fixture(scope="module")
def shoot(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_shoot(tmp_path_factory.mktemp("shoots") / "thrift")


@pytest.fixture(scope="module")
def undisturbed(shoot: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """OUT and cache of a review nothing happened to."""
    base = tmp_path_factory.mktemp("undisturbed")
    with reviewed(shoot, base / "out", Settings(), Options(cache_folder=base / "cache")):
        pass
    return base / "out", base / "cache"


@contextmanager
def again(shoot: Path, out: Path | None, cache: Path, settings: Settings | None = None, **more: Any) -> Iterator[Any]:
    progress = more.pop("progress", None)
    options = Options(cache_folder=cache, **more)
    with reviewed(shoot, out, settings or Settings(), options, progress) as review:
        yield review


@pytest.fixture
def warm(undisturbed: tuple[Path, Path], tmp_path: Path) -> Path:
    """A cache of the test's own that knows the shoot."""
    shutil.copytree(undisturbed[1], tmp_path / "cache")
    return tmp_path / "cache"


def same_tables(out: Path, other: Path) -> None:
    for name in TABLES:
        assert (out / name).read_bytes() == (other / name).read_bytes(), name


def test_another_tolerance_judges_again_without_decoding(shoot: Path, warm: Path, tmp_path: Path) -> None:
    settings = load_settings(overrides={"assess": {"tolerance_px": 0.001}})
    with again(shoot, tmp_path / "out", warm, settings) as review:
        assert review.run["decodes"] == 0
        assert review.run["measured"] == {}
        assert review.run["reused"] == {"scores": 7, "sets": 3}
    found = rows(tmp_path / "out" / "sets.csv")
    assert {row["tolerance_px"] for row in found} == {"0.001"}
    assert {row["outlook"] for row in found if row["kind"] == "burst"} != {"clean"}


def test_one_new_file_costs_its_own_set_only(shoot: Path, warm: Path, tmp_path: Path) -> None:
    grown = tmp_path / "thrift"
    shutil.copytree(shoot, grown)
    # Another folder is another path to every file; their content is known all the same.
    write_frame(grown / "100CLIFF" / "THFT0000.JPG", cliff(50), DUSK - timedelta(hours=1))
    with again(grown, None, warm) as review:
        assert dict(review.run["measured"]) == {"scores": 1, "sets": 1}
        assert review.run["decodes"] == 1
        assert len(review.grouping.sets) == 4
    late = DUSK + timedelta(minutes=5, seconds=3, milliseconds=411)
    write_frame(grown / "100CLIFF" / "THFT0009.JPG", cliff(1), late)
    with again(grown, None, warm) as review:
        assert dict(review.run["measured"]) == {"scores": 1, "sets": 1}
        assert {"100CLIFF/THFT0000": 0, "100CLIFF/THFT0009": 1}.items() <= decodes_of(review).items()


def decodes_of(review: Any) -> dict[str, int]:
    return {frame.name: review.run["decodes_by_frame"].get(frame.name, 0) for frame in review.frames}


def test_a_file_with_new_content_is_measured_again(shoot: Path, warm: Path, tmp_path: Path) -> None:
    changed = tmp_path / "thrift"
    shutil.copytree(shoot, changed)
    file = changed / "100CLIFF" / "THFT0007.JPG"
    write_frame(file, cliff(77), DUSK + timedelta(minutes=10))
    with again(changed, None, warm) as review:
        assert decodes_of(review) == {f"100CLIFF/THFT{n:04d}": int(n == 7) for n in range(1, 8)}


def test_a_touched_file_is_known_by_its_content(shoot: Path, warm: Path, tmp_path: Path) -> None:
    touched = tmp_path / "thrift"
    shutil.copytree(shoot, touched)
    for path in touched.rglob("*.JPG"):
        os.utime(path)
    with again(touched, None, warm) as review:
        assert review.run["decodes"] == 0


def test_verify_finds_what_size_and_time_do_not_tell(shoot: Path, warm: Path, tmp_path: Path) -> None:
    turned = tmp_path / "thrift"
    shutil.copytree(shoot, turned)
    with again(turned, None, warm):
        pass
    file = turned / "100CLIFF" / "THFT0007.JPG"
    known = file.stat()
    file.write_bytes(file.read_bytes().replace(b"Halyard", b"Halyerd"))
    os.utime(file, ns=(known.st_atime_ns, known.st_mtime_ns))
    with again(turned, None, warm) as review:
        assert review.run["decodes"] == 0
    with again(turned, None, warm, verify=True) as review:
        assert decodes_of(review)["100CLIFF/THFT0007"] == 1


def test_fresh_measures_everything_again(
    shoot: Path, warm: Path, undisturbed: tuple[Path, Path], tmp_path: Path
) -> None:
    with again(shoot, tmp_path / "out", warm, fresh=True) as review:
        assert review.run["decodes"] == 7
    same_tables(tmp_path / "out", undisturbed[0])


def test_a_deleted_cache_costs_time_only(
    shoot: Path, undisturbed: tuple[Path, Path], tmp_path: Path
) -> None:
    meddler = Meddler("assess", lambda: shutil.rmtree(tmp_path / "cache"))
    with again(shoot, tmp_path / "out", tmp_path / "cache", progress=meddler):
        pass
    same_tables(tmp_path / "out", undisturbed[0])


def test_a_file_that_vanishes_under_way_is_one_problem(shoot: Path, tmp_path: Path) -> None:
    card = tmp_path / "thrift"
    shutil.copytree(shoot, card)
    gone = card / "100CLIFF" / "THFT0005.JPG"
    with again(card, tmp_path / "out", tmp_path / "cache", progress=Meddler("score", gone.unlink)) as review:
        assert [problem.file for problem in review.problems] == ["100CLIFF/THFT0005.JPG"]
        assert len(review.frames) == 7
        assert len(review.scores) == 6
    assert rows(tmp_path / "out" / "problems.csv")[0]["stage"] == "decode"
    first = rows(tmp_path / "out" / "sets.csv")[0]
    assert (first["kind"], first["outlook"]) == ("burst", "clean")


def test_files_that_become_something_else_under_way_are_one_problem_each(shoot: Path, tmp_path: Path) -> None:
    """A pipe nobody writes to, a device without end, a folder, a link in a circle, nothing: none is waited for."""
    card = tmp_path / "thrift"
    shutil.copytree(shoot, card)
    files = sorted((card / "100CLIFF").iterdir())

    def change() -> None:
        for path in files[:5]:
            path.unlink()
        os.mkfifo(files[0])
        files[1].symlink_to("/dev/zero")
        files[2].mkdir()
        files[3].symlink_to(files[3].name)
        files[4].touch()

    started = time.monotonic()
    with again(card, tmp_path / "out", tmp_path / "cache", progress=Meddler("score", change)) as review:
        problems = {problem.file: problem.problem for problem in review.problems}
    assert time.monotonic() - started < 60
    assert sorted(problems) == [f"100CLIFF/{path.name}" for path in files[:5]]
    assert problems["100CLIFF/THFT0001.JPG"] == problems["100CLIFF/THFT0002.JPG"]
    assert "no file any more" in problems["100CLIFF/THFT0001.JPG"]


def test_a_card_pulled_out_under_way(shoot: Path, tmp_path: Path) -> None:
    card = tmp_path / "thrift"
    shutil.copytree(shoot, card)
    with (
        pytest.raises(ReviewError, match="disappeared") as caught,
        again(card, tmp_path / "out", tmp_path / "cache", progress=Meddler("score", lambda: shutil.rmtree(card))),
    ):
        pass
    assert caught.value.status == 1
    assert list((tmp_path / "out").iterdir()) == []


def test_out_taken_away_under_way(shoot: Path, warm: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    with (
        pytest.raises(ReviewError, match="run again"),
        again(shoot, out, warm, progress=Meddler("report", lambda: shutil.rmtree(out))),
    ):
        pass
    assert not out.exists()


def test_two_reviews_into_one_folder(shoot: Path, warm: Path, tmp_path: Path) -> None:
    def other() -> None:
        with pytest.raises(ReviewError, match="another windstill run"), again(shoot, tmp_path / "out", warm):
            pass

    with again(shoot, tmp_path / "out", warm, progress=Meddler("report", other)):
        pass


@pytest.mark.parametrize("stage", ["score", "assess"])
def test_a_killed_worker_changes_nothing(
    stage: str, shoot: Path, undisturbed: tuple[Path, Path], tmp_path: Path
) -> None:
    killed = []

    def kill() -> None:
        for child in psutil.Process().children(recursive=True):
            if (tmp_path / "cache" / "scratch").exists() and is_worker(child):
                os.kill(child.pid, signal.SIGKILL)
                killed.append(child.pid)
                return

    with again(shoot, tmp_path / "out", tmp_path / "cache", progress=Meddler(stage, kill, at_step=1)):
        pass
    assert killed
    same_tables(tmp_path / "out", undisturbed[0])


def is_worker(process: psutil.Process) -> bool:
    """Workers are the processes that left their id in a folder for it."""
    marks = {int(mark.name) for mark in Path(os.environ.get("TMPDIR", "/tmp")).glob("windstill-workers-*/*")}
    return process.pid in marks


def test_scratch_is_bounded_and_gone_afterwards(shoot: Path, undisturbed: tuple[Path, Path], tmp_path: Path) -> None:
    settings = load_settings(overrides={"run": {"scratch_mb": 0}})
    with again(shoot, tmp_path / "out", tmp_path / "cache", settings) as review:
        assert review.run["decodes"] > 7  # planes that were not kept are decoded again, and counted
        assert list((tmp_path / "cache" / "scratch").iterdir()) == []
    same_tables(tmp_path / "out", undisturbed[0])


def test_as_a_library(shoot: Path, warm: Path) -> None:
    with windstill.review(shoot, cache=warm) as found:
        tables = found.tables()
        assert list(tables["frames"]["frame"]) == [f"100CLIFF/THFT{n:04d}" for n in range(1, 8)]
        assert tables["frames"]["iso"].dtype == "float64"
        assert (tables["sets"]["frames"] == [3, 3, 1]).all()
        assert set(tables) == {"frames", "sets", "pairs", "problems", "tiles"}
        burst = tables["sets"]["set_id"][0]
        pairs = tables["pairs"].query("set_id == @burst")
        lengths = found.sway_px(burst)
        assert set(lengths) == set(zip(pairs["frame_a"], pairs["frame_b"], strict=True))
        assert found.score("100CLIFF/THFT0001").sharp.shape == next(iter(lengths.values())).shape
        assert found.verdicts[burst].outlook == "clean"
        assert "7 frames" in repr(found)
        with pytest.raises(KeyError):
            found.score("none")


def test_kept_measures_that_are_damaged_are_said_and_measured_anew(shoot: Path, warm: Path) -> None:
    name = "100CLIFF/THFT0002"
    with windstill.review(shoot, cache=warm) as found:
        small = found.score(name).thumbnail_jpeg
    with sqlite3.connect(warm / "measures.sqlite") as db:
        whole = next(key for key, data in db.execute("SELECT key, data FROM entries") if is_score_of(data, small))
        db.execute("UPDATE entries SET data = substr(data, 1, length(data) / 2) WHERE key = ?", (whole,))
    db.close()
    with windstill.review(shoot, cache=warm) as found, pytest.raises(ReviewError, match="2 are damaged; run again"):
        found.score(name)
    with windstill.review(shoot, cache=warm) as found:
        assert found.score(name).thumbnail_jpeg == small
        assert decodes_of(found.record)[name] == 1


def is_score_of(data: bytes, thumbnail: bytes) -> bool:
    with suppress(CodecError):
        return loads(data, FrameScore).thumbnail_jpeg == thumbnail
    return False


def test_files_that_claim_any_size_are_not_read_to_their_end(tmp_path: Path) -> None:
    """Two alike, which would be compared to their ends, and one each that would be hashed."""
    shoot = write_shoot(tmp_path / "shoot", bursts=0)
    whole = shoot / "100CLIFF" / "THFT0001.JPG"
    for name in ("THFT0002.JPG", "THFT0003.JPG"):
        shutil.copy(whole, shoot / name)
        os.truncate(shoot / name, 300_000_000_000)
    for _ in range(2):  # the second time, files of this size are known
        with windstill.review(shoot, cache=tmp_path / "cache") as found:
            assert found.score("100CLIFF/THFT0001").width_px == 480
            assert {(p.file, "over the limit" in p.problem) for p in found.problems.itertuples()} == {
                ("THFT0002.JPG", True), ("THFT0003.JPG", True)
            }  # fmt: skip


@pytest.mark.parametrize("stamp_ns", [2**63 - 1, 2**63 + 10**9, -(10**18), 0])
def test_a_file_of_any_time_is_reviewed_and_known_again(tmp_path: Path, stamp_ns: int) -> None:
    """As clocks that were never set, or were set to nonsense, leave them; not every file system can hold them all."""
    shoot = write_shoot(tmp_path / "shoot", bursts=0)
    (photograph,) = shoot.rglob("*.JPG")
    os.utime(photograph, ns=(stamp_ns, stamp_ns))
    windstill.review(shoot, cache=tmp_path / "cache").close()
    (shoot / "note.txt").touch()  # the folder has changed, the photograph has not
    with windstill.review(shoot, cache=tmp_path / "cache") as found:
        assert found.problems.empty
        assert decodes_of(found.record) == {"100CLIFF/THFT0001": 0}


def test_nothing_is_written_without_out(shoot: Path, warm: Path, tmp_path: Path, monkeypatch: Any) -> None:
    (tmp_path / "empty").mkdir()
    monkeypatch.chdir(tmp_path / "empty")
    before = {path: path.stat().st_mtime_ns for path in shoot.rglob("*")}
    windstill.review(shoot, cache=warm).close()
    assert list((tmp_path / "empty").iterdir()) == []
    assert {path: path.stat().st_mtime_ns for path in shoot.rglob("*")} == before


@pytest.mark.parametrize(
    ("sizes", "why"),
    [(((480, 320), (320, 480)), "the frames differ in size"), (((16, 12), (16, 12)), "too small to be lined up")],
)
def test_frames_pinned_together_that_cannot_be_compared_say_why(
    tmp_path: Path, sizes: tuple[tuple[int, int], ...], why: str
) -> None:
    shoot, out = tmp_path / "shoot", tmp_path / "out"
    for number, (width, height) in enumerate(sizes, 1):
        taken = DUSK + timedelta(seconds=number)
        write_frame(shoot / f"THFT{number:04d}.JPG", cliff(5, width, height), taken)
    out.mkdir()
    (out / "sets.toml").write_text('[[pin]]\nframes = ["THFT0001", "THFT0002"]\nkind = "burst"\n', "utf-8")
    with again(shoot, out, tmp_path / "cache") as review:
        assert len(review.frames) == 2
    (row,) = rows(out / "sets.csv")
    assert (row["kind"], row["outlook"]) == ("burst", "unknown")
    assert why in row["reasons"]


def test_the_tolerance_grows_as_the_picture_is_to_be_shown_smaller(shoot: Path, warm: Path, tmp_path: Path) -> None:
    smaller = load_settings(overrides={"assess": {"output_long_px": 240.0}})
    with again(shoot, tmp_path / "out", warm, smaller):
        pass
    assert {row["tolerance_px"] for row in rows(tmp_path / "out" / "sets.csv")} == {"4.000"}  # of frames 480 px wide


def test_a_moved_subject_is_found(tmp_path: Path) -> None:
    """The whole way: a patch that moved by six pixels between two frames of a burst."""
    still = cliff(5, 960, 640)
    swayed = still.copy()
    swayed[200:400, 300:600] = moved(still, 6)[200:400, 300:600]
    for number, scene in enumerate([still, swayed, still]):
        taken = DUSK + timedelta(seconds=number, milliseconds=137 * number)
        write_frame(tmp_path / "shoot" / f"THFT{number:04d}.JPG", scene, taken)
    with again(tmp_path / "shoot", None, tmp_path / "cache") as review:
        (verdict,) = review.verdicts.values()
    assert verdict.sway_max_px == pytest.approx(6, abs=0.5)
    assert verdict.outlook in ("touch-up", "hard", "lost")


def test_an_unfinished_review_goes_on_where_it_was(
    shoot: Path, undisturbed: tuple[Path, Path], tmp_path: Path
) -> None:
    def stop() -> None:
        raise KeyboardInterrupt

    started = time.monotonic()
    with (
        pytest.raises(KeyboardInterrupt),
        again(shoot, tmp_path / "out", tmp_path / "cache", progress=Meddler("assess", stop, at_step=1)),
    ):
        pass
    assert time.monotonic() - started < 120
    with again(shoot, tmp_path / "out", tmp_path / "cache") as review:
        assert review.run["reused"]["scores"] == 7
        assert review.run["reused"]["sets"] >= 1
    same_tables(tmp_path / "out", undisturbed[0])


def test_what_a_killed_run_wrote_aside_is_taken_away(shoot: Path, warm: Path, tmp_path: Path) -> None:
    (tmp_path / "out").mkdir()
    left = tmp_path / "out" / ".tiles.parquet.4711.part"
    left.write_bytes(b"half")
    (tmp_path / "out" / "my own.part").write_bytes(b"notes")
    with again(shoot, tmp_path / "out", warm):
        pass
    assert not left.exists()
    assert (tmp_path / "out" / "my own.part").exists()
