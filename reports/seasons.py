"""How well `windstill settings` learns from made-up seasons with known truth: writes seasons.md beside this file.

    python reports/seasons.py [--seasons N] [--shoots N] [--stacks N] [--first-seed S] [--minutes M]

Seasons exist on paper: the tables a review writes, no pixels, so that a hundred of them take minutes. They go the whole
way of the command, from the folders on. In the first world failure is the logistic curve that is fitted; in the others
it is not: stems of their own swing in a wind of their own, and a set fails when what it shows moves by more than the
tolerance while the shutter is open. There the truth, the shutter at which half of all sets would fail, is worked out by
drawing many times more sets than a season holds.
"""

from __future__ import annotations

import argparse
import math
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
from said import machine, share
from scipy.stats import binom

from windstill.report.aside import written_aside
from windstill.season import learn

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent / "tests"))
from season_tables import Truth, make_season  # noqa: E402

STOPS = 1 / 3  # the half-way shutter is to be found within
DRAWS = 400_000  # sets from which the truth of a world is worked out
SAID_PCT = 95  # of the intervals, as `season.level` says
FULL_SCALE_PX, TOLERANCE_PX = 3000.0, 2.0  # px per metre of a stem at hand; tolerance of the default settings
SWING_HZ = 1.7


@dataclass(frozen=True)
class Swaying(Truth):
    """Stems that swing: a set fails when one of them passes the tolerance while the shutter is open.

    A stem leans 5 mm per m/s (a working assumption of `plan`), give or take `stem_spread` (log), at a moment of its
    swing nobody chose; in `lulls` of cases the photographer waited until the wind was a third.
    """

    stem_spread: float = 0.4
    lulls: float = 0.0

    def failing(self, shutter_s: float, wind_mps: float) -> float:
        """Share of sets that fail at a shutter in a wind, 0..1."""
        rng = np.random.default_rng([round(1e6 * shutter_s), round(1e3 * wind_mps)])
        return float(self.failed(np.full(400, shutter_s), np.full(400, wind_mps), rng).mean())

    def failed(self, shutter_s: np.ndarray, wind_mps: np.ndarray, rng: np.random.Generator) -> np.ndarray:
        """Whether each set fails, drawn."""
        n = len(shutter_s)
        wind = np.where(rng.random(n) < self.lulls, wind_mps / 3, wind_mps)
        swing_px = 0.005 * wind * rng.lognormal(0, self.stem_spread, n) * FULL_SCALE_PX
        # Smear is the way passed at the fastest of the few moments a set is exposed at.
        speed = swing_px * 2 * math.pi * SWING_HZ * np.abs(np.cos(rng.uniform(0, math.pi, (3, n)))).max(axis=0)
        return np.asarray(np.minimum(speed * shutter_s, 2 * swing_px) > TOLERANCE_PX)


@dataclass
class World:
    """One way in which sets fail, and what was found over its seasons."""

    name: str
    words: str
    truth: Truth
    halfway_s: float
    apart: list[float] = field(default_factory=list)  # stops between found and true
    covered: list[bool] = field(default_factory=list)
    wide: list[float] = field(default_factory=list)  # stops from end to end of the interval
    silent: int = 0
    steps: list[tuple[int, int]] = field(default_factory=list)  # shutter steps: intervals that cover, of


def worlds() -> Iterator[World]:
    """The worlds, with the true half-way shutter of each."""
    for name, words, truth in (
        ("logistic", "failure follows the curve fitted, steeply; one wind", Truth(halfway_s=1 / 80, wind_spread=0.0)),
        ("logistic, winds", "the same, and the half-way shutter falls as the wind rises",
         Truth(halfway_s=1 / 80, per_doubling=2.5, slope_per_stop=3.0)),
        ("stems", "stems of their own, caught at any moment of their swing", Swaying(wind_spread=0.4)),
        ("stems and lulls", "the same, and in two of five sets a lull was waited for",
         Swaying(wind_spread=0.4, lulls=0.4)),
    ):
        yield World(name, words, truth, _halfway(truth))


def _halfway(truth: Truth) -> float:
    """Shutter at which half of all sets fail, whatever their wind, by bisection over fixed draws."""
    wind = truth.wind_mps * np.random.default_rng(1).lognormal(0, truth.wind_spread, DRAWS)
    share: Callable[[float], float]
    if isinstance(truth, Swaying):
        def share(shutter_s: float) -> float:
            return float(truth.failed(np.full(DRAWS, shutter_s), wind, np.random.default_rng(2)).mean())
    else:
        odds = truth.per_doubling * np.log2(wind / truth.wind_mps)

        def share(shutter_s: float) -> float:
            own = truth.slope_per_stop * math.log2(shutter_s / truth.halfway_s)
            return float((1 / (1 + np.exp(-own - odds))).mean())
    low, high = -12.0, 2.0
    for _ in range(40):
        middle = (low + high) / 2
        low, high = (middle, high) if share(2.0**middle) < 0.5 else (low, middle)
    return float(2.0**low)


