"""One shoot's rows for the bench's tables: what is true, what the tool wrote, what the plain neighbours gave."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd
from accuracy_measures import (
    TIE_PX,
    Row,
    angle_apart,
    carried,
    crispness,
    grouping_rows,
    mapping_error,
    matrix_of,
    region_sway,
    seen_from,
    true_outlook,
)
from accuracy_shoots import Reviewed

Rows = dict[str, list[Row]]
NAMES = ("frames", "sets", "pairs", "regions", "smear", "takes", "keep")


def rows_of(shoot: Reviewed, plain: Mapping[str, Any] | None) -> Rows:
    """All rows of one shoot.

    Parameters
    ----------
    shoot : Reviewed
    plain : mapping, optional
        The baselines of the shoot.
    """
    truth = shoot.truth
    tool_sets = shoot.sets.to_dict("records")
    frames, sets = grouping_rows(truth["sets"], tool_sets)
    rows: Rows = {name: [] for name in NAMES}
    rows["frames"] = frames
    rows["pairs"], rows["regions"] = _pairs(shoot, plain)
    rows["sets"] = _sets(shoot, sets, rows["pairs"], plain)
    rows["smear"] = _smear(shoot, plain)
    rows["takes"] = _takes(shoot, sets)
    rows["keep"] = _keep(shoot)
    data = bool(shoot.frames["exposure_s"].notna().any())
    for table in rows.values():
        for row in table:
            row.update(seed=shoot.ask.seed, unit=shoot.unit, camera_data=data)
    return rows


def _size(shoot: Reviewed, frame: str) -> tuple[int, int] | None:
    own = shoot.frames[shoot.frames["frame"] == frame]
    if not len(own) or own[["width_px", "height_px"]].isna().any(axis=None):
        return None
    return int(own["width_px"].iloc[0]), int(own["height_px"].iloc[0])


def _exposure_ev(row: Mapping[str, Any]) -> float:
    return math.log2(row["exposure_s"] * row["iso"] / row["f_number"] ** 2)


def _pairs(shoot: Reviewed, plain: Mapping[str, Any] | None) -> tuple[list[Row], list[Row]]:
    by_frames = {frozenset((p["frame_a"], p["frame_b"])): p for p in shoot.pairs.to_dict("records")}
    tiles = dict(iter(shoot.tiles.groupby(["frame_a", "frame_b"], sort=False)))
    facts = {f["frame"]: f for f in shoot.truth["frames"]}
    kinds = {s["set_id"]: s["kind"] for s in shoot.truth["sets"]}
    pairs: list[Row] = []
    regions: list[Row] = []
    for truth in shoot.truth["pairs"]:
        a, b = truth["frame_a"], truth["frame_b"]
        tool = by_frames.get(frozenset((a, b)))
        size = _size(shoot, a)
        near = (plain or {}).get("pairs", {}).get(f"{a}>{b}") or {}
        row: Row = {
            "set_id": truth["set_id"], "kind": kinds[truth["set_id"]], "relation": truth["relation"], "frame_a": a,
            "frame_b": b, "found": tool is not None, "true_p95": truth["sway_p95_px"],
            "true_max": truth["sway_max_px"], "flow_p95": near.get("flow_p95"), "difference": near.get("difference"),
            "step_ev": abs(_exposure_ev(facts[a]) - _exposure_ev(facts[b])),
        }  # fmt: skip
        pairs.append(row)
        if tool is None or size is None:
            continue
        flipped = tool["frame_a"] == b
        true_matrix, found_matrix = matrix_of(truth, size), matrix_of(tool, size)
        if flipped:
            found_matrix = np.linalg.inv(found_matrix) if np.isfinite(found_matrix).all() else found_matrix
        row.update(_camera(truth, tool, flipped), mapping_error=mapping_error(true_matrix, found_matrix, size))
        row["sideways"] = truth["relation"] != "view" and any(map(_shifted_by_the_camera, truth["regions"]))
        row.update(
            tool_relation=tool["relation"], tool_p95=tool["sway_p95_px"], tool_max=tool["sway_max_px"],
            measured_pct=tool["measured_pct"], relevant_pct=tool["relevant_pct"],
            aligned=bool(np.isfinite(found_matrix).all()),
        )  # fmt: skip
        own = tiles.get((tool["frame_a"], tool["frame_b"]))
        for k, region in enumerate(truth["regions"]):
            flow = near.get("regions", [None] * (k + 1))[k]
            regions.append(
                _region(row, region, k, own, (true_matrix, found_matrix), flipped, flow, facts, shoot.unit)
            )
    return pairs, regions


def _shifted_by_the_camera(region: Mapping[str, Any]) -> bool:
    """Still scenery over 1 px off what the true mapping lays still: the camera moved sideways."""
    still = "smear_a_px" not in region and region.get("object") != "clouds"
    return still and math.hypot(region["sway_x_px"], region["sway_y_px"]) > 1


def _camera(truth: Mapping[str, Any], tool: Mapping[str, Any], flipped: bool) -> Row:
    """Errors of shift, scale and rotation; a flipped pair's similarity is inverted first."""
    scale, rotation = float(tool["scale"]), float(tool["rotation_deg"])
    shift = np.array([tool["shift_x_px"], tool["shift_y_px"]], float)
    if flipped:
        c, s = math.cos(math.radians(-rotation)) / scale, math.sin(math.radians(-rotation)) / scale
        shift = -np.array([[c, s], [-s, c]]) @ shift
        scale, rotation = 1 / scale, -rotation
    return {
        "shift_error": float(np.hypot(shift[0] - truth["shift_x_px"], shift[1] - truth["shift_y_px"])),
        "scale_error": abs(scale - truth["scale"]), "rotation_error": abs(rotation - truth["rotation_deg"]),
        "true_scale": truth["scale"],
    }  # fmt: skip


