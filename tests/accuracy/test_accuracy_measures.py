"""The accuracy bench measures what it says: hand-made truth and tables with answers known by reckoning."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "reports"))

import accuracy_measures as m
import accuracy_shoots
from accuracy_rows import _takes, rows_of

SIZE = (1800, 1200)


def a_set(set_id: str, kind: str, members: list[str], parent: str | None = None, **more: Any) -> dict[str, Any]:
    return {"set_id": set_id, "kind": kind, "members": members, "parent_set": parent, "scene": "1", "take": 1, **more}


NESTED = [
    a_set("1~panorama", "panorama", ["1~bracket", "4~bracket"]),
    a_set("1~bracket", "bracket", ["1", "2", "3"], "1~panorama"),
    a_set("4~bracket", "bracket", ["4", "5", "6"], "1~panorama"),
    a_set("7~single", "single", ["7"]),
]


def test_same_partition_under_other_names_is_exact() -> None:
    renamed = [
        {**s, "set_id": "x" + s["set_id"], "parent_set": s["parent_set"] and "x" + s["parent_set"],
         "members": [("x" if "~" in f else "") + f for f in s["members"]]} for s in NESTED
    ]
    frames, sets = m.grouping_rows(NESTED, renamed)
    assert len(frames) == 7 and all(f["right"] for f in frames)
    assert [s["level"] for s in sets] == [1, 2, 2, 1]
    assert all(s["exact"] and s["take_right"] for s in sets)


def test_a_wrong_kind_spoils_frames_and_its_set_but_not_the_parent() -> None:
    tool = [dict(s) for s in NESTED]
    tool[2]["kind"] = "stack"
    frames, sets = m.grouping_rows(NESTED, tool)
    assert sorted(f["frame"] for f in frames if not f["right"]) == ["4", "5", "6"]
    assert all(f["right_frames"] for f in frames)
    assert [s["exact"] for s in sets] == [True, True, False, True]


def test_a_frame_drawn_into_the_wrong_set_spoils_both_sets() -> None:
    tool = [a_set("1~bracket", "bracket", ["1", "2", "3", "4"]), a_set("5~bracket", "bracket", ["5", "6"]), NESTED[3]]
    frames, sets = m.grouping_rows(NESTED, tool)
    assert sorted(f["frame"] for f in frames if f["right"]) == ["7"]
    assert [s["exact"] for s in sets] == [False, False, False, True]


def test_a_wrong_take_or_scene_is_told() -> None:
    truth = [a_set("1~burst", "burst", ["1", "2"]), a_set("3~burst", "burst", ["3", "4"], take=2)]
    truth[1]["take"] = 2
    apart = [{**truth[0]}, {**truth[1], "take": 1, "scene": "2"}]
    _, sets = m.grouping_rows(truth, apart)
    assert [s["take_right"] for s in sets] == [True, False]
    assert [s["scene_right"] for s in sets] == [False, False]


def test_rotation_turns_counter_clockwise_as_seen() -> None:
    pair = {"shift_x_px": 0.0, "shift_y_px": 0.0, "scale": 1.0, "rotation_deg": 90.0}
    right_of_centre = np.array([[899.5 + 10, 599.5]])
    # y points down: a quarter turn counter-clockwise takes what lies to the right to the top.
    assert m.carried(m.matrix_of(pair, SIZE), right_of_centre)[0] == pytest.approx([899.5, 599.5 - 10])


@pytest.mark.parametrize("scale, rotation", [(1.0, 0.0), (1.02, 0.4), (0.97, -2.0)])
def test_a_flipped_pair_gives_the_same_thing_seen_from_the_other_frame(scale: float, rotation: float) -> None:
    pair = {"shift_x_px": 5.0, "shift_y_px": -3.0, "scale": scale, "rotation_deg": rotation}
    matrix = m.matrix_of(pair, SIZE)
    at_b = np.array([[700.0, 500.0]])
    rest = np.array([[688.0, 505.0]])
    mapped = m.carried(matrix, at_b)[0]
    region = {"x_px": rest[0, 0], "y_px": rest[0, 1], "sway_x_px": mapped[0] - rest[0, 0],
              "sway_y_px": mapped[1] - rest[0, 1]}  # fmt: skip
    at, sway = m.seen_from(region, matrix, flipped=True)
    assert at == pytest.approx(at_b[0])
    # By the contract, with a and b exchanged: the inverse mapping of where it is in the other, less where it is here.
    assert sway == pytest.approx(m.carried(np.linalg.inv(matrix), rest)[0] - at_b[0])
    assert m.seen_from(region, matrix, flipped=False)[1] == pytest.approx(mapped - rest[0])


def test_mapping_error_is_the_distance_the_picture_is_off() -> None:
    true = {"shift_x_px": 2.0, "shift_y_px": 1.0, "scale": 1.0, "rotation_deg": 0.0}
    found = {**true, "shift_x_px": 5.0, "shift_y_px": 5.0}
    assert m.mapping_error(m.matrix_of(true, SIZE), m.matrix_of(found, SIZE), SIZE) == pytest.approx(5.0)
    none = m.matrix_of({**true, "scale": None}, SIZE)
    assert np.isnan(m.mapping_error(m.matrix_of(true, SIZE), none, SIZE))


def tiles_of(values: dict[tuple[int, int], tuple[float, float, float]]) -> pd.DataFrame:
    rows = [
        {"x_px": x * 20, "y_px": y * 20, "w_px": 20, "h_px": 20, "sway_x_px": sx, "sway_y_px": sy, "confidence": c,
         "relevance": 1.0, "changed": 0.0} for (x, y), (sx, sy, c) in values.items()
    ]
    return pd.DataFrame(rows)


def test_a_region_takes_the_sure_tiles_inside_it_and_no_others() -> None:
    tiles = tiles_of({(x, y): (0.0, 0.0, 1.0) for x in range(10) for y in range(10)})
    inside = (tiles["x_px"].between(80, 100)) & (tiles["y_px"].between(80, 100))
    tiles.loc[inside, ["sway_x_px", "sway_y_px"]] = [3.0, -4.0]
    tiles.loc[inside & (tiles["x_px"] == 80) & (tiles["y_px"] == 80), ["sway_x_px", "confidence"]] = [50.0, 0.3]
    found = m.region_sway(tiles, np.array([99.5, 99.5]), np.array([50.0, 50.0]))
    assert (found["tiles"], found["measured"]) == (4, 3)
    assert (found["x"], found["y"]) == (3.0, -4.0)


def test_a_region_smaller_than_a_tile_takes_the_tile_at_its_centre() -> None:
    tiles = tiles_of({(0, 0): (1.0, 1.0, 0.9), (1, 0): (2.0, 2.0, 0.9)})
    found = m.region_sway(tiles, np.array([38.0, 3.0]), np.array([4.0, 4.0]))
    assert (found["tiles"], found["x"]) == (1, 2.0)


def test_a_region_without_tiles_is_unmeasured() -> None:
    found = m.region_sway(tiles_of({(0, 0): (1.0, 1.0, 0.9)}), np.array([500.0, 500.0]), np.array([40.0, 40.0]))
    assert found["measured"] == 0 and np.isnan(found["x"])


def region_of(sway: float, side: float, held: float = 0.0) -> dict[str, Any]:
    return {"sway_x_px": sway, "sway_y_px": 0.0, "relevant": True, "w_px": side, "h_px": side, "visible": 1.0,
            "smear_a_px": held, "smear_b_px": held + 1}  # fmt: skip


@pytest.mark.parametrize(
    "regions, coverage, outlook",
    [
        ([region_of(1.9, 400)], 100.0, "clean"),
        ([region_of(4.0, 100)], None, "touch-up"),  # 0.36 % of the picture
        ([region_of(10.5, 100)], None, "hard"),  # more than five times the tolerance
        ([region_of(4.0, 300)], None, "hard"),  # 3.3 %
        ([region_of(4.0, 600)], None, "lost"),  # 13 %
        ([region_of(4.0, 100, held=9.0)], None, "lost"),  # smeared in both
        ([region_of(0.5, 100)], 79.0, "lost"),
    ],
)
def test_the_outlook_follows_the_contract(regions: list[dict[str, Any]], coverage: float | None, outlook: str) -> None:
    pair = {"sway_max_px": max(r["sway_x_px"] for r in regions), "regions": regions}
    assert m.true_outlook([pair], coverage, 2.0, SIZE) == outlook


def test_directions_without_sense_differ_by_ninety_at_most() -> None:
    assert m.angle_apart(179, 1) == pytest.approx(2)
    assert m.angle_apart(0, 90) == pytest.approx(90)
    assert m.angle_apart(30, 200) == pytest.approx(10)


def test_an_unknown_score_counts_as_no_sway() -> None:
    assert m.auc([9.0, 5.0, 0.1, float("nan")], [True, True, False, False]) == 1.0
    assert m.auc([float("nan"), 5.0, 0.1, 1.0], [True, True, False, False]) == 0.5
    assert np.isnan(m.auc([1.0, 2.0], [True, True]))


def test_magnitudes_and_crispness_are_told_at_their_borders() -> None:
    assert [m.magnitude_bin(v) for v in (0.0, 0.99, 1.0, 8.0, 41.0)] == ["0-1", "0-1", "1-3", "8-20", ">40"]
    assert [m.crispness(v, 0.3) for v in (0.89, 0.91, 4.0)] == ["crisp", "faint", "smeared"]


def test_one_shoot_through_all_rows_with_the_pair_the_other_way_round() -> None:
    """A bloom of 60 px moved 6 px to the right from 1 to 2; the tool judged 2 against 1 and saw it go left."""
    mapping = {"shift_x_px": 10.0, "shift_y_px": 0.0, "scale": 1.0, "rotation_deg": 0.0}
    region = {"x_px": 409.5, "y_px": 299.5, "w_px": 60.0, "h_px": 60.0, "sway_x_px": 6.0, "sway_y_px": 0.0,
              "relevant": True, "smear_px": 0.1, "blur_px": 0.5, "smear_a_px": 0.1, "smear_b_px": 0.1,
              "blur_a_px": 0.5, "blur_b_px": 0.5, "object": "thrift", "visible": 1.0}  # fmt: skip
    frame = {"view_index": None, "focus_index": None, "exposure_index": None, "smear_px": 0.1, "smear_angle_deg": 5.0,
             "shake_px": 0.0, "focus_m": 2.0, "exposure_s": 0.01, "f_number": 8.0, "iso": 100, "set_id": "1~burst"}
    truth = {
        "frames": [{**frame, "frame": "1"}, {**frame, "frame": "2"}],
        "sets": [a_set("1~burst", "burst", ["1", "2"], sway_p95_px=6.0, sway_max_px=6.0, coverage_pct=None,
                       overlap_pct=None, ruined=True, calm=False, best_take=None, aborted=False)],
        "pairs": [{"set_id": "1~burst", "frame_a": "1", "frame_b": "2", "relation": "repeat", **mapping,
                   "sway_p95_px": 6.0, "sway_max_px": 6.0, "regions": [region]}],
    }  # fmt: skip
    # In frame 2 the bloom is at 409.5 + 6 - 10, and went 6 px to the left on its way to 1.
    tiles = tiles_of({(x, y): (0.0, 0.0, 1.0) for x in range(30) for y in range(30)})
    there = (tiles["x_px"] - 395.5).abs().le(40) & (tiles["y_px"] - 289.5).abs().le(40)
    tiles.loc[there, "sway_x_px"] = -6.25
    tiles = tiles.assign(set_id="1~burst", frame_a="2", frame_b="1")
    frames = pd.DataFrame([
        {"frame": f, "width_px": 1800, "height_px": 1200, "exposure_s": 0.01, "keep": "yes", "smear_px": 0.4,
         "smear_angle_deg": 175.0, "shake_px": 0.0, "sharp_area_pct": 60.0} for f in ("1", "2")
    ])  # fmt: skip
    sets = pd.DataFrame([a_set(
        "1~burst", "burst", ["1", "2"], sway_p95_px=6.2, sway_max_px=6.2, measured_pct=90.0, coverage_pct=None,
        overlap_pct=None, outlook="hard", smear_px=0.2, tolerance_px=2.0, reasons="", picture_area_pct=0.1,
    )])  # fmt: skip
    pairs = pd.DataFrame([{
        "set_id": "1~burst", "frame_a": "2", "frame_b": "1", "relation": "repeat", "shift_x_px": -10.0,
        "shift_y_px": 0.0, "scale": 1.0, "rotation_deg": 0.0, "homography": None, "sway_p95_px": 6.2,
        "sway_max_px": 6.2, "measured_pct": 90.0, "relevant_pct": 100.0,
    }])  # fmt: skip
    ask = accuracy_shoots.Ask(5000, 1, 1800)
    rows = rows_of(accuracy_shoots.Reviewed(ask, Path(), truth, frames, sets, pairs, tiles), None)
    (found,) = rows["regions"]
    assert found["error"] == pytest.approx(0.25)
    assert rows["pairs"][0]["mapping_error"] == pytest.approx(0, abs=1e-9)
    assert rows["pairs"][0]["shift_error"] == pytest.approx(0, abs=1e-9)
    assert rows["sets"][0]["exact"] and rows["sets"][0]["true_outlook"] == "touch-up"
    assert [r["angle_error"] for r in rows["smear"]] == pytest.approx([10.0, 10.0])
    assert rows["keep"][0]["both_kept"]


@pytest.mark.parametrize(
    ("sway_px", "aborted", "as_good"), [(0.4, False, True), (0.9, False, False), (0.4, True, False)]
)
def test_a_take_as_still_as_the_stillest_is_as_good_unless_it_was_broken_off(
    sway_px: float, aborted: bool, as_good: bool
) -> None:
    takes = [
        a_set("1~stack", "stack", ["1", "2"], sway_p95_px=0.1, best_take=True, aborted=False),
        a_set("3~stack", "stack", ["3", "4"], sway_p95_px=sway_px, best_take=False, aborted=aborted),
    ]
    frames = pd.DataFrame([{"frame": f, "keep": "yes" if f in "34" else "spare"} for f in "1234"])
    nothing = pd.DataFrame()
    shoot = accuracy_shoots.Reviewed(
        accuracy_shoots.Ask(5000, 1, 1800), Path(), {"sets": takes}, frames, nothing, nothing, nothing
    )
    (row,) = _takes(shoot, [])
    assert not row["right"] and row["as_good"] == as_good
    assert row["sway_given_up"] == pytest.approx(sway_px - 0.1)


def test_tables_are_read_back_by_name(tmp_path: Path) -> None:
    table = tmp_path / "sets.csv"
    table.write_text("set_id,parent_set,members,take\na%3Bb~stack,,1%3E2;3,2\n", "utf-8")
    read = accuracy_shoots._table(table)
    assert read["set_id"].tolist() == ["a;b~stack"]
    assert read["members"].tolist() == [["1>2", "3"]]
    assert read["parent_set"].isna().all()
