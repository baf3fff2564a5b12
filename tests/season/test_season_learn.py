"""What a photographer learns from made-up seasons whose truth is known."""

from __future__ import annotations

import base64
import math
import re
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from season_tables import FRAMES, PAIRS, SETS, Truth, add_set, make_season, write_table
from windstill.optics.marks import shutter_mark
from windstill.season import Season, learn, write_season
from windstill.season.cause import cause_of
from windstill.season.figures import movement_figure
from windstill.season.outcomes import Agreement
from windstill.season.reading import SeasonError
from windstill.season.words import background_line, cause_line, halfway_line, lost_lines

BEGIN = datetime(2026, 6, 1, 21, 0)


def review(folder: Path, name: str, cases: list[dict[str, Any]]) -> Path:
    """A review folder with one set per case (the arguments of `add_set`)."""
    frames: list[dict[str, Any]] = []
    sets: list[dict[str, Any]] = []
    pairs: list[dict[str, Any]] = []
    for n, case in enumerate(cases):
        given = {"shutter_s": 1 / 64, "failed": False, "rng": np.random.default_rng(n), **case}
        add_set(frames, sets, pairs, n, BEGIN + timedelta(minutes=3 * n), **given)
    out = folder / f"{name}-windstill"
    out.mkdir()
    write_table(out / "frames.csv", FRAMES, frames)
    write_table(out / "sets.csv", SETS, sets)
    write_table(out / "pairs.csv", PAIRS, pairs)
    return out


def counted(season: Season, kind: str = "stack") -> dict[str, tuple[float, float]]:
    return {shutter_mark(2.0**step): (s.good, s.of) for step, s in season.per_step_of_kind[kind]}


def test_counts_are_counts(tmp_path: Path) -> None:
    cases = [{"shutter_s": 1 / 64, "failed": i < 7} for i in range(12)]
    cases += [{"shutter_s": 1 / 256, "failed": i < 1} for i in range(15)]
    season = learn([review(tmp_path, "cove", cases)])
    assert counted(season) == {"1/250 s": (14, 15), "1/60 s": (5, 12)}
    assert set(season.sets["outlook"]) >= {"hard"}
    said = lost_lines(season)[0]
    assert said.startswith("Stacks that movement left hard or lost: "), "sets of both outlooks are counted"
    assert "7 of 12 at 1/60 s" in said
    assert "1 of 15 at 1/250 s" in said


def test_small_samples_are_said_to_be_small(tmp_path: Path) -> None:
    season = learn([review(tmp_path, "cove", [{"failed": True}, {}, {}])])
    assert "small sample" in lost_lines(season)[0]
    assert season.halfway is None
    assert "Too few" in halfway_line(season)
    assert season.advice is None


def test_what_is_unknown_or_no_fault_of_the_shutter_is_left_out(tmp_path: Path) -> None:
    cases = [
        {"outlook": "unknown"},
        {"outlook": "lost", "sway_px": 0.4, "coverage_pct": 50.0},
        {"failed": True},
        {},
        {"kind": "single"},
    ]
    season = learn([review(tmp_path, "cove", cases)])
    assert counted(season) == {"1/60 s": (1, 2)}
    assert (season.unknown, season.spoiled_otherwise) == (1, 1)


def test_a_nested_picture_counts_once(tmp_path: Path) -> None:
    out = review(tmp_path, "cove", [{}, {"failed": True}])
    sets = pd.read_csv(out / "sets.csv", dtype=str, keep_default_na=False)
    top = sets.iloc[1].copy()
    top["set_id"], top["kind"] = "100FELLS/THRF0001~panorama", "panorama"
    sets["parent_set"] = top["set_id"]
    pd.concat([top.to_frame().T, sets]).to_csv(out / "sets.csv", index=False)
    season = learn([out])
    assert len(season.sets) == 1
    assert season.sets["frames"].tolist() == [6]
    assert counted(season, "panorama") == {"1/60 s": (0, 1)}


def test_longest_safe_shutter_and_its_price(tmp_path: Path) -> None:
    cases = [{"shutter_s": 1 / 256} for _ in range(9)] + [{"shutter_s": 1 / 128} for _ in range(6)]
    cases += [{"shutter_s": 1 / 32, "failed": i % 2 == 0} for i in range(16)]
    season = learn([review(tmp_path, "cove", cases)])
    assert season.safe is not None
    assert shutter_mark(2.0 ** season.safe[0]) == "1/125 s"
    assert season.advice is not None
    said = " ".join(season.advice.lines)
    assert "ISO" in said
    assert "signal to noise" in said


