"""The graph of one set over time: sway between frames, smear in them, and the steps of focus and exposure."""

from __future__ import annotations

import io
import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

import matplotlib
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

WIDTH, HEIGHT = 480, 290
_INK, _SOFT, _SWAY, _SMEAR = "#1f2933", "#5c6773", "#1c5d7d", "#8a3d6f"
_DARK = {_INK: "#e9e6dd", _SOFT: "#a7b0b8", _SWAY: "#8fd0ee", _SMEAR: "#f0a3d0"}
_LANES = 3
_DASHES: tuple[Any, ...] = ("solid", (0, (3, 1.5)), (0, (1, 1)))
_RC: dict[Any, Any] = {
    "svg.fonttype": "none",
    "svg.hashsalt": "windstill",
    "font.family": "sans-serif",
    "font.size": 12,
    "axes.linewidth": 0.8,
    "path.simplify": True,
}


@dataclass(frozen=True, slots=True)
class GraphData:
    """What one graph draws.

    Attributes
    ----------
    at : sequence of float
        When each frame was taken, seconds from the first, or its number where times are unknown.
    timed : bool
        Whether `at` holds seconds.
    smear_px : sequence of float or None
        Per frame; ``None`` is unknown and leaves a gap.
    sways : sequence of (float, float, float or None)
        Per judged pair: the times of its two frames and its largest sway in pixels; ``None`` draws a ``?``.
    tolerance_px : float
        Drawn as a line.
    steps : sequence of (str, sequence of float or None)
        Named step lines, three at most: focus position, exposure in EV, view.
    """

    at: Sequence[float]
    timed: bool
    smear_px: Sequence[float | None]
    sways: Sequence[tuple[float, float, float | None]]
    tolerance_px: float
    steps: Sequence[tuple[str, Sequence[float | None]]]


def draw_graph(data: GraphData) -> str:
    """Draw one graph as SVG text that follows light and dark appearance by itself."""
    with matplotlib.rc_context(_RC):
        paper = _paper()
        paper.set(data)
        out = io.StringIO()
        paper.canvas.print_svg(out, metadata={"Date": None, "Creator": None, "Format": None, "Type": None})
    return _themed(out.getvalue())


