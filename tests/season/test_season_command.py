"""`windstill settings` on the screen and its page in a real browser."""

from __future__ import annotations

import json
import re
import shutil
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from season_tables import Truth, make_season
from windstill.cli import main
from windstill.season import learn, write_season

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")


def run(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as ended:
        main(["settings", *arguments])
    said = capsys.readouterr()
    return int(ended.value.code or 0), said.out, said.err


@pytest.fixture(scope="module")
def season(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("season")
    make_season(folder, Truth(per_doubling=2), np.random.default_rng(1), shoots=12)
    return folder


def test_a_season_on_the_screen(season: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    past = [str(p) for p in sorted(season.glob("*-windstill"))]
    out = tmp_path / "out"
    status, screen, errors = run(capsys, *past, "--out", str(out), "--wind-log", str(season / "winds.csv"))
    assert (status, errors) == (0, "")
    assert "12 reviews, 48 sets, 48 judged" in screen
    assert re.search(r"\d+ of \d+ at 1/60 s \(likely \d+ % to \d+ %", screen)
    assert "Half of the sets fail at" in screen
    tables = {"season.html", "season-sets.csv", "shutters.csv", "conditions.csv", "outcomes.csv"}
    assert {p.name for p in out.iterdir()} == tables


def test_the_examples_of_the_help_run(
    season: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "200")
    examples = re.findall(r"windstill settings (~.*)", run(capsys, "--help")[1])
    assert len(examples) == 2
    for name, past in zip(("thrift", "heather"), sorted(season.glob("*-windstill")), strict=False):
        shutil.copytree(past, tmp_path / "reviews" / name)
    shutil.copy(season / "winds.csv", tmp_path)
    monkeypatch.chdir(tmp_path)
    for example in examples:
        words = []
        for word in example.split():  # as a shell would
            found = tmp_path.glob(word.removeprefix("~/")) if "*" in word else [word.replace("~", str(tmp_path))]
            words += sorted(map(str, found))
        status, screen, errors = run(capsys, *words)
        assert status == 0, (example, errors)
        assert "2 reviews, 8 sets" in screen


def test_without_the_library_it_counts_with_the_line_says_how_to_get_it(
    season: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "statsmodels.stats.proportion", None)  # as where it cannot be imported
    past = [str(p) for p in sorted(season.glob("*-windstill"))]
    status, screen, errors = run(capsys, *past, "--out", str(tmp_path / "out"))
    assert (status, screen) == (1, "")
    assert errors == "windstill: windstill settings needs statsmodels: pip install 'windstill[season]'\n"


@pytest.mark.parametrize(("named", "status"), [(["none"], 2), (["shoot"], 1), (["none", "shoot"], 1)])
def test_nothing_to_learn_from(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], named: list[str], status: int
) -> None:
    """A folder that is not there is wrong usage, as for the other commands; one without a review is not."""
    (tmp_path / "shoot").mkdir()
    ended, screen, errors = run(capsys, *(str(tmp_path / n) for n in named), "--out", str(tmp_path / "out"))
    assert ended == status
    assert screen == ""
    assert len(errors.strip().splitlines()) == 1
    assert not (tmp_path / "out").exists()
    assert run(capsys)[0] == 2


def test_a_wind_log_that_is_not_there_is_wrong_usage(season: Path, capsys: pytest.CaptureFixture[str]) -> None:
    past = str(next(iter(sorted(season.glob("*-windstill")))))
    status, _, errors = run(capsys, past, "--wind-log", str(season / "none.csv"), "--out", str(season / "out"))
    assert status == 2
    assert "none.csv: no such file" in errors


@pytest.mark.parametrize("named", ["cove", "cove-windstill", "elsewhere"])
@pytest.mark.parametrize("out", ["cove", "cove/season", "link/season"])
def test_nothing_is_written_into_the_shoot_of_a_review(
    season: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], named: str, out: str
) -> None:
    """Whether the shoot is named, its review beside it, or a review that says where its photographs are."""
    shoot = tmp_path / "cove"
    shoot.mkdir()
    (shoot / "THRF0001.JPG").touch()
    (tmp_path / "link").symlink_to(shoot)
    review = tmp_path / ("elsewhere" if named == "elsewhere" else "cove-windstill")
    shutil.copytree(next(iter(sorted(season.glob("*-windstill")))), review)
    (review / "run.json").write_text(json.dumps({"shoot": str(shoot)} if named != "cove" else {}), "utf-8")
    status, _, errors = run(capsys, str(tmp_path / named), "--out", str(tmp_path / out))
    assert status == 2
    assert "inside the shoot" in errors and len(errors.splitlines()) == 1
    assert [path.name for path in shoot.iterdir()] == ["THRF0001.JPG"]


@pytest.mark.browser
def test_page_in_a_real_browser(season: Path, tmp_path: Path) -> None:
    if CHROMIUM is None:
        pytest.skip("no Chromium browser on this machine")
    playwright = pytest.importorskip("playwright.sync_api")
    write_season(learn(sorted(season.glob("*-windstill")), wind_log=season / "winds.csv"), tmp_path)
    with playwright.sync_playwright() as started:
        browser = started.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox", "--disable-gpu"])
        page = browser.new_page(viewport={"width": 390, "height": 800})
        said: list[str] = []
        page.on("console", lambda message: said.append(message.text))
        page.on("request", lambda asked: said.append(asked.url) if not asked.url.startswith("data:") else None)
        page.goto((tmp_path / "season.html").as_uri())
        assert said == [(tmp_path / "season.html").as_uri()]
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
        widths: list[Any] = page.evaluate("[...document.images].map(i => i.naturalWidth)")
        assert len(widths) >= 2
        assert min(widths) > 100
        browser.close()


@pytest.mark.slow
def test_real_reviews_are_read(sample_shoot: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        main(["review", str(sample_shoot), "--out", str(tmp_path / "thrift-windstill")])
    assert ended.value.code == 0
    capsys.readouterr()
    status, screen, errors = run(capsys, str(tmp_path / "thrift-windstill"), "--out", str(tmp_path / "season"))
    assert (status, errors) == (0, "")
    assert "Too few sets" in screen
    sets = pd.read_csv(tmp_path / "season" / "season-sets.csv")
    assert {"stack", "bracket"} <= set(sets["kind"])
    assert sets.loc[sets["kind"] == "stack", ["shutter_s", "focal_mm", "nearest_m", "gap_s"]].notna().all().all()
