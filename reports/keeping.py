"""How right windstill's advice is, on simulated shoots it was never tuned on: writes keeping.md beside this file.

    python reports/keeping.py [--shoots N] [--windy-shoots N] [--gap-shoots N] [--first-seed S]
                               [--width PX] [--sets N] [--workers N]

Random shoots (as `windstill simulate` draws them) and shoots with wind in every set answer what is kept and which take
is best; shoots made to have gaps (focus sweeps that begin too late, end too early or leave a position out; brackets too
bright or too dark; each beside whole ones) answer what is found missing. Truth comes from the scenes, never from the
pictures. Seeds 1 to 999 are for tuning; the report starts at 8000. Renderings and measures are kept under `--work`.
"""

from __future__ import annotations

import argparse
import itertools
import math
import os
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
from said import machine, share

import windstill
from windstill.optics.focus import focus_count, focus_positions
from windstill.records import FrameSet, Review
from windstill.report.aside import written_aside
from windstill.settings import Settings
from windstill.simulate import Description, Leanings, random_description, simulate
from windstill.simulate.describe import parse_description
from windstill.simulate.sensor import display
from windstill.simulate.stage import Stage
from windstill.simulate.timeline import Exposure, Timeline, TrueSet, lay_out
from windstill.simulate.truth import LEAST_AREA, SERVED_WEIGHT, SceneTruth, blend_weight

HERE = Path(__file__).resolve().parent
COVERS = 0.99  # share of what the full set covers
SWAYS_TIMES = 1.25  # times the tolerance: from here a frame brings sway beyond the error of measuring it
HAIR = 1.25  # times the disc that counts as sharp, or a third of a stop: beyond it a place is clearly not held
WIDEST_STEP_EV = 2.1  # exposures farther apart blend with noise and halos: common practice, no source
TIE_PX = 0.5  # takes whose true sway differs by less are equally good
GAP_PCT, WHOLE_PCT = 5.0, 0.5  # percent of the textured picture: a gap from, none below
GAP_TIMES = 2.0  # times the limit of sharpness (or of clipping): clearly a gap


@dataclass(frozen=True, slots=True)
class Case:
    """One set of a review beside its truth."""

    seed: int
    node: FrameSet
    true: TrueSet
    truth: SceneTruth
    by_name: dict[str, Exposure]
    review: Review

    @property
    def tolerance_px(self) -> float:
        return self.review.verdicts[self.node.set_id].tolerance_px


def main(argv: Sequence[str] | None = None) -> int:
    """Run the bench."""
    options = parse(argv)
    began = time.time()
    keep: list[dict[str, Any]] = []
    takes: list[dict[str, Any]] = []
    gaps: list[dict[str, Any]] = []
    failed: list[str] = []
    cut = ""
    for kind, seed in shoots(options):
        if keep and time.time() - began > 60 * options.minutes:
            cut = f"Cut short after {options.minutes:g} minutes, before {kind} seed {seed}."
            break
        try:
            gap = kind == "gap"
            description = {"gap": gap_shoot, "windy": windy_shoot, "random": random_shoot}[kind](seed, options)
            cases = list(reviewed(description, seed, kind, options))
        except Exception as err:
            # A shoot the pipeline cannot take is a result: the bench goes on and says so.
            failed.append(f"{kind} seed {seed}: {type(err).__name__}: {err}")
            print(failed[-1], file=sys.stderr, flush=True)
            continue
        keep += [row for case in cases if (row := keep_row(case)) is not None]
        gaps += [row for case in cases if (row := gap_row(case)) is not None]
        if not gap:
            takes += take_rows(cases)
        print(f"{kind} seed {seed}: {len(cases)} sets, {time.time() - began:.0f} s", flush=True)
    if not keep:
        print("no shoot could be reviewed", file=sys.stderr)
        return 1
    text = report(keep, takes, gaps, failed, cut, options, time.time() - began)
    print(text)
    if not options.no_write:
        with written_aside(HERE / "keeping.md") as aside:
            aside.write_text(text, "utf-8")
    return 0


