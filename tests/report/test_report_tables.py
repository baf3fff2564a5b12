"""The tables as another program reads them."""

from __future__ import annotations

import csv
import hashlib
import json
import math
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest

from report.handmade import BODY_SERIAL, HOSTILE_NAME, empty_review, evening_review
from windstill.records import decode_name
from windstill.report import write_tables
from windstill.report.cells import fixed, moment, significant, text_cell
from windstill.settings import ReportSettings, Settings


def _columns(listed: str) -> list[str]:
    return listed.split()


# Column order as CONTRACT.md lists it.
FRAMES = _columns("""
frame files captured_at camera lens exposure_s f_number iso focal_mm focus_m bias_ev width_px height_px
scene set_id kind view_index focus_index exposure_index sharpness sharp_area_pct noise_sigma smear_px smear_angle_deg
shake_px clipped_high_pct clipped_low_pct keep note""")
SETS = _columns("""
set_id parent_set scene take kind frames members started_at duration_s shift_px sway_p95_px sway_max_px
sway_area_pct picture_area_pct measured_pct tolerance_px smear_px coverage_pct overlap_pct step_ev outlook reasons
worst_pair base_frame keep_frames advice""")
PAIRS = _columns("""
set_id frame_a frame_b relation shift_x_px shift_y_px scale rotation_deg homography sway_p50_px sway_p95_px
sway_max_px relevant_pct measured_pct sway_area_pct worst_x_px worst_y_px""")
TILES = _columns("""
set_id frame_a frame_b x_px y_px w_px h_px sway_x_px sway_y_px confidence relevance changed sharp_a
sharp_b""")


