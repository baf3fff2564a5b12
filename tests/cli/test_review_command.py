"""`windstill review` as a user meets it: what it writes, what it says, its exit status."""

from __future__ import annotations

import json
import os
import pty
import re
import resource
import shutil
import signal
import subprocess
import time
from pathlib import Path

import pytest

from cli.conftest import Command, Here, arguments, environment, run_and_tell
from written import rows, states

TABLES = ("frames.csv", "sets.csv", "pairs.csv", "problems.csv", "tiles.parquet")


def one_line(error: str) -> str:
    """The one line an error is; progress lines before it do not begin with the program's name."""
    assert "Traceback" not in error
    lines = [line for line in error.splitlines() if line.startswith("windstill: ")]
    assert len(lines) == 1, error
    return lines[0]


@pytest.fixture(scope="module")
def first_review(small_shoot: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path, str, str]:
    """OUT, cache, and what was printed, of a first review with one worker."""
    base = tmp_path_factory.mktemp("first")
    before = states(small_shoot)
    done = subprocess.run(
        arguments(["review", small_shoot, "--out", base / "out", "--workers", "1", "--format", "parquet", "--timing"]),
        env=environment(base / "cache"), text=True, capture_output=True, timeout=240, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert states(small_shoot) == before
    return base / "out", base / "cache", done.stdout, done.stderr


def test_everything_promised_is_written(first_review: tuple[Path, Path, str, str]) -> None:
    out = first_review[0]
    names = {path.name for path in out.iterdir()}
    assert {"report.html", "run.json", *TABLES, "frames.parquet", "sets.parquet", "pairs.parquet"} <= names
    assert not [name for name in names if name.startswith(".")]  # no lock, nothing half written
    assert len(rows(out / "frames.csv")) == 7
    assert [row["kind"] for row in rows(out / "sets.csv")] == ["burst", "burst", "single"]
    assert {row["outlook"] for row in rows(out / "sets.csv")} == {"clean"}


def test_run_json_says_what_was_done(first_review: tuple[Path, Path, str, str]) -> None:
    run = json.loads((first_review[0] / "run.json").read_text())
    assert run["version"] == "0.1.0"
    assert "review" in run["command"]
    assert run["settings"]["run"]["workers"] == 1
    assert run["settings"]["report"]["format"] == "parquet"
    assert run["counts"]["frames"] == 7
    assert run["decodes"] == 7
    assert run["decodes_per_frame"] == 1.0
    assert {"scan", "score", "group", "assess", "advise", "report"} <= set(run["seconds"])
    assert 50 < run["peak_memory_mb"] < 4000


_HEAVY = ("pandas", "dask", "distributed")


def test_a_review_waits_for_no_library_it_can_do_without(small_shoot: Path, tmp_path: Path) -> None:
    """Loading these costs more than reviewing a few frames."""
    words = ["review", str(small_shoot), "--out", str(tmp_path / "out"), "--cache", str(tmp_path / "cache")]
    done = run_and_tell(words, _HEAVY)
    assert done.returncode == 0, done.stderr
    assert done.stderr.splitlines()[-1] == ""


def test_the_screen_says_where_the_report_is(first_review: tuple[Path, Path, str, str]) -> None:
    out, _, said, progress = first_review
    assert "7 frames, 2 sets: 2 clean; 1 single frame" in said
    assert f"report: {out / 'report.html'}" in said
    assert re.search(r"score +\d+\.\d\d", said)
    assert "\x1b" not in said + progress  # plain lines in a pipe
    assert "reading and measuring frames: 7" in progress


def test_a_rerun_decodes_nothing_and_leaves_the_outputs(
    first_review: tuple[Path, Path, str, str], small_shoot: Path, tmp_path: Path, here: Here
) -> None:
    out, cache, _, _ = first_review
    shutil.copytree(out, tmp_path / "out")
    shutil.copytree(cache, tmp_path / "cache")
    told = []
    for _ in range(2):
        assert here("review", small_shoot, "--out", tmp_path / "out", "--format", "parquet")[0] == 0
        run = json.loads((tmp_path / "out" / "run.json").read_text())
        assert run["decodes"] == 0
        assert run["reused"] == {"scores": 7, "sets": 3}
        told.append((tmp_path / "out" / "report.html").stat().st_mtime_ns)
        for name in TABLES:
            assert (tmp_path / "out" / name).read_bytes() == (out / name).read_bytes()
    assert told[0] == told[1]


def test_two_workers_give_the_same_tables(
    first_review: tuple[Path, Path, str, str], small_shoot: Path, here: Here, tmp_path: Path
) -> None:
    status, _, error = here("review", small_shoot, "--out", tmp_path / "out", "--workers", "2")
    assert status == 0, error
    for name in TABLES:
        assert (tmp_path / "out" / name).read_bytes() == (first_review[0] / name).read_bytes(), name


@pytest.mark.parametrize(
    ("make", "says", "status"),
    [
        (lambda path: None, "no such folder", 2),
        (lambda path: path.write_text("x"), "a file, not a folder", 2),
        (lambda path: path.mkdir(), "no photographs", 1),
        (lambda path: (path.mkdir(), (path / "notes.txt").write_text("tide 21:40")), "no photographs", 1),
        (lambda path: (path.mkdir(), (path / "a.jpg").touch()), "a.jpg", 1),
    ],
    ids=["missing", "file", "empty", "text only", "one empty file"],
)
def test_nothing_to_review(make: object, says: str, status: int, here: Here, tmp_path: Path) -> None:
    make(tmp_path / "shoot")  # type: ignore[operator]
    found, said, error = here("review", tmp_path / "shoot")
    assert found == status
    assert says in one_line(error)
    assert said == ""


def test_out_inside_the_shoot_is_refused(here: Here, small_shoot: Path) -> None:
    before = states(small_shoot)
    status, _, error = here("review", small_shoot, "--out", small_shoot / "100CLIFF" / "review")
    assert status == 2
    assert "inside the shoot" in one_line(error)
    assert states(small_shoot) == before


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["review"], "shoot"),
        (["review", ".", "--workers", "many"], "--workers"),
        (["review", ".", "--settings", "in-the-rain"], "on-location"),
        (["review", ".", "--set", "assess.tolerence_px=3"], "did you mean tolerance_px?"),
        (["review", ".", "--set", "tolerance 3"], "section.name=value"),
        (["review", ".", "--set", "assess.tolerance_px=three"], "tolerance_px"),
        (["review", ".", "--tolerance", "-1"], "tolerance_px"),
        (["review", ".", "--format", "xlsx"], "csv"),
        (["review", ".", "--memory", "much"], "1500MB"),
        (["revue"], "revue"),
        (["review", ".", "--what"], "--what"),
    ],
)
def test_wrong_usage_is_one_line(words: list[str], says: str, here: Here) -> None:
    status, said, error = here(*words)
    assert (status, said) == (2, "")
    assert says.lower() in one_line(error).lower()


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"[assess", "cannot be read as a settings profile"), (b"\xff\xfe[", "cannot be read as a settings profile"),
        (b"assess = 3", "write its settings under [assess]"),
    ],
)  # fmt: skip
def test_a_profile_that_is_none_is_one_line(content: bytes, says: str, here: Here, tmp_path: Path) -> None:
    (tmp_path / "mine.toml").write_bytes(content)
    status, said, error = here("review", ".", "--settings", "mine.toml")
    assert (status, said) == (2, "")
    assert "mine.toml" in one_line(error) and says in one_line(error)


