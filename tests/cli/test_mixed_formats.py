"""Eight frames of different sizes and formats in one folder: each a frame, none a traceback."""

from __future__ import annotations

import csv
from pathlib import Path

import cv2
import numpy as np
import pillow_heif
import skimage.data
from PIL import Image

from cli.conftest import Here


def test_eight_mixed_frames_are_all_reviewed(tmp_path: Path, here: Here) -> None:
    shoot = tmp_path / "mixed"
    shoot.mkdir()
    coffee = Image.fromarray(skimage.data.coffee())
    coffee.save(shoot / "a.jpg", quality=92)
    coffee.resize((1500, 1000)).save(shoot / "b.JPEG")
    coffee.convert("L").save(shoot / "c.png")
    coffee.rotate(90, expand=True).save(shoot / "d.webp")
    coffee.save(shoot / "e.tif")
    deep = (np.asarray(coffee).astype(np.uint16) * 257)[..., ::-1]
    assert cv2.imwrite(str(shoot / "f.tiff"), deep)
    pillow_heif.from_pillow(coffee.resize((320, 214))).save(shoot / "g.heic")
    coffee.resize((64, 48)).convert("RGBA").save(shoot / "h.png")
    status, _, error = here("review", shoot, "--out", tmp_path / "out")
    assert status == 0, error
    assert "Traceback" not in error
    with (tmp_path / "out" / "frames.csv").open(encoding="utf-8", newline="") as file:
        frames = {row["files"]: (row["width_px"], row["height_px"]) for row in csv.DictReader(file)}
    assert len(frames) == 8
    assert frames["b.JPEG"] == ("1500", "1000")
    assert frames["d.webp"] == ("400", "600")
    with (tmp_path / "out" / "problems.csv").open(encoding="utf-8", newline="") as file:
        assert list(csv.DictReader(file)) == []