def test_advice_from_a_curve_stays_within_what_was_tried(tmp_path: Path) -> None:
    make_season(tmp_path, Truth(), np.random.default_rng(4), shoots=15, stacks=8)
    season = learn(sorted(tmp_path.glob("*-windstill")))
    assert season.advice is not None
    assert season.advice.from_fit
    assert season.advice.shutter_s >= season.sets["shutter_s"].min() * 0.99
    assert season.advice.failing_then is not None
    assert season.advice.failing_then <= 0.1 + 0.01


@pytest.mark.parametrize(
    ("smear", "shake", "cause"),
    [
        (1.5, 0.3, "within"),
        (8, 0.3, "wind"),
        (8, 7.8, "shake"),
        (9, 6, "both"),
        (8, math.nan, "unclear"),
        (1.0, 3.0, "shake"),
    ],
)
def test_wind_told_from_shake(smear: float, shake: float, cause: str) -> None:
    assert cause_of(smear, shake, 2.0, 0.5) == cause


def test_causes_over_a_season(tmp_path: Path) -> None:
    cases = [
        {"smear_px": 9.0, "shake_px": 0.3},
        {"smear_px": 6.0, "shake_px": 5.9},
        {"smear_px": 9.0, "shake_px": ""},
        {},
    ]
    causes = learn([review(tmp_path, "cove", cases)]).causes
    assert [(c.wind, c.shake, c.unclear, c.within) for c in causes] == [(3, 3, 3, 3)]


def test_smear_that_was_not_measured_is_not_called_none(tmp_path: Path) -> None:
    unknown = learn([review(tmp_path, "cove", [{"smear_px": "", "shake_px": ""}, {"smear_px": "", "failed": True}])])
    assert cause_line(unknown).startswith("Smear could be measured in no frame")
    assert "smear in a frame" not in _words_of(movement_figure(unknown))
    assert "sway between frames" in _words_of(movement_figure(unknown))
    still = learn([review(tmp_path, "quay", [{"smear_px": 0.0, "shake_px": 0.0}, {"smear_px": 0.0}])])
    assert re.search(r"none of \d+ whose smear could be measured", cause_line(still))
    assert "smear in a frame" in _words_of(movement_figure(still))


def _words_of(address: str) -> str:
    """The drawing's source: its letters are kept as text."""
    return base64.b64decode(address.partition(",")[2]).decode()


def test_failures_in_which_only_the_subject_moved_are_not_blamed_on_the_tripod(tmp_path: Path) -> None:
    season = learn([review(tmp_path, "cove", [{"failed": True}, {"failed": True}, {}])])
    assert background_line(season).startswith("In all 2 failed sets most of the picture stood still")


def test_background_that_moved_is_no_wind(tmp_path: Path) -> None:
    cases = [{"failed": True, "background_px": 6.0}, {"failed": True}, {}]
    share = learn([review(tmp_path, "cove", cases)]).background
    assert (share.good, share.of) == (1, 2)


def test_wind_log_joins_by_time(tmp_path: Path) -> None:
    out = review(tmp_path, "cove", [{}, {}, {}, {}])
    log = tmp_path / "log.csv"
    log.write_text(
        "speed m/s,time\n2.5,2026-06-01T21:01:00+01:00\n7,2026-06-01T21:07:00+01:00\nx,2026-06-01T21:09:00\n"
    )
    season = learn([out], wind_log=log)
    assert season.sets["wind_mps"].tolist() == [2.5, 2.5, 7, 7]
    log.write_text("time,speed\n2026-07-01T21:00:00,3\n")
    late = learn([out], wind_log=log)
    assert late.sets["wind_mps"].isna().all()
    assert any("no set began within 15 min" in p for p in late.problems)


@pytest.mark.parametrize(
    ("text", "says"),
    [("", "wind log"), ("time\n1\n", "column of times"), ("time,speed\nnow,fast\n", "no row"), (None, "no such file"),
     ("time,speed\n2026-06-01T21:01:00,inf\n2026-06-01T21:01:00,1e308\n2026-06-01T21:01:00,-1\n", "no row")],
)
def test_a_wind_log_that_is_none(tmp_path: Path, text: str | None, says: str) -> None:
    out = review(tmp_path, "cove", [{}])
    log = tmp_path / "log.csv"
    if text is not None:
        log.write_text(text)
    with pytest.raises(SeasonError, match=says) as caught:
        learn([out], wind_log=log)
    assert str(log) in str(caught.value)
    assert "\n" not in str(caught.value)


