"""maps/, the overlays, the sizes of pictures and long shoots."""

from __future__ import annotations

import base64
import io
import re
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from report.browsing import Visit, opened_browser
from report.handmade import BODY_SERIAL, GRID, empty_review, evening_review, jpeg, many_frames_review, paint, sway_field
from windstill.assess.places import place_of
from windstill.report import write_report
from windstill.report.mapfiles import map_names, write_maps
from windstill.report.overlay import (
    SWAY_COLOURS,
    amount_legend,
    changed_overlay,
    changed_share,
    coverage_overlay,
    png,
    specks,
    sway_overlay,
)
from windstill.report.page import render_page
from windstill.report.pictures import resized
from windstill.report.shoot import Shoot
from windstill.report.summary import headlines
from windstill.report.words import numbered, place
from windstill.settings import ReportSettings, Settings


def test_one_map_per_assessed_set_and_none_of_an_earlier_review(tmp_path: Path) -> None:
    maps = tmp_path / "maps"
    write_maps(evening_review(), tmp_path)
    first = {p.name for p in maps.iterdir()}
    review = evening_review()
    measured = {s for s, m in review.measures.items() if any(p.field is not None for p in m.pairs)}
    assert len(first) == len(measured) and "104CLIFF%2FTHRF0001~stack.png" in first
    (maps / "holiday.png").write_bytes(b"no picture at all")
    Image.new("RGB", (8, 8)).save(maps / "own.png")
    write_maps(empty_review(), tmp_path)
    assert {p.name for p in maps.iterdir()} == {"holiday.png", "own.png"}, "only our own maps are taken away"


def test_map_names_survive_every_disk() -> None:
    review = evening_review()
    node = review.grouping.sets[0]
    verdict, measure = review.verdicts[node.set_id], review.measures[node.set_id]
    for name in ('a/b:c*?"<>|\\', "x" * 400, "A/b", "a/B", "caf\u00e9/" + "\u00e9" * 300):
        other = replace(node, set_id=name)
        review = replace(
            review, grouping=replace(review.grouping, sets=(*review.grouping.sets, other)),
            verdicts={**review.verdicts, name: verdict}, measures={**review.measures, name: measure})
    names = list(map_names(Shoot(review)).values())
    assert len({n.casefold() for n in names}) == len(names)
    assert all(len(n.encode()) <= 200 and not set(n) & set('/\\:*?"<>|') for n in names)


@pytest.mark.parametrize(("row", "col"), [(row, col) for row in range(3) for col in range(3)])
def test_the_map_and_the_reason_call_a_place_the_same(row: int, col: int) -> None:
    mask = np.zeros((30, 60), bool)
    mask[10 * row + 4 : 10 * row + 6, 20 * col + 9 : 20 * col + 11] = True
    assert place_of(mask).removeprefix("at ").removeprefix("in ").removeprefix("the ") == place(
        20 * col + 10, 10 * row + 5, 60, 30
    )


def test_overlay_shows_what_the_field_says() -> None:
    field = sway_field(12.0, seed=3)
    overlay = sway_overlay(field, 2.0, 6000, 4000).convert("RGBA")
    assert overlay.width / overlay.height == pytest.approx(1.5, abs=0.01)
    pixels = np.asarray(overlay)
    side = overlay.width / GRID.cols
    length = np.hypot(field.sway_x_px, field.sway_y_px)
    over = (length > 2) & (field.relevance >= 0.5) & (field.confidence >= 0.5) & field.textured
    centres = pixels[(np.arange(GRID.rows)[:, None] * side + side / 2).astype(int),
                     (np.arange(GRID.cols)[None] * side + side / 2).astype(int)]  # fmt: skip
    classed = (centres[..., None, :] == np.array(SWAY_COLOURS)).all(-1).any(-1)
    assert (classed == over).mean() > 0.985, "outlines may cover a centre, nothing else may differ"
    elsewhere = ~((field.relevance >= 0.5) & field.textured)
    assert (centres[elsewhere][:, 3] == 0).all(), "clear where the merge does not draw"


def test_scale_reads_without_colour() -> None:
    """Lightness rises with the amount, and unmeasured tiles have a pattern (common practice, no source)."""
    entries = amount_legend(2.0)
    assert [e.words for e in entries] == [
        "up to 2 px", "2 to 4 px", "4 to 10 px", "10 to 20 px", "over 20 px", "not measured"]  # fmt: skip
    lightness = [np.dot(c[:3], (0.2126, 0.7152, 0.0722)) for c in SWAY_COLOURS]
    assert all(b - a > 20 for a, b in pairwise(lightness))
    assert entries[-1].pattern == "hatched"


