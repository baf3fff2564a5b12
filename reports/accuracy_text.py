"""The bench's tables and plots: from rows to accuracy.md."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

import numpy as np
import pandas as pd
from accuracy_measures import FALSE_ALARM_PX, MAGNITUDES, OUTLOOKS, TIE_PX, auc, magnitude_bin
from accuracy_plots import plots

from windstill.report.aside import written_aside

Tables = Mapping[str, pd.DataFrame]
KINDS = ("bracket", "stack", "panorama", "burst", "single")
BINS = [f"{low:g}-{high:g}" for low, high in MAGNITUDES] + [f">{MAGNITUDES[-1][1]:g}"]
_FEW_SETS = 100
"""Sets. Under this the report says that it rests on few cases."""
TARGETS = {"0-1": (0.08, 0.25), "1-3": (0.15, 0.5), "3-8": (0.3, 1.2), "8-20": (0.5, 2.0)}


def table(head: Sequence[str], rows: Sequence[Sequence[object]]) -> str:
    """A Markdown table."""
    lines = [" | ".join(head), " | ".join("---" for _ in head)]
    lines += [" | ".join(str(cell) for cell in row) for row in rows]
    return "\n".join(f"| {line} |" for line in lines) + "\n"


def num(value: float, digits: int = 2) -> str:
    """A number, or a dash where there is none."""
    return "–" if value is None or not np.isfinite(value) else f"{value:.{digits}f}"


def share(flags: pd.Series) -> str:
    """Percent of true flags with how many of how many."""
    return "–" if not len(flags) else f"{100 * flags.mean():.1f} % ({int(flags.sum())}/{len(flags)})"


def quantile(values: pd.Series, q: float) -> float:
    """A quantile of the known values."""
    known = values.dropna()
    return float(known.quantile(q)) if len(known) else math.nan


# -- grouping ---------------------------------------------------------------------------------------------------


def grouping(t: Tables) -> str:
    """Frames, sets, takes, kinds."""
    frames, sets = t["frames"], t["sets"]
    rows: list[list[object]] = []
    for label, pick in (("with camera data", True), ("without", False), ("all", None)):
        f = frames if pick is None else frames[frames["camera_data"] == pick]
        s = sets if pick is None else sets[sets["camera_data"] == pick]
        tops = s[(s["level"] == 1)]
        several = tops[tops["kind"] != "single"]
        rows.append([
            label, share(f["right"]), share(f["right_frames"]), share(s["exact"]), share(several["take_right"]),
            share(several["scene_right"]), num(_rand(f), 4),
        ])  # fmt: skip
    out = table(["shoots", "frames in exactly the right innermost set and kind", "right frames, any kind",
                 "sets exact", "takes right", "scenes right", "adjusted Rand"], rows)  # fmt: skip
    levels = sorted(sets["level"].unique())
    out += "\nSets exact, by kind and nesting level (1 outermost):\n\n" + table(
        ["kind", *(f"level {k}" for k in levels)],
        [[kind, *(share(sets[(sets["kind"] == kind) & (sets["level"] == k)]["exact"]) for k in levels)]
         for kind in KINDS],
    )  # fmt: skip
    found = [*KINDS, "absent"]
    out += "\nKind of a frame's innermost set, true (rows) against found (columns), frames:\n\n" + table(
        ["true", *found],
        [[kind, *(int(((frames["kind"] == kind) & (frames["found_kind"] == k)).sum()) for k in found)]
         for kind in KINDS],
    )  # fmt: skip
    return out


def _rand(frames: pd.DataFrame) -> float:
    """Adjusted Rand index of the innermost partitions, mean over shoots (scikit-learn)."""
    from sklearn.metrics import adjusted_rand_score

    scores = [
        adjusted_rand_score(own["set_id"], own["found_set"].fillna("")) for _, own in frames.groupby("seed") if len(own)
    ]
    return float(np.mean(scores)) if scores else math.nan


# -- sway -------------------------------------------------------------------------------------------------------


def fair(regions: pd.DataFrame) -> pd.DataFrame:
    """Relevant, unoccluded blooms."""
    return regions[regions["relevant"] & regions["moving"] & (regions["visible"] >= 0.9)]


def _error_rows(groups: Sequence[tuple[str, pd.DataFrame]]) -> list[list[object]]:
    rows: list[list[object]] = []
    for label, own in groups:
        sure = own[own["measured"] > 0]
        both = sure[sure["flow_error"].notna()]
        rows.append([
            label, len(own), share(own["measured"] > 0), num(quantile(sure["error"], 0.5), 3),
            num(quantile(sure["error"], 0.9), 3), num(quantile(both["flow_error"], 0.5), 3),
            num(quantile(both["flow_error"], 0.9), 3),
        ])  # fmt: skip
    return rows


_ERRORS = ["", "regions", "measured", "median error px", "90th px", "plain flow: median", "90th"]


def sway(t: Tables) -> str:
    """Errors per region by everything that may matter."""
    r = fair(t["regions"]).assign(bin=lambda d: d["true"].map(magnitude_bin))
    out = ""
    for crisp, words in (("crisp", "Crisp (smear under 3 px at 6000 px width)"),
                         ("faint", "Faintly smeared (up to 4 px of the picture)"), ("smeared", "Smeared (over 4 px)")):
        own = r[r["crisp"] == crisp]
        rows = _error_rows([(b, own[own["bin"] == b]) for b in BINS if (own["bin"] == b).any()])
        if crisp == "crisp":
            rows = [[*row, " / ".join(map(str, TARGETS.get(str(row[0]), ("–", "–"))))] for row in rows]
            out += f"\n{words}, by true sway in px:\n\n" + table([*_ERRORS, "target median / 90th"], rows)
        else:
            out += f"\n{words}, by true sway in px:\n\n" + table(_ERRORS, rows)
    crisp = r[r["crisp"] == "crisp"]
    out += (
        "\nIn pairs whose camera moved sideways no one mapping lays near and far things still: there the error is "
        "that of where a thing is in the other frame.\n"
    )
    for title, groups in (
        ("what the camera did", [("turned or stood", crisp[~crisp["sideways"].astype(bool)]),
                                 ("moved sideways", crisp[crisp["sideways"].astype(bool)])]),
        ("kind of set", [(k, crisp[crisp["kind"] == k]) for k in KINDS]),
        ("exposure step, EV", _cut(crisp, "step_ev", (0, 0.1, 1.1, 2.1, 9))),
        ("difference of blur disc diameters, px", _cut(crisp, "blur_apart", (0, 1, 3, 8, 1e9))),
        ("blur disc, larger of the two, px", _cut(crisp, "blur", (0, 1, 3, 8, 1e9))),
        ("ISO (noise)", _cut(crisp, "iso", (0, 400, 1600, 6401))),
        ("what it is (texture)", [(k, crisp[crisp["object"] == k]) for k in sorted(crisp["object"].unique())]),
        ("smaller side of it, px", _cut(crisp, "width", (0, 24, 48, 96, 1e9))),
    ):
        out += f"\nCrisp, by {title}:\n\n" + table(_ERRORS, _error_rows([g for g in groups if len(g[1])]))
    hidden = t["regions"]
    hidden = hidden[hidden["relevant"] & hidden["moving"] & (hidden["visible"] < 0.9)]
    still = t["regions"]
    still = still[still["relevant"] & ~still["moving"]]
    out += "\nPartly hidden blooms, and regions that are no blooms (clouds, parallax):\n\n" + table(
        _ERRORS, _error_rows([("partly hidden", hidden), ("clouds, parallax", still)])
    )
    every = t["regions"][t["regions"]["measured"] > 0]
    own = t["regions"][t["regions"]["moving"] & t["regions"]["confidence"].notna()]
    edges = (0.01, 0.2, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.97, 1.01)
    out += "\nConfidence against error (all blooms, relevant or not):\n\n" + table(
        ["confidence", "regions", "median error px", "90th px", "off by over 1 px"],
        [[label, len(g), num(quantile(g["error"], 0.5), 3), num(quantile(g["error"], 0.9), 3), share(g["error"] > 1)]
         for label, g in _cut(own, "confidence", edges) if len(g)],
    )  # fmt: skip
    agree = every["tool_relevance"] >= 0.5
    out += f"\nRelevance of measured regions agrees with truth: {share(agree == every['relevant'])}.\n"
    return out


def _cut(data: pd.DataFrame, column: str, edges: Sequence[float]) -> list[tuple[str, pd.DataFrame]]:
    out = []
    for low, high in itertools.pairwise(edges):
        label = f"{low:g} and more" if high >= 1e9 else f"{low:g}-{high:g}"
        out.append((label, data[(data[column] >= low) & (data[column] < high)]))
    return out


SIDEWAYS = "moved sideways"

# -- sets -------------------------------------------------------------------------------------------------------


def compared(sets: pd.DataFrame) -> pd.DataFrame:
    """Sets found exactly that have pairs: their figures can be compared."""
    return sets[sets["exact"] & sets["has_pairs"]]


def _true(flags: pd.Series) -> pd.Series:
    """Flags with what is missing counted as no."""
    return flags.fillna(False).astype(bool)


def _turned_or_stood(sets: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Sets whose camera did not move sideways, and those of which it did."""
    beside = _true(sets["sideways"])
    return sets[~beside], sets[beside]


