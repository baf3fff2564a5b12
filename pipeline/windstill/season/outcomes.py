"""How merges really went, as the photographer noted it, and the tolerance that would have agreed best."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from windstill.records import OUTLOOKS
from windstill.season.counting import Share, wilson
from windstill.season.merged import HELD
from windstill.season.reading import PastReview, SeasonError
from windstill.settings.assess import AssessSettings
from windstill.settings.season import SeasonSettings

COLUMNS = ("review", "set_id", "kind", "started_at", "outlook", "outcome", "remark")
OUTCOMES = tuple(o for o in OUTLOOKS if o != "unknown")
# Tolerances tried, full-resolution pixels: a twelfth of an octave apart.
_TRIED = 2.0 ** (np.arange(-12, 61) / 12.0)


@dataclass(frozen=True, slots=True)
class Agreement:
    """Outlook against outcome. `table` counts (outlook, outcome) pairs; shares are of sets with both.

    `proposed_px` is ``None`` where there are too few outcomes, or where no tolerance agrees better than the one used.
    """

    table: dict[tuple[str, str], int]
    agreed: Share
    tolerance_px: float | None
    proposed_px: float | None
    proposed: Share | None
    why: str


def read_outcomes(path: Path) -> tuple[pd.DataFrame, list[str]]:
    """What was noted so far, and one line for each word that is no outcome; an empty table where there is no file.

    Raises
    ------
    SeasonError
        The file is there and cannot be read: nothing is overwritten then.
    """
    if not path.exists():
        return pd.DataFrame(columns=list(COLUMNS)), []
    try:
        table = pd.read_csv(path, dtype=str, keep_default_na=False, encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError, pd.errors.ParserError, pd.errors.EmptyDataError) as err:
        raise SeasonError(f"{path}: cannot be read, and is left as it is; mend it or move it away") from err
    missing = [c for c in ("review", "set_id", "outcome") if c not in table]
    if missing:
        raise SeasonError(f"{path}: column {missing[0]} is missing; the file is left as it is; mend it or move it away")
    said = table["outcome"].str.strip().str.lower()
    odd = sorted(set(said) - {"", *OUTCOMES})
    return table, [f"{path.name}: outcome {word!r} is none of {', '.join(OUTCOMES)} and is not counted" for word in odd]


def merge_outcomes(sets: pd.DataFrame, noted: pd.DataFrame) -> pd.DataFrame:
    """The table to write: a row for every set of these reviews, then every older row, with what was noted kept."""
    fresh = sets.reindex(columns=list(COLUMNS[:5])).astype(object).fillna("")
    old = noted.reindex(columns=[*COLUMNS, *(c for c in noted.columns if c not in COLUMNS)]).astype(object).fillna("")
    old = old.drop_duplicates(["review", "set_id"], keep="last")
    both = fresh.merge(old.drop(columns=list(COLUMNS[2:5])), on=["review", "set_id"], how="left")
    both = both.astype(object).fillna("")
    keys = set(zip(fresh["review"], fresh["set_id"], strict=True))
    gone = [key not in keys for key in zip(old["review"], old["set_id"], strict=True)]
    return pd.concat([both, old[gone]], ignore_index=True).reindex(columns=list(old.columns))


def compare(
    sets: pd.DataFrame, outcomes: pd.DataFrame, reviews: Sequence[PastReview], settings: SeasonSettings
) -> Agreement | None:
    """Outlook against outcome, and the tolerance that would have agreed best; ``None`` where nothing is noted."""
    said = outcomes.assign(outcome=outcomes["outcome"].str.strip().str.lower())[["review", "set_id", "outcome"]]
    both = sets.merge(said, on=["review", "set_id"], how="inner")
    both = both[both["outcome"].isin(OUTCOMES) & both["outlook"].isin(OUTLOOKS)]
    if both.empty:
        return None
    table = dict(Counter(zip(both["outlook"], both["outcome"], strict=True)))
    known = both[both["outlook"] != "unknown"]
    went = known["outcome"].isin(HELD)
    agreed = wilson(float((known["outlook"].isin(HELD) == went).sum()), len(known), settings.level)
    used = float(known["tolerance_px"].median()) if len(known) else math.nan
    proposed, share, why = _propose(known, went.to_numpy(), reviews, agreed, used, settings)
    return Agreement(table, agreed, None if math.isnan(used) else used, proposed, share, why)


def _propose(
    known: pd.DataFrame, went: np.ndarray, reviews: Sequence[PastReview], agreed: Share, used: float,
    settings: SeasonSettings,
) -> tuple[float | None, Share | None, str]:
    usable = known["sway_max_px"].notna().to_numpy()
    if usable.sum() < settings.outcome_least:
        least = settings.outcome_least
        return None, None, f"{int(usable.sum())} outcomes noted; from {least} on a tolerance is proposed"
    if went[usable].all() or not went[usable].any():
        return None, None, "all merges went alike; it takes some that went well and some that did not"
    judged = known[usable]
    areas = {r.name: _areas(r, set(judged.loc[judged["review"] == r.name, "set_id"])) for r in reviews}
    hits = np.zeros(len(_TRIED))
    for (_, row), good in zip(judged.iterrows(), went[usable], strict=True):
        held = holds_at(_TRIED, row, areas.get(row["review"], {}).get(row["set_id"]))
        hits += held == good
    best = np.flatnonzero(hits == hits.max())
    current = float(hits[np.abs(np.log2(_TRIED / used)).argmin()])
    if hits.max() <= current:
        return None, None, f"no tolerance would have agreed better than {used:.3g} px"
    # Of equally good ones the middle of the range, the one least at the mercy of the next outcome.
    runs = np.split(best, np.flatnonzero(np.diff(best) > 1) + 1)
    longest = max(runs, key=len)
    chosen = float(_TRIED[longest[len(longest) // 2]])
    return chosen, wilson(float(hits.max()), int(usable.sum()), settings.level), ""


def holds_at(tolerance_px: np.ndarray, row: pd.Series, sway: np.ndarray | None) -> np.ndarray:
    """Whether a set would be called clean or touch-up at each tolerance, by the contract's definitions.

    Parameters
    ----------
    tolerance_px : ndarray, shape (n,)
        Tolerances, full-resolution pixels.
    row : pandas.Series
        The set: `sway_max_px`, `picture_area_pct`, `tolerance_px`, `coverage_pct`, `smear_px`.
    sway : ndarray, shape (m, 2), or None
        Sway (px) of the worst pair's relevant, measured tiles and each tile's share of the picture (percent), where the
        numbers are at hand; without them the area above tolerance is known at one tolerance only.
    """
    limits = AssessSettings()
    most = float(row["sway_max_px"])
    clean = most <= tolerance_px
    if sway is not None and len(sway):
        area = np.array([float(sway[sway[:, 0] > t, 1].sum()) for t in tolerance_px])
    else:
        area = np.where(tolerance_px >= row["tolerance_px"], np.nan_to_num(row["picture_area_pct"]), np.inf)
    touch = (area <= limits.touch_up_area_pct) & (most <= limits.touch_up_times_tolerance * tolerance_px)
    covered = not float(row["coverage_pct"]) < limits.lost_coverage_pct  # a coverage that is not known is not short
    return (clean | touch) & covered


def _areas(review: PastReview, wanted: set[str]) -> dict[str, np.ndarray]:
    """Per set, the sway and share of the picture of the tiles of its worst pair (of it or the sets within it)."""
    if review.tiles is None or not wanted:
        return {}
    columns = ["set_id", "frame_a", "frame_b", "w_px", "h_px", "sway_x_px", "sway_y_px", "confidence", "relevance"]
    try:
        tiles = pd.read_parquet(review.tiles, columns=columns)
    except (OSError, ValueError, KeyError):
        return {}
    limits = AssessSettings()
    tiles = tiles[(tiles["confidence"] >= limits.measured_confidence) & (tiles["relevance"] >= limits.relevant_from)]
    parent = dict(zip(review.sets["set_id"], review.sets["parent_set"], strict=True))

    def root(set_id: str) -> str:
        seen: set[str] = set()
        while parent.get(set_id) and set_id not in seen:
            seen.add(set_id)
            set_id = parent[set_id]
        return set_id

    if "width_px" not in review.frames or "height_px" not in review.frames:
        return {}
    area = dict(zip(review.frames["frame"], review.frames["width_px"] * review.frames["height_px"], strict=True))
    found: dict[str, np.ndarray] = {}
    worst: dict[str, float] = {}
    for (set_id, a, _), part in tiles.groupby(["set_id", "frame_a", "frame_b"]):
        top = root(str(set_id))
        pixels = float(area.get(str(a), math.nan))
        if top not in wanted or not pixels > 0:
            continue
        sway = np.hypot(part["sway_x_px"].to_numpy(float), part["sway_y_px"].to_numpy(float))
        share = (part["w_px"] * part["h_px"]).to_numpy(float) / pixels * 100.0
        weight = float((sway * share).sum())
        if weight >= worst.get(top, -1.0):
            worst[top] = weight
            found[top] = np.column_stack([sway, share])
    return found