def parse(argv: Sequence[str] | None) -> argparse.Namespace:
    """The command's options."""
    parser = argparse.ArgumentParser(description="How right the advice is, on simulated shoots with known truth.")
    parser.add_argument("--shoots", type=int, default=12, help="random shoots (default 12)")
    parser.add_argument("--windy-shoots", type=int, default=12, help="shoots with wind in every set (default 12)")
    parser.add_argument("--gap-shoots", type=int, default=12, help="shoots made to have gaps (default 12)")
    parser.add_argument("--first-seed", type=int, default=8000, help="seed of the first (default 8000)")
    parser.add_argument("--width", type=int, default=1000, help="long side in pixels (default 1000)")
    parser.add_argument("--sets", type=int, default=6, help="top-level sets a shoot (default 6)")
    parser.add_argument("--workers", type=int, default=min(2, os.cpu_count() or 1))
    parser.add_argument("--minutes", type=float, default=math.inf, help="begin no further shoot after this time")
    parser.add_argument("--no-write", action="store_true", help="print only; leave keeping.md as it is")
    parser.add_argument("--work", type=Path, default=Path(tempfile.gettempdir()) / "windstill-keeping",
                        help="folder for renderings and measures")
    options = parser.parse_args(argv)
    if not options.no_write and options.first_seed < 1000:
        parser.error("seeds 1 to 999 are for tuning: report on others, or add --no-write")
    return options


def shoots(options: argparse.Namespace) -> Iterator[tuple[str, int]]:
    """Kind and seed of every shoot, alternating, so that a run cut short has some of both."""
    for k in range(max(options.shoots, options.windy_shoots, options.gap_shoots)):
        if k < options.shoots:
            yield "random", options.first_seed + k
        if k < options.windy_shoots:
            yield "windy", options.first_seed + 250 + k
        if k < options.gap_shoots:
            yield "gap", options.first_seed + 500 + k


def random_shoot(seed: int, options: argparse.Namespace) -> Description:
    """A random evening of stacks, brackets, bursts; every third of any kind."""
    kinds: tuple[tuple[Any, ...] | None, ...] = (("stack",), ("bracket", "burst"), None)
    lean = Leanings(kinds=kinds[seed % 3])
    return random_description(options.sets, seed, width_px=options.width, leanings=lean)


def windy_shoot(seed: int, options: argparse.Namespace) -> Description:
    """Stacks, brackets and bursts, not nested, none of them in calm air."""
    lean = Leanings(kinds=("stack", "bracket", "burst"), nesting=False, oddities=False, calm=False)
    return random_description(options.sets, seed, width_px=options.width, leanings=lean)


def gap_shoot(seed: int, options: argparse.Namespace) -> Description:
    """Stacks whole or cut at an end or between, with and without written distances; brackets well and badly exposed."""
    rng = np.random.default_rng([seed, 0x6A9])
    kind = "bracket" if seed % 3 == 0 else "stack"
    lean = Leanings(kinds=(kind,), nesting=False, oddities=False)  # type: ignore[arg-type]
    values = random_description(options.sets, seed, width_px=options.width, leanings=lean).model_dump(mode="json")
    scenes = {s["name"]: s for s in values["scenes"]}
    for shot in values["shots"]:
        if kind == "stack":
            _cut_sweep(shot, scenes[shot["scene"]], values["bodies"][0]["sensor_mm"], rng, options.width)
        else:
            shot["compensation_ev"] = float(rng.choice([0.0, 0.0, 0.5, -0.5, 2.0, 3.5]))
        shot["wind_ms"] = 0.6 * float(shot["wind_ms"] or 0)
    return parse_description(values, f"gap shoot {seed}")


