"""A shoot in a notebook or script: tables as pandas frames, maps as arrays in picture coordinates."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import windstill
from docs.conftest import Sample

BREEZE = "DCIM/100CLIFF/THRF0005~stack"


def test_the_tables_are_those_of_the_files(sample: Sample) -> None:
    for name, table in sample.shoot.tables().items():
        assert table is getattr(sample.shoot, name)
        if name == "tiles":
            written = pd.read_parquet(sample.out / "tiles.parquet")
            pd.testing.assert_frame_equal(table, written, check_dtype=False)
            continue
        with (sample.out / f"{name}.csv").open(newline="", encoding="utf-8") as file:
            rows = list(csv.DictReader(file))
        assert len(table) == len(rows)
        assert list(table.columns) == list(rows[0] if rows else table.columns)
        for column in table.select_dtypes("string").columns:
            assert list(table[column].fillna("")) == [row[column] for row in rows]
    assert sample.shoot.frames["iso"].dtype == "float64"
    assert sample.shoot.sets["frames"].dtype == "Int64"


def test_sway_lies_where_the_truth_says(sample: Sample, sample_shoot: Path) -> None:
    """Each moved thing of two tiles and more of the sample shoot, looked up in the map by its place in it."""
    truth = json.loads((sample_shoot / "truth.json").read_text())
    maps = sample.shoot.sway_maps(BREEZE)
    errors = []
    for pair in truth["pairs"]:
        found = maps.get((pair["frame_a"], pair["frame_b"]))
        for thing in pair["regions"] if found else ():
            inside = 0 < thing["x_px"] < 1750 and 0 < thing["y_px"] < 1180
            wide = min(thing["w_px"], thing["h_px"]) >= 2 * found.tile_px
            if thing["relevant"] and wide and inside and np.hypot(thing["sway_x_px"], thing["sway_y_px"]) > 2:
                x, y = found.at(thing["x_px"], thing["y_px"])
                errors.append(np.hypot(x - thing["sway_x_px"], y - thing["sway_y_px"]))
    known = np.isfinite(errors)
    assert known.sum() >= 6
    assert np.median(np.array(errors)[known]) < 0.5


def test_maps_speak_in_picture_coordinates(sample: Sample) -> None:
    pair, found = next(iter(sample.shoot.sway_maps(BREEZE).items()))
    row = sample.shoot.pairs.query("frame_a == @pair[0] and frame_b == @pair[1]").iloc[0]
    # The table names the worst place; the map has there what the table says, to the robust maximum's own tiles.
    worst = np.hypot(*found.at(row["worst_x_px"], row["worst_y_px"]))
    assert worst == pytest.approx(row["sway_max_px"], rel=0.35)
    left, right, bottom, top = found.extent
    assert (left, top) == (-0.5, -0.5)
    rows, cols = found.length_px.shape
    assert (right + 0.5, bottom + 0.5) == (cols * found.tile_px, rows * found.tile_px)
    frame = sample.shoot.extent(pair[0])
    assert right <= frame[1]
    assert bottom <= frame[2]
    assert np.isnan(found.length_px[found.confidence == 0]).all()
    with pytest.raises(IndexError, match="outside"):
        found.at(frame[1] + 1, 5)


def test_pictures_smear_and_coverage(sample: Sample) -> None:
    shoot = sample.shoot
    smeared = shoot.frames.loc[shoot.frames["smear_px"].idxmax(), "frame"]
    assert smeared == "DCIM/100CLIFF/THRF0016"
    assert np.nanmax(shoot.smear_px(smeared)) >= shoot.frames["smear_px"].max() - 1e-3
    small, full = shoot.thumbnail(smeared), shoot.picture(smeared)
    assert full.shape == (1200, 1800, 3)
    assert max(small.shape) <= 480
    assert full.mean() == pytest.approx(small.mean(), abs=2)
    covered = shoot.coverage(BREEZE)
    assert covered is not None
    assert covered.best.max() < len(shoot.record.measures[BREEZE].frames)
    for ask in (shoot.score, shoot.picture, shoot.thumbnail, shoot.maps, shoot.coverage):
        with pytest.raises(KeyError):
            ask("none")


def test_run_json_alone_knows_where_the_shoot_is(sample: Sample, sample_shoot: Path) -> None:
    assert json.loads((sample.out / "run.json").read_text())["shoot"] == str(sample_shoot.resolve())
    told = str(sample_shoot.resolve().parent).encode()
    for path in sample.out.rglob("*"):
        if path.is_file() and path.name != "run.json":
            assert told not in path.read_bytes(), path.name


def test_a_shoot_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(windstill.ReviewError, match="no such folder") as caught:
        windstill.review(tmp_path / "none", cache=tmp_path / "cache")
    assert "\n" not in str(caught.value)