def near_enough(found: pd.Series, true: pd.Series) -> pd.Series:
    """Within a fifth or a pixel."""
    return (found.fillna(0) - true).abs() <= np.maximum(1.0, 0.2 * true)


def set_figures(t: Tables) -> str:
    """sway_max, sway_p95, false alarms, unknown, ROC, outlook."""
    s, beside = _turned_or_stood(compared(t["sets"]))
    p = t["pairs"][t["pairs"]["found"]]
    p, moved = p[~_true(p["sideways"])], p[_true(p["sideways"])]
    rows: list[list[object]] = []
    for kind, own, pair in (
        *((k, s[s["kind"] == k], p[p["kind"] == k]) for k in KINDS[:4]), ("all", s, p), (SIDEWAYS, beside, moved),
    ):  # fmt: skip
        if not len(own):
            continue
        rows.append([
            kind, len(own), share(near_enough(own["tool_sway_max_px"], own["true_max"])),
            share(near_enough(own["tool_sway_p95_px"], own["true_p95"])), len(pair),
            share(near_enough(pair["tool_max"], pair["true_max"])),
            share(near_enough(pair["tool_p95"], pair["true_p95"])), num(quantile(pair["measured_pct"], 0.5), 0),
        ])  # fmt: skip
    out = (
        "Within 20 % or 1 px of truth; sets of which the camera moved sideways stand apart: there sway is a matter "
        "of which of near and far things is laid still.\n\n"
    ) + table(
        ["kind", "sets", "sway_max", "sway_p95", "pairs", "sway_max of pairs", "sway_p95 of pairs",
         "measured_pct, median"], rows)  # fmt: skip
    movers = s[(s["true_max"] >= 1)]
    out += "\n`sway_max_px` of sets whose farthest mover covers so much of the picture, percent:\n\n" + table(
        ["share of the picture", "sets", "within 20 % or 1 px"],
        [[label, len(g), share(near_enough(g["tool_sway_max_px"], g["true_max"]))]
         for label, g in _cut(movers, "mover_pct", (0.05, 0.2, 1, 3, 1e9)) if len(g)],
    )  # fmt: skip
    out += f"\nTrue pairs the tool judged too: {share(t['pairs']['found'])}.\n"
    return out