def _cut_sweep(shot: dict[str, Any], scene: dict[str, Any], sensor_mm: float, rng: Any, width: int) -> None:
    near, focal = 0.85 * scene["nearest_m"], scene["focal_mm"]
    circle = 0.8 * 3 * sensor_mm / width
    wanted = int(rng.integers(4, 8))
    f_number = float(np.clip(focal**2 / (circle * 1000) / (2 * wanted * near), 1.2, 16))
    count = max(focus_count(focal, f_number, circle, near, math.inf), 2)
    positions = list(focus_positions(near, math.inf, count))
    cut = int(rng.integers(1, 3))
    what = rng.choice(["whole", "whole", "near", "far", "between"])
    if len(positions) > cut + 2:
        at = int(rng.integers(1, len(positions) - cut))
        drop = {"near": slice(0, cut), "far": slice(-cut, None), "between": slice(at, at + cut), "whole": slice(0, 0)}
        del positions[drop[str(what)]]
    shot["focus"] = {"positions_m": positions[:: int(rng.choice([1, -1]))], "by_hand": bool(rng.random() < 0.2)}
    shot.update(f_number=f_number, exposure_s=None)


def reviewed(description: Description, seed: int, kind: str, options: argparse.Namespace) -> Iterator[Case]:
    """Render and review a shoot; give every set that was grouped as it was meant."""
    folder = options.work / f"{kind}-{seed}-{options.width}-{options.sets}"
    if not (folder / "truth.json").exists():
        simulate(description, folder, workers=options.workers)
    settings = Settings()
    settings = settings.model_copy(update={"run": settings.run.model_copy(update={"workers": options.workers})})
    with windstill.review(folder / "DCIM", folder / "review", settings, cache=options.work / "measures") as shoot:
        # Measures are read from the cache when asked for, and the rows are made after it is closed.
        record = shoot.record
        review = replace(record, scores=dict(record.scores), measures=dict(record.measures))
        timeline = lay_out(description)
        found = {(frozenset(n.frames), n.kind): n for n in review.grouping.sets}
        names = {f.name.removeprefix("DCIM/"): f for f in timeline.frames}
        for scene in sorted({f.scene for f in timeline.frames}):
            truth = SceneTruth(description, timeline, Stage(description, timeline, scene), scene)
            for true in timeline.sets:
                if timeline.frames[true.frames[0]].scene != scene or len(true.frames) < 2:
                    continue
                node = found.get((frozenset(_names(true, timeline)), true.kind))
                if node is not None and node.set_id in review.verdicts:
                    yield Case(seed, node, true, truth, names, review)


def _names(true: TrueSet, timeline: Timeline) -> list[str]:
    return [timeline.frames[i].name.removeprefix("DCIM/") for i in true.frames]


# -- what is kept -------------------------------------------------------------------------------------------------


def keep_row(case: Case) -> dict[str, Any] | None:
    """Coverage of the kept frames, and which frames would bring sway though they are not needed."""
    if case.node.kind not in ("stack", "bracket", "burst") or any("~" in m for m in case.node.members):
        return None
    advice, measure = case.review.advice[case.node.set_id], case.review.measures.get(case.node.set_id)
    if measure is None or not advice.keep_frames:
        return None
    order = [n for n in measure.frames if n in case.by_name]
    kept = [n for n in order if n in advice.keep_frames]
    served = served_places(case)
    whole = np.logical_or.reduce([served[n] for n in order]) if served else np.zeros(0, bool)
    about = {**{n: m & whole for n, m in served_places(case, HAIR).items()}, "": whole}
    brings = [n for n in order if _brings_sway(n, order, kept, advice.base_frame, served, case)]
    sharp = {n: m & whole for n, m in served_places(case, 1 / HAIR).items()} | {"": whole}
    clearly = [n for n in brings if not served or _covers([k for k in kept if k != n], ["", *kept], sharp) >= COVERS]
    return {
        "seed": case.seed, "width": case.truth.stage.width, "set": case.node.set_id,
        "kind": case.node.kind, "frames": len(order), "kept": len(kept), "covers": _covers(kept, order, served),
        "about": _covers(kept, ["", *kept], about if served else {}),
        "fewest": _fewest(order, served),
        "bring": len(brings), "dropped": sum(n not in kept for n in brings), "takes": case.node.take,
        "clearly": len(clearly), "clearly_dropped": sum(n not in kept for n in clearly),
        "stay": [n for n in brings if n in kept],
    }  # fmt: skip


