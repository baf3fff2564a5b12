"""The bench's own measures: a review's tables against the simulator's truth, as plain rows.

Everything is computed from the definitions of the contract and from nothing of the tool's inside. Lengths are in
pixels of the picture as it is (its full resolution).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

Array = NDArray[np.float64]
Row = dict[str, Any]
MEASURED = 0.5
CRISP_PX = 3.0
"""Pixels at 6000 px width. Smear up to which a thing counts as crisp."""
STILL_PX, FALSE_ALARM_PX = 1.0, 3.0
TIE_PX = 0.5
"""Pixels. Takes whose true sway differs by less are equally good."""
MAGNITUDES = ((0.0, 1.0), (1.0, 3.0), (3.0, 8.0), (8.0, 20.0), (20.0, 40.0))
OUTLOOKS = ("clean", "touch-up", "hard", "lost", "unknown")


# -- camera mappings --------------------------------------------------------------------------------------------


def matrix_of(pair: Mapping[str, Any], size: tuple[int, int]) -> Array:
    """3x3 matrix from b to a of a pair's row, by the contract's definition; NaN where it is not given."""
    h = pair.get("homography")
    if isinstance(h, str) and h:
        return np.array([float(v) for v in h.split(";")]).reshape(3, 3)
    if isinstance(h, list):
        return np.array(h, float).reshape(3, 3)
    values = [pair.get(k) for k in ("shift_x_px", "shift_y_px", "scale", "rotation_deg")]
    if any(v is None or pd.isna(v) for v in values):
        return np.full((3, 3), np.nan)
    tx, ty, scale, rotation = (float(v) for v in values)  # type: ignore[arg-type]
    cx, cy = (size[0] - 1) / 2, (size[1] - 1) / 2
    c, s = scale * math.cos(math.radians(rotation)), scale * math.sin(math.radians(rotation))
    return np.array([[c, s, cx + tx - c * cx - s * cy], [-s, c, cy + ty + s * cx - c * cy], [0, 0, 1.0]])


def carried(matrix: Array, points: Array) -> Array:
    """Points (n, 2) through a 3x3 matrix."""
    q = np.concatenate([points, np.ones((len(points), 1))], axis=1) @ matrix.T
    return np.asarray(q[:, :2] / q[:, 2:])


def mapping_error(truth: Array, found: Array, size: tuple[int, int]) -> float:
    """Median distance between two mappings over a grid of b's points that truth puts inside a."""
    if not np.isfinite(found).all():
        return math.nan
    x, y = np.meshgrid(np.linspace(0, size[0] - 1, 24), np.linspace(0, size[1] - 1, 16))
    points = np.stack([x.ravel(), y.ravel()], axis=1)
    at = carried(truth, points)
    inside = (at >= 0).all(axis=1) & (at < np.array(size)).all(axis=1)
    if not inside.any():
        return math.nan
    return float(np.median(np.linalg.norm(at - carried(found, points), axis=1)[inside]))


def seen_from(region: Mapping[str, Any], matrix: Array, flipped: bool) -> tuple[Array, Array]:
    """Centre and sway of a region in the coordinates of the frame the tool calls a.

    Parameters
    ----------
    region : mapping
        A region of the truth; its place is in the truth's a.
    matrix : (3, 3) array
        The true mapping from the truth's b to its a.
    flipped : bool
        The tool's a is the truth's b.
    """
    at = np.array([[region["x_px"], region["y_px"]]], float)
    sway = np.array([[region["sway_x_px"], region["sway_y_px"]]], float)
    if not flipped:
        return at[0], sway[0]
    rest = at + np.array([[region.get("parallax_x_px") or 0.0, region.get("parallax_y_px") or 0.0]])
    back = np.linalg.inv(matrix)
    here = carried(back, rest + sway)
    return here[0], (carried(back, rest) - here)[0]


# -- grouping ---------------------------------------------------------------------------------------------------


def levels_of(sets: Sequence[Mapping[str, Any]]) -> dict[str, int]:
    """Nesting level of each set by id, 1 for the outermost."""
    parent = {s["set_id"]: s["parent_set"] for s in sets}
    out = {}
    for name in parent:
        level, up = 1, parent[name]
        while isinstance(up, str) and up in parent:
            level, up = level + 1, parent[up]
        out[name] = level
    return out


