"""The same question in each condition: how many sets held, and the longest shutter that was safe."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from windstill.optics import BEAUFORT, beaufort_at
from windstill.optics.marks import aperture_mark, iso_mark
from windstill.season.counting import Share, by_step, wilson
from windstill.season.halfway import HalfWay, fit_halfway
from windstill.settings.season import SeasonSettings


@dataclass(frozen=True, slots=True)
class Condition:
    """Sets of one condition. `safe_step` is the log2 of the longest safe shutter, ``None`` where none was."""

    group: str
    name: str
    share: Share
    sway_px: float
    safe_step: int | None
    safe: Share | None
    halfway: HalfWay | None


def conditions(sets: pd.DataFrame, settings: SeasonSettings) -> list[Condition]:
    """Rows for kind, wind, focal length, distance, aperture, ISO, pause and camera, where enough sets are known."""
    known = sets.dropna(subset=["held"])
    rows: list[Condition] = []
    for group, column, name in _GROUPS:
        if column not in known:
            continue
        names = known[column].map(lambda v, name=name: "" if v == "" or _unknown(v) else name(v))
        order = known.assign(condition=names, at=known[column])
        order = order[order["condition"] != ""]
        found = [
            _condition(group, str(key), part, settings)
            for key, part in sorted(order.groupby("condition"), key=lambda item: _sort_key(item[1]["at"]))
            if len(part) >= settings.usual_least
        ]
        # A condition that never varied says nothing the whole does not say.
        rows += found if len(found) > 1 or group in _ALWAYS else []
    return rows


def halfway_of(sets: pd.DataFrame, settings: SeasonSettings) -> HalfWay | None:
    """The half-way shutter of these sets, where there are enough of them to bear a fit."""
    known = sets.dropna(subset=["held", "shutter_s", "step"])
    failed = 1.0 - known["held"].to_numpy(dtype=float)
    each = min(failed.sum(), len(failed) - failed.sum())
    if len(known) < settings.fit_least_sets or each < settings.fit_least_each:
        return None
    if known["step"].nunique() < settings.fit_least_steps:
        return None
    return fit_halfway(known["shutter_s"].to_numpy(dtype=float), failed, settings.level)


def longest_safe(sets: pd.DataFrame, settings: SeasonSettings) -> tuple[int, Share] | None:
    """The longest shutter step at which, and at every faster one, sets held; with the sets that say so.

    A step counts as safe when at least the share `safe_share` of its own sets held, and of all sets at it or faster;
    these must be at least `safe_least`.
    """
    known = sets.dropna(subset=["held", "step"])
    best: tuple[int, Share] | None = None
    good = of = 0
    for step, part in by_step(known):
        good, of = good + int(part["held"].sum()), of + len(part)
        if part["held"].mean() < settings.safe_share or good / of < settings.safe_share:
            break
        if of >= settings.safe_least:
            best = (step, wilson(good, of, settings.level))
    return best


def _condition(group: str, name: str, sets: pd.DataFrame, settings: SeasonSettings) -> Condition:
    safe = longest_safe(sets, settings)
    return Condition(
        group=group,
        name=name,
        share=wilson(float(sets["held"].sum()), len(sets), settings.level),
        sway_px=float(sets["sway_max_px"].median()),
        safe_step=None if safe is None else safe[0],
        safe=None if safe is None else safe[1],
        halfway=halfway_of(sets, settings),
    )


def _unknown(value: object) -> bool:
    return isinstance(value, float) and math.isnan(value)


def _sort_key(values: pd.Series) -> tuple[float, str]:
    if pd.api.types.is_numeric_dtype(values):
        return float(values.median()), ""
    return 0.0, str(values.iloc[0])


def _wind(mps: float) -> str:
    step = beaufort_at(mps)
    return f"Beaufort {step.force}, {step.name}" + (" or more" if step is BEAUFORT[-1] else "")


def _between(edges: list[float], unit: str) -> Callable[[float], str]:
    def name(value: float) -> str:
        place = int(np.searchsorted(edges, value, side="right"))
        if place == 0:
            return f"under {edges[0]:g} {unit}"
        if place == len(edges):
            return f"{edges[-1]:g} {unit} and more"
        return f"{edges[place - 1]:g} to {edges[place]:g} {unit}"

    return name


_ALWAYS = ("kind of set", "wind")
# Edges are round numbers at about a doubling, so that each class holds alike conditions.
_GROUPS: tuple[tuple[str, str, Callable[..., str]], ...] = (
    ("kind of set", "kind", str),
    ("wind", "wind_mps", _wind),
    ("focal length", "focal_mm", _between([20, 30, 60, 120], "mm")),
    ("nearest focus", "nearest_m", _between([0.5, 1, 2, 5], "m")),
    ("aperture", "f_number", lambda n: aperture_mark(2 ** (round(2 * math.log2(n)) / 2))),
    ("ISO", "iso", lambda iso: iso_mark(100 * 2 ** round(math.log2(iso / 100)))),
    ("pause between frames", "gap_s", _between([1, 5, 20], "s")),
    ("camera", "camera", str),
)
