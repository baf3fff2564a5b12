"""A photographer overrules grouping: sets.toml beside the tables, obeyed by the real command."""

from __future__ import annotations

import csv
import hashlib
import json
import shutil
from pathlib import Path

import pytest

from cli.conftest import Here

FOLDER = "DCIM/100CLIFF"
DECIDED = f"""
[[split]]
before = "{FOLDER}/THRF0003"

[[pin]]
frames = ["{FOLDER}/THRF0009", "{FOLDER}/THRF0016"]
kind = "burst"

[[join]]
first = "{FOLDER}/THRF0005"
last = "{FOLDER}/THRF0006"
"""


def sets_in(out: Path) -> dict[str, list[str]]:
    with (out / "sets.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    return {row["set_id"].rpartition("/")[2]: [m[-4:] for m in row["members"].split(";")] for row in rows}


def hashes(shoot: Path) -> dict[str, str]:
    return {str(p): hashlib.sha256(p.read_bytes()).hexdigest() for p in sorted(shoot.rglob("*")) if p.is_file()}


def test_a_rerun_obeys_and_recomputes_only_what_changed(
    here: Here, sample_shoot: Path, tmp_path: Path
) -> None:
    shoot, out = tmp_path / "shoot", tmp_path / "out"
    (shoot / FOLDER).mkdir(parents=True)
    for number in (1, 2, 3, 4, 5, 6, 9, 16):
        for file in (sample_shoot / FOLDER).glob(f"THRF{number:04d}.*"):
            shutil.copyfile(file, shoot / FOLDER / file.name)
    before = hashes(shoot)
    assert here("review", shoot, "--out", out, "--workers", "1")[0] == 0
    found = sets_in(out)
    assert found["THRF0001~stack"] == ["0001", "0002", "0003", "0004"]
    (out / "sets.toml").write_text(DECIDED, "utf-8")
    assert here("review", shoot, "--out", out, "--workers", "1")[0] == 0
    obeyed = sets_in(out)
    assert obeyed["THRF0001~stack"] == ["0001", "0002"]
    assert obeyed["THRF0003~stack"] == ["0003", "0004"]
    assert obeyed["THRF0009~burst"] == ["0009", "0016"]
    assert any({"0005", "0006"} <= set(members) for members in obeyed.values())
    # Nothing is scored again; what was not touched keeps its measures.
    run = json.loads((out / "run.json").read_text("utf-8"))
    assert run["reused"]["scores"] == 8
    assert (out / "sets.toml").read_text("utf-8") == DECIDED
    # A name that is no frame is said, and the rest obeyed.
    (out / "sets.toml").write_text(DECIDED.replace("THRF0016", "THRF0099"), "utf-8")
    assert here("review", shoot, "--out", out, "--workers", "1")[0] == 0
    assert "THRF0099" in (out / "problems.csv").read_text("utf-8")
    # Taken away, all is as it was.
    (out / "sets.toml").unlink()
    assert here("review", shoot, "--out", out, "--workers", "1")[0] == 0
    assert sets_in(out) == found
    assert hashes(shoot) == before


@pytest.mark.parametrize(
    ("text", "said"),
    [('[[pin]]\nframs = ["a"]\n', "pin 1: unknown entry 'frams'"), ("[[pin\n", "not valid TOML")],
)
def test_a_sets_toml_that_cannot_be_obeyed_is_one_line(
    here: Here, sample_shoot: Path, tmp_path: Path, text: str, said: str
) -> None:
    out = tmp_path / "out"
    out.mkdir()
    (out / "sets.toml").write_text(text, "utf-8")
    status, _, error = here("review", sample_shoot, "--out", out)
    assert status == 2
    assert said in error
    assert "sets.toml" in error
    assert "Traceback" not in error