def alarms(t: Tables) -> str:
    """Calm sets, unknown sets, ROC, outlook."""
    s, beside = _turned_or_stood(compared(t["sets"]))
    calm = s[_true(s["calm"])]
    rows: list[list[object]] = []
    for kind in (*KINDS[:4], "all"):
        own = calm if kind == "all" else calm[calm["kind"] == kind]
        every = s if kind == "all" else s[s["kind"] == kind]
        if not len(every):
            continue
        bad = own["tool_outlook"].isin(["hard", "lost"])
        undue = bad & ~own["true_outlook"].isin(["hard", "lost"])
        judged = every[every["calm"].astype(bool) | every["ruined"].astype(bool)]
        ruined = judged["ruined"].astype(bool).tolist()
        rows.append([
            kind, len(own), int((own["tool_sway_max_px"] > FALSE_ALARM_PX).sum()), int(undue.sum()),
            num(quantile(own["tool_sway_max_px"], 0.5)), num(quantile(own["tool_sway_max_px"], 0.9)),
            num(quantile(own["flow_p95"], 0.5)), share(every["tool_outlook"] == "unknown"),
            f"{sum(ruined)}/{len(ruined) - sum(ruined)}", num(auc(judged["tool_sway_max_px"].tolist(), ruined), 3),
            num(auc(judged["flow_p95"].tolist(), ruined), 3), num(auc(judged["difference"].tolist(), ruined), 3),
        ])  # fmt: skip
    out = table(
        ["kind", "calm sets", f"sway_max over {FALSE_ALARM_PX:g} px", "hard or lost without cause",
         "sway_max px, median", "90th", "plain flow p95, median", "unknown (all sets)", "ruined/calm", "AUC sway_max",
         "AUC plain flow", "AUC plain difference"], rows)  # fmt: skip
    if len(beside):
        said = ", ".join(f"{n} {o}" for o, n in beside["tool_outlook"].value_counts().items())
        out += f"\nLeft out, as a camera moved sideways: {len(beside)} sets, said to be {said}.\n"
    known = s[s["true_outlook"].notna()]
    out += "\nOutlook: from truth (rows) against the tool's (columns), sets:\n\n" + table(
        ["truth", *OUTLOOKS],
        [[o, *(int(((known["true_outlook"] == o) & (known["tool_outlook"] == k)).sum()) for k in OUTLOOKS)]
         for o in OUTLOOKS[:4]],
    )  # fmt: skip
    return out