def test_coverage_map_hatches_gaps() -> None:
    review = evening_review()
    cover = next(m.coverage for m in review.measures.values() if m.coverage and m.coverage.gaps)
    pixels = np.asarray(coverage_overlay(cover, 6, 6000, 4000).convert("RGBA"))
    side = pixels.shape[1] / GRID.cols
    row, col = np.argwhere(cover.best < 0).mean(axis=0).astype(int)
    tile = pixels[int(row * side) : int((row + 1) * side), int(col * side) : int((col + 1) * side)]
    assert {0, 235} == set(tile[..., 3].ravel().tolist()), "lines on clear ground"


def test_specks_above_the_largest_sway_are_known_for_specks() -> None:
    calm = sway_field(1.0, seed=3)
    assert not specks(calm, 1.0, 2.0)
    row, col = np.argwhere((calm.relevance >= 0.5) & calm.textured & (calm.confidence >= 0.5))[0]
    calm.sway_x_px[row, col] = 9.0
    assert specks(calm, 1.0, 2.0) and not specks(calm, 9.0, 2.0)


def test_what_is_in_a_set_is_said() -> None:
    assert numbered("stack", 4) == "stack of 4"
    assert numbered("stack", 4, "bracket") == "stack of 4 brackets"
    assert numbered("panorama", 3, "bracket") == "panorama of 3 views"


def test_the_first_sentences_say_for_how_many_there_is_a_way_out() -> None:
    place = "Another take, or fewer frames, can take"
    assert headlines({"clean": 1, "hard": 1}, 0, 0, 0, 1)[1] == f"1 would take hours. {place} its place."
    assert headlines({"clean": 1, "hard": 3}, 0, 0, 0, 1)[1] == f"3 would take hours. {place} the place of one of them."
    assert headlines({"clean": 1, "hard": 2}, 0, 0, 0)[1] == "2 would take hours."


def test_cautions_stand_where_somebody_is_sent_back_out_only(tmp_path: Path) -> None:
    def page(name: str, **advised: Any) -> str:
        review = evening_review()
        advice = {set_id: replace(said, **advised) for set_id, said in review.advice.items()}
        return write_report(replace(review, advice=advice), tmp_path / name, Settings()).read_text()

    again = page("again", best_take=None)
    told = again.count("Before you go back out: ")
    assert told >= 2 and again.count('id="cautions"') == 1, "under the sets and on the first screen"
    # "Merge take 2 of this scene instead": nobody goes anywhere.
    instead = page("instead", best_take=False)
    assert "go back out" not in instead and 'href="#cautions"' not in instead


def test_the_least_measured_pair_is_not_passed_off_for_all(tmp_path: Path) -> None:
    page = write_report(evening_review(), tmp_path / "out", Settings()).read_text()
    assert "in the pair measured least" in page


def test_changed_map_only_where_something_changed() -> None:
    still, waves = sway_field(1.0, seed=3), sway_field(1.0, seed=3, changed=1.0)
    assert changed_share(still) == 0 < 0.02 < changed_share(waves)
    pixels = np.asarray(changed_overlay(waves, 6000, 4000).convert("RGBA"))
    marked = (pixels[..., 3] > 0).mean()
    tiles = ((waves.changed >= 0.5) & (waves.relevance >= 0.5) & waves.textured).mean()
    assert marked == pytest.approx(tiles * GRID.rows * GRID.tile_px / 4000, rel=0.02)
    assert not np.asarray(changed_overlay(still, 6000, 4000).convert("RGBA"))[..., 3].any()


def test_pictures_lose_what_the_camera_wrote() -> None:
    image = paint(0)
    exif = Image.Exif()
    exif[0xA431] = BODY_SERIAL
    out = io.BytesIO()
    image.resize((300, 200)).save(out, "JPEG", exif=exif, comment=b"51.5 N 0.1 W")
    plain, width, height = resized(out.getvalue(), 480, 80)
    assert (width, height) == (300, 200)
    assert BODY_SERIAL.encode() not in plain and b"51.5 N" not in plain and b"Exif" not in plain
    clean = jpeg(image.resize((300, 200)))
    assert resized(clean, 480, 80)[0] == clean, "what is small and plain stays as it is"
    assert resized(clean, 120, 80)[1:] == (120, 80)
    assert resized(b"\xff\xd8 torn", 120, 80) == (b"", 0, 0)


