"""The committed sample shoot through the real command: the right verdict on every set, by the truth beside it."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from cli.conftest import SampleReview
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


def test_every_set_is_found_and_judged_right(sample_review: SampleReview) -> None:
    found = {row["set_id"].rsplit("/", 1)[-1]: row["outlook"] for row in rows(sample_review.out / "sets.csv")}
    assert found == EXPECTED


def test_the_first_screen_says_what_takes_the_place_of_what_will_not_merge(sample_review: SampleReview) -> None:
    page = (sample_review.out / "report.html").read_text(encoding="utf-8")
    assert "2 would take hours. Another take, or fewer frames, can take their place." in page
    assert "of the picture; take 1 merges" in page.replace("\u00a0", " ")


def test_sway_is_that_of_the_truth(sample_review: SampleReview, sample_shoot: Path) -> None:
    truth = {s["set_id"]: s for s in json.loads((sample_shoot / "truth.json").read_text(encoding="utf-8"))["sets"]}
    for row in rows(sample_review.out / "sets.csv"):
        true = truth[row["set_id"]]["sway_max_px"]
        if row["kind"] != "single":
            assert float(row["sway_max_px"]) == pytest.approx(true, abs=1.0, rel=0.1)


def test_the_smeared_frame_is_said_on_screen_and_not_kept(sample_review: SampleReview) -> None:
    assert "2 single frames, 1 smeared" in sample_review.said
    assert "THRF0016 is smeared by 15 px" in sample_review.said
    frames = {row["frame"].rsplit("/", 1)[-1]: row for row in rows(sample_review.out / "frames.csv")}
    assert frames["THRF0016"]["keep"] == "no"
    assert float(frames["THRF0016"]["smear_px"]) == pytest.approx(13.2, rel=0.25)
    assert all(float(row["smear_px"] or 0) < 2 for name, row in frames.items() if name != "THRF0016")
