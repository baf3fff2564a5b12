"""`windstill plan` as it is used: a real process, its screen, its exit status, its files."""

from __future__ import annotations

import json
import math
import re
import shlex
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest

from windstill.cli import main

Windstill = Callable[..., "Run"]


@dataclass(frozen=True)
class Run:
    returncode: int
    stdout: str
    stderr: str


@pytest.fixture
def windstill(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Callable[..., Run]:
    """The command as a user meets it: the screen, the error stream, the exit status."""
    monkeypatch.setenv("COLUMNS", "80")

    def run(*arguments: str) -> Run:
        with pytest.raises(SystemExit) as ended:
            main(arguments)
        said = capsys.readouterr()
        return Run(int(ended.value.code or 0), said.out, said.err)

    return run


FULL = [
    "plan",
    "--lens",
    "24",
    "--near",
    "0.5",
    "--wind",
    "gentle breeze",
    "--light",
    "EV 9",
    "--frames",
    "3",
    "--span",
    "120",
    "--upright",
    "--lull",
    "5",
    "--for",
    "60 cm",
    "--title",
    "Thrift on the sea cliff",
]


def test_the_screen_says_what_to_set_first_and_fits_80_columns(windstill: Windstill) -> None:
    run = windstill(*FULL)
    assert run.returncode == 0
    assert run.stderr == ""
    lines = run.stdout.splitlines()
    assert lines[0].startswith("Thrift on the sea cliff: 24 mm")
    labels = [line.split()[0] for line in lines[2:12] if line and not line.startswith(" ")]
    assert labels[:6] == ["Aperture", "Shutter", "ISO", "Focus", "Bracket", "Views"]
    assert max(map(len, lines)) <= 80, max(lines, key=len)
    assert "…" not in run.stdout
    for word in ("Take care", "tide table", "30 minutes", "Taken for granted", "no source", "One frame instead"):
        assert word in " ".join(run.stdout.split())


def test_what_is_said_of_an_aperture_agrees_with_the_table_of_apertures(windstill: Windstill) -> None:
    asked = ("plan", "--lens", "24", "--near", "0.6", "--aperture", "5.6-11")
    plan = json.loads(windstill(*asked, "--json").stdout)
    screen = " ".join(windstill(*asked).stdout.split())
    chosen = next(choice for choice in plan["choices"] if choice["chosen"])
    narrower = [choice for choice in plan["choices"] if choice["f_number"] > chosen["f_number"]]
    assert "narrower takes fewer frames and is softer" in screen
    assert all(c["focus_count"] <= chosen["focus_count"] and c["blur_px"] > chosen["blur_px"] for c in narrower)
    blur, defocus, airy = (float(v) for v in re.search(  # type: ignore[union-attr]
        r"worst blur ([\d.]+) px \(defocus ([\d.]+), diffraction ([\d.]+)\)", screen).groups())  # fmt: skip
    assert math.hypot(defocus, airy) == pytest.approx(blur, abs=0.1)


def test_nothing_is_said_to_be_nought_that_is_not(windstill: Windstill) -> None:
    one = windstill("plan", "--lens", "24", "--near", "5")
    assert "Whole set  1 frame" in one.stdout
    lit = windstill("plan", "--lens", "24", "--near", "5", "--light", "12").stdout
    assert re.search(r"1 frame, +under +1 +s", lit)
    assert not re.search(r"^ back.* none ", lit, re.M)
    assert " 0:00" not in lit
    assert "light falls" not in one.stdout
    close = windstill("plan", "--lens", "100", "--near", "0.5", "--far", "0.52", "--wind", "2")
    assert "0.0 mm" not in close.stdout
    assert re.search(r"under\s+[1-9]\d*\s+µm\s+of\s+sway,\s+and\s+no\s+lull", close.stdout)
    flat = [r for r in re.findall(r"^ +\d+ +[\d.]+ m +([\d.]+ m) +([\d.]+ m)", close.stdout, re.M) if r[0] == r[1]]
    assert "sharp from" in close.stdout and not flat, "a depth of field reads as none"


def test_a_set_nobody_would_shoot_is_called_one_and_fits_the_screen(windstill: Windstill) -> None:
    macro = ("plan", "--lens", "100", "--near", "0.3", "--far", "0.45")
    run = windstill(*macro)
    lines = run.stdout.splitlines()
    assert lines[2].startswith("Not like this: 137 focus positions")
    assert len(lines) < 90
    assert max(map(len, lines)) <= 80
    assert re.search(r"^ +137 +0\.\d{4} m", run.stdout, re.M), "the last position is listed"
    plan = json.loads(windstill(*macro, "--json").stdout)
    assert len(plan["stack"]["positions"]) == 137
    assert plan["too_much"]["instead"]
    assert json.loads(windstill("plan", "--lens", "24", "--near", "0.6", "--json").stdout)["too_much"] is None


def test_json_is_json_and_agrees_with_the_screen(windstill: Windstill) -> None:
    plan = json.loads(windstill(*FULL, "--json").stdout)
    shown = windstill(*FULL).stdout
    assert f"{plan['effort']['frames']} frames" in shown
    assert f"{len(plan['stack']['positions'])} positions" in shown
    assert plan["request"]["far_m"] == "infinity"


def test_card_is_written_whole_by_a_process_of_its_own(tmp_path: Path) -> None:
    run = subprocess.run(
        [sys.executable, "-c", "from windstill.cli import main; main()", *FULL, "--card", "card.html"],
        capture_output=True,
        text=True,
        cwd=tmp_path,
        timeout=60,
        check=False,
    )
    assert run.returncode == 0, run.stderr
    assert [p.name for p in tmp_path.iterdir()] == ["card.html"]
    assert (tmp_path / "card.html").read_text("utf-8").rstrip().endswith("</html>")
    assert "Card: card.html" in run.stdout


def test_card_that_cannot_be_written(windstill: Windstill, tmp_path: Path) -> None:
    run = windstill("plan", "--lens", "24", "--near", "1", "--card", str(tmp_path / "none" / "card.html"))
    assert run.returncode == 1
    assert len(run.stderr.strip().splitlines()) == 1
    assert "none" in run.stderr


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        ((), "--lens"),
        (("--lens", "24"), "--near"),
        (("--lens", "wide", "--near", "1"), "--lens"),
        (("--lens", "24", "--near", "soon"), "distance 'soon'"),
        (("--lens", "24", "--near", "3", "--far", "2"), "beyond the nearest"),
        (("--lens", "24", "--near", "1", "--wind", "windy"), "gentle breeze"),
        (("--lens", "24", "--near", "1", "--light", "dim"), "f/8 1/15 ISO 100"),
        (("--lens", "24", "--near", "1", "--for", "wall"), "60 cm"),
        (("--lens", "24", "--near", "1", "--frames", "-3"), "bracket frames"),
        (("--lens", "24", "--near", "1", "--set", "plan.refocus=3"), "refocus_s"),
    ],
)
def test_wrong_usage_is_one_line_and_status_2(windstill: Windstill, arguments: tuple[str, ...], says: str) -> None:
    run = windstill("plan", *arguments)
    assert run.returncode == 2
    assert len(run.stderr.strip().splitlines()) == 1
    assert says in run.stderr
    assert run.stdout == ""