def served_places(case: Case, hair: float = 1.0) -> dict[str, Any]:
    """Places each frame serves, by frame name; `hair`: times the limit of the disc, or a frame's light, for the better
    (above 1) or the worse.

    In a bracket the sky counts too: what alone holds it is needed. So do the blooms, by their area, which are what a
    photographer looks at; not the ground behind them, which is in no picture. In a stack a bloom is held where disc and
    smear together leave it sharp: one smeared by the wind in the frame focused on it is not held by it.
    """
    stage, frames = case.truth.stage, [case.truth.timeline.frames[i] for i in case.true.frames]
    if case.node.kind == "stack":
        limit = hair * case.truth.served_disc_px(frames[0])
        return {n: blur <= limit for n, blur in blur_px(case).items() if blur.size}
    if case.node.kind != "bracket":
        return {}
    light, flat = case.truth.seen(frames[0]).light[~_hidden(case)], stage.body(frames[0]).flat_response
    for bloom, head in _heads(case):
        levels = case.truth._head_levels(stage, bloom) * case.truth.corner_light(frames[0], *head.at)
        places = _places(case, bloom, head)
        light = np.concatenate([light, levels[np.linspace(0, levels.size - 1, places).astype(int)]])
    agreed = np.any if hair >= 1 else np.all
    return {
        f.name.removeprefix("DCIM/"): agreed(
            [blend_weight(display(light * stage.gain(f) * k, flat)) >= SERVED_WEIGHT for k in (1 / hair, 1, hair)],
            axis=0,
        )
        for f in frames
    }


def blur_px(case: Case) -> dict[str, Any]:
    """Blur of each place in the frames of a stack, pixels, by frame name: the disc, and in blooms the smear as well.

    Places are those of the first frame with texture, and blooms by their area.
    """
    truth, frames = case.truth, [case.truth.timeline.frames[i] for i in case.true.frames]
    seen = truth.seen(frames[0])
    distance = seen.distance[seen.textured & ~_hidden(case)]
    heads, found = [(bloom, _places(case, bloom, head)) for bloom, head in _heads(case)], {}
    for f in frames:
        discs = np.zeros(distance.shape)
        for d in np.unique(distance):
            discs[distance == d] = truth.stage.blur_px(f, float(d))
        parts = [discs]
        for bloom, places in heads:
            own = truth._head(f, bloom)
            smear = own.smear_px if own is not None else 0.0
            parts.append(np.full(places, math.hypot(truth.stage.blur_px(f, bloom.distance_m), smear)))
        found[f.name.removeprefix("DCIM/")] = np.concatenate(parts)
    return found


def _heads(case: Case) -> Iterator[tuple[Any, Any]]:
    """Blooms that the set's first frame shows, each with its head there."""
    truth, first = case.truth, case.truth.timeline.frames[case.true.frames[0]]
    for bloom in truth.stage.blooms:
        head = truth._head(first, bloom)
        if head is not None:
            yield bloom, head


def _places(case: Case, bloom: Any, head: Any) -> int:
    """How many places a head takes in the set's first frame."""
    truth, first = case.truth, case.truth.timeline.frames[case.true.frames[0]]
    return round(truth.seen(first).textured.size * truth._area(head) * truth._visible(first, bloom, head))


