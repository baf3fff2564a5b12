"""The report as a photographer meets it: in a browser, with keys, a pointer, a phone, in the dark."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from report.browsing import Visit, opened_browser
from report.handmade import evening_review
from windstill.report import write_report
from windstill.settings import ReportSettings, Settings

pytestmark = pytest.mark.browser
ALL = [f"set-{i}" for i in range(1, 11)]


@pytest.fixture(scope="module")
def report(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_report(evening_review(), tmp_path_factory.mktemp("report"), Settings())


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with opened_browser() as running:
        yield running


@pytest.fixture
def visit(browser: Any, report: Path) -> Iterator[Callable[..., Visit]]:
    visits: list[Visit] = []

    def open_report(path: Path = report, **context: Any) -> Visit:
        visits.append(Visit(browser, path, **context))
        return visits[-1]

    yield open_report
    for made in visits:
        made.close()


def test_opens_without_a_complaint_or_a_request(visit: Callable[..., Visit], report: Path) -> None:
    seen = visit()
    for name in ALL:
        seen.page.locator(f"#{name}").scroll_into_view_if_needed()
    seen.page.wait_for_timeout(200)
    assert seen.complaints == []
    assert [u for u in seen.requests if not u.startswith("data:") and u != report.as_uri()] == []
    blank = seen.page.eval_on_selector_all(
        "img", "all => all.filter(i => i.offsetParent && i.complete && !i.naturalWidth).length")  # fmt: skip
    assert blank == 0


def test_first_screen_answers_without_scrolling(visit: Callable[..., Visit]) -> None:
    seen = visit()
    assert seen.page.inner_text("h1") == "4 of 7 sets will merge."
    for selector in ("[aria-labelledby=a-merge] li", "[aria-labelledby=a-lost] li", ".bests li"):
        boxes = [item.bounding_box() for item in seen.page.locator(selector).all()]
        assert boxes and all(b and b["y"] + b["height"] <= 800 for b in boxes), selector
    lost = seen.page.inner_text("[aria-labelledby=a-lost]")
    # A figure and its unit stay on one line.
    assert "blooms at lower left moved 19\u00a0px between focus 3 and 4" in lost
    assert lost.index("lost") < lost.index("hard")
    ways_out = [words for words in seen.page.locator(".keepers p").all_inner_texts() if "alone holds" in words]
    assert ways_out and all("\u00a0%" in words for words in ways_out)


def test_names_cannot_run_or_reorder_anything(visit: Callable[..., Visit]) -> None:
    seen = visit()
    text = seen.page.inner_text("main")
    assert "all%0Anight%FF%E2%80%AEtxt" in text and "\u202e" not in seen.page.content()
    assert seen.page.locator("article script, article b script").count() == 0
    assert not any("dialog" in c for c in seen.complaints)


def test_policy_stops_injected_code_and_the_network(visit: Callable[..., Visit]) -> None:
    seen = visit()
    ran = seen.page.evaluate(
        """async () => {
            const script = document.createElement('script');
            script.textContent = 'window.broke = 1';
            document.body.append(script);
            const image = new Image();
            const loaded = new Promise(done => { image.onload = () => done(true); image.onerror = () => done(false); });
            image.src = 'http://127.0.0.1:9/x.png';
            const fetched = await fetch('http://127.0.0.1:9/').then(() => true, () => false);
            return [window.broke === 1, await loaded, fetched];
        }""")  # fmt: skip
    assert ran == [False, False, False]
    assert any("Content Security Policy" in c for c in seen.complaints)


def test_filter_by_outlook_kind_and_scene(visit: Callable[..., Visit]) -> None:
    seen = visit()
    page = seen.page
    assert seen.shown_sets() == ALL
    page.get_by_role("checkbox", name="lost").check()
    assert seen.shown_sets() == ["set-1"] and page.inner_text("#count") == "1 of 10 shown"
    page.get_by_role("checkbox", name="hard").check()
    assert seen.shown_sets() == ["set-1", "set-6"]
    assert page.locator("#scene-2").is_hidden()
    page.select_option("#by-kind", "panorama")
    assert seen.shown_sets() == ["set-6"]
    page.select_option("#by-scene", "2")
    assert seen.shown_sets() == [] and page.locator("#nothing").is_visible()
    page.locator("#nothing button").click()
    assert seen.shown_sets() == ALL
    page.select_option("#by-scene", "1")
    assert seen.shown_sets() == ["set-1", "set-2", "set-3"]


def test_order_by_sway_area_and_time(visit: Callable[..., Visit]) -> None:
    seen = visit()
    review = evening_review()
    top = list(review.grouping.top_level())
    sway = {f"set-{i}": review.verdicts[s.set_id].sway_max_px if s.set_id in review.verdicts else None
            for i, s in enumerate(top, 1)}  # fmt: skip
    seen.page.select_option("#by-order", "sway")
    shown = seen.shown_sets()
    known = [sway[name] for name in shown if sway[name] is not None]
    assert known == sorted(known, reverse=True) and sorted(shown) == sorted(ALL)
    assert all(sway[name] is None for name in shown[len(known) :])
    seen.page.select_option("#by-order", "area")
    assert seen.shown_sets()[:3] == ["set-1", "set-6", "set-4"]
    seen.page.select_option("#by-order", "time")
    assert seen.shown_sets() == ALL
    assert seen.page.locator("#scene-1 article").count() == 3


def test_every_key(visit: Callable[..., Visit]) -> None:
    seen = visit(color_scheme="light")
    page = seen.page

    def here() -> str:
        return str(page.evaluate("document.activeElement.closest('article')?.id"))

    page.keyboard.press("n")
    assert here() == "set-1"
    page.keyboard.press("n")
    assert here() == "set-2"
    page.keyboard.press("p")
    assert here() == "set-1"
    page.wait_for_timeout(150)
    top = page.locator("#set-1").bounding_box()
    bar = page.locator("#bar").bounding_box()
    assert top and bar and bar["y"] + bar["height"] <= top["y"] + 1 < 200, "the set stands below the bar"

    page.keyboard.press("f")
    assert page.locator("#set-1 .crop-b").is_visible() and page.locator("#set-1 .crop-a").is_hidden()
    assert page.locator("#set-1 .flip-it").get_attribute("aria-pressed") == "true"
    page.keyboard.press("f")
    assert page.locator("#set-1 .crop-a").is_visible()

    for shown, hidden in (("smear", "sway"), ("coverage", "smear")):
        page.keyboard.press("m")
        assert page.locator(f"#set-1 .layer-{shown}").is_visible()
        assert page.locator(f"#set-1 .layer-{hidden}").is_hidden()
    page.keyboard.press("m")
    assert page.locator("#set-1 .layer:visible").count() == 0
    page.keyboard.press("i")
    assert page.locator("#set-1 .pairs table").is_visible()
    page.keyboard.press("g")
    assert here() == "set-4"

    page.keyboard.press("o")
    assert page.locator(".pick input:checked").get_attribute("value") == "clean"
    page.keyboard.press("s")
    assert page.input_value("#by-order") == "sway"
    page.keyboard.press("a")
    assert seen.shown_sets() == ALL and page.input_value("#by-order") == "time"
    page.keyboard.press("b")
    page.wait_for_function("scrollY === 0")

    before = page.evaluate("getComputedStyle(document.body).backgroundColor")
    page.keyboard.press("d")
    page.keyboard.press("d")
    assert page.evaluate("getComputedStyle(document.body).backgroundColor") != before

    page.keyboard.press("?")
    assert page.locator("#help").is_visible()
    listed = page.locator("#help kbd").all_inner_texts()
    assert set("npgfmicosabd?") | {"Esc"} == set(listed)
    page.keyboard.press("n")
    page.keyboard.press("Escape")
    assert page.locator("#help").is_hidden()
    assert seen.complaints == []


def test_single_keys_can_be_switched_off(visit: Callable[..., Visit]) -> None:
    # Source: WCAG 2.2, success criterion 2.1.4 (character key shortcuts).
    seen = visit()
    seen.page.keyboard.press("?")
    seen.page.locator("#keys-on").uncheck()
    seen.page.locator("#close-help").click()
    seen.page.keyboard.press("n")
    assert seen.page.evaluate("document.activeElement.closest('article')") is None


def test_press_and_hold_shows_the_other_frame(visit: Callable[..., Visit]) -> None:
    seen = visit()
    box = seen.page.locator("#set-1 .flip")
    box.scroll_into_view_if_needed()
    seen.page.wait_for_timeout(100)
    box.hover()
    assert seen.page.locator("#set-1 .crop-a").is_visible()
    seen.page.mouse.down()
    assert seen.page.locator("#set-1 .crop-b").is_visible() and seen.page.locator("#set-1 .crop-a").is_hidden()
    seen.page.mouse.up()
    assert seen.page.locator("#set-1 .crop-a").is_visible()
    size = seen.page.locator("#set-1 .crop-a img").bounding_box()
    assert size and (size["width"], size["height"]) == (320, 210), "one pixel of the file is one of the page"
    seen.page.locator("#set-1 .beside").click()
    assert seen.page.locator("#set-1 .crop-a").is_visible() and seen.page.locator("#set-1 .crop-b").is_visible()


def test_another_pair_on_the_map(visit: Callable[..., Visit]) -> None:
    page = visit().page
    page.locator("#set-1 .pairs summary").click()
    before = page.locator("#set-1 .layer-sway").get_attribute("src")
    page.locator("#set-1 .show-pair").first.click()
    assert page.locator("#set-1 .layer-sway").get_attribute("src") != before
    assert page.locator("#set-1 .says-sway").inner_text().startswith("THRF0001 to THRF0002: largest sway 4")
    assert page.locator("#set-1 .pile > img").first.get_attribute("src") == page.locator(
        "#frame-1 img").get_attribute("src")  # fmt: skip
    page.locator("#set-1 .choice label", has_text="smear").click()
    assert page.locator("#set-1 .layer-smear").is_visible()
    page.locator("#set-1 .choice label", has_text="sway").click()
    assert page.locator("#set-1 .layer-sway").get_attribute("src") != before


def test_copy_file_names(visit: Callable[..., Visit]) -> None:
    seen = visit(permissions=["clipboard-read", "clipboard-write"])
    seen.page.locator("#set-3 button.copy").click()
    expected = "\n".join(f"104CLIFF/THRF{n:04d}.{e}" for n in (9, 10, 12, 13, 14) for e in ("JPG", "RAW"))
    assert seen.page.evaluate("navigator.clipboard.readText()") == expected
    assert seen.page.locator("#set-3 button.copy").inner_text() == "Copied 10 names"


def test_nothing_to_press_is_printed(visit: Callable[..., Visit]) -> None:
    seen = visit()
    assert seen.page.locator("article button:visible").count()
    seen.page.emulate_media(media="print")
    assert seen.page.locator("button:visible").count() == 0


def test_without_scripts_the_essentials_work(visit: Callable[..., Visit]) -> None:
    seen = visit(java_script_enabled=False)
    page = seen.page
    assert page.locator("h1").inner_text() == "4 of 7 sets will merge."
    assert page.locator(".js-only:visible").count() == 0
    assert page.locator("article.set:visible").count() == 10
    assert page.locator("#set-1 .crop-a").is_visible() and page.locator("#set-1 .crop-b").is_visible()
    assert page.locator("#set-1 .layer-sway").is_visible()
    page.locator("#set-1 .choice label", has_text="smear").click()
    assert page.locator("#set-1 .layer-smear").is_visible() and page.locator("#set-1 .layer-sway").is_hidden()
    page.locator("#set-1 .keepers summary").click()
    assert "104CLIFF/THRF0001.JPG" in page.locator("#set-1-names").inner_text()
    page.locator("#set-6-1 > summary").click()
    assert page.locator("#set-6-1 .child-body").first.is_visible()


def test_on_paper(visit: Callable[..., Visit]) -> None:
    seen = visit(color_scheme="dark")
    page = seen.page
    for _ in range(2):  # auto, light, dark
        page.keyboard.press("d")
    page.emulate_media(media="print")
    # Printers leave backgrounds out: the words have to be dark.
    ink = page.evaluate("getComputedStyle(document.body).color.match(/[0-9.]+/g).map(Number)")
    assert sum(ink[:3]) / 3 < 60
    a, b = (page.locator(f"#set-1 .crop-{name}") for name in "ab")
    assert a.is_visible() and b.is_visible() and a.bounding_box() != b.bounding_box()
    assert page.locator("button:visible").count() == 0
    names = page.locator("#set-1-names").bounding_box()
    assert names and names["height"] > 40, "the names to keep can be read though their list was closed"
    ends = page.eval_on_selector_all("#set-1 .frame", "all => all.map(f => f.getBoundingClientRect().right)")
    assert max(ends) <= page.evaluate("document.documentElement.clientWidth")


def test_names_to_keep_are_printed_by_browsers_that_style_no_closed_lists(visit: Callable[..., Visit]) -> None:
    page = visit().page
    # As in a browser that knows no `::details-content`: the rule is dropped there.
    dropped = page.evaluate("""() => {
        let count = 0;
        for (const sheet of document.styleSheets)
            for (const rule of sheet.cssRules)
                for (let i = (rule.cssRules?.length ?? 0) - 1; i >= 0; i--)
                    if (rule.cssRules[i].cssText.includes('details-content')) { rule.deleteRule(i); count++; }
        return count;
    }""")
    lists = page.locator("article.set > .halves .keepers pre")
    assert dropped == 1 and lists.count() > 3 and page.locator(".keepers pre:visible").count() == 0
    page.evaluate("""() => addEventListener('beforeprint', () => {
        const names = document.querySelectorAll('article.set > .halves .keepers pre');
        window.printed = [...names].filter(list => list.checkVisibility()).length;
    })""")
    page.pdf()
    assert page.evaluate("window.printed") == lists.count()
    assert page.locator(".keepers pre:visible").count() == 0, "on the screen they are folded again"


def test_two_takes_side_by_side_on_a_phone(visit: Callable[..., Visit]) -> None:
    page = visit(viewport={"width": 390, "height": 844}, has_touch=True).page
    ends = page.eval_on_selector_all(
        "#scene-1 .takes thead th:nth-child(3)", "all => all.map(t => t.getBoundingClientRect().right)")  # fmt: skip
    assert ends and max(ends) <= 390


@pytest.mark.parametrize("width", [320, 390, 768])
def test_nothing_sticks_out_on_a_narrow_screen(visit: Callable[..., Visit], width: int) -> None:
    # Source: WCAG 2.2, success criterion 1.4.10 (reflow at 320 CSS pixels).
    seen = visit(viewport={"width": width, "height": 844}, has_touch=True)
    assert seen.page.evaluate("document.documentElement.scrollWidth") <= width
    for name in ALL:
        seen.page.evaluate(f"document.getElementById('{name}').scrollIntoView()")
        assert seen.page.evaluate("document.documentElement.scrollWidth") <= width, name


def test_dark_appearance_follows_the_system_and_the_choice(visit: Callable[..., Visit]) -> None:
    def lightness(page: Any, selector: str = "body") -> float:
        rgb = page.evaluate(
            f"getComputedStyle(document.querySelector('{selector}')).backgroundColor.match(/[0-9.]+/g).map(Number)")
        return float(sum(rgb[:3]) / 3)

    dark, light = visit(color_scheme="dark").page, visit(color_scheme="light").page
    assert lightness(dark) < 60 < 200 < lightness(light)
    light.get_by_role("button", name="Appearance").click()
    light.get_by_role("button", name="Appearance").click()
    assert light.inner_text("#appearance") == "Appearance: dark" and lightness(light) < 60


AXE = """async (tags) => {
    const result = await axe.run(document, { runOnly: { type: 'tag', values: tags }, resultTypes: ['violations'] });
    return result.violations.map(v => v.id + ': ' + v.nodes.slice(0, 4).map(n => n.target.join(' ') + ' ' +
        (n.any[0]?.message || n.all[0]?.message || n.none[0]?.message)).join(' | '));
}"""
# Source: axe-core, its rules tagged for WCAG 2.2 levels A and AA, and its best practices.
AXE_TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]


# One set of every make-up there is: troubled, not judged, clean, nested, alone with a hostile name, unreadable.
SAMPLE = ["set-1", "set-2", "set-5", "set-6", "set-8", "set-10"]


def look_with_axe(seen: Visit, kept: list[str]) -> None:
    package = pytest.importorskip("axe_playwright_python", reason="axe-playwright-python is not installed")
    page = seen.page
    page.add_style_tag(content=".set{content-visibility:visible!important}")
    page.add_script_tag(content=(Path(package.__file__).parent / "axe.min.js").read_text("utf-8"))
    page.evaluate(
        """kept => {
            document.querySelectorAll('article.set').forEach(a => { if (!kept.includes(a.id)) a.remove(); });
            const open = d => !d.matches('[id$="-2"], [id$="-3"]');
            document.querySelectorAll('article details').forEach(d => { d.open = open(d); });
        }""", kept)  # fmt: skip
    assert page.evaluate(AXE, AXE_TAGS) == []
    page.evaluate("document.querySelectorAll('article.set').forEach(a => a.remove())")
    page.keyboard.press("?")
    assert page.evaluate(AXE, AXE_TAGS) == []


@pytest.mark.parametrize(("scheme", "width"), [("light", 1280), ("dark", 390)])
def test_axe_finds_nothing(visit: Callable[..., Visit], scheme: str, width: int) -> None:
    # The policy of the page would stop the checker itself.
    look_with_axe(visit(color_scheme=scheme, viewport={"width": width, "height": 900}, bypass_csp=True), SAMPLE)


@pytest.mark.slow
@pytest.mark.parametrize(("scheme", "width"), [("light", 390), ("dark", 1280)])
def test_axe_finds_nothing_in_the_whole_report(visit: Callable[..., Visit], scheme: str, width: int) -> None:
    look_with_axe(visit(color_scheme=scheme, viewport={"width": width, "height": 900}, bypass_csp=True), ALL)


def test_pictures_in_a_folder(browser: Any, tmp_path: Path) -> None:
    report = write_report(evening_review(), tmp_path, Settings(report=ReportSettings(assets="folder")))
    assert report.stat().st_size < 700_000
    seen = Visit(browser, report)
    seen.page.locator("#set-1").scroll_into_view_if_needed()
    seen.page.wait_for_timeout(300)
    assert seen.complaints == []
    assert {u.rsplit("/", 2)[-2] for u in seen.requests[1:]} == {"report-pictures"}
    assert seen.page.eval_on_selector("#set-1 .pile img", "i => i.naturalWidth") == 480
    seen.close()