# -- frames, camera, coverage, advice ---------------------------------------------------------------------------


def smear(t: Tables) -> str:
    """Smear of frames, blind, and of sets."""
    f = t["smear"]
    rows: list[list[object]] = []
    for label, g in _cut(f, "true", (0.0, 0.5, 1, 3, 8, 20, 40)):
        if not len(g):
            continue
        count, reported, *errors = _smear_errors(g)
        rows.append([
            label, count, reported, num(quantile(g["found"], 0.5)), *errors, share(g["found"].fillna(0) > 2),
            num(quantile(g["blur_effect"].astype(float), 0.5), 3),
        ])  # fmt: skip
    out = "`smear_px` of frames.csv, by true smear in px:\n\n" + table(
        ["true px", "frames", "reported", "found, median", "error, median", "90th", "within 15 % or 1 px",
         "angle off, median °", "over 2 px reported", "plain blur_effect, median"], rows)  # fmt: skip
    smeared = f[f["true"] >= 3]
    for what, column, edges in (
        ("ISO (noise)", "iso", (0, 400, 1600, 1e9)),
        ("percent of the picture that is sharp (texture to see it by)", "sharp_area", (0, 10, 30, 1e9)),
    ):
        out += f"\nSmear of 3 px and more, by {what}:\n\n" + table(
            ["", "frames", "reported", "error, median", "90th", "within 15 % or 1 px", "angle off, median °"],
            [[label, *_smear_errors(g)] for label, g in _cut(smeared, column, edges) if len(g)],
        )
    sharp = f[f["true"] < 0.5]
    out += "\nOver 2 px on frames with less than 0.5 px of smear: " + ", ".join(
        f"{k} {share(sharp[sharp['kind'] == k]['found'].fillna(0) > 2)}" for k in KINDS if (sharp["kind"] == k).any()
    ) + " (stacks hold the defocused frames).\n"  # fmt: skip
    tell = f[(f["true"] < 0.5) | (f["true"] > 4)]
    wrong = (tell["true"] > 4).tolist()
    out += (
        f"\nTelling frames smeared over 4 px from those under 0.5 px, AUC: smear_px "
        f"{num(auc(tell['found'].tolist(), wrong), 3)}, plain blur_effect "
        f"{num(auc(tell['blur_effect'].astype(float).tolist(), wrong), 3)}.\n"
    )
    s = compared(t["sets"])
    s = s[s["true_smear"] >= 1]
    known = s[s["tool_smear_px"].notna()]
    good = (known["tool_smear_px"] - known["true_smear"]).abs() <= np.maximum(1.0, 0.15 * known["true_smear"])
    out += (f"\nSets with at least 1 px of true smear on relevant things: reported {share(s['tool_smear_px'].notna())},"
            f" within 15 % or 1 px {share(good)}.\n")  # fmt: skip
    return out