@pytest.fixture(scope="module")
def tables(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("tables")
    write_tables(evening_review(), out, Settings(report=ReportSettings(format="parquet")))
    return out


def read(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as lines:
        return list(csv.DictReader(lines, strict=True))


@pytest.mark.parametrize(
    ("table", "columns"),
    [("frames", FRAMES), ("sets", SETS), ("pairs", PAIRS), ("problems", ["file", "stage", "problem", "consequence"])],
)
def test_columns_stand_in_the_contract_order(tables: Path, table: str, columns: list[str]) -> None:
    assert list(read(tables / f"{table}.csv")[0]) == columns
    assert pq.read_schema(tables / f"{table}.parquet").names == columns


def test_csv_is_rfc_4180(tables: Path) -> None:
    # Source: RFC 4180, section 2: CRLF after each record, quotes doubled, equal field counts.
    raw = (tables / "frames.csv").read_bytes()
    assert raw.endswith(b"\r\n") and raw.count(b"\r\n") == raw.count(b"\n") and not raw.startswith(b"\xef\xbb\xbf")
    assert b'""quoted""' in raw
    rows = list(csv.reader((tables / "frames.csv").open(encoding="utf-8", newline=""), strict=True))
    assert {len(r) for r in rows} == {len(FRAMES)}


def test_names_read_back_exactly(tables: Path) -> None:
    review = evening_review()
    rows = read(tables / "frames.csv")
    assert [decode_name(r["frame"]) for r in rows] == [f.name for f in review.frames]
    for row, frame in zip(rows, review.frames, strict=True):
        assert [decode_name(p) for p in row["files"].split(";")] == [f.path for f in frame.files]
    for row, node in zip(read(tables / "sets.csv"), review.grouping.sets, strict=True):
        assert decode_name(row["set_id"]) == node.set_id
        assert [decode_name(m) for m in row["members"].split(";")] == list(node.members)
        verdict = review.verdicts.get(node.set_id)
        if verdict and verdict.worst_pair:
            assert tuple(decode_name(n) for n in row["worst_pair"].split(">")) == verdict.worst_pair
    assert HOSTILE_NAME + ".JPG" in [decode_name(r["file"]) for r in read(tables / "problems.csv")]


def test_no_text_cell_is_a_formula(tables: Path) -> None:
    texts = {"frames": ("camera", "lens", "note", "frame", "files"), "sets": ("reasons", "advice", "set_id"),
             "problems": ("file", "problem", "consequence")}  # fmt: skip
    for table, columns in texts.items():
        for row in read(tables / f"{table}.csv"):
            for column in columns:
                assert not row[column].startswith(("=", "+", "-", "@", "\t", "\r")), (table, column, row[column])
    assert "'@SUM(A1)" in [r["lens"] for r in read(tables / "frames.csv")]


def test_unknown_is_empty_and_infinity_is_kept(tables: Path) -> None:
    rows = {decode_name(r["frame"]): r for r in read(tables / "frames.csv")}
    bare = rows["105TIDE/+plus, \"quoted\" &amp; 100%"]
    assert [bare[c] for c in ("captured_at", "f_number", "iso", "focal_mm", "focus_m")] == [""] * 5
    torn = rows["104CLIFF/THRF0050"]
    assert [torn[c] for c in ("sharpness", "smear_px", "keep")] == [""] * 3 and torn["width_px"] == "6000"
    assert rows["104CLIFF/THRF0006"]["focus_m"] == "inf"
    derived = rows["104CLIFF/merged-export"]
    assert derived["note"].startswith("derived") and derived["set_id"] == "" and derived["scene"] == ""
    aborted = next(r for r in read(tables / "sets.csv") if r["outlook"] == "unknown")
    assert aborted["sway_max_px"] == "" and aborted["measured_pct"] == "12.000"
    failed = next(r for r in read(tables / "pairs.csv") if r["set_id"] == aborted["set_id"])
    assert failed["shift_x_px"] == failed["scale"] == failed["sway_max_px"] == ""


def test_tiles_hold_the_fields(tables: Path) -> None:
    review = evening_review()
    tiles = pd.read_parquet(tables / "tiles.parquet")
    assert list(tiles.columns) == TILES
    pair = next(p for m in review.measures.values() for p in m.pairs if p.field is not None)
    field = pair.field
    assert field is not None
    mine = tiles[(tiles.set_id == pair.set_id) & (tiles.frame_a == pair.frame_a) & (tiles.frame_b == pair.frame_b)]
    assert len(mine) == field.textured.sum()
    row, col = mine.y_px.to_numpy() // field.grid.tile_px, mine.x_px.to_numpy() // field.grid.tile_px
    seen = mine.confidence.to_numpy() > 0
    np.testing.assert_array_equal(mine.sway_x_px.to_numpy()[seen], field.sway_x_px[row, col][seen])
    np.testing.assert_array_equal(mine.relevance.to_numpy(), field.relevance[row, col])
    assert mine.sway_x_px.isna().to_numpy()[~seen].all() and (~seen).any()


def test_pair_area_follows_from_the_tiles(tables: Path) -> None:
    """A reader computes sway_area_pct of pairs.csv from tiles.parquet alone, by the contract's words (computed)."""
    tiles = pd.read_parquet(tables / "tiles.parquet")
    pairs = pd.read_csv(tables / "pairs.csv")
    tolerance = pd.read_csv(tables / "sets.csv").set_index("set_id").tolerance_px
    for p in pairs[pairs.sway_max_px.notna()].head(8).itertuples():
        t = tiles[(tiles.set_id == p.set_id) & (tiles.frame_a == p.frame_a) & (tiles.frame_b == p.frame_b)]
        used = t[(t.confidence >= 0.5) & (t.relevance >= 0.5)].astype({"relevance": float})
        over = used[np.hypot(used.sway_x_px, used.sway_y_px) > tolerance[p.set_id]]
        assert p.sway_area_pct == pytest.approx(100 * over.relevance.sum() / used.relevance.sum(), abs=2e-3)


def test_parquet_agrees_with_csv(tables: Path) -> None:
    for table in ("frames", "sets", "pairs", "problems"):
        text, typed = pd.read_csv(tables / f"{table}.csv"), pd.read_parquet(tables / f"{table}.parquet")
        assert len(text) == len(typed)
        for column in typed.columns:
            if typed[column].dtype.kind == "f":
                np.testing.assert_allclose(
                    text[column].astype(float), typed[column], atol=6e-4, rtol=1e-6, err_msg=column)


def test_bytes_are_the_same_every_time(tables: Path, tmp_path: Path) -> None:
    write_tables(evening_review(), tmp_path, Settings(report=ReportSettings(format="parquet")))
    for file in sorted(tables.iterdir()):
        assert hashlib.sha256(file.read_bytes()).digest() == hashlib.sha256(
            (tmp_path / file.name).read_bytes()).digest(), file.name
    assert not [f for f in tmp_path.iterdir() if f.name.startswith(".")]


def test_serial_numbers_stay_out(tables: Path) -> None:
    for file in tables.iterdir():
        assert BODY_SERIAL.encode() not in file.read_bytes()


def test_run_json_has_counts_and_settings(tables: Path) -> None:
    run = json.loads((tables / "run.json").read_text("utf-8"))
    assert run["command"] == "windstill review cliff-thrift" and run["settings"]["report"]["format"] == "parquet"
    assert run["counts"]["frames"] == 49 and run["counts"]["outlooks"]["lost"] == 1 and run["seconds"]["score"] == 6.1


def test_empty_shoot_gives_tables_with_headers(tmp_path: Path) -> None:
    write_tables(empty_review(), tmp_path, Settings())
    assert (tmp_path / "frames.csv").read_text("utf-8").strip() == ",".join(FRAMES)
    assert len(pd.read_parquet(tmp_path / "tiles.parquet")) == 0


def test_a_failed_write_leaves_the_old_table(tmp_path: Path) -> None:
    write_tables(evening_review(), tmp_path, Settings())
    before = (tmp_path / "frames.csv").read_bytes()
    review = evening_review()
    broken = type(review)(**{n: getattr(review, n) for n in review.__slots__} | {"frames": (*review.frames, None)})
    with pytest.raises(AttributeError):
        write_tables(broken, tmp_path, Settings())
    assert (tmp_path / "frames.csv").read_bytes() == before
    assert not [f for f in tmp_path.iterdir() if f.name.startswith(".")]


def test_cells() -> None:
    assert [fixed(v, 3) for v in (None, math.nan, -0.0001, 1.23456)] == ["", "", "0.000", "1.235"]
    assert [significant(v) for v in (1 / 8192, 2 ** (-25 / 3), math.inf, 30.0)] == [
        "0.0001220703", "0.003100393", "inf", "30"]  # fmt: skip
    assert text_cell("\x00-1\ud800") == "\ufffd-1\ufffd" and text_cell("-1") == "'-1"
    when = evening_review().frames[0].camera.captured_at
    assert moment(when, 0.001) == "2026-05-03T20:41:11.535+01:00" and moment(when, 1.0) == "2026-05-03T20:41:11+01:00"
