"""The graph of a set over time, read as a browser reads it."""

from __future__ import annotations

from itertools import pairwise
from xml.etree import ElementTree

import pytest

from windstill.report.graph import HEIGHT, WIDTH, GraphData, draw_graph

SVG = "{http://www.w3.org/2000/svg}"
SWAYS = ((1.0, 2.0, 0.5), (2.0, 3.0, 12.0), (3.0, 4.0, None), (4.0, 5.0, 4.0))


def drawn(data: GraphData) -> ElementTree.Element:
    return ElementTree.fromstring(draw_graph(data))


def words(svg: ElementTree.Element) -> list[str]:
    return [text.text or "" for text in svg.iter(f"{SVG}text")]


def data(
    smear: tuple[float | None, ...] = (0.0, 3.0, None, None, 7.5), timed: bool = True, scale: float = 1.0
) -> GraphData:
    sways = [(a * scale, b * scale, sway) for a, b, sway in SWAYS]
    at = [scale * frame for frame in range(1, 6)]
    return GraphData(at, timed, smear, sways, 2.0, [("focus", [1, 2, 3, None, 5]), ("a < b", [None] * 5)])


def test_every_sway_stands_at_its_height_and_what_is_unknown_is_asked() -> None:
    svg = drawn(data())
    dots = [e for e in svg.iter(f"{SVG}circle") if e.get("class") == "sway"]
    heights = [-float(dot.get("cy", "nan")) for dot in dots]
    assert [round((h - heights[0]) / (heights[1] - heights[0]), 2) for h in heights] == [0, 1, round(3.5 / 11.5, 2)]
    assert words(svg).count("?") == 1
    assert len(list(svg.iter(f"{SVG}rect"))) == 3  # frames whose smear is known


@pytest.mark.parametrize(("timed", "scale"), [(True, 0.01), (True, 1.0), (True, 700.0), (False, 1.0)])
def test_the_axes_count_up_in_even_steps(timed: bool, scale: float) -> None:
    svg = drawn(data(timed=timed, scale=scale))
    figures = [e for e in svg.iter(f"{SVG}text") if (e.text or "").replace(".", "").isdigit()]
    up = [(float(e.text or ""), -float(e.get("y", "nan"))) for e in figures if "end" in e.get("class", "")]
    along = [(float(e.text or ""), float(e.get("x", "nan"))) for e in figures if "mid" in e.get("class", "")]
    for axis in (up, along):
        assert 2 <= len(axis) <= 8
        steps = [b[0] - a[0] for a, b in pairwise(axis)]
        assert min(steps) > 0 and max(steps) == pytest.approx(min(steps))
        paper = [b[1] - a[1] for a, b in pairwise(axis)]
        assert min(paper) > 20 and max(paper) == pytest.approx(min(paper), abs=0.03)
    if not timed:
        assert all(value == int(value) for value, _ in along), "there is no frame 1.5"


def test_what_is_drawn_lies_on_the_paper_and_says_what_it_is() -> None:
    for given in (data(), data((None,) * 5), data((250.0,) * 5, timed=False)):
        svg = drawn(given)
        for element in svg.iter():
            places = [place.split(",") for place in element.get("points", "").split()]
            places += [(element.get(f"{c}x", "0"), element.get(f"{c}y", "0")) for c in ("", "c")]
            assert all(0 <= float(x) <= WIDTH and 0 <= float(y) <= HEIGHT for x, y in places)
    assert "smear unknown" in words(drawn(data((None,) * 5)))
    assert "focus" in words(svg) and "a < b" not in words(svg)  # a line without a value is no line
    assert "frame, in order of capture" in words(svg)