def _smear_errors(frames: pd.DataFrame) -> list[object]:
    """Count, share reported, error of length and of angle."""
    known = frames[frames["found"].notna()]
    error = (known["found"] - known["true"]).abs()
    good = error <= np.maximum(1.0, 0.15 * known["true"])
    return [
        len(frames), share(frames["found"].notna()), num(quantile(error, 0.5)), num(quantile(error, 0.9)), share(good),
        num(quantile(frames["angle_error"], 0.5), 1),
    ]  # fmt: skip


def camera(t: Tables) -> str:
    """Alignment, coverage, overlap."""
    p = t["pairs"]
    p = p[p["found"]]
    rows: list[list[object]] = []
    for relation in ("exposure", "focus", "repeat", "view"):
        own = p[p["relation"] == relation]
        if not len(own):
            continue
        view = relation == "view"
        ok = own[own["aligned"]]
        similarity = ["–"] * 3 if view else [
            num(quantile(ok["shift_error"], 0.9), 3), num(quantile(ok["scale_error"], 0.9) * 1e4, 2),
            num(quantile(ok["rotation_error"], 0.9), 4),
        ]  # fmt: skip
        rows.append([
            relation, len(own), int((~own["aligned"].astype(bool)).sum()), num(quantile(ok["mapping_error"], 0.5), 3),
            num(quantile(ok["mapping_error"], 0.9), 3), num(ok["mapping_error"].max(), 2), *similarity,
        ])  # fmt: skip
    out = table(["relation", "pairs", "no mapping", "mapping off px, median", "90th", "largest", "shift off px, 90th",
                 "scale off 1e-4, 90th", "rotation off °, 90th"], rows)  # fmt: skip
    s = t["sets"][t["sets"]["exact"]]
    rows = []
    for kind in ("stack", "bracket"):
        own = s[(s["kind"] == kind) & s["true_coverage"].notna() & s["tool_coverage_pct"].notna()]
        if len(own):
            error_pct = (own["tool_coverage_pct"] - own["true_coverage"].astype(float)).abs()
            gap, said = own["true_coverage"].astype(float) < 95, own["tool_coverage_pct"] < 95
            rows.append([f"coverage, {kind}", len(own), num(quantile(error_pct, 0.5)), num(quantile(error_pct, 0.9)),
                         share(said[gap]), share(said[~gap])])  # fmt: skip
    own = s[(s["kind"] == "panorama") & s["true_overlap"].notna() & s["tool_overlap_pct"].notna()]
    if len(own):
        off = (own["tool_overlap_pct"] - own["true_overlap"].astype(float)).abs()
        worst = num(quantile(off, 0.9))
        rows.append(["smallest overlap, panorama", len(own), num(quantile(off, 0.5)), worst, "–", "–"])
    return out + "\nCoverage and overlap, percentage points off; gap = true coverage under 95 %:\n\n" + table(
        ["", "sets", "off, median", "off, 90th", "gaps found", "gaps claimed falsely"], rows)


