"""Every case of the simulator's catalogue, written, read, scored and grouped: sets, kinds and takes as they were."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from windstill.group import group_frames
from windstill.imaging import decode
from windstill.records import FrameScore
from windstill.scan import scan_shoot
from windstill.score import score_frame
from windstill.settings import Settings
from windstill.simulate import catalogue, load_description, simulate

# Rendered in a second or two; the others take half a minute each.
QUICK = {
    "cliff-thrift", "handheld", "odds-and-ends", "raw-and-jpeg", "rolling-counter", "two-bodies", "water-and-cloud",
    "whole-seconds",
}
CASES = [
    pytest.param(name, marks=[] if name in QUICK else [pytest.mark.slow])
    for name in catalogue() if name != "long-vigil"  # in test_group_properties.py, from features
]


def all_frames(set_id: str, sets: dict[str, dict[str, Any]]) -> frozenset[str]:
    found: set[str] = set()
    for member in sets[set_id]["members"]:
        found |= all_frames(member, sets) if member in sets else {member}
    return frozenset(found)


@pytest.mark.parametrize("name", CASES)
def test_a_shoot_of_the_catalogue_is_grouped_as_it_was_taken(name: str, tmp_path: Path, sample_shoot: Path) -> None:
    settings = Settings()
    shoot = sample_shoot if name == "cliff-thrift" else tmp_path  # committed, and sooner read than rendered
    if shoot == tmp_path:
        simulate(load_description(name).at_width(480), shoot, workers=1)
    frames = scan_shoot(shoot, settings.scan).frames
    scores: dict[str, FrameScore] = {}
    for frame in frames:
        if not frame.derived:
            decoded = decode(shoot / frame.pixels_from, frame.camera.orientation, settings.imaging)
            scores[frame.name] = score_frame(frame, decoded, settings.score).score
    grouping = group_frames(frames, scores, settings.group)
    truth = json.loads((shoot / "truth.json").read_text("utf-8"))
    sets = {s["set_id"]: s for s in truth["sets"]}

    def told(top: bool, take: int) -> int:
        return take if top else 0

    true = {(all_frames(i, sets), s["kind"], told(s["parent_set"] is None, s["take"])) for i, s in sets.items()}
    found = {(frozenset(s.frames), s.kind, told(s.parent_set is None, s.take)) for s in grouping.sets}
    assert found == true
    assert all(s.why for s in grouping.sets)