def frames_below(sets: Sequence[Mapping[str, Any]]) -> dict[str, frozenset[str]]:
    """All frames below each set, by id."""
    by_id = {s["set_id"]: s for s in sets}

    def below(name: str) -> frozenset[str]:
        found: set[str] = set()
        for member in by_id[name]["members"]:
            found |= below(member) if member in by_id else {member}
        return frozenset(found)

    return {name: below(name) for name in by_id}


def grouping_rows(
    truth_sets: Sequence[Mapping[str, Any]], tool_sets: Sequence[Mapping[str, Any]]
) -> tuple[list[Row], list[Row]]:
    """One row per true frame (right innermost set and kind) and one per true set (exact, take right).

    A set is exact when the tool has one of the same frames and the same kind, however it is called.
    """
    truth_frames, tool_frames = frames_below(truth_sets), frames_below(tool_sets)
    truth_levels = levels_of(truth_sets)
    innermost_true, innermost_tool = _innermost(truth_sets), _innermost(tool_sets)
    tool_by_id = {s["set_id"]: s for s in tool_sets}
    exact = {(frames, tool_by_id[name]["kind"]): name for name, frames in tool_frames.items()}
    frames: list[Row] = []
    for s in truth_sets:
        own = [f for f in truth_frames[s["set_id"]] if innermost_true[f] == s["set_id"]]
        for frame in own:
            found = innermost_tool.get(frame)
            kind = tool_by_id[found]["kind"] if found else "absent"
            same = found is not None and tool_frames[found] == truth_frames[s["set_id"]]
            frames.append({
                "frame": frame, "set_id": s["set_id"], "kind": s["kind"], "found_kind": kind, "found_set": found,
                "right": same and kind == s["kind"], "right_frames": same,
            })  # fmt: skip
    sets: list[Row] = []
    takes = _takes(tool_sets)
    same_scene = _same_scene(truth_sets, tool_sets, truth_frames, exact)
    for s in truth_sets:
        match = exact.get((truth_frames[s["set_id"]], s["kind"]))
        sets.append({
            "set_id": s["set_id"], "kind": s["kind"], "level": truth_levels[s["set_id"]], "exact": match is not None,
            "found_set": match, "frames": len(truth_frames[s["set_id"]]),
            "take_right": match is not None and takes[match] == s["take"],
            "scene_right": same_scene.get(s["set_id"], False), "aborted": bool(s.get("aborted")),
        })  # fmt: skip
    return frames, sets


def _innermost(sets: Sequence[Mapping[str, Any]]) -> dict[str, str]:
    """Set that lists a frame itself among its members, by frame."""
    ids = {s["set_id"] for s in sets}
    return {m: s["set_id"] for s in sets for m in s["members"] if m not in ids}


def _takes(sets: Sequence[Mapping[str, Any]]) -> dict[str, int]:
    return {s["set_id"]: int(s["take"]) for s in sets}


def _same_scene(
    truth_sets: Sequence[Mapping[str, Any]], tool_sets: Sequence[Mapping[str, Any]],
    truth_frames: Mapping[str, frozenset[str]], exact: Mapping[tuple[frozenset[str], str], str],
) -> dict[str, bool]:
    """Whether the tool puts a top-level set together with exactly the top-level sets of its true scene."""
    scene_of = {s["set_id"]: s["scene"] for s in tool_sets}
    tops = [s for s in truth_sets if not isinstance(s["parent_set"], str)]
    found = {s["set_id"]: exact.get((truth_frames[s["set_id"]], s["kind"])) for s in tops}
    true_group: dict[str, set[str]] = {}
    tool_group: dict[Any, set[str]] = {}
    for s in tops:
        if (match := found[s["set_id"]]) is not None:
            true_group.setdefault(s["scene"], set()).add(s["set_id"])
            tool_group.setdefault(scene_of[match], set()).add(s["set_id"])
    return {
        s["set_id"]: (m := found[s["set_id"]]) is not None and true_group[s["scene"]] == tool_group[scene_of[m]]
        for s in tops
    }


# -- sway -------------------------------------------------------------------------------------------------------


