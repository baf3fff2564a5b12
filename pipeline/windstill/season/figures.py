"""Figures of the season page, as SVG pictures in data addresses."""

from __future__ import annotations

import base64
import io
import math
from typing import Any

import numpy as np
import pandas as pd

from windstill.optics.marks import shutter_mark
from windstill.season.learn import Season

_INK, _SOFT, _HELD, _FAILED = "#16262b", "#66777d", "#0b6078", "#b5502a"
_STYLE: dict[Any, Any] = {
    "font.size": 9, "font.family": "sans-serif", "axes.spines.top": False, "axes.spines.right": False,
    "axes.edgecolor": _SOFT, "text.color": _INK, "axes.labelcolor": _INK, "xtick.color": _INK, "ytick.color": _INK,
    "svg.fonttype": "none", "svg.hashsalt": "windstill",
}  # fmt: skip
# What sway is drawn against: column, axis label, logarithmic.
_AGAINST = (
    ("focal_mm", "focal length, mm"), ("nearest_m", "nearest focus, m"), ("f_number", "aperture, f-number"),
    ("iso", "ISO"), ("gap_s", "pause between frames, s"), ("wind_mps", "wind, m/s"),
)  # fmt: skip


def shares_figure(season: Season) -> str:
    """Share of sets that held per shutter step, with intervals and the fitted curve; empty without any."""
    if not season.per_step:
        return ""
    figure, axes = _figure(7.2, 3.0)
    steps = [step for step, _ in season.per_step]
    for step, share in season.per_step:
        axes.plot([step, step], [share.low, share.high], color=_HELD, lw=2.2, solid_capstyle="butt")
        axes.plot(step, share.share, "o", color=_HELD, ms=6)
        axes.annotate(
            f"{share.good:.0f} of {share.of:.0f}", (step, share.share), xytext=(6, 5), textcoords="offset points"
        )
    halfway = season.halfway
    if halfway is not None:
        xs = np.linspace(min(steps) - 0.5, max(steps) + 0.5, 160)
        axes.plot(xs, [1.0 - halfway.failing(2.0**x) for x in xs], color=_SOFT, lw=1.2)
        axes.axvline(math.log2(halfway.shutter_s), color=_SOFT, lw=0.8, ls=":")
    axes.set_xticks(steps, [shutter_mark(2.0**s).removesuffix(" s") for s in steps])
    axes.set_xlim(min(steps) - 0.6, max(steps) + 0.9)
    axes.set_ylim(-0.03, 1.08)
    axes.set_yticks([0, 0.25, 0.5, 0.75, 1.0], ["0", "25 %", "50 %", "75 %", "100 %"])
    axes.set_xlabel("shutter, s")
    axes.set_ylabel("sets that held")
    return _address(figure)


def movement_figure(season: Season) -> str:
    """Sway between frames and smear within them against shutter time, set by set; what no set tells is left out."""
    sets = season.sets.dropna(subset=["shutter_s"])
    names = {"sway_max_px": "sway between frames", "smear_px": "smear in a frame"}
    shown = [column for column in names if sets.dropna(subset=["held"])[column].notna().any()]
    if not shown:
        return ""
    figure, both = _figure(7.2, 2.8, 2)
    for axes in both[len(shown) :]:
        axes.set_axis_off()
    for axes, column in zip(both, shown, strict=False):
        _scatter(axes, sets, "shutter_s", column)
        axes.set_xlabel("shutter, s")
        axes.set_ylabel(f"{names[column]}, px")
        _ticks(axes, sets["shutter_s"])
    return _address(figure)


def against_figure(season: Season) -> str:
    """Sway against every other condition that is known and varies."""
    sets = season.sets
    shown = [(c, label) for c, label in _AGAINST if _varies(sets.loc[sets[c] > 0, c])]
    if not shown:
        return ""
    rows = math.ceil(len(shown) / 3)
    figure, grid = _figure(7.2, 2.3 * rows, 3, rows)
    for axes, (column, label) in zip(np.ravel(grid), shown, strict=False):
        _scatter(axes, sets[sets[column] > 0], column, "sway_max_px")
        axes.set_xlabel(label)
        axes.set_ylabel("sway, px")
    for axes in np.ravel(grid)[len(shown) :]:
        axes.set_axis_off()
    return _address(figure)


def _varies(values: pd.Series) -> bool:
    """Three values or more, and the largest a third over the least: less than that shows nothing."""
    return len(values) >= 3 and bool(values.max() > values.min() * 4 / 3)


def _scatter(axes: Any, sets: pd.DataFrame, x: str, y: str) -> None:
    # Nothing measured draws at a twentieth of a pixel, so that still sets stay on a logarithmic scale.
    for held, marker, colour in ((1.0, "o", _HELD), (0.0, "x", _FAILED)):
        part = sets[sets["held"] == held].dropna(subset=[x, y])
        filled = {"facecolors": "none", "edgecolors": colour} if marker == "o" else {"color": colour}
        axes.scatter(part[x], part[y].clip(lower=0.05), marker=marker, s=22, linewidths=1.1, **filled)
    axes.set_xscale("log")
    axes.set_yscale("log")
    tolerance = sets["tolerance_px"].median()
    if tolerance > 0:
        axes.axhline(tolerance, color=_SOFT, lw=0.8, ls=":")
    low, high = axes.get_ylim()
    decades = [10.0**k for k in range(math.floor(math.log10(low)), math.ceil(math.log10(high)) + 1)]
    axes.set_yticks(decades, [f"{d:g}" for d in decades])
    axes.set_ylim(low, high)
    axes.minorticks_off()
    if x != "shutter_s":
        known = np.unique(sets[x].dropna())
        ends = known if len(known) <= 4 else np.geomspace(known[0], known[-1], 4)
        axes.set_xticks(ends, [f"{float(np.format_float_positional(v, 3, fractional=False)):g}" for v in ends])


def _ticks(axes: Any, shutters: pd.Series) -> None:
    low, high = math.floor(math.log2(shutters.min())), math.ceil(math.log2(shutters.max()))
    steps = range(low, high + 1, max(1, math.ceil((high - low) / 6)))
    axes.set_xticks([2.0**s for s in steps], [shutter_mark(2.0**s).removesuffix(" s") for s in steps])


def _figure(width: float, height: float, across: int = 1, down: int = 1) -> tuple[Any, Any]:
    import matplotlib
    from matplotlib.figure import Figure

    with matplotlib.rc_context(_STYLE):
        figure = Figure(figsize=(width, height), layout="constrained")
        return figure, figure.subplots(down, across)


def _address(figure: Any) -> str:
    import matplotlib

    buffer = io.BytesIO()
    with matplotlib.rc_context(_STYLE):
        figure.savefig(buffer, format="svg", metadata={"Date": None, "Creator": "windstill"})
    return "data:image/svg+xml;base64," + base64.b64encode(buffer.getvalue()).decode("ascii")
