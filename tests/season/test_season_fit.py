"""The half-way shutter and the intervals, against known truth and against formulas written out here."""

from __future__ import annotations

import math
import re
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from season_tables import Truth, make_season
from windstill.season import learn
from windstill.season.counting import design_effect, wilson
from windstill.season.halfway import fit_halfway
from windstill.season.together import fit_with_wind
from windstill.season.words import wind_lines
from windstill.settings.season import SeasonSettings


def draw(rng: np.random.Generator, n: int, slope: float) -> tuple[np.ndarray, np.ndarray, float]:
    x = rng.integers(-27, -8, n) / 3
    centre = rng.uniform(-7, -5)
    failed = rng.random(n) < 1 / (1 + np.exp(-slope * (x - centre)))
    return 2.0**x, failed.astype(float), float(centre)


def within(seed: int, n: int, slope: float, seasons: int) -> tuple[float, float]:
    """Share of seasons whose interval covers the truth, and share found within a third of a stop."""
    rng = np.random.default_rng(seed)
    covered, close = [], []
    for _ in range(seasons):
        shutter, failed, centre = draw(rng, n, slope)
        found = fit_halfway(shutter, failed, 0.95)
        assert found is not None
        covered.append(found.low_s <= 2.0**centre <= found.high_s)
        close.append(abs(math.log2(found.shutter_s) - centre) <= 1 / 3)
    return float(np.mean(covered)), float(np.mean(close))


def test_half_fail_shutter_is_found_and_its_interval_keeps_its_word() -> None:
    # 60 draws: a true 95 % interval covers fewer than 53 of them once in 100 such tests.
    covered, close = within(7, 160, 2.5, 60)
    assert covered >= 53 / 60
    assert close >= 0.97


@pytest.mark.slow
@pytest.mark.parametrize(("n", "slope"), [(40, 1.5), (40, 2.5), (120, 1.5), (160, 2.5)])
def test_intervals_keep_their_word_over_many_seasons(n: int, slope: float) -> None:
    covered, _ = within(11, n, slope, 400)
    assert 0.93 <= covered <= 0.99


@pytest.mark.parametrize("seed", [1, pytest.param(2, marks=pytest.mark.slow), pytest.param(3, marks=pytest.mark.slow)])
def test_a_season_of_forty_shoots_with_logged_wind(tmp_path: Path, seed: int) -> None:
    truth = Truth(halfway_s=1 / 80, per_doubling=2.5, slope_per_stop=3.0)
    log = make_season(tmp_path, truth, np.random.default_rng(seed))
    season = learn(sorted(tmp_path.glob("*-windstill")), wind_log=log)
    assert season.halfway is not None
    # The wind spreads evenly in its logarithm about the usual wind, so over all winds the half-way shutter stays.
    assert abs(math.log2(season.halfway.shutter_s * 80)) <= 1 / 3
    assert season.halfway.low_s < 1 / 80 < season.halfway.high_s
    curve = season.wind_curve
    assert curve is not None
    calm, usual, windy = (curve.halfway_s(wind)[0] for wind in (1.5, 3.0, 6.0))
    assert calm > usual > windy
    assert abs(math.log2(usual * 80)) <= 1 / 3
    form = re.compile(r"Beaufort (\d), .*: half fail at 1/(\d+) s \(likely .*\)\.")
    said = [form.fullmatch(line) for line in wind_lines(season)]
    forces, shutters = zip(*(map(int, line.groups()) for line in said if line is not None), strict=True)
    assert len(forces) == len(said) >= 3 and sorted(forces) == [*forces] and sorted(shutters) == [*shutters]