def test_nothing_private_in_any_output(tmp_path: Path) -> None:
    """A body's serial number and a place in the thumbnail itself reach neither tables, page nor maps."""
    review = evening_review()
    exif = Image.Exif()
    exif[0xA431] = BODY_SERIAL
    exif.get_ifd(0x8825)[1] = "N"
    out = io.BytesIO()
    paint(0).resize((480, 320)).save(out, "JPEG", exif=exif)
    assert BODY_SERIAL.encode() in out.getvalue()
    told = {n: replace(s, thumbnail_jpeg=out.getvalue()) for n, s in review.scores.items()}
    write_report(replace(review, scores=told), tmp_path, Settings())
    for path in tmp_path.rglob("*"):
        if path.is_file():
            assert BODY_SERIAL.encode() not in path.read_bytes(), path.name
    embedded = re.findall(r"data:image/jpeg;base64,([^\"]+)", (tmp_path / "report.html").read_text("utf-8"))
    assert len(embedded) > 50
    for text in set(embedded):
        with Image.open(io.BytesIO(base64.b64decode(text))) as image:
            assert not image.getexif() and "exif" not in image.info


def test_reports_of_odd_shoots(tmp_path: Path) -> None:
    """Nothing at all, a picture that is no picture, a set without verdict or measure."""
    assert "nothing to merge" in write_report(empty_review(), tmp_path / "a", Settings()).read_text("utf-8")
    review = evening_review()
    name = review.frames[0].name
    node = review.grouping.sets[1].set_id
    bare = replace(
        review, scores={**review.scores, name: replace(review.scores[name], thumbnail_jpeg=b"torn")},
        verdicts={k: v for k, v in review.verdicts.items() if k != node}, measures={}, advice={}, order=("gone",))
    page = write_report(bare, tmp_path / "b", Settings()).read_text("utf-8")
    assert "not judged" in page and "no picture" in page


def test_the_page_is_the_same_every_time(tmp_path: Path) -> None:
    assert render_page(evening_review(), Settings(), tmp_path) == render_page(evening_review(), Settings(), tmp_path)


def test_small_limit_gives_smaller_pictures_then_a_folder(tmp_path: Path) -> None:
    def page(limit: float) -> str:
        return render_page(evening_review(), Settings(report=ReportSettings(embed_limit_mb=limit)), tmp_path)

    full, small = page(38), page(1.5)
    assert len(full) > 1_500_000 >= len(small.encode())
    longest = re.compile(r'<li class="frame.*?<img src="[^"]*" width="(\d+)"', re.S)
    assert int(longest.findall(small)[0]) < int(longest.findall(full)[0]) == 480
    assert not (tmp_path / "report-pictures").exists()


@pytest.mark.slow
def test_two_thousand_frames(tmp_path: Path) -> None:
    """Issue limits: under 40 MB in one file, first screen under 2 s."""
    report = tmp_path / "report.html"
    report.write_text(render_page(many_frames_review(), Settings(), tmp_path), "utf-8")
    assert report.stat().st_size < 40_000_000
    with opened_browser() as browser:
        seen = Visit(browser, report)
        paint_ms: Any = seen.page.evaluate("performance.getEntriesByName('first-contentful-paint')[0].startTime")
        print(f"2,000 frames: {report.stat().st_size / 1e6:.1f} MB, first screen {paint_ms:.0f} ms")
        assert paint_ms < 2000 and seen.page.inner_text("h1") == "300 of 400 sets will merge."
        assert seen.complaints == []
        seen.close()


def test_png_is_a_png() -> None:
    with Image.open(io.BytesIO(png(sway_overlay(sway_field(3, 1), 2.0, 6000, 4000)))) as image:
        assert image.format == "PNG" and image.mode == "P"


def test_a_smeared_frame_by_itself_is_not_said_to_be_kept_beside_its_mark_to_leave_it_out(tmp_path: Path) -> None:
    review = evening_review()
    alone = next(n for n in review.grouping.top_level() if n.kind == "single" and n.set_id in review.verdicts)
    lost = replace(review.verdicts[alone.set_id], outlook="lost")
    frame = replace(review.frame_advice[alone.frames[0]], keep="no")
    review = replace(
        review, verdicts={**review.verdicts, alone.set_id: lost},
        frame_advice={**review.frame_advice, alone.frames[0]: frame},
    )  # fmt: skip
    page = write_report(review, tmp_path / "out", Settings()).read_text()
    cards = re.findall(r'<article class="set[^>]*data-kind="single".*?</article>', page, re.DOTALL)
    card = next(card for card in cards if 'data-outlook="lost"' in card)
    assert "leave out" in card and "Keep 1 frame" not in card and "Base frame" not in card