def _hidden(case: Case) -> Any:
    """Places of the first frame that a bloom stands in front of."""
    truth, first = case.truth, case.truth.timeline.frames[case.true.frames[0]]
    seen = truth.seen(first)
    hidden = np.zeros(seen.textured.shape, bool)
    for bloom, head in _heads(case):
        x, y = (seen.x - head.at[0]) / (head.width_px / 2), (seen.y - head.at[1]) / (head.height_px / 2)
        hidden |= (np.hypot(x, y) <= 1) & (seen.distance > bloom.distance_m)
    return hidden


def _fewest(order: Sequence[str], served: dict[str, Any]) -> int:
    """Frames left when those that bring least are given up one by one while the rest covers; 0: no such measure."""
    left = list(order) if served else []
    while len(left) > 1:
        covers, name = max((_covers([n for n in left if n != name], order, served), name) for name in left)
        if covers < COVERS:
            break
        left.remove(name)
    return len(left)


def _covers(names: Sequence[str], order: Sequence[str], served: dict[str, Any]) -> float:
    if not served:
        return 1.0 if names else 0.0
    whole = np.logical_or.reduce([served[n] for n in order]).sum()
    return float(np.logical_or.reduce([served[n] for n in names]).sum() / max(whole, 1)) if names else 0.0


def _brings_sway(
    name: str, order: Sequence[str], kept: Sequence[str], base: str | None, served: dict[str, Any], case: Case
) -> bool:
    """Whether the frame is not needed for coverage, moves against those it would be blended with, and they, without it,
    no more than before: one whose part a neighbour takes over, to sway as far against the next, brings none.
    """
    rest = [n for n in kept if n != name]
    if not rest or _covers(rest, order, served) < COVERS:
        return False
    if case.node.kind == "stack" and _softer(name, rest, case):
        return False
    if case.node.kind == "bracket" and not _steps_blend(rest, [n for n in order if n in rest or n == name], case):
        return False
    limit = case.tolerance_px
    if case.node.kind == "burst":
        against = base if base in rest else rest[0]
        return name != base and _sway(case, [*rest, name], str(against), name) > SWAYS_TIMES * limit
    with_it = [n for n in order if n in rest or n == name]
    at = with_it.index(name)
    beside = [with_it[i] for i in (at - 1, at + 1) if 0 <= i < len(with_it)]
    if max(_sway(case, with_it, n, name) for n in beside) <= SWAYS_TIMES * limit:
        return False
    for a, b in itertools.pairwise(rest):
        # What one of these now holds sharpest, and blends with the other, it may not have held with the frame there.
        before = 0.0 if [a, b] == beside else _sway(case, with_it, a, b)
        if _sway(case, rest, a, b) > max(limit, before):
            return False
    return True


def _softer(name: str, rest: Sequence[str], case: Case) -> bool:
    """Whether as much as a set may lose, though sharp in no frame, is clearly softer in the rest than in the frame.

    The nearest ground of a sweep that began too late is no less the nearest frame's: a photographer gives that frame up
    for sway as little as if its disc were just within the limit.
    """
    blur = blur_px(case)
    without = np.min([blur[n] for n in rest], axis=0)
    limit = case.truth.served_disc_px(case.by_name[name])
    worse = (without > limit) & (without > HAIR * blur[name])
    return bool(worse.size) and float(worse.mean()) > 1 - COVERS


def _steps_blend(rest: Sequence[str], before: Sequence[str], case: Case) -> bool:
    """Whether the exposures of a bracket stand no farther apart without one of them than blends well, or than they did.

    Frames too far apart share no brightness that a merge would draw on in both: they sway no more, nor do they blend.
    """
    new, old = (
        max((abs(case.by_name[a].metered_ev - case.by_name[b].metered_ev) for a, b in itertools.pairwise(names)),
            default=0.0)
        for names in (rest, before)
    )  # fmt: skip
    return new <= max(WIDEST_STEP_EV, old)