class _Paper:
    """One figure for all graphs, its axes and lines built once: building them costs more than drawing."""

    def __init__(self) -> None:
        self.figure = Figure(figsize=(WIDTH / 72, HEIGHT / 72), facecolor="none")
        self.canvas: Any = FigureCanvasSVG(self.figure)
        self.top: Any = self.figure.add_axes((0.115, 0.405, 0.87, 0.49))
        self.low: Any = self.figure.add_axes((0.115, 0.165, 0.87, 0.185))
        for ax in (self.top, self.low):
            ax.set_facecolor("none")
            ax.tick_params(colors=_SOFT, length=2.5, width=0.8, labelsize=11, pad=2)
            for side, spine in ax.spines.items():
                spine.set_visible(side in ("left", "bottom"))
                spine.set_color(_SOFT)
        top, across = self.top, self.top.get_yaxis_transform()
        (self.bars,) = top.plot([], [], color=_SWAY, lw=2.2, solid_capstyle="butt")
        (self.dots,) = top.plot([], [], ls="none", marker="o", ms=5, color=_SWAY)
        (self.asked,) = top.plot([], [], ls="none", marker="$?$", ms=6, color=_SWAY)
        (self.smear,) = top.plot([], [], color=_SMEAR, lw=1.1, ls=(0, (4, 2)), marker="s", ms=4, mfc="none")
        (self.limit,) = top.plot([0, 1], [0, 0], color=_SOFT, lw=0.9, ls=(0, (1, 2)), transform=across)
        self.limit_text = top.text(0.995, 0, "", color=_SOFT, ha="right", va="bottom", size=11, transform=across)
        for x, words, colour in (
            (0, "pixels:", _SOFT),
            (0.14, "\u25cf sway between frames", _SWAY),
            (0.57, "\u25a1 smear in a frame", _SMEAR),
        ):
            self.smear_text = top.text(x, 1.05, words, color=colour, transform=top.transAxes)
        top.yaxis.set_major_locator(MaxNLocator(4))
        top.set_xticks([])
        self.low.set_yticks([])
        self.low.set_ylim(0, 1)
        self.lanes = []
        for dash in _DASHES:
            (line,) = self.low.plot([], [], color=_INK, lw=1.2, ls=dash, marker=".", ms=4, drawstyle="steps-mid")
            label = self.low.text(-0.012, 0, "", color=_SOFT, ha="right", va="center", size=11,
                                  transform=self.low.get_yaxis_transform())  # fmt: skip
            self.lanes.append((line, label))
        self.x_label = self.low.set_xlabel("", color=_SOFT, labelpad=1)

    def set(self, data: GraphData) -> None:
        """Lay one set's data into the lines."""
        known = [(a, b, s) for a, b, s in data.sways if s is not None]
        bars = [p for a, b, s in known for p in ((a, s), (b, s), (math.nan, math.nan))]
        self.bars.set_data([x for x, _ in bars], [y for _, y in bars])
        self.dots.set_data([(a + b) / 2 for a, b, _ in known], [s for *_, s in known])
        smears = [(x, math.nan if s is None else s) for x, s in zip(data.at, data.smear_px, strict=True)]
        self.smear.set_data([x for x, _ in smears], [s for _, s in smears])
        any_smear = any(s is not None for s in data.smear_px)
        self.smear_text.set_text("\u25a1 smear in a frame" if any_smear else "smear unknown")
        highest = max([2.5 * data.tolerance_px, *(s for *_, s in known), *(s for s in data.smear_px if s)]) * 1.12
        asked = [(a + b) / 2 for a, b, s in data.sways if s is None]
        self.asked.set_data(asked, [highest * 0.06] * len(asked))
        self.limit.set_ydata([data.tolerance_px] * 2)
        self.limit_text.set_y(data.tolerance_px)
        self.limit_text.set_text(f"{data.tolerance_px:g} px ")
        first, last = min(data.at), max(data.at)
        margin = 0.04 * (last - first) or 0.5
        self.top.set_ylim(0, highest)
        self.top.set_xlim(first - margin, last + margin)
        self.low.set_xlim(first - margin, last + margin)
        self.low.xaxis.set_major_locator(MaxNLocator(7, integer=not data.timed))
        self.x_label.set_text("seconds since the first frame" if data.timed else "frame, in order of capture")
        self._set_steps(data)

    def _set_steps(self, data: GraphData) -> None:
        """Each named line gets its own lane, scaled to it."""
        lanes = [(n, v) for n, v in data.steps[:_LANES] if any(x is not None for x in v)]
        for i, (line, label) in enumerate(self.lanes):
            if i >= len(lanes):
                line.set_data([], [])
                label.set_text("")
                continue
            name, values = lanes[i]
            points = [(x, v) for x, v in zip(data.at, values, strict=True) if v is not None]
            low, high = min(v for _, v in points), max(v for _, v in points)
            base, tall = (i + 0.16) / len(lanes), 0.66 / len(lanes)
            ys = [base + tall * ((v - low) / (high - low) if high > low else 0.5) for _, v in points]
            line.set_data([x for x, _ in points], ys)
            label.set_text(name)
            label.set_y(base + tall / 2)


@cache
def _paper() -> _Paper:
    return _Paper()


def _themed(svg: str) -> str:
    """The drawing alone, with a style sheet that turns its few colours over in dark appearance."""
    svg = svg[svg.index("<svg") :]
    svg = re.sub(r"<metadata>.*?</metadata>", "", svg, flags=re.S)
    svg = re.sub(r"font: ([0-9.]+px) [^;\"]+", r"font: \1 system-ui, sans-serif", svg)
    rules = "".join(
        f'[style*="fill: {light}"]{{fill:{dark}!important}}[style*="stroke: {light}"]{{stroke:{dark}!important}}'
        for light, dark in _DARK.items()
    )
    style = f"<style>@media(prefers-color-scheme:dark){{{rules}}}</style>"
    return re.sub(r"\n\s*", " ", svg.replace("<defs>", style + "<defs>", 1))
