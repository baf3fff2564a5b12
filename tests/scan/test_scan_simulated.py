"""Simulated shoots as cameras and scanners write them: every exposure is found once, in order, under its name."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from windstill.scan import scan_shoot
from windstill.simulate.describe import Body, Derived, Description, Files, Shot
from windstill.simulate.shoot import simulate

SHOTS = (Shot(order=("focus",)), Shot(order=("exposure",)), Shot(order=("view",)))
EXPORT = (Derived(kind="export", after_shot=0, name="evening-final"),)
COMPOSITE = (Derived(kind="composite", after_shot=1, name="TARN0999"),)

CASES = {
    "JPEG": (Files(), Body(), EXPORT),
    "raw and JPEG": (Files(raw_too=True), Body(), COMPOSITE),
    "raw and JPEG on two cards": (Files(raw_too=True, raw_card=True), Body(), EXPORT),
    "raw": (Files(format="dng"), Body(), ()),
    "whole seconds, counter rolling over": (Files(subseconds=False), Body(first_number=9996), EXPORT),
    "marks": (Files(marks=True), Body(), COMPOSITE),
    "no camera data": (Files(camera_data=False), Body(first_number=9996), EXPORT),
    "scanned film": (Files(camera_data=False, names="scan", format="tiff"), Body(), EXPORT),
}


@pytest.mark.parametrize("case", CASES)
def test_every_exposure_once_and_in_order(tmp_path: Path, case: str) -> None:
    files, body, derived = CASES[case]
    description = Description(width_px=160, files=files, bodies=(body,), derived=derived, shots=SHOTS)
    simulate(description, tmp_path, workers=1)
    truth = json.loads((tmp_path / "truth.json").read_text())
    shoot = scan_shoot(tmp_path)
    assert [frame.name for frame in shoot.frames if not frame.derived] == [frame["frame"] for frame in truth["frames"]]
    assert len([frame for frame in shoot.frames if frame.derived]) == len(derived)
    assert shoot.problems == ()
    per_frame = 2 if files.raw_too else 1
    assert {len(frame.files) for frame in shoot.frames if not frame.derived} == {per_frame}