def region_sway(tiles: pd.DataFrame, at: Array, size: Array, reach: float = 0.8) -> Row:
    """What the tool says of a region: the tiles whose centre lies in its ellipse, or the one at its centre.

    Returns
    -------
    dict
        `x`, `y`: medians over the measured tiles; `confidence`: median over all tiles; `measured` tiles and `tiles`;
        `changed`: largest.
    """
    cx = tiles["x_px"].to_numpy() + tiles["w_px"].to_numpy() / 2 - 0.5
    cy = tiles["y_px"].to_numpy() + tiles["h_px"].to_numpy() / 2 - 0.5
    half = np.maximum(size * reach / 2, 1e-6)
    inside = ((cx - at[0]) / half[0]) ** 2 + ((cy - at[1]) / half[1]) ** 2 <= 1
    if not inside.any():
        w = tiles["w_px"].to_numpy()
        inside = (np.abs(cx - at[0]) <= w / 2) & (np.abs(cy - at[1]) <= w / 2)
    own = tiles[inside]
    if not len(own):
        return {"x": math.nan, "y": math.nan, "confidence": math.nan, "measured": 0, "tiles": 0, "changed": math.nan}
    sure = own[(own["confidence"] >= MEASURED) & own["sway_x_px"].notna()]
    any_of = own[(own["confidence"] > 0) & own["sway_x_px"].notna()]
    chosen = sure if len(sure) else any_of
    return {
        "x": float(chosen["sway_x_px"].median()) if len(chosen) else math.nan,
        "y": float(chosen["sway_y_px"].median()) if len(chosen) else math.nan,
        "confidence": float(chosen["confidence"].median()) if len(chosen) else 0.0,
        "measured": len(sure), "tiles": len(own), "changed": float(own["changed"].max()),
        "relevance": float(own["relevance"].median()),
    }  # fmt: skip


def magnitude_bin(px: float) -> str:
    """Name of the range of sway a length falls into."""
    for low, high in MAGNITUDES:
        if low <= px < high:
            return f"{low:g}-{high:g}"
    return f">{MAGNITUDES[-1][1]:g}"


def crispness(smear_px: float, unit: float) -> str:
    """`crisp` (under 3 px at 6000 px width), `faint` (under 4 px of the picture as it is) or `smeared`."""
    if smear_px < CRISP_PX * unit:
        return "crisp"
    return "faint" if smear_px < 4 else "smeared"


def true_outlook(
    pairs: Iterable[Mapping[str, Any]], coverage_pct: float | None, tolerance_px: float, size: tuple[int, int]
) -> str:
    """The contract's outlook, computed from truth alone (with the default settings).

    `pairs` are the true pairs of the set and all below it.
    """
    area, largest, smeared = 0.0, 0.0, False
    for pair in pairs:
        moved = 0.0
        largest = max(largest, float(pair["sway_max_px"] or 0.0))
        for region in pair["regions"]:
            sway = math.hypot(region["sway_x_px"], region["sway_y_px"])
            if not region["relevant"] or sway <= tolerance_px:
                continue
            visible = float(region.get("visible", 1.0))
            moved += math.pi / 4 * region["w_px"] * region["h_px"] * visible / (size[0] * size[1]) * 100
            held = min(region.get("smear_a_px", 0.0), region.get("smear_b_px", 0.0))
            smeared |= held > 4 * tolerance_px
        area = max(area, moved)
    if area > 10 or smeared or (coverage_pct is not None and coverage_pct < 80):
        return "lost"
    if largest <= tolerance_px:
        return "clean"
    return "touch-up" if area <= 1 and largest <= 5 * tolerance_px else "hard"


def angle_apart(a: float, b: float) -> float:
    """Degrees between two directions without sense, 0..90."""
    return abs((a - b + 90) % 180 - 90)


def auc(scores: Sequence[float], positive: Sequence[bool]) -> float:
    """Area under the ROC curve; NaN where there are not both kinds. Unknown scores count as zero sway."""
    from sklearn.metrics import roc_auc_score

    if len(set(positive)) < 2:
        return math.nan
    return float(roc_auc_score(list(positive), np.nan_to_num(np.asarray(scores, float), nan=0.0)))