def _sway(case: Case, members: Sequence[str], a: str, b: str) -> float:
    """True sway between two frames where a merge of `members` would blend them: largest of any object that counts."""
    merged = replace(case.true, members=tuple(case.by_name[n].name for n in members))
    row = case.truth.pair_row(merged, case.by_name[a], case.by_name[b])
    area = case.truth.stage.width * case.truth.stage.height
    return max(
        (
            math.hypot(r["sway_x_px"], r["sway_y_px"])
            for r in row["regions"]
            if r["relevant"] and "smear_a_px" in r  # blooms: a ground that shifts as the camera moved is no sway
            and math.pi / 4 * r["w_px"] * r["h_px"] * r["visible"] >= LEAST_AREA * area
        ),
        default=0.0,
    )


# -- takes --------------------------------------------------------------------------------------------------------


def take_rows(cases: Sequence[Case]) -> list[dict[str, Any]]:
    """One row for each scene and kind with several takes, all grouped rightly."""
    groups: dict[tuple[int, str], list[Case]] = {}
    for case in cases:
        if case.true.parent_set is None:
            groups.setdefault((case.true.scene, case.true.kind), []).append(case)
    rows = []
    for own in groups.values():
        whole = [c for c in own if not c.true.aborted]
        if len(whole) < 2 or any(c.review.advice[c.node.set_id].best_take is None for c in own):
            continue
        sways = [_set_sway(c) for c in whole]
        chosen = [c.review.advice[c.node.set_id].best_take for c in whole]
        least = min(sways)
        picked = next((s for s, mine in zip(sways, chosen, strict=True) if mine), None)
        ruined = max(sways) - least
        rows.append({
            "takes": len(whole), "exact": picked == least, "right": picked is not None and picked - least <= TIE_PX,
            "apart": ruined > TIE_PX,
        })  # fmt: skip
    return rows


def _set_sway(case: Case) -> float:
    """True sway (95th percentile, worst pair) of a set and all below it, as truth.json gives it."""
    import json

    folder = Path(case.review.root).parent
    rows = json.loads((folder / "truth.json").read_text("utf-8"))["sets"]
    return next(float(r["sway_p95_px"] or 0) for r in rows if r["set_id"] == case.true.set_id)


# -- gaps ---------------------------------------------------------------------------------------------------------


def gap_row(case: Case) -> dict[str, Any] | None:
    """Whether the set misses part of the picture, and whether the review says so."""
    if case.node.kind not in ("stack", "bracket"):
        return None
    measure = case.review.measures.get(case.node.set_id)
    if measure is None or measure.coverage is None:
        return None
    seen = case.truth.seen(case.truth.timeline.frames[case.true.frames[0]])
    if not seen.textured.any():
        return None
    if case.node.kind == "stack":
        sure, maybe = _unsharp_pct(case, seen)
        said = [g for g in measure.coverage.found if g.what in ("near", "far", "before", "after", "between")]
        known = case.review.frames[0].camera.exposure_s is not None
    else:
        sure, maybe = _clipped_pct(case, seen)
        said = [g for g in measure.coverage.found if g.what in ("bright", "dark")]
        known = True
    written = case.node.kind == "bracket" or all(
        f.camera.focus_m and f.camera.focal_mm for f in case.review.frames if f.name in case.node.frames
    )
    what = "gap" if sure >= GAP_PCT else "whole" if maybe <= WHOLE_PCT else "between"
    return {"kind": case.node.kind, "truth": what, "found": bool(said), "written": bool(written and known),
            "frames": len(measure.frames), "true_pct": maybe,
            "tool_pct": 100 - (measure.coverage.coverage_pct or 0.0)}  # fmt: skip