def test_habits_can_be_set(windstill: Windstill, tmp_path: Path) -> None:
    profile = tmp_path / "mine.toml"
    profile.write_text("[plan]\nrefocus_s = 20\n")
    base = json.loads(windstill("plan", "--lens", "24", "--near", "0.5", "--json").stdout)
    slow = json.loads(windstill("plan", "--lens", "24", "--near", "0.5", "--json", "--settings", str(profile)).stdout)
    assert slow["effort"]["seconds"] > base["effort"]["seconds"]


def test_help_examples_run(windstill: Windstill, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    text = windstill("plan", "--help").stdout
    examples = re.sub(r"\s+", " ", text[text.index("Examples:") : text.index("Exit status")])
    commands = ["windstill plan" + part.rstrip() for part in examples.split("windstill plan")[1:]]
    assert len(commands) >= 4
    for command in commands:
        run = windstill(*shlex.split(command)[1:])
        assert run.returncode == 0, (command, run.stderr)


def test_in_the_dark_no_exposure_longer_than_the_lull_is_asked_for(windstill: Windstill) -> None:
    shot = ("plan", "--lens", "24", "--near", "0.6", "--wind", "8", "--light=-4")
    brief, long, unsaid = (
        " ".join(windstill(*shot, *lull).stdout.split()) for lull in (("--lull", "3"), ("--lull", "30"), ())
    )
    assert "a lull would have to last 8 s" in brief and "and use 8 s" not in brief
    for said in (long, unsaid):
        assert "Wait for a lull and use 8 s" in said
