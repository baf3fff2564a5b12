"""The pictures that prove a verdict: maps over the picture, the worst place at 100 %, the set over time."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from datetime import datetime

import numpy as np

from windstill.records import CoverageMeasure, FrameSet, PairMeasure, SetMeasure, SetVerdict, seconds_from_first
from windstill.report import words
from windstill.report.graph import HEIGHT, WIDTH, GraphData, draw_graph
from windstill.report.overlay import (
    changed_overlay,
    changed_share,
    coverage_gap,
    coverage_overlay,
    png,
    smear_overlay,
    specks,
    step_colours,
    sway_overlay,
)
from windstill.report.pictures import Album, Picture, wanted
from windstill.report.shoot import Shoot
from windstill.report.tables import longer_smear, smear_against_others
from windstill.report.views import Crops, Layer, PairLine, Plate, Ring

# More frames than this are shown in a coverage map's scale by the first, middle and last one.
_SCALE_FRAMES = 8
# Share of the blend; a few changed tiles are noise and need no map of their own.
_CHANGED_SHARE = 0.01


def plates(shoot: Shoot, album: Album, node: FrameSet, verdict: SetVerdict) -> tuple[Plate, ...]:
    """Sway, smear and coverage over the pictures they belong to; one picture for maps of the same frame."""
    measure = shoot.review.measures.get(node.set_id)
    if measure is None or not wanted(album.plan.maps, verdict.outlook):
        return ()
    pair = shoot.shown_pair(node)
    layers: dict[str, list[Layer]] = {}
    for frame, layer in _layers(shoot, album, node, verdict, measure, pair):
        layers.setdefault(shoot.picture_of(node, frame), []).append(layer)
    found = []
    for picture, over_it in layers.items():
        base = album.plate(picture)
        if base is not None:
            swayed = pair is not None and picture == shoot.picture_of(node, pair.frame_a)
            ring = _ring(shoot, pair) if pair is not None and swayed else None
            found.append(Plate(words.short_name(picture), base, tuple(over_it), ring))
    return tuple(found)


def _layers(
    shoot: Shoot, album: Album, node: FrameSet, verdict: SetVerdict, measure: SetMeasure, pair: PairMeasure | None
) -> Iterator[tuple[str, Layer]]:
    scores = shoot.review.scores
    if pair is not None:
        overlay = _sway(shoot, album, pair, verdict)
        if overlay is not None:
            yield pair.frame_a, Layer("sway", overlay, map_says(shoot, pair, verdict.tolerance_px))
        share = changed_share(pair.field) if pair.field is not None else 0.0
        if pair.field is not None and pair.frame_a in scores and share >= _CHANGED_SHARE:
            image = changed_overlay(pair.field, *shoot.size(pair.frame_a))
            says = (
                f"{words.percent(100 * share)} of the blend changed rather than moved between "
                f"{words.short_name(pair.frame_a)} and {words.short_name(pair.frame_b)}: things that came, went or "
                "took another shape, as waves and clouds do."
            )
            yield pair.frame_a, Layer("changed", album.png(png(image), *image.size), says)
    smeared = scores.get(measure.smear_frame or "")
    # The map is of smear seen in the frame by itself; what only a crisper frame told has no map of the whole frame.
    alone = smeared.frame_smear_px or 0.0 if smeared is not None else 0.0
    smear_shows = album.plan.quiet or min(measure.smear_px or 0.0, alone) > verdict.tolerance_px
    if smeared is not None and measure.smear_px is not None and smear_shows:
        image = smear_overlay(
            smeared.grid, smeared.smear_px, smeared.smear_confidence, smeared.textured, verdict.tolerance_px,
            smeared.width_px, smeared.height_px,
        )  # fmt: skip
        says = f"Smear in {words.short_name(smeared.frame)}: up to {words.px(measure.smear_px)} where the merge draws."
        yield smeared.frame, Layer("smear", album.png(png(image), *image.size), says)
    cover, first = measure.coverage, node.frames[0]
    if cover is not None and first in scores and _coverage_shows(cover, album.plan.quiet):
        image = coverage_overlay(cover, len(measure.frames), *shoot.size(first))
        says = "Which frame is sharpest where; how much of the picture is in focus in any cannot be told."
        if cover.coverage_pct is not None:
            says = f"{words.percent(cover.coverage_pct)} of the textured picture is served by some frame."
        if cover.gaps:
            says += f" Gaps: {'; '.join(cover.gaps)}."
        yield first, Layer("coverage", album.png(png(image), *image.size), says)


def _coverage_shows(cover: CoverageMeasure, quiet: bool) -> bool:
    """Whether there is anything to see: gaps, or (where there is room) which of several frames serves where."""
    return bool(coverage_gap(cover).any()) or (quiet and np.unique(cover.best[cover.best >= 0]).size > 1)


def coverage_scale(shoot: Shoot, node: FrameSet, shown: Iterable[Plate]) -> tuple[tuple[str, str], ...]:
    """Frame names and colours of the coverage map."""
    if not any(layer.key == "coverage" for plate in shown for layer in plate.layers):
        return ()
    frames = shoot.review.measures[node.set_id].frames
    colours = step_colours(len(frames))
    if len(frames) > len(colours):
        return ()
    few = len(frames) <= _SCALE_FRAMES
    picks: Sequence[int] = range(len(frames)) if few else (0, len(frames) // 2, len(frames) - 1)
    return tuple((words.short_name(frames[i]), "#{:02x}{:02x}{:02x}".format(*colours[i][:3])) for i in picks)


def map_says(shoot: Shoot, pair: PairMeasure | None, tolerance_px: float) -> str:
    """One sentence on the largest sway of a pair."""
    if pair is None or pair.sway_max_px is None:
        return "No sway could be measured."
    where = shoot.where(pair)
    names = f"{words.short_name(pair.frame_a)} and {words.short_name(pair.frame_b)}"
    says = f"Between {names}: up to {words.px(pair.sway_max_px)}{f', {where}' if where else ''}."
    if pair.field is not None and specks(pair.field, pair.sway_max_px, tolerance_px):
        says += " Smaller specks that show more are too small to be sure of."
    return says


def crops(shoot: Shoot, album: Album, node: FrameSet, outlook: str) -> Crops | None:
    """The worst place at 100 %: of the pair the set is shown by, else of the pair that moved most."""
    shown = shoot.shown_pair(node)
    cropped = [p for p in shoot.pairs_below(node) if p.crops is not None]
    pair = max(cropped, key=lambda p: (p is shown, p.sway_max_px or 0.0), default=None)
    if pair is None or pair.crops is None or not wanted(album.plan.crops, outlook):
        return None
    a, b = album.jpeg(pair.crops.a_jpeg), album.jpeg(pair.crops.b_jpeg)
    if a is None or b is None:
        return None
    return Crops(a, b, words.short_name(pair.frame_a), words.short_name(pair.frame_b), shoot.where(pair))


def pair_lines(shoot: Shoot, album: Album, node: FrameSet, verdict: SetVerdict | None) -> tuple[PairLine, ...]:
    """The judged pairs of a set, each with its map where there is room."""
    measure, worst = shoot.review.measures.get(node.set_id), shoot.shown_pair(node)
    lines = []
    for pair in measure.pairs if measure else ():
        failed = (pair.mapping.reason or "the camera could not be lined up") if pair.mapping.failed else ""
        overlay = None
        if verdict and album.plan.every_pair and len(measure.pairs if measure else ()) > 1:
            overlay = _sway(shoot, album, pair, verdict)
        line = PairLine(
            a=words.short_name(pair.frame_a),
            b=words.short_name(pair.frame_b),
            a_card=shoot.frame_anchor(shoot.picture_of(node, pair.frame_a)),
            sway=words.px(pair.sway_max_px),
            area=words.percent(pair.relevant_pct),
            measured=words.percent(pair.measured_pct),
            where=shoot.where(pair),
            worst=pair is worst,
            failed=failed,
            overlay=overlay,
            ring=_ring(shoot, pair),
        )
        lines.append(line)
    return tuple(lines)


def _sway(shoot: Shoot, album: Album, pair: PairMeasure, verdict: SetVerdict) -> Picture | None:
    if pair.field is None or pair.frame_a not in shoot.review.scores:
        return None
    key = pair.set_id, pair.frame_a, pair.frame_b, verdict.tolerance_px
    if key not in album.sways:
        image = sway_overlay(pair.field, verdict.tolerance_px, *shoot.size(pair.frame_a))
        album.sways[key] = album.png(png(image), *image.size)
    return album.sways[key]


def _ring(shoot: Shoot, pair: PairMeasure) -> Ring | None:
    if pair.worst_x_px is None or pair.worst_y_px is None or pair.frame_a not in shoot.review.scores:
        return None
    return Ring(round(pair.worst_x_px, 1), round(pair.worst_y_px, 1), *shoot.size(pair.frame_a))


def graph(shoot: Shoot, album: Album, node: FrameSet, verdict: SetVerdict) -> Picture | None:
    """The set over time; fewer than three frames make no graph."""
    if len(node.frames) < 3 or not wanted(album.plan.crops, verdict.outlook):
        return None
    data = graph_data(shoot, node, verdict)
    return album.svg(draw_graph(data), WIDTH, HEIGHT) if data else None


def graph_data(shoot: Shoot, node: FrameSet, verdict: SetVerdict) -> GraphData | None:
    """Sway of all pairs below a set, smear of its frames, and its steps."""
    frames = [shoot.frames[f] for f in node.frames if f in shoot.frames]
    if not frames:
        return None
    seconds = _seconds([f.camera.captured_at for f in frames])
    at = seconds or [float(i) for i in range(1, len(frames) + 1)]
    when = {f.name: t for f, t in zip(frames, at, strict=True)}
    sways = []
    for pair in shoot.pairs_below(node):
        if pair.frame_a in when and pair.frame_b in when:
            first, last = sorted((when[pair.frame_a], when[pair.frame_b]))
            sways.append((first, last, pair.sway_max_px))
    places = [shoot.placement(f.name) for f in frames]
    levels = [words.level_ev(f.camera) for f in frames]
    steps = [
        ("view", [_float(p.view_index) for p in places]),
        ("focus", [_float(p.focus_index) for p in places]),
        ("EV", [v if p.exposure_index else None for v, p in zip(levels, places, strict=True)]),
    ]
    scores = [shoot.review.scores.get(f.name) for f in frames]
    against = smear_against_others(shoot.pairs_below(node))
    alone = [(s.frame_smear_px, s.frame_smear_angle_deg) if s else (None, None) for s in scores]
    return GraphData(
        at=at,
        timed=seconds is not None,
        smear_px=[longer_smear(a, against.get(f.name))[0] for f, a in zip(frames, alone, strict=True)],
        sways=sways,
        tolerance_px=verdict.tolerance_px,
        steps=[(name, values) for name, values in steps if any(v is not None for v in values)],
    )


def _float(value: int | None) -> float | None:
    return None if value is None else float(value)


def _seconds(times: Sequence[datetime | None]) -> list[float] | None:
    """`seconds_from_first`; ``None`` as well where a time is shared."""
    values = seconds_from_first(times)
    return values if values is not None and len(set(values)) == len(values) else None