def _unsharp_pct(case: Case, seen: Any) -> tuple[float, float]:
    """Percent of the textured picture that is clearly out of focus in every frame, and that is at all."""
    stage = case.truth.stage
    frames = [case.truth.timeline.frames[i] for i in case.true.frames]
    limit = case.truth.served_disc_px(frames[0])
    distance = seen.distance[seen.textured]
    least = np.zeros(distance.shape)
    for d in np.unique(distance):
        least[distance == d] = min(stage.blur_px(f, float(d)) for f in frames)
    blooms = _blooms(case, frames)
    share = min(sum(area for area, _ in blooms) / max(float(seen.textured.mean()), 1e-6), 1.0)
    return (
        100 * _unsharp(least, blooms, share, GAP_TIMES * limit), 100 * _unsharp(least, blooms, share, limit)
    )


def _blooms(case: Case, frames: list[Exposure]) -> list[tuple[float, float]]:
    """Share of the picture that each bloom takes, and its disc in the frame that holds it sharpest."""
    truth, found = case.truth, []
    for bloom in truth.stage.blooms:
        head = truth._head(frames[0], bloom)
        if head is not None:
            area = truth._area(head) * truth._visible(frames[0], bloom, head)
            found.append((area, min(truth.stage.blur_px(f, bloom.distance_m) for f in frames)))
    return found


def _unsharp(least: Any, blooms: list[tuple[float, float]], share: float, limit: float) -> float:
    """Share of what is textured whose disc exceeds the limit; blooms stand in front of `share` of it."""
    area = sum(a for a, _ in blooms)
    of_blooms = sum(a for a, disc in blooms if disc > limit) / area if area else 0.0
    return (1 - share) * float((least > limit).mean()) + share * of_blooms


def _clipped_pct(case: Case, seen: Any) -> tuple[float, float]:
    """Percent of the picture clipped for certain in every frame, and that is near clipping or near black in all."""
    stage = case.truth.stage
    frames = [case.truth.timeline.frames[i] for i in case.true.frames]
    flat = stage.body(frames[0]).flat_response
    signal = np.stack([seen.light * stage.gain(f) for f in frames])
    darkest, brightest = signal.min(axis=0), signal.max(axis=0)
    doubt = (darkest > 0.4) | (display(brightest, flat) < 0.06)
    return 100 * float((darkest > GAP_TIMES).mean()), 100 * float(doubt.mean())


# -- words --------------------------------------------------------------------------------------------------------