def advice(t: Tables) -> str:
    """Best take, keep decisions."""
    takes, keep = t["takes"], t["keep"]
    out = "No scene was taken twice.\n"
    if len(takes):
        known = takes[takes["grouped"].astype(bool)]
        given_up = num(quantile(takes[~takes["right"].astype(bool)]["sway_given_up"], 0.5))
        out = (f"Best take exactly the stillest: {share(takes['right'])}; swaying by no more than {TIE_PX:g} px more, "
               f"whole like it: {share(takes['as_good'])}; where all takes were grouped exactly "
               f"{share(known['right'])} and {share(known['as_good'])}; "
               f"sway given up by those that are not it, median: {given_up} px.\n")
    unit = keep["unit"]
    moved = keep[keep["true_p95"] > 5 * unit]
    still = keep[keep["true_p95"] <= 1 * unit]
    choice = moved[moved["kind"] != "panorama"]["both_kept"]
    return out + (f"\nPairs with sway over 5 px at 6000 px of which both frames are kept: {share(moved['both_kept'])},"
                  f" {share(choice)} without panoramas, which need every view;"
                  f" still pairs of which both are kept: {share(still['both_kept'])}.\n")  # fmt: skip


# -- failures ---------------------------------------------------------------------------------------------------


def failures(t: Tables, most: int = 25) -> str:
    """The worst, by cause, with seeds and ids."""
    sets, out = t["sets"], ""
    wrong = sets[~sets["exact"]]
    out += f"Grouping: {len(wrong)} sets not exact.\n\n"
    found = t["frames"].groupby(["seed", "set_id"])["found_kind"].agg(lambda v: "+".join(sorted(set(v))))
    out += "".join(
        f"- seed {r.seed} `{r.set_id}` level {r.level}, {r.frames} frames{', aborted' if r.aborted else ''}: "
        f"found as {found.get((r.seed, r.set_id), 'sets below only')}\n" for r in wrong.head(most).itertuples()
    )
    p = t["pairs"][t["pairs"]["found"]]
    off = p[(~p["aligned"].astype(bool)) | (p["mapping_error"] > 1)].sort_values("mapping_error", ascending=False)
    out += f"\nAlignment: {len(off)} pairs without a mapping or off by over 1 px.\n\n"
    out += "".join(
        f"- seed {r.seed} `{r.frame_a}>{r.frame_b}` {r.relation}: off {num(r.mapping_error)} px, "
        f"step {num(r.step_ev, 1)} EV\n" for r in off.head(most).itertuples()
    )
    s = compared(sets)
    s = s.assign(off=(s["tool_sway_max_px"].fillna(0) - s["true_max"]), cause=s.apply(cause, axis=1))
    bad = s[~near_enough(s["tool_sway_max_px"], s["true_max"])]
    bad = bad.reindex(bad["off"].abs().sort_values(ascending=False).index)
    out += f"\nSway: {len(bad)} of {len(s)} sets with `sway_max_px` off by over 20 % and 1 px.\n\n"
    out += "".join(
        f"- seed {r.seed} `{r.set_id}`: {num(r.tool_sway_max_px)} px, true {num(r.true_max)} px "
        f"({'too much' if r.off > 0 else 'too little'}; {r.cause}); measured {num(r.tool_measured_pct, 0)} %, "
        f"mapping off {num(r.mapping_error)} px, smear {num(r.true_smear, 1)} px\n" for r in bad.head(most).itertuples()
    )
    f = t["smear"]
    false = f[(f["true"] < 0.5) & (f["found"].fillna(0) > 2)].sort_values("found", ascending=False)
    out += f"\nSmear: {len(false)} frames under 0.5 px of smear reported over 2 px.\n\n"
    out += "".join(f"- seed {r.seed} `{r.frame}` ({r.kind}): {num(r.found)} px, true {num(r.true)} px, ISO {r.iso:g}\n"
                   for r in false.head(most).itertuples())  # fmt: skip
    steps = {o: k for k, o in enumerate(OUTLOOKS[:4])}
    known = s[s["true_outlook"].notna()]
    far = known[[abs(steps.get(a, 9) - steps[b]) >= 2 for a, b in
                 zip(known["tool_outlook"], known["true_outlook"], strict=True)]]  # fmt: skip
    out += f"\nOutlook: {len(far)} sets two steps off, or unknown.\n\n"
    out += "".join(f"- seed {r.seed} `{r.set_id}`: {r.tool_outlook}, from truth {r.true_outlook}; {r.tool_reasons}\n"
                   for r in far.head(most).itertuples())  # fmt: skip
    return out