def _region(
    pair: Row, region: Mapping[str, Any], number: int, tiles: pd.DataFrame | None, matrices: tuple[Any, Any],
    flipped: bool, flow: list[float] | None, facts: Mapping[str, Any], unit: float,
) -> Row:  # fmt: skip
    """Truth and finding of one region; `matrices` are the true and the found mapping of the truth's b to its a."""
    at, sway = seen_from(region, matrices[0], flipped)
    size = np.array([region["w_px"], region["h_px"]], float)
    found = region_sway(tiles, at, size) if tiles is not None else {"measured": 0, "tiles": 0}
    true = np.array([region["sway_x_px"], region["sway_y_px"]])
    seen = np.array([found.get("x", math.nan), found.get("y", math.nan)])
    error = float(np.hypot(*(seen - sway)))
    if pair["sideways"]:
        # No mapping lays near and far things still, so that sway is a matter of which one is taken. Where a thing is
        # in the other frame is not.
        to_b = [m if flipped else np.linalg.inv(m) for m in matrices] if np.isfinite(matrices[1]).all() else None
        error = math.nan if to_b is None else float(
            np.hypot(*(carried(to_b[1], at[None] + seen) - carried(to_b[0], at[None] + sway))[0]))  # fmt: skip
    iso = max(facts[pair["frame_a"]]["iso"], facts[pair["frame_b"]]["iso"])
    blur_a, blur_b = region.get("blur_a_px", math.nan), region.get("blur_b_px", math.nan)
    return {
        "set_id": pair["set_id"], "kind": pair["kind"], "relation": pair["relation"], "frame_a": pair["frame_a"],
        "frame_b": pair["frame_b"], "region": number, "object": region.get("object", ""),
        "moving": "smear_a_px" in region, "true": float(np.hypot(*true)), "relevant": bool(region["relevant"]),
        "smear": region["smear_px"], "crisp": crispness(region["smear_px"], unit),
        "visible": region.get("visible", 1.0), "blur": region["blur_px"], "blur_apart": abs(blur_a - blur_b),
        "step_ev": pair["step_ev"], "iso": iso, "width": float(min(size)), "x_px": region["x_px"],
        "y_px": region["y_px"],
        "error": error, "sideways": pair["sideways"],
        "found": float(np.hypot(*seen)),
        "confidence": found.get("confidence", math.nan), "measured": found["measured"], "tiles": found["tiles"],
        "tool_relevance": found.get("relevance", math.nan), "changed": found.get("changed", math.nan),
        "mapping_error": pair.get("mapping_error", math.nan),
        "flow_error": math.nan if flow is None else float(np.hypot(flow[0] - true[0], flow[1] - true[1])),
    }  # fmt: skip


def _sets(shoot: Reviewed, sets: list[Row], pairs: list[Row], plain: Mapping[str, Any] | None) -> list[Row]:
    truth = {s["set_id"]: s for s in shoot.truth["sets"]}
    tool = {s["set_id"]: s for s in shoot.sets.to_dict("records")}
    below = _below(list(truth.values()))
    by_set: dict[str, list[Row]] = {}
    true_pairs: dict[str, list[Mapping[str, Any]]] = {}
    for row, pair in zip(pairs, shoot.truth["pairs"], strict=True):
        by_set.setdefault(pair["set_id"], []).append(row)
        true_pairs.setdefault(pair["set_id"], []).append(pair)
    out = []
    for row in sets:
        t = truth[row["set_id"]]
        own = [p for s in below[row["set_id"]] for p in by_set.get(s, ())]
        real = [p for s in below[row["set_id"]] for p in true_pairs.get(s, ())]
        row.update({
            "has_pairs": bool(real), "true_p95": t["sway_p95_px"], "true_max": t["sway_max_px"], "calm": t["calm"],
            "ruined": t["ruined"], "true_coverage": t["coverage_pct"], "true_overlap": t["overlap_pct"],
            "flow_p95": max((p["flow_p95"] for p in own if p["flow_p95"] is not None), default=math.nan),
            "difference": max((p["difference"] for p in own if p["difference"] is not None), default=math.nan),
            "true_smear": max((r["smear_px"] for p in real for r in p["regions"] if r["relevant"]), default=0.0),
            "mapping_error": max((p.get("mapping_error", math.nan) for p in own), default=math.nan),
            "mover_pct": _largest_mover(real, shoot), "sideways": any(p.get("sideways", False) for p in own),
        })  # fmt: skip
        if (found := tool.get(row["found_set"] or "")) is not None:
            row.update({f"tool_{k}": found[k] for k in (
                "sway_p95_px", "sway_max_px", "measured_pct", "coverage_pct", "overlap_pct", "outlook", "smear_px",
                "tolerance_px", "reasons", "picture_area_pct",
            )})  # fmt: skip
            size = _size(shoot, sorted(_frames_of(t, truth))[0])
            if size is not None and real and not pd.isna(found["tolerance_px"]):
                row["true_outlook"] = true_outlook(real, t["coverage_pct"], float(found["tolerance_px"]), size)
        out.append(row)
    return out


