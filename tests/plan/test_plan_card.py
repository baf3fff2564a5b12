"""The card: complete in itself, safe, one page on paper, looked at in a real browser."""

from __future__ import annotations

import math
import re
import shutil
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest

from windstill.optics import OutputSize
from windstill.plan import PlanRequest, plan_shot, render_card

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")

CARDS = {
    "full": PlanRequest(
        24,
        0.5,
        wind_mps=4.4,
        light_ev100=9,
        bracket_frames=3,
        span_deg=120,
        upright=True,
        lull_s=5,
        output=OutputSize("print", 60),
        title="Thrift on the sea cliff",
    ),
    "bare": PlanRequest(24, 0.5, apertures=(11, 11), circle_mm=0.03),
    "many": PlanRequest(100, 1, 5, apertures=(8, 8), circle_mm=0.012, bracket_frames=5, wind_mps=2.4, light_ev100=6),
    "huge": PlanRequest(
        100,
        0.5,
        math.inf,
        apertures=(2.8, 22),
        bracket_frames=9,
        wind_mps=5,
        light_ev100=4,
        span_deg=200,
        lull_s=2,
        takes=3,
    ),
    "one": PlanRequest(14, 3, apertures=(8, 8), circle_mm=0.03, light_ev100=14, fading_ev_per_min=0),
    "dark": PlanRequest(24, 0.4, light_ev100=-4, bracket_frames=5, span_deg=180),
}


class Tags(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.seen: list[tuple[str, dict[str, str | None]]] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.seen.append((tag, dict(attrs)))


@pytest.mark.parametrize("name", CARDS)
def test_card_loads_nothing_and_runs_nothing(name: str) -> None:
    tags = Tags()
    tags.feed(render_card(plan_shot(CARDS[name])))
    assert not {tag for tag, _ in tags.seen} & {"script", "link", "img", "iframe", "object", "base", "form"}
    assert not [a for _, attrs in tags.seen for a in attrs if a in ("src", "href", "style") or a.startswith("on")]
    policy = next(a["content"] for _, a in tags.seen if a.get("http-equiv") == "Content-Security-Policy")
    assert policy is not None
    assert "default-src 'none'" in policy


def test_a_title_is_text_and_nothing_else() -> None:
    page = render_card(plan_shot(PlanRequest(24, 1, title="<script>alert(1)</script>")))
    assert "<script" not in page
    assert "&lt;script&gt;" in page


def test_card_says_what_the_plan_says() -> None:
    plan = plan_shot(CARDS["full"])
    words = re.sub(r"<[^>]+>", " ", render_card(plan))
    text = re.sub(r"\s+", " ", words)
    for position in plan.stack.positions[:5]:
        assert f"{position.focus_m:.2f} m" in text
    for line in (*plan.remarks, *plan.assumptions, *plan.cautions):
        assert line.split("'")[0][:60] in text.replace("&#39;", "'")


@pytest.fixture(scope="module")
def browser() -> Any:
    if CHROMIUM is None:
        pytest.skip("no Chromium browser on this machine")
    playwright = pytest.importorskip("playwright.sync_api")
    with playwright.sync_playwright() as started:
        opened = started.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox", "--disable-gpu"])
        yield opened
        opened.close()


@pytest.mark.browser
@pytest.mark.parametrize(
    "name", [name if name in ("full", "huge") else pytest.param(name, marks=pytest.mark.slow) for name in CARDS]
)
def test_card_in_a_real_browser(browser: Any, tmp_path: Path, name: str) -> None:
    path = tmp_path / "card.html"
    path.write_text(render_card(plan_shot(CARDS[name])), "utf-8")
    page = browser.new_page(viewport={"width": 900, "height": 1200})
    said: list[str] = []
    page.on("console", lambda message: said.append(message.text))
    page.on("request", lambda asked: said.append(asked.url))
    page.goto(path.as_uri())
    assert said == [path.as_uri()]  # nothing but the page itself is loaded, nothing complained of
    # The style was accepted by the page's own policy, and nothing sticks out sideways on a screen or a phone.
    assert page.evaluate("getComputedStyle(document.querySelector('.set')).display") == "grid"
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    page.set_viewport_size({"width": 390, "height": 800})
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    for paper in ("A4", "Letter"):
        margin = {"top": "11mm", "bottom": "11mm", "left": "12mm", "right": "12mm"}
        sheets = page.pdf(format=paper, prefer_css_page_size=False, margin=margin)
        assert len(re.findall(rb"/Type\s*/Page\b(?!s)", sheets)) == 1, paper
    page.close()