def test_reviews_are_found_beside_their_shoots(tmp_path: Path) -> None:
    review(tmp_path, "cove", [{}])
    (tmp_path / "cove").mkdir()
    season = learn([tmp_path / "cove", tmp_path / "cove-windstill"], here=tmp_path)
    assert season.reviews == ("cove",)


def test_a_broken_review_is_told_and_the_rest_is_used(tmp_path: Path) -> None:
    good = review(tmp_path, "cove", [{}, {}])
    bad = review(tmp_path, "fell", [{}])
    (bad / "sets.csv").write_text("set_id\nx\n")
    season = learn([good, bad, tmp_path / "none"])
    assert season.reviews == ("cove",)
    assert len(season.problems) == 2
    assert any("sets.csv: column parent_set is missing" in p for p in season.problems)
    assert any("no such folder" in p for p in season.problems)
    with pytest.raises(SeasonError, match="no such folder"):
        learn([tmp_path / "none"])


def test_no_camera_data_is_no_end(tmp_path: Path) -> None:
    out = review(tmp_path, "scans", [{}, {"failed": True}])
    frames = pd.read_csv(out / "frames.csv", dtype=str, keep_default_na=False)
    for column in ("captured_at", "camera", "exposure_s", "f_number", "iso", "focal_mm", "focus_m", "shake_px"):
        frames[column] = ""
    frames.to_csv(out / "frames.csv", index=False)
    season = learn([out])
    assert len(season.sets) == 2
    assert season.per_step == ()
    assert write_season(season, tmp_path / "out").read_text("utf-8").count("<h2>") >= 5


def note(path: Path, went: dict[str, str]) -> None:
    table = pd.read_csv(path, dtype=str, keep_default_na=False)
    table["outcome"] = table["set_id"].map(went).fillna(table["outcome"])
    table.loc[0, "remark"] = "an hour with a brush"
    table.to_csv(path, index=False)


def test_what_was_noted_is_kept_across_reruns(tmp_path: Path) -> None:
    one, two = review(tmp_path, "cove", [{}, {}]), review(tmp_path, "fell", [{}])
    out = tmp_path / "season"
    write_season(learn([one, two], outcomes=out / "outcomes.csv"), out)
    note(out / "outcomes.csv", {"100FELLS/THRF0001~stack": "hard"})
    # The second review is not named this time; what was noted on it stays.
    write_season(learn([one], outcomes=out / "outcomes.csv"), out)
    kept = pd.read_csv(out / "outcomes.csv", dtype=str, keep_default_na=False)
    assert len(kept) == 3
    assert kept["outcome"].tolist() == ["hard", "", "hard"]
    assert kept.loc[0, "remark"] == "an hour with a brush"


@pytest.mark.parametrize(
    ("written", "says"),
    [(b"my,notes\n1,2\n", "column review is missing; the file is left"), (b"", "cannot be read, and is left"),
     (b"review,set_id,outcome\n\xff\xfe\0", "cannot be read, and is left"), (b'a,"b\n', "cannot be read, and is left")],
)  # fmt: skip
def test_noted_outcomes_that_cannot_be_read_are_not_overwritten(tmp_path: Path, written: bytes, says: str) -> None:
    path = tmp_path / "outcomes.csv"
    path.write_bytes(written)
    with pytest.raises(SeasonError, match=rf"outcomes\.csv: {says}"):
        learn([review(tmp_path, "cove", [{}])], outcomes=path)
    assert path.read_bytes() == written


def judged_by_outcomes(out: Path, season: Path, went: list[str]) -> Agreement:
    """Note how each set of a review went, and learn again."""
    write_season(learn([out], outcomes=season / "outcomes.csv"), season)
    note(season / "outcomes.csv", {f"100FELLS/THRF{i * 10 + 1:04d}~stack": word for i, word in enumerate(went)})
    agreement = learn([out], outcomes=season / "outcomes.csv").agreement
    assert agreement is not None
    return agreement


