"""The graph of one set over time: sway between frames, smear in them, and the steps of focus and exposure.

Written as SVG by hand: loading a plotting library costs more than reviewing a small shoot's frames.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from html import escape
from itertools import pairwise

WIDTH, HEIGHT = 480, 290
_LEFT, _RIGHT = 55.2, 472.8
_TOP, _BOTTOM = 30.45, 172.55  # of the upper field, whose axis is in pixels
_LOW_TOP, _LOW_BOTTOM = 188.5, 242.15  # of the lower one, with the steps
_INK, _SOFT, _SWAY, _SMEAR = "ink", "soft", "sway", "smear"
_LIGHT = {_INK: "#1f2933", _SOFT: "#5c6773", _SWAY: "#1c5d7d", _SMEAR: "#8a3d6f"}
_DARK = {_INK: "#e9e6dd", _SOFT: "#a7b0b8", _SWAY: "#8fd0ee", _SMEAR: "#f0a3d0"}
_LANES = 3
_DASHES = ("", "3.6 1.8", "1.2 1.2")
_MARGIN = 0.04  # of the time between first and last frame, on both sides
_HEADROOM = 1.12
_NICE = (1.0, 2.0, 5.0, 10.0)
_TICKS_UP, _TICKS_ALONG = 4, 7

Point = tuple[float, float]


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


@dataclass(frozen=True, slots=True)
class _Field:
    """Where data lie on the paper."""

    first: float
    last: float
    highest: float
    top: float
    bottom: float

    def at(self, x: float, y: float) -> Point:
        across = (x - self.first) / (self.last - self.first)
        return _LEFT + across * (_RIGHT - _LEFT), self.bottom - y / self.highest * (self.bottom - self.top)


def draw_graph(data: GraphData) -> str:
    """Draw one graph as SVG text that follows light and dark appearance by itself."""
    known = [s for *_, s in data.sways if s is not None]
    highest = max([2.5 * data.tolerance_px, *known, *(s for s in data.smear_px if s)]) * _HEADROOM
    first, last = min(data.at), max(data.at)
    margin = _MARGIN * (last - first) or 0.5
    upper = _Field(first - margin, last + margin, highest, _TOP, _BOTTOM)
    lower = _Field(first - margin, last + margin, 1.0, _LOW_TOP, _LOW_BOTTOM)
    drawn = [*_frame(data, upper, lower), *_words(data, upper), *_amounts(data, upper), *_steps(data, lower)]
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{WIDTH}pt" height="{HEIGHT}pt" '
        f'viewBox="0 0 {WIDTH} {HEIGHT}"><style>{_style()}</style>{"".join(drawn)}</svg>'
    )


def _style() -> str:
    rules = [
        "text{font:11px system-ui,sans-serif;stroke:none!important}.big{font-size:12px}.mid{text-anchor:middle}"
        ".end{text-anchor:end}.line{fill:none!important}.hollow{fill:none!important;stroke-width:1}"
    ]
    for name, colour in _LIGHT.items():
        rules.append(f".{name}{{fill:{colour};stroke:{colour}}}")
    dark = "".join(f".{name}{{fill:{colour};stroke:{colour}}}" for name, colour in _DARK.items())
    return "".join([*rules, f"@media(prefers-color-scheme:dark){{{dark}}}"])


def _frame(data: GraphData, upper: _Field, lower: _Field) -> Iterator[str]:
    """Axes with their figures."""
    for field in (upper, lower):
        corner = [(_LEFT, field.top), (_LEFT, field.bottom), (_RIGHT, field.bottom)]
        yield _line(corner, _SOFT, 0.8)
    for value, words in _ticks(0.0, upper.highest, _TICKS_UP):
        _, y = upper.at(upper.first, value)
        yield _line([(_LEFT - 2.5, y), (_LEFT, y)], _SOFT, 0.8)
        yield _text(_LEFT - 4.5, y + 4.2, words, _SOFT, "end")
    for value, words in _ticks(lower.first, lower.last, _TICKS_ALONG, whole=not data.timed):
        x, _ = lower.at(value, 0.0)
        yield _line([(x, _LOW_BOTTOM), (x, _LOW_BOTTOM + 2.5)], _SOFT, 0.8)
        yield _text(x, _LOW_BOTTOM + 12.9, words, _SOFT, "mid")


def _words(data: GraphData, upper: _Field) -> Iterator[str]:
    """What is drawn, above and below."""
    any_smear = any(s is not None for s in data.smear_px)
    across = _RIGHT - _LEFT
    for share, words, colour in (
        (0.0, "pixels:", _SOFT),
        (0.14, "\u25cf sway between frames", _SWAY),
        (0.57, "\u25a1 smear in a frame" if any_smear else "smear unknown", _SMEAR),
    ):
        yield _text(_LEFT + share * across, _TOP - 7.1, words, colour, "big")
    along = "seconds since the first frame" if data.timed else "frame, in order of capture"
    yield _text((_LEFT + _RIGHT) / 2, _LOW_BOTTOM + 25.6, along, _SOFT, "big mid")
    _, y = upper.at(upper.first, data.tolerance_px)
    yield _line([(_LEFT, y), (_RIGHT, y)], _SOFT, 0.9, "0.9 1.8")
    yield _text(_RIGHT - 5.0, y - 2.6, f"{data.tolerance_px:g} px", _SOFT, "end")


def _amounts(data: GraphData, upper: _Field) -> Iterator[str]:
    """Sway of each pair from one frame to the other, and smear from frame to frame."""
    for a, b, sway in data.sways:
        if sway is None:
            x, y = upper.at((a + b) / 2, upper.highest * 0.06)
            yield _text(x, y + 4.0, "?", _SWAY, "mid")
            continue
        x, y = upper.at((a + b) / 2, sway)
        yield _line([upper.at(a, sway), upper.at(b, sway)], _SWAY, 2.2)
        yield f'<circle class="{_SWAY}" cx="{_number(x)}" cy="{_number(y)}" r="3"/>'
    run: list[Point] = []
    for at, smear in zip(data.at, data.smear_px, strict=True):
        if smear is None:
            yield _line(run, _SMEAR, 1.1, "4.4 2.2")
            run = []
            continue
        x, y = upper.at(at, smear)
        run.append((x, y))
        yield f'<rect class="{_SMEAR} hollow" x="{_number(x - 2)}" y="{_number(y - 2)}" width="4" height="4"/>'
    yield _line(run, _SMEAR, 1.1, "4.4 2.2")


def _steps(data: GraphData, lower: _Field) -> Iterator[str]:
    """Each named line in a lane of its own, scaled to it."""
    lanes = [(name, values) for name, values in data.steps[:_LANES] if any(v is not None for v in values)]
    for i, (name, values) in enumerate(lanes):
        points = [(x, v) for x, v in zip(data.at, values, strict=True) if v is not None]
        low, high = min(v for _, v in points), max(v for _, v in points)
        base, tall = (i + 0.16) / len(lanes), 0.66 / len(lanes)
        placed = [lower.at(x, base + tall * ((v - low) / (high - low) if high > low else 0.5)) for x, v in points]
        yield _line(_stepped(placed), _INK, 1.2, _DASHES[i])
        yield from (f'<circle class="{_INK}" cx="{_number(x)}" cy="{_number(y)}" r="1"/>' for x, y in placed)
        _, middle = lower.at(lower.first, base + tall / 2)
        yield _text(_LEFT - 5.0, middle + 3.9, name, _SOFT, "end")


def _stepped(points: Sequence[Point]) -> list[Point]:
    """The line through points that steps half way between them."""
    line = list(points[:1])
    for (x, y), (next_x, next_y) in pairwise(points):
        middle = (x + next_x) / 2
        line += [(middle, y), (middle, next_y), (next_x, next_y)]
    return line


def _ticks(low: float, high: float, most: int, whole: bool = False) -> list[tuple[float, str]]:
    """Round values between two, at most so many and one, and how they are written."""
    rough = (high - low) / most
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(power * nice for nice in _NICE if power * nice >= rough * (1 - 1e-9))
    if whole:
        step = max(step, 1.0)
    decimals = max(0, -math.floor(math.log10(step) + 1e-9))
    numbers = range(math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9) + 1)
    return [(n * step, f"{n * step:.{decimals}f}") for n in numbers]


def _line(points: Iterable[Point], colour: str, width: float, dash: str = "") -> str:
    """A line through points; fewer than two make none."""
    path = " ".join(f"{_number(x)},{_number(y)}" for x, y in points)
    if " " not in path:
        return ""
    dashed = f' stroke-dasharray="{dash}"' if dash else ""
    return f'<polyline class="{colour} line" stroke-width="{width:g}"{dashed} points="{path}"/>'


def _text(x: float, y: float, words: str, colour: str, form: str) -> str:
    return f'<text class="{colour} {form}" x="{_number(x)}" y="{_number(y)}">{escape(words)}</text>'


def _number(value: float) -> str:
    """A hundredth of a point is finer than any screen shows."""
    return f"{value:.2f}".rstrip("0").rstrip(".")
