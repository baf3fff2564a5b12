"""One row per set that was meant to become a picture: its settings, its conditions, and whether it held."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from windstill.season.reading import PastReview

HELD = ("clean", "touch-up")
FAILED = ("hard", "lost")
COLUMNS = (
    "review", "set_id", "kind", "started_at", "camera", "shutter_s", "step", "focal_mm", "f_number", "iso", "nearest_m",
    "gap_s", "frames", "sway_max_px", "background_px", "smear_px", "shake_px", "tolerance_px", "picture_area_pct",
    "coverage_pct", "outlook", "held", "wind_mps",
)  # fmt: skip


def merged_sets(reviews: Sequence[PastReview]) -> pd.DataFrame:
    """Top-level sets of several frames, whatever they nest: each would have been one merge.

    Returns
    -------
    pandas.DataFrame
        The columns of `COLUMNS`. `shutter_s` is the median exposure of the set's frames (of a bracket, its middle),
        `step` the whole stop it belongs to (log2 of seconds, rounded), `nearest_m` the nearest focus, `gap_s` the
        median pause between frames, `background_px` what half of the judged area moved by in the worst pair. `held` is
        1 or 0, and empty where the outlook is unknown or where something other than movement spoiled the set.
    """
    rows = [row for review in reviews for row in _rows(review)]
    table = pd.DataFrame(rows, columns=list(COLUMNS))
    numeric = [c for c in COLUMNS if c not in ("review", "set_id", "kind", "started_at", "camera", "outlook")]
    table[numeric] = table[numeric].astype(float)
    return table


def single_frames(reviews: Sequence[PastReview]) -> pd.DataFrame:
    """One row per frame of those sets: review, root set, shutter and step, smear, shake, tolerance of the set."""
    parts = []
    for review in reviews:
        frames = review.frames.assign(review=review.name, root=_roots(review))
        tolerance = review.sets.set_index("set_id")["tolerance_px"]
        frames["tolerance_px"] = frames["root"].map(tolerance[~tolerance.index.duplicated()])
        merging = review.sets.loc[(review.sets["kind"] != "single") & (review.sets["parent_set"] == ""), "set_id"]
        parts.append(frames[frames["root"].isin(set(merging))])
    names = ["review", "root", "frame", "exposure_s", "smear_px", "shake_px", "tolerance_px", "focal_mm"]
    if not parts:
        return pd.DataFrame(columns=[*names, "step"])
    table = pd.concat([p.reindex(columns=names) for p in parts], ignore_index=True)
    table["step"] = shutter_step_of(table["exposure_s"])
    return table


def shutter_step_of(exposure_s: pd.Series) -> pd.Series:
    """Whole stop of each exposure time: log2 of seconds, rounded; empty where the time is unknown."""
    known = exposure_s.where(exposure_s > 0).astype(float)
    return pd.Series(np.log2(known.to_numpy(dtype=float)).round(), index=exposure_s.index)


def _roots(review: PastReview) -> pd.Series:
    """Top-level set of every frame."""
    parent = dict(zip(review.sets["set_id"], review.sets["parent_set"], strict=True))

    def root(set_id: str) -> str:
        seen = set()
        while parent.get(set_id) and set_id not in seen:
            seen.add(set_id)
            set_id = parent[set_id]
        return set_id

    return review.frames["set_id"].map({s: root(s) for s in set(review.frames["set_id"])})


def _rows(review: PastReview) -> list[dict[str, object]]:
    roots = _roots(review)
    pairs_root = dict(zip(review.frames["frame"], roots, strict=True))
    background = review.pairs.assign(root=review.pairs["frame_a"].map(pairs_root)).groupby("root")["sway_p50_px"].max()
    rows: list[dict[str, object]] = []
    tops = review.sets[(review.sets["parent_set"] == "") & (review.sets["kind"] != "single")]
    by_root = {str(root): part for root, part in review.frames.assign(begins=_seconds(review.frames)).groupby(roots)}
    for top in tops.to_dict("records"):
        frames = by_root.get(top["set_id"])
        if frames is None or len(frames) < 2:
            continue
        shutter = float(frames["exposure_s"].median())
        rows.append(
            {
                "review": review.name,
                "set_id": top["set_id"],
                "kind": top["kind"],
                "started_at": top["started_at"],
                "camera": next((c for c in frames.get("camera", []) if c), ""),
                "shutter_s": shutter,
                "step": round(math.log2(shutter)) if shutter > 0 else math.nan,
                "focal_mm": frames["focal_mm"].median(),
                "f_number": frames["f_number"].median(),
                "iso": frames["iso"].median(),
                "nearest_m": _finite(frames.get("focus_m")),
                "gap_s": _gap_s(frames),
                "frames": len(frames),
                "sway_max_px": top["sway_max_px"],
                "background_px": background.get(top["set_id"], math.nan),
                "smear_px": top["smear_px"],
                "shake_px": frames["shake_px"].max() if "shake_px" in frames else math.nan,
                "tolerance_px": top["tolerance_px"],
                "picture_area_pct": top.get("picture_area_pct", math.nan),
                "coverage_pct": top.get("coverage_pct", math.nan),
                "outlook": top["outlook"],
                "held": _held(top),
                "wind_mps": math.nan,
            }
        )
    return rows


def _held(top: dict[object, object] | dict[str, object]) -> float:
    outlook = top["outlook"]
    if outlook in HELD:
        return 1.0
    if outlook not in FAILED:
        return math.nan
    moved = [float(top[name] or math.nan) for name in ("sway_max_px", "smear_px")]  # type: ignore[arg-type]
    # Spoiled, and nothing moved beyond tolerance: a gap in coverage or overlap, which no shutter would have mended.
    return 0.0 if any(m > float(top["tolerance_px"]) for m in moved) else math.nan  # type: ignore[arg-type]


def _finite(distances: pd.Series | None) -> float:
    if distances is None:
        return math.nan
    known = distances[np.isfinite(distances) & (distances > 0)]
    return float(known.min()) if len(known) else math.nan


def _gap_s(frames: pd.DataFrame) -> float:
    """Median pause from the end of one frame to the start of the next, seconds; empty where times are unknown."""
    begins, lasts = frames["begins"].to_numpy(dtype=float), frames["exposure_s"].to_numpy(dtype=float)
    order = np.argsort(begins, kind="stable")
    pauses = np.diff(begins[order]) - lasts[order][:-1]
    pauses = pauses[np.isfinite(pauses)]
    return float(np.median(pauses.clip(min=0))) if len(pauses) else math.nan


def _seconds(frames: pd.DataFrame) -> NDArray[np.float64]:
    """When each frame began, in seconds; empty where unknown."""
    times = wall_clock(frames["captured_at"]).to_numpy(dtype="datetime64[us]")
    seconds = times.astype(np.int64) / 1e6
    return np.where(np.isnat(times), np.nan, seconds)


def wall_clock(times: pd.Series) -> pd.Series:
    """Times as the clock on the wall showed them (offsets dropped); NaT where there is none."""
    local = times.astype(str).str.replace(r"(Z|[+-]\d\d:?\d\d)$", "", regex=True)
    return pd.to_datetime(local, errors="coerce", format="ISO8601")