def report(
    keep: list[dict[str, Any]], takes: list[dict[str, Any]], gaps: list[dict[str, Any]], failed: list[str], cut: str,
    options: argparse.Namespace, seconds: float,
) -> str:
    """The contents of keeping.md."""
    command = f"python reports/keeping.py --shoots {options.shoots} --windy-shoots {options.windy_shoots}"
    command += f" --gap-shoots {options.gap_shoots}"
    command += f" --first-seed {options.first_seed} --width {options.width} --sets {options.sets}"
    lines = [
        "# What is kept, which take, what is missing", "",
        f"{datetime.now(UTC):%Y-%m-%d %H:%M} UTC · `{command}` · {machine()} · "
        f"{seconds:.0f} s", "",
        "Truth is computed from the scenes; sets that were grouped otherwise than they were meant are left out. Small "
        f"numbers of cases are small: read the counts. {cut}".rstrip(), "",
        "## Frames kept", "",
        "Sharp or well exposed as truth.json counts it; blooms count by their area in front of the ground, in brackets "
        "the sky as well. *Fewest*: that cover 99% by the truth, greedily; a bracket also needs steps that blend. "
        f"A frame *would bring sway* when the others cover {COVERS:.0%} of what the set covers without it and leave "
        f"no more than the rest clearly softer that is sharp in no frame ({HAIR} times the disc), something "
        f"it shows moved by more than {SWAYS_TIMES} times the tolerance against a frame it would be blended with, and "
        "those blend without sway where it is left out (a bracket in steps that blend). *About*: a place whose disc "
        f"is up to {HAIR} times the limit in a frame kept, or whose light misses it by up to a third of a stop, is not "
        "counted as lost; at the limit itself a hair decides. *Clearly*: without the frame the others still cover as "
        "much where the limit is stricter by as much.".replace("%", " %"), "",
        "| kind | sets | cover at least 99 % of the full set | least | about | least | frames kept | fewest | frames "
        "that would bring sway: dropped | clearly: dropped |",
        "| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |",
    ]  # fmt: skip
    for kind, rows in _by(keep, "kind"):
        good = sum(r["covers"] >= COVERS for r in rows)
        lines.append(
            f"| {kind} | {len(rows)} | {share(good, len(rows))} | {100 * min(r['covers'] for r in rows):.1f} % | "
            f"{share(sum(r['about'] >= COVERS for r in rows), len(rows))} | "
            f"{100 * min(r['about'] for r in rows):.1f} % | "
            f"{share(sum(r['kept'] for r in rows), sum(r['frames'] for r in rows))} | "
            f"{sum(r['fewest'] for r in rows) or ''} | "
            f"{share(sum(r['dropped'] for r in rows), sum(r['bring'] for r in rows))} | "
            f"{share(sum(r['clearly_dropped'] for r in rows), sum(r['clearly'] for r in rows))} |"
        )
    apart = [r for r in takes if r["apart"]]
    lines += [
        "", "## Best take", "",
        f"Right: the take advised sways by no more than {TIE_PX} px above the stillest (true 95th percentile, worst "
        "pair); a take broken off is never the stillest.", "",
        f"- right: {share(sum(r['right'] for r in takes), len(takes))}",
        f"- where takes differ by more than that: {share(sum(r['right'] for r in apart), len(apart))}",
        f"- exactly the stillest: {share(sum(r['exact'] for r in takes), len(takes))}", "",
        "## Gaps", "",
        f"Gap: at least {GAP_PCT:.0f} % of the textured picture, blooms included, is blurred in every frame by more "
        f"than {GAP_TIMES:.0f} "
        f"times the disc that counts as sharp (stacks), or {GAP_PCT:.0f} % of the picture is exposed {GAP_TIMES:.0f} "
        f"times over clipping in every frame (brackets). Whole: under {WHOLE_PCT} % is out of focus at all, or near "
        "clipping or black. What lies between is counted apart: there the limit itself decides.", "",
        "| sets | gaps found | whole sets said to have one | between: said to have one |", "| --- | --- | --- | --- |",
    ]  # fmt: skip
    for name, rows in _gap_groups(gaps):
        counted = []
        for truth in ("gap", "whole", "between"):
            own = [r for r in rows if r["truth"] == truth]
            counted.append(share(sum(r["found"] for r in own), len(own)))
        lines.append(f"| {name} | {' | '.join(counted)} |")
    if failed:
        lines += ["", "## Shoots that could not be reviewed", "", *(f"- {line}" for line in failed)]
    return "\n".join(lines) + "\n"


def _by(rows: list[dict[str, Any]], key: str) -> Iterator[tuple[str, list[dict[str, Any]]]]:
    ordered = sorted(rows, key=lambda r: str(r[key]))
    for value, own in itertools.groupby(ordered, key=lambda r: str(r[key])):
        yield value, list(own)
    if len({r[key] for r in rows}) > 1:
        yield "all", rows


def _gap_groups(gaps: list[dict[str, Any]]) -> Iterator[tuple[str, list[dict[str, Any]]]]:
    stacks = [r for r in gaps if r["kind"] == "stack"]
    yield "stacks, distances written", [r for r in stacks if r["written"]]
    yield "stacks, none written, 3 frames or more", [r for r in stacks if not r["written"] and r["frames"] >= 3]
    yield "stacks, none written, 2 frames (never judged)", [
        r for r in stacks if not r["written"] and r["frames"] < 3
    ]
    yield "brackets", [r for r in gaps if r["kind"] == "bracket"]
    yield "all", gaps


if __name__ == "__main__":
    raise SystemExit(main())
