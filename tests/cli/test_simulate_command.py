"""`windstill simulate`: a shoot that can be reviewed, and one line for what cannot be done."""

from __future__ import annotations

import json
import re
from pathlib import Path

from cli.conftest import Here


def test_a_shoot_by_chance_and_its_truth(here: Here, tmp_path: Path) -> None:
    words = ("simulate", "--random", "1", "--seed", "3", "--width", "320", "--workers", "1")
    status, said, error = here(*words, tmp_path / "a")
    assert status == 0, error
    truth = json.loads((tmp_path / "a" / "truth.json").read_text())
    photographs = sorted(path for path in (tmp_path / "a" / "DCIM").rglob("*") if path.is_file())
    assert len(truth["frames"]) > 0
    assert f"{len(truth['frames'])} frames" in said
    assert here(*words, tmp_path / "b")[0] == 0
    for path in photographs:
        assert (tmp_path / "b" / path.relative_to(tmp_path / "a")).read_bytes() == path.read_bytes()


def test_the_examples_of_the_help_run(here: Here, tmp_path: Path) -> None:
    examples = re.findall(r"windstill (simulate .*OUT)", here("simulate", "--help")[1])[1:]
    assert len(examples) == 2
    for number, example in enumerate(examples):
        words = example.replace("OUT", str(tmp_path / str(number))).split()
        small = [] if "--width" in words else ["--width", "240"]  # the same, sooner
        status, said, error = here(*words, *small, "--workers", "1")
        assert status == 0, (example, error)
        assert "truth.json" in said


def test_what_cannot_be_done_is_one_line(here: Here, tmp_path: Path) -> None:
    (tmp_path / "held" / "DCIM").mkdir(parents=True)
    for words in (["no-such", tmp_path / "x"], ["cliff-thrift", tmp_path / "held"], ["cliff-thrift"], []):
        status, said, error = here("simulate", *words)
        assert (status, said) == (2, "")
        assert len([line for line in error.splitlines() if line.startswith("windstill: ")]) == 1
        assert "Traceback" not in error