def test_with_the_tiles_a_smaller_tolerance_is_told_by_the_area_it_leaves(tmp_path: Path) -> None:
    """Reviews at 2 px; merges in truth hold a small place of up to 5 px, which is what 1 px allows."""
    sways = [0.5, 0.8, 1.2, 2.5, 3, 3.5, 4, 4.5, 5.5, 7, 8, 8.5, 9, 9.5]
    out = review(tmp_path, "cove", [{"sway_px": s, "outlook": "touch-up" if s > 2 else "clean"} for s in sways])
    rows = []
    for i, sway in enumerate(sways):
        first = f"100FELLS/THRF{i * 10 + 1:04d}"
        for pair in range(2):
            rows += [
                {"set_id": f"{first}~stack", "frame_a": first, "frame_b": f"{first[:-1]}{pair + 2}",
                 "x_px": 600.0 * tile, "y_px": 0.0, "w_px": 400.0, "h_px": 300.0,
                 "sway_x_px": sway if tile == pair == 0 else 0.1, "sway_y_px": 0.0, "confidence": 1.0, "relevance": 1.0}
                for tile in range(8)
            ]  # fmt: skip
    pd.DataFrame(rows).to_parquet(out / "tiles.parquet")
    agreement = judged_by_outcomes(out, tmp_path / "season", ["clean" if s <= 5 else "hard" for s in sways])
    assert agreement.proposed is not None and agreement.proposed.good == len(sways)
    assert agreement.proposed_px is not None and 0.9 < agreement.proposed_px < 1.1


def test_where_no_tolerance_would_have_agreed_better_none_is_proposed(tmp_path: Path) -> None:
    sways = [0.5, 0.8, 1, 1.2, 1.5, 5, 7, 9, 11, 14]
    out = review(tmp_path, "cove", [{"sway_px": s, "failed": s > 2} for s in sways])
    same = judged_by_outcomes(out, tmp_path / "same", ["clean" if s <= 2 else "hard" for s in sways])
    assert same.proposed_px is None and "no tolerance would have agreed better than 2 px" in same.why
    alike = judged_by_outcomes(out, tmp_path / "alike", ["clean"] * len(sways))
    assert alike.proposed_px is None and "all merges went alike" in alike.why


def test_a_tolerance_that_would_have_agreed_better_is_proposed(tmp_path: Path) -> None:
    # Merges in truth hold up to 6 px of sway; the reviews were made with 2 px.
    sways = [0.5, 1, 1.5, 2.5, 3, 3.5, 4, 5, 5.5, 9, 11, 14, 18, 20]
    out = review(tmp_path, "cove", [{"sway_px": s, "failed": s > 2} for s in sways])
    season_out = tmp_path / "season"
    write_season(learn([out], outcomes=season_out / "outcomes.csv"), season_out)
    went = {f"100FELLS/THRF{i * 10 + 1:04d}~stack": "clean" if s <= 6 else "hard" for i, s in enumerate(sways)}
    note(season_out / "outcomes.csv", went)
    agreement = learn([out], outcomes=season_out / "outcomes.csv").agreement
    assert agreement is not None
    assert (agreement.agreed.good, agreement.agreed.of) == (8, 14)
    assert agreement.proposed_px is not None
    assert agreement.proposed is not None
    assert agreement.proposed.good == 14
    assert 5.5 <= agreement.proposed_px <= 9
    page = write_season(learn([out], outcomes=season_out / "outcomes.csv"), season_out).read_text("utf-8")
    assert "--tolerance" in page


def test_few_outcomes_propose_nothing(tmp_path: Path) -> None:
    out = review(tmp_path, "cove", [{}, {"failed": True}])
    path = tmp_path / "outcomes.csv"
    path.write_text(
        "review,set_id,outcome\ncove,100FELLS/THRF0001~stack,Clean\ncove,100FELLS/THRF0011~stack,splendid\n"
    )
    season = learn([out], outcomes=path)
    assert season.agreement is not None
    assert season.agreement.proposed_px is None
    assert "from 10 on" in season.agreement.why
    assert any("'splendid' is none of" in p for p in season.problems)


def test_hostile_names_stay_text(tmp_path: Path) -> None:
    out = review(tmp_path, "=cmd", [{}, {"failed": True}])
    frames = pd.read_csv(out / "frames.csv", dtype=str, keep_default_na=False)
    frames["camera"] = "<script>alert(1)</script>"
    frames.loc[0:2, "camera"] = "Borean"
    frames.to_csv(out / "frames.csv", index=False)
    page = write_season(learn([out]), tmp_path / "out").read_text("utf-8")
    assert "<script" not in page
    for table in (tmp_path / "out").glob("*.csv"):
        assert not [line for line in table.read_text("utf-8").splitlines() if line.startswith(("=", "+", "@"))], table
