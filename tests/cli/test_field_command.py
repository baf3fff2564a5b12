"""`windstill field` as a photographer meets it on location."""

from __future__ import annotations

import re
import shutil
from datetime import timedelta
from pathlib import Path

import pytest
from preview_shoots import DUSK, FLOOR_PX, write_burst, write_card

from cli.conftest import Command, Here, run_and_tell
from written import states


@pytest.fixture(scope="module")
def card(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three bursts: still, swaying, and swaying by less than a preview shows."""
    return write_card(tmp_path_factory.mktemp("field") / "card")


def narrow(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "60")


def test_one_line_per_set_newest_first(card: Path, here: Here, monkeypatch: pytest.MonkeyPatch) -> None:
    before = states(card)
    here("--version")  # sets the environment
    narrow(monkeypatch)
    status, said, error = here("field", card)
    assert status == 3, error
    lines = said.splitlines()
    assert max(map(len, lines)) <= 60
    third, second, first = lines[:3]
    assert [line.split()[:2][-1] if line.startswith("reshoot") else line.split()[2] for line in lines[:3]] == [
        "0007", "0004", "0001",
    ]  # fmt: skip
    match = re.fullmatch(r"reshoot 0004 burst 3 +hard +left foreground, (\d+) px", second)
    assert match and abs(int(match.group(1)) - 15) <= 1
    # 2.5 px would be seen in a review; a preview of a third of the size must not be called clean without a limit.
    for line in (first, third):
        assert re.fullmatch(rf"go on   \d{{4}} burst 3 +clean +nothing seen above {FLOOR_PX} px", line)
    assert f"motion under {FLOOR_PX} px" in said
    assert "9 frames from previews" in said
    assert "tide" in said
    assert states(card) == before


def test_many_frames_are_shared_out_and_say_the_same(card: Path, here: Here, tmp_path: Path) -> None:
    shared = here("field", card, "--set", "field.alone_frames=1", "--set", "run.workers=2")
    assert shared[0] == 3
    shutil.rmtree(tmp_path / "cache")
    alone = here("field", card)[1]
    sets = [line for line in alone.splitlines() if " burst " in line]
    assert len(sets) == 3
    assert [line for line in shared[1].splitlines() if " burst " in line] == sets


def test_an_evening_of_stacks_brackets_and_a_panorama(sample_shoot: Path, here: Here) -> None:
    """Of the sample shoot the second stack and the first bracket moved; their other takes did not."""
    status, said, error = here("field", sample_shoot, "--latest", "all")
    assert status == 3, error
    assert re.findall(r"(?m)^go on +\d\d:\d\d +(\w+) +(\w+) \d +(\w+)", said) == [
        ("THRF0017", "panorama", "clean"), ("THRF0013", "bracket", "clean"), ("THRF0010", "bracket", "hard"),
        ("THRF0005", "stack", "hard"), ("THRF0001", "stack", "clean"),
    ]  # fmt: skip
    assert "take 2 holds" in said and "take 1 holds" in said
    assert "18 frames from pictures decoded small" in said


def test_one_frame_is_said_as_one(card: Path, here: Here, tmp_path: Path) -> None:
    alone = tmp_path / "alone"
    alone.mkdir()
    shutil.copy(next(card.rglob("*.JPG")), alone)
    assert "Read: 1 frame from previews." in here("field", alone)[1]


_HEAVY = ("numba", "scipy", "PIL", "lxml", "exifread", "jinja2", "rich", "watchfiles")


def test_a_card_looked_at_again_waits_for_no_library(card: Path, here: Here, tmp_path: Path) -> None:
    """The answer is kept, so it is there in half the time: what would measure anew is not even loaded."""
    assert here("field", card, "--cache", tmp_path)[0] == 3
    words = ["field", str(card), "--cache", str(tmp_path)]
    done = run_and_tell(words, _HEAVY)
    assert done.returncode == 3, done.stderr
    assert done.stderr.splitlines()[-1] == ""


def test_what_is_to_be_shot_again_is_not_said_to_merge_all_the_same(card: Path, here: Here) -> None:
    _, said, _ = here("field", card, "--why", "--latest", "all")
    advice = " ".join(said.split("reshoot", 1)[1].split("go on", 1)[0].split())
    assert "Again if you can. If not: merge without THFT0005" in advice


def test_a_wide_terminal_gets_time_and_name(card: Path, here: Here) -> None:
    status, said, _ = here("field", card, "--why")
    assert status == 3
    lines = said.splitlines()
    at = next(index for index, line in enumerate(lines) if "THFT0004" in line)
    assert lines[at].startswith("reshoot  21:19  THFT0004")
    assert re.match(r" {8}\S", lines[at + 1])  # what to do about it
    assert not re.match(r" {8}\S", lines[at - 1])


@pytest.mark.parametrize(
    ("latest", "sets", "status"), [("1", ["THFT0007"], 0), ("6min", ["THFT0007", "THFT0004"], 3), ("30 s", None, 2),
                                   ("soon", None, 2), ("0", None, 2)],
)  # fmt: skip
def test_latest(latest: str, sets: list[str] | None, status: int, card: Path, here: Here) -> None:
    found, said, error = here("field", card, "--latest", latest)
    assert found == status
    if sets is None:
        assert "20min" in error and said == ""
        return
    assert re.findall(r"THFT\d{4}", said) == sets
    assert f"{9 - 3 * len(sets)} earlier frames not looked at" in said


def test_without_previews_the_pictures_are_decoded_small(tmp_path: Path, here: Here) -> None:
    card = tmp_path / "card"
    paths = write_burst(card, 1, 5, DUSK, (0.0, 12.0, 0.0), preview_width=0, size=(2400, 1600))
    write_burst(card, 4, 6, DUSK + timedelta(minutes=5), size=(2400, 1600))
    paths[2].write_bytes(paths[2].read_bytes()[:30_000])
    before = states(card)
    status, said, error = here("field", card)
    assert status == 3, error
    assert "3 frames from previews, 2 frames from pictures decoded small" in said
    assert "THFT0003.JPG" in said and "cut off" in said
    assert re.search(r"reshoot .*THFT0001 .*left foreground, 1[123] px", said)
    assert states(card) == before


def test_a_second_look_reads_nothing_again(card: Path, here: Here) -> None:
    assert here("field", card, "--timing")[0] == 3
    _, said, _ = here("field", card, "--timing")
    spent = re.search(r"processor seconds: (.*)", said)
    assert spent and "decode" not in spent.group(1) and "assess" not in spent.group(1)


@pytest.mark.parametrize("make", ["missing", "empty", "unreadable"])
def test_nothing_to_check_is_one_line(make: str, tmp_path: Path, here: Here) -> None:
    card = tmp_path / "card"
    if make != "missing":
        card.mkdir()
    if make == "unreadable":
        (card / "THFT0001.JPG").write_bytes(b"\xff\xd8\xff")
    status, said, error = here("field", card)
    assert status == (2 if make == "missing" else 1)
    assert said == ""
    assert len([line for line in error.splitlines() if line.startswith("windstill: ")]) == 1
    assert "Traceback" not in error


def test_the_examples_of_the_help_run(card: Path, tmp_path: Path, windstill: Command, here: Here) -> None:
    status, shown, _ = here("field", "--help")
    assert status == 0
    assert "Never look at the sun" in " ".join(shown.split())
    assert "Local rules" in " ".join(shown.split())
    examples = [line.strip() for line in shown.splitlines() if line.strip().startswith("windstill field CARD")]
    assert len(examples) == 3
    shutil.copytree(card, tmp_path / "CARD")
    done = windstill(*examples[1].split()[1:])
    assert done.returncode == 3, done.stderr
    assert "Traceback" not in done.stderr
    for line in examples[::2]:
        assert here(*line.split()[1:])[0] == 3