def true_shares(truth: Truth, steps: Sequence[int]) -> dict[int, float]:
    """Share of sets that hold among those within a shutter step, whatever their wind."""
    rng = np.random.default_rng(3)
    wind = truth.wind_mps * rng.lognormal(0, truth.wind_spread, 3000)
    thirds = np.arange(-27, -8) / 3  # the shutters `make_season` draws from
    found = {}
    for step in steps:
        own = thirds[np.round(thirds) == step]
        found[step] = 1 - float(np.mean([[truth.failing(2.0**t, w) for w in wind[:300]] for t in own]))
    return found


def main(argv: Sequence[str] | None = None) -> int:
    """Run the bench."""
    options = parse(argv)
    began = time.time()
    places = list(worlds())
    done = 0
    shares = [true_shares(w.truth, range(-9, -2)) for w in places]
    for k in range(options.seasons):
        if time.time() - began > 60 * options.minutes:
            break
        for number, (world, known) in enumerate(zip(places, shares, strict=True)):
            season(world, known, [options.first_seed + k, number], options)
        done += 1
    text = report(places, done, options, time.time() - began)
    print(text)
    if not options.no_write:
        with written_aside(HERE / "seasons.md") as aside:
            aside.write_text(text, "utf-8")
    return 0


def parse(argv: Sequence[str] | None) -> argparse.Namespace:
    """The command's options."""
    parser = argparse.ArgumentParser(description="How well settings learns, on made-up seasons with known truth.")
    parser.add_argument("--seasons", type=int, default=100, help="seasons of each world (default 100)")
    parser.add_argument("--shoots", type=int, default=40, help="shoots a season (default 40)")
    parser.add_argument("--stacks", type=int, default=4, help="stacks a shoot (default 4)")
    parser.add_argument("--first-seed", type=int, default=5000, help="seed of the first (default 5000)")
    parser.add_argument("--minutes", type=float, default=math.inf, help="begin no further season after this time")
    parser.add_argument("--no-write", action="store_true", help="print only; leave seasons.md as it is")
    return parser.parse_args(argv)


def season(world: World, known: dict[int, float], seed: list[int], options: argparse.Namespace) -> None:
    """Write one season's tables, learn from them, and set down how far off that is."""
    with tempfile.TemporaryDirectory(prefix="windstill-seasons-") as folder:
        root = Path(folder)
        make_season(root, world.truth, np.random.default_rng(seed), options.shoots, options.stacks)
        learnt = learn(sorted(root.glob("*-windstill")))
    if learnt.halfway is None:
        world.silent += 1
    else:
        found = learnt.halfway
        world.apart.append(math.log2(found.shutter_s / world.halfway_s))
        world.covered.append(found.low_s <= world.halfway_s <= found.high_s)
        world.wide.append(math.log2(found.high_s / max(found.low_s, 1e-9)))
    inside = [s.low <= known[step] <= s.high for step, s in learnt.per_step if step in known]
    world.steps.append((sum(inside), len(inside)))


def report(places: list[World], done: int, options: argparse.Namespace, seconds: float) -> str:
    """The contents of seasons.md."""
    command = f"python reports/seasons.py --seasons {done} --shoots {options.shoots} --stacks {options.stacks}"
    command += f" --first-seed {options.first_seed}"
    low, high = (int(binom.ppf(p, done, SAID_PCT / 100)) for p in (0.005, 0.995))
    lines = [
        "# What settings learns from a season", "",
        f"{datetime.now(UTC):%Y-%m-%d %H:%M} UTC · `{command}` · {machine()} · "
        f"{seconds:.0f} s", "",
        f"{done} seasons of {options.shoots} shoots of {options.stacks} stacks in each world, on paper: the tables of "
        "their reviews, drawn from a known truth. That reviews judge sets rightly is another question "
        "(accuracy.md).", "",
        *(f"- **{w.name}**: {w.words}; half of the sets fail at 1/{1 / w.halfway_s:.0f} s." for w in places), "",
        f"*Covers*: the interval called {SAID_PCT} % holds the true shutter. Of {done} honest intervals {low} to "
        f"{high} do in 99 of 100 such trials. *Steps*: intervals of the share that holds at one shutter step; sets of "
        "one shoot share its wind, which these intervals do not know.", "",
        "| world | within 1/3 stop | within 1/2 stop | usual error (median), stops | covers | interval (median), stops "
        "| no shutter named | steps: cover |", "| --- | --- | --- | --- | --- | --- | --- | --- |",
    ]  # fmt: skip
    for w in places:
        apart, named = np.abs(w.apart), len(w.apart)
        inside, of = (sum(column) for column in zip(*w.steps, strict=True))
        lines.append(
            f"| {w.name} | {share(int((apart <= STOPS).sum()), named)} | {share(int((apart <= 0.5).sum()), named)} | "
            f"{np.median(apart):.2f} ({np.median(w.apart):+.2f}) | {share(sum(w.covered), named)} | "
            f"{np.median(w.wide):.1f} | {w.silent} | {share(inside, of)} |"
        )
    lines += ["", "In brackets, the median of the error with its sign: above 0, the shutter named is too long."]
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    raise SystemExit(main())