def _frames_of(s: Mapping[str, Any], truth: Mapping[str, Mapping[str, Any]]) -> set[str]:
    found: set[str] = set()
    for member in s["members"]:
        found |= _frames_of(truth[member], truth) if member in truth else {member}
    return found


def _below(sets: list[Mapping[str, Any]]) -> dict[str, list[str]]:
    """Each set's own id and those of all sets below it."""
    ids = {s["set_id"]: s for s in sets}

    def down(name: str) -> list[str]:
        return [name] + [n for m in ids[name]["members"] if m in ids for n in down(m)]

    return {name: down(name) for name in ids}


def _largest_mover(pairs: list[Mapping[str, Any]], shoot: Reviewed) -> float:
    """Share of the picture of the relevant region that moved farthest, percent."""
    moved = [
        (math.hypot(r["sway_x_px"], r["sway_y_px"]), r["w_px"] * r["h_px"])
        for p in pairs for r in p["regions"] if r["relevant"]
    ]
    if not moved or max(moved)[0] < 1:
        return math.nan
    size = _size(shoot, pairs[0]["frame_a"])
    return math.nan if size is None else 100 * math.pi / 4 * max(moved)[1] / (size[0] * size[1])


def _smear(shoot: Reviewed, plain: Mapping[str, Any] | None) -> list[Row]:
    blur = (plain or {}).get("blur", {})
    kinds = {s["set_id"]: s["kind"] for s in shoot.truth["sets"]}
    tool = {f["frame"]: f for f in shoot.frames.to_dict("records")}
    out = []
    for truth in shoot.truth["frames"]:
        found = tool.get(truth["frame"])
        if found is None:
            continue
        angle = math.nan
        if truth["smear_angle_deg"] is not None and not pd.isna(found["smear_angle_deg"]):
            angle = angle_apart(truth["smear_angle_deg"], float(found["smear_angle_deg"]))
        out.append({
            "frame": truth["frame"], "kind": kinds[truth["set_id"]], "true": truth["smear_px"],
            "found": found["smear_px"], "angle_error": angle, "true_shake": truth["shake_px"],
            "shake": found["shake_px"], "iso": truth["iso"],
            "sharp_area": found["sharp_area_pct"], "blur_effect": blur.get(truth["frame"]),
        })  # fmt: skip
    return out


def _takes(shoot: Reviewed, sets: list[Row]) -> list[Row]:
    """Best take of each scene and kind: the tool's is the one whose frames it keeps (`keep` yes)."""
    keep = dict(zip(shoot.frames["frame"], shoot.frames["keep"].fillna(""), strict=True))
    truth = {s["set_id"]: s for s in shoot.truth["sets"]}
    exact = {r["set_id"] for r in sets if r["exact"]}
    groups: dict[tuple[str, str], list[str]] = {}
    for s in truth.values():
        if s["best_take"] is not None:
            groups.setdefault((s["scene"], s["kind"]), []).append(s["set_id"])
    out = []
    for (scene, kind), members in groups.items():
        def kept(name: str) -> float:
            frames = _frames_of(truth[name], truth)
            return sum(keep.get(f) == "yes" for f in frames) / len(frames)

        best = next(m for m in members if truth[m]["best_take"])
        chosen = max(members, key=kept)
        sway = [float(truth[m]["sway_p95_px"] or 0) for m in (best, chosen)]
        out.append({
            "scene": scene, "kind": kind, "takes": len(members), "best": best, "chosen": chosen,
            "right": best == chosen, "grouped": set(members) <= exact, "sway_given_up": sway[1] - sway[0],
            "as_good": sway[1] - sway[0] <= TIE_PX and bool(truth[chosen]["aborted"]) == bool(truth[best]["aborted"]),
        })  # fmt: skip
    return out


def _keep(shoot: Reviewed) -> list[Row]:
    """True pairs against what is kept of them."""
    keep = dict(zip(shoot.frames["frame"], shoot.frames["keep"].fillna(""), strict=True))
    truth = {s["set_id"]: s for s in shoot.truth["sets"]}
    out = []
    for p in shoot.truth["pairs"]:
        kept = [keep.get(p[k]) == "yes" for k in ("frame_a", "frame_b")]
        out.append({
            "set_id": p["set_id"], "kind": truth[p["set_id"]]["kind"], "true_p95": p["sway_p95_px"],
            "both_kept": all(kept), "one_kept": any(kept),
        })  # fmt: skip
    return out