def test_without_a_cache_folder_it_goes_on_and_says_so(
    small_shoot: Path, tmp_path: Path, here: Here, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "file").touch()
    monkeypatch.setenv("WINDSTILL_CACHE", str(tmp_path / "file" / "cache"))
    status, _, error = here("review", small_shoot, "--out", tmp_path / "out", "--workers", "1")
    assert status == 0
    assert any(line.startswith("note: ") and "cache" in line for line in error.splitlines())
    assert (tmp_path / "out" / "report.html").is_file()


def test_started_where_the_folder_is_gone(
    small_shoot: Path, tmp_path: Path, here: Here, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A card taken out under one's feet."""
    (tmp_path / "gone").mkdir()
    monkeypatch.chdir(tmp_path / "gone")
    (tmp_path / "gone").rmdir()
    status, _, error = here("review", small_shoot)
    assert status == 2
    assert "the current folder is gone" in one_line(error)


def test_started_from_inside_the_shoot_with_broken_files(
    small_shoot: Path, here: Here, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    shoot = tmp_path / "here" / "thrift"
    shutil.copytree(small_shoot, shoot)
    folder = shoot / "100CLIFF"
    whole = (folder / "THFT0001.JPG").read_bytes()
    (folder / "THFT0090.JPG").write_bytes(whole[: len(whole) // 3])
    (folder / "THFT0091.JPG").touch()
    (folder / "THFT0092.NEF").write_bytes(os.urandom(5000))
    (folder / "copy of THFT0007.JPG").write_bytes((folder / "THFT0007.JPG").read_bytes())
    before = states(shoot)
    monkeypatch.chdir(folder)
    status, said, error = here("review", ".")
    # The current folder is the shoot here: the photographs below it, and OUT beside it would be inside the shoot above.
    assert status == 0, error
    assert states(folder) == {k.removeprefix("100CLIFF/"): v for k, v in before.items() if k.startswith("100CLIFF/")}
    out = shoot / "100CLIFF-windstill"
    troubled = {row["file"] for row in rows(out / "problems.csv")}
    assert {"THFT0090.JPG", "THFT0091.JPG", "THFT0092.NEF", "copy of THFT0007.JPG"} <= troubled
    names = {row["frame"] for row in rows(out / "frames.csv")}
    assert {f"THFT{number:04d}" for number in range(1, 8)} <= names
    assert "with problems" in said
    assert "Traceback" not in error
    assert here("review", ".", "--strict")[0] == 1


@pytest.mark.parametrize("compiled", [True, pytest.param(False, marks=pytest.mark.slow)])
def test_a_full_disk_is_one_line(
    compiled: bool, small_shoot: Path, windstill: Command, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A limit on the size of files stands in for a disk that takes no more; nor does it take compiled kernels."""
    if not compiled:
        monkeypatch.setenv("NUMBA_CACHE_DIR", str(tmp_path / "kernels"))

    def little() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (20_000, 20_000))

    done = windstill("review", small_shoot, "--out", tmp_path / "out", preexec_fn=little)
    assert done.returncode == 1
    assert "cannot be written" in one_line(done.stderr)
    left = [path.name for path in (tmp_path / "out").rglob("*") if path.name.endswith(".part")]
    assert left == []


@pytest.mark.parametrize(
    ("number", "status"), [(signal.SIGINT, 130), pytest.param(signal.SIGTERM, 143, marks=pytest.mark.slow)]
)
def test_interrupted_it_says_so_and_a_rerun_goes_on(
    number: signal.Signals, status: int, small_shoot: Path, tmp_path: Path, here: Here
) -> None:
    run = subprocess.Popen(
        arguments(["review", small_shoot, "--out", tmp_path / "out"]), env=environment(tmp_path / "cache"),
        stderr=subprocess.PIPE, stdout=subprocess.PIPE, text=True, start_new_session=True,
    )  # fmt: skip
    assert run.stderr is not None
    said = ""
    while "measuring motion" not in said:
        said += run.stderr.readline()
    os.killpg(run.pid, number) if number == signal.SIGINT else run.send_signal(number)
    rest = run.communicate(timeout=60)
    assert run.returncode == status
    assert "run again to go on" in one_line(said + rest[1])
    assert rest[0] == ""
    assert list((tmp_path / "cache" / "scratch").iterdir()) == []
    again, _, error = here("review", small_shoot, "--out", tmp_path / "out")
    assert again == 0, error


def test_killed_at_once_a_rerun_gives_the_same_tables(
    first_review: tuple[Path, Path, str, str], small_shoot: Path, tmp_path: Path, here: Here
) -> None:
    run = subprocess.Popen(
        arguments(["review", small_shoot, "--out", tmp_path / "out"]), env=environment(tmp_path / "cache"),
        stderr=subprocess.PIPE, stdout=subprocess.DEVNULL, text=True,
    )  # fmt: skip
    assert run.stderr is not None
    while "measuring motion" not in run.stderr.readline():
        pass
    time.sleep(0.2)
    run.kill()
    run.communicate()
    assert not (tmp_path / "out" / "report.html").exists()
    again, _, error = here("review", small_shoot, "--out", tmp_path / "out")
    assert again == 0, error
    for name in TABLES:
        assert (tmp_path / "out" / name).read_bytes() == (first_review[0] / name).read_bytes(), name
    assert list((tmp_path / "cache" / "scratch").iterdir()) == []  # what the killed run left is swept


def test_on_a_terminal_a_bar_is_drawn(small_shoot: Path, tmp_path: Path) -> None:
    primary, secondary = pty.openpty()
    with subprocess.Popen(
        arguments(["review", small_shoot, "--out", tmp_path / "out"]), stdin=secondary, stdout=subprocess.PIPE,
        stderr=secondary, env=environment(tmp_path / "cache", {"TERM": "xterm-256color"}),
    ) as run:  # fmt: skip
        os.close(secondary)
        drawn = b""
        while True:
            try:
                more = os.read(primary, 65536)
            except OSError:
                break
            if not more:
                break
            drawn += more
        assert run.stdout is not None
        said = run.stdout.read().decode()
    os.close(primary)
    assert run.returncode == 0, drawn.decode()
    assert b"reading and measuring frames" in drawn
    assert b"7/7" in drawn
    assert "report: " in said


@pytest.mark.slow
def test_a_reader_that_leaves_early_is_no_error(small_shoot: Path, tmp_path: Path, windstill: Command) -> None:
    run = subprocess.Popen(
        arguments(["review", small_shoot, "--out", tmp_path / "out"]), env=environment(tmp_path / "cache"),
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    assert run.stdout is not None
    run.stdout.close()
    assert run.stderr is not None
    assert "Traceback" not in run.stderr.read()
    run.wait()
    assert (tmp_path / "out" / "report.html").exists()


@pytest.mark.parametrize("words", [["--help"], ["plan", "--lens", "24", "--near", "5", "--json"]])
def test_lines_for_a_reader_that_has_gone_are_no_error(words: list[str], tmp_path: Path) -> None:
    """As with `| head -1`; where they are many, and where they wait for the end."""
    read, write = os.pipe()
    os.close(read)
    run = subprocess.run(
        arguments(words), env=environment(tmp_path / "cache", {"PYTHONUNBUFFERED": ""}), stdout=write,
        stderr=subprocess.PIPE, text=True, check=False,
    )  # fmt: skip
    os.close(write)
    assert (run.returncode, run.stderr) == (1, "")


def test_version(here: Here) -> None:
    assert here("--version") == (0, "windstill 0.1.0\n", "")


def test_nothing_given_shows_the_help(here: Here) -> None:
    status, said, error = here()
    assert status == 0
    assert "review" in said
    assert error == ""


def test_the_examples_of_the_help_run(small_shoot: Path, tmp_path: Path, here: Here) -> None:
    status, shown, _ = here("review", "--help")
    assert status == 0
    examples = re.findall(r"^.*?(windstill review.*?)\s*$", shown, re.MULTILINE)
    examples = [line for line in examples if "[OPTIONS]" not in line]
    assert examples
    for line in examples:
        words = line.replace("SHOOT", str(small_shoot)).replace("REVIEW", str(tmp_path / "review")).split()[1:]
        status, said, error = here(*words)
        assert status == 0, (line, error)
        assert "report: " in said


def test_debug_writes_the_details_to_a_file(here: Here, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    status, _, error = here("review", tmp_path / "none", "--debug")
    assert status == 2
    assert "Traceback" not in error
    details = list(tmp_path.glob("windstill-debug-*.txt"))
    assert len(details) == 1
    assert "Traceback" in details[0].read_text()