def test_half_fail_shutter_in_each_wind_keeps_its_word() -> None:
    # 40 seasons: a true 95 % interval covers fewer than 34 of them once in 290 such tests.
    rng = np.random.default_rng(1)
    truth = Truth(halfway_s=1 / 80, per_doubling=2.5, slope_per_stop=3.0)
    known = 1 / 80 * (truth.wind_mps / 6.0) ** (2.5 / 3.0)
    covered = 0
    for _ in range(40):
        wind = np.repeat(truth.wind_mps * rng.lognormal(0, truth.wind_spread, 40), 4)
        shutter = 2.0 ** (rng.integers(-27, -8, 160) / 3)
        failed = [rng.random() < truth.failing(t, w) for t, w in zip(shutter, wind, strict=True)]
        table = pd.DataFrame({"held": 1.0 - np.array(failed), "shutter_s": shutter, "wind_mps": wind})
        curve = fit_with_wind(table, SeasonSettings())
        assert curve is not None
        _, low, high = curve.halfway_s(6.0)
        assert low < high < low * 8
        covered += low <= known <= high
    assert covered >= 34


def test_a_clean_break_is_placed_between_its_ends() -> None:
    shutter = 2.0 ** np.repeat(np.arange(-9.0, -2.0), 5)
    found = fit_halfway(shutter, (shutter > 2.0**-5.5).astype(float), 0.95)
    assert found is not None
    assert 2.0**-6 < found.shutter_s < 2.0**-5
    assert found.low_s < found.shutter_s < found.high_s
    assert math.isfinite(found.high_s)


def test_no_shutter_is_named_where_the_shutter_does_not_decide() -> None:
    rng = np.random.default_rng(5)
    named = 0
    for _ in range(40):
        shutter = 2.0 ** (rng.integers(-27, -8, 80) / 3)
        named += fit_halfway(shutter, (rng.random(80) < 0.4).astype(float), 0.95) is not None
    assert named <= 5
    # And never where longer shutters failed less.
    shutter = 2.0 ** np.repeat(np.arange(-9.0, -2.0), 6)
    assert fit_halfway(shutter, (shutter < 2.0**-6).astype(float), 0.95) is None


def test_all_alike_bears_no_fit() -> None:
    shutter = 2.0 ** np.linspace(-9, -2, 30)
    assert fit_halfway(shutter, np.zeros(30), 0.95) is None
    assert fit_halfway(shutter, np.ones(30), 0.95) is None


def test_curve_runs_from_none_to_all() -> None:
    rng = np.random.default_rng(2)
    shutter, failed, _ = draw(rng, 120, 2.0)
    found = fit_halfway(shutter, failed, 0.95)
    assert found is not None
    assert found.failing(found.shutter_s) == pytest.approx(0.5)
    assert found.failing(found.shutter_s / 16) < 0.05 < 0.95 < found.failing(found.shutter_s * 16)


@pytest.mark.parametrize(("good", "of"), [(7, 12), (1, 15), (0, 5), (5, 5)])
def test_wilson_interval_by_its_formula(good: int, of: int) -> None:
    # E. B. Wilson 1927: (p + z^2/2n +- z sqrt(p(1-p)/n + z^2/4n^2)) / (1 + z^2/n), z = 1.959964 (from memory).
    z, p = 1.959964, good / of
    middle = (p + z * z / (2 * of)) / (1 + z * z / of)
    half = z * math.sqrt(p * (1 - p) / of + z * z / (4 * of * of)) / (1 + z * z / of)
    found = wilson(good, of, 0.95)
    assert (found.low, found.high) == pytest.approx((middle - half, middle + half), abs=1e-6)


def test_wilson_covers_as_often_as_it_says() -> None:
    rng = np.random.default_rng(3)
    covered = 0
    for _ in range(400):
        p = rng.uniform(0.05, 0.95)
        found = wilson(int(rng.binomial(20, p)), 20, 0.95)
        covered += found.low <= p <= found.high
    assert covered >= 0.92 * 400


def test_frames_of_one_gust_count_as_one() -> None:
    rng = np.random.default_rng(4)
    gusts = rng.random(60) < 0.4
    clusters = np.repeat([f"s{i}" for i in range(60)], 5)
    assert design_effect(np.repeat(gusts.astype(float), 5), clusters) == pytest.approx(5, abs=0.01)
    assert design_effect((rng.random(300) < 0.4).astype(float), clusters) < 1.5
    assert design_effect(np.array([0.0, 1.0, 1.0]), np.array(["a", "b", "c"])) == 1