def cause(row: pd.Series) -> str:
    """Most likely cause of a wrong figure, first that applies."""
    if not np.isfinite(row["mapping_error"]) or row["mapping_error"] > 0.5:
        return "alignment"
    if pd.isna(row["tool_measured_pct"]) or row["tool_measured_pct"] < 20:
        return "too little measured"
    return "smear" if row["true_smear"] > 4 and row["tool_sway_max_px"] < row["true_max"] else "sway"


# -- the whole --------------------------------------------------------------------------------------------------

SECTIONS: tuple[tuple[str, Callable[[Tables], str]], ...] = (
    ("Grouping", grouping), ("Sway per region", sway), ("Sway of sets and pairs", set_figures),
    ("Calm, ruined, outlook", alarms), ("Smear", smear), ("Camera mapping, coverage, overlap", camera),
    ("Advice", advice), ("Failures", failures),
)  # fmt: skip


def terminal(t: Tables) -> str:
    """Everything but the failures, for the terminal."""
    return "\n".join(f"\n## {name}\n\n{make(t)}" for name, make in SECTIONS)


def report(t: Tables, head: Mapping[str, str], failed: Sequence[str], folder: Path) -> Path:
    """Write accuracy.md and its plots.

    Returns
    -------
    Path
        The report.
    """
    pictures = plots(t, folder)
    text = (
        "# Accuracy on simulated shoots\n\n"
        f"{head['date']} · `{head['command'].strip()}` · {head['machine']} · "
        f"{head['seconds']} s · code {head['code']}\n\n"
        f"Seeds and long sides: {head['shoots']}. None of them was used for tuning (seeds 1 to 999 are). "
        f"{len(t['frames'])} frames, {len(t['sets'])} sets, {len(t['pairs'])} pairs, {len(t['regions'])} regions.\n\n"
        "Truth is computed from the scenes, never from the pictures; the tool's figures are read from the tables it "
        "writes. Lengths in pixels of the picture as it is. \"Plain\" columns are the neighbours: phase correlation, "
        "histogram matching and dense inverse-search flow or absolute difference (scikit-image, OpenCV), and "
        "`blur_effect`. A region counts as measured when one of the tiles on it has a confidence of at least 0.5; "
        "its error is the distance between the median of those tiles and the truth. A set without a figure counts as "
        "0 px in ROC curves; a parent set counts beside its children, "
        "whose worst it shows. Sets the tool grouped otherwise are left out of the figures of sets and counted under "
        "grouping.\n"
    )
    if len(t["sets"]) < _FEW_SETS:
        text += f"\nOnly {len(t['sets'])} sets: shares and areas under the curve rest on very few cases.\n"
    if head["note"]:
        text += f"\n{head['note']}\n"
    if failed:
        text += "\nShoots that could not be reviewed:\n\n" + "".join(f"- {line}\n" for line in failed)
    for name, make in SECTIONS:
        text += f"\n## {name}\n\n{make(t)}"
        text += "".join(f"\n![{alt}]({path})\n" for path, alt in pictures.get(name, ()))
    path = folder / "accuracy.md"
    with written_aside(path) as aside:
        aside.write_text(text, "utf-8")
    return path
