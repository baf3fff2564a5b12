"""The committed sample shoot through the real command: the right verdict on every set, by the truth beside it."""

from __future__ import annotations

import json
import subprocess
from pathlib import Path

import pytest

from cli.conftest import arguments, environment
from written import rows

EXPECTED = {
    "THRF0001~stack": "clean",
    "THRF0005~stack": "hard",
    "THRF0009~single": "clean",
    "THRF0010~bracket": "hard",
    "THRF0013~bracket": "clean",
    "THRF0016~single": "lost",
    "THRF0017~panorama": "clean",
}


@pytest.fixture(scope="module")
def reviewed(sample_shoot: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    out = tmp_path_factory.mktemp("sample") / "out"
    run = subprocess.run(
        arguments(["review", sample_shoot, "--out", out]), env=environment(out.parent / "cache"),
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    return out, run.stdout


def test_every_set_is_found_and_judged_right(reviewed: tuple[Path, str]) -> None:
    found = {row["set_id"].rsplit("/", 1)[-1]: row["outlook"] for row in rows(reviewed[0] / "sets.csv")}
    assert found == EXPECTED


def test_sway_is_that_of_the_truth(reviewed: tuple[Path, str], sample_shoot: Path) -> None:
    truth = {s["set_id"]: s for s in json.loads((sample_shoot / "truth.json").read_text(encoding="utf-8"))["sets"]}
    for row in rows(reviewed[0] / "sets.csv"):
        true = truth[row["set_id"]]["sway_max_px"]
        if row["kind"] != "single":
            assert float(row["sway_max_px"]) == pytest.approx(true, abs=1.0, rel=0.1)


def test_the_smeared_frame_is_said_on_screen_and_not_kept(reviewed: tuple[Path, str]) -> None:
    assert "2 single frames, 1 smeared" in reviewed[1]
    assert "THRF0016 is smeared by 15 px" in reviewed[1]
    frames = {row["frame"].rsplit("/", 1)[-1]: row for row in rows(reviewed[0] / "frames.csv")}
    assert frames["THRF0016"]["keep"] == "no"
    assert float(frames["THRF0016"]["smear_px"]) == pytest.approx(13.2, rel=0.25)
    assert all(float(row["smear_px"] or 0) < 2 for name, row in frames.items() if name != "THRF0016")
