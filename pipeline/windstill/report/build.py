"""From a review to the page: scenes in shooting order, their sets, and the answers of the first screen."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime
from pathlib import PurePath

import windstill
from windstill.records import KINDS, FrameSet, Review, SetMeasure, SetVerdict
from windstill.report import evidence, summary, words
from windstill.report.mapfiles import map_names
from windstill.report.overlay import amount_legend
from windstill.report.pictures import Album
from windstill.report.shoot import Shoot
from windstill.report.strips import strip
from windstill.report.tables import frame_notes, set_times
from windstill.report.views import Figure, Page, SceneCard, SetCard, TakeGroup

_COVERED = {
    "stack": "sharp in some frame",
    "bracket": "well exposed in some frame",
    "panorama": "served by some view",
    "burst": "served by some frame",
}


def build_page(review: Review, album: Album, summary_lines: int) -> Page:
    """Work out everything the templates show."""
    shoot = Shoot(review)
    maps = map_names(shoot)
    top = list(review.grouping.top_level())
    cards = {node.set_id: set_card(shoot, album, node, f"set-{i}", i, maps) for i, node in enumerate(top, 1)}
    tally = summary.tally(cards.values())
    trouble = summary.troubled(cards.values())
    singles = sum(not c.all_in_one for c in cards.values())
    smeared = sum(c.judged and not c.all_in_one for c in cards.values())
    ways_out = sum(bool(card.way_out) for card in trouble)
    headline, detail = summary.headlines(tally, singles, smeared, len(review.problems), ways_out)
    tolerances = sorted({v.tolerance_px for v in review.verdicts.values()})
    placed = {f for s in review.grouping.sets for f in s.frames}
    ranked = summary.by_order(review.order, cards)
    return Page(
        shoot=words.shown(PurePath(review.root).name or review.root),
        when=_days([f.camera.captured_at for f in review.frames]),
        headline=headline,
        detail=detail,
        scenes=_scenes(shoot, top, cards),
        tally=tuple(
            (outlook, means, tally[outlook] + (smeared if outlook == "lost" else 0))
            for outlook, means in words.OUTLOOK_MEANS.items()
        ),
        outlooks=tuple(words.OUTLOOK_SAYS.items()),
        merge=tuple(c for c in ranked if c.all_in_one and c.outlook in summary.MERGES),
        trouble=tuple(trouble),
        goes_back=any(card.goes_back for card in trouble),
        frames=len(review.frames),
        problems=tuple((words.shown(p.file), p.stage, p.problem, p.consequence) for p in review.problems),
        unplaced=tuple(
            (words.shown(f.name), ", ".join(frame_notes(review, f)) or "in no set")
            for f in review.frames
            if f.name not in placed
        ),
        tolerance=" or ".join(f"{t:g} px" for t in tolerances),
        summary_lines=summary_lines,
        version=windstill.__version__,
        kinds=tuple(k for k in KINDS if any(c.kind == k for c in cards.values())),
        in_folder=album.folder is not None,
    )


def set_card(
    shoot: Shoot, album: Album, node: FrameSet, anchor: str, number: int, maps: Mapping[str, str], label: str = ""
) -> SetCard:
    """One set with everything below it; `label` says which part of its parent it is."""
    review = shoot.review
    verdict, advice = review.verdicts.get(node.set_id), review.advice.get(node.set_id)
    measure = review.measures.get(node.set_id)
    top = node.parent_set is None
    outlook = verdict.outlook if verdict else "unknown"
    plates = evidence.plates(shoot, album, node, verdict) if verdict else ()
    graph = evidence.graph(shoot, album, node, verdict) if verdict and top else None
    span = words.span_of(node.frames)
    way_out = summary.way_out(shoot, node) if top else ""
    merges = node.kind != "single"  # a frame by itself is built on nothing, and its own mark says whether to keep it
    keep = advice.keep_frames if advice and merges else ()
    first = shoot.frames.get(node.frames[0])
    return SetCard(
        anchor=anchor,
        number=number,
        title=f"{label}: {span}" if label else span,
        folder=words.shown(node.frames[0].rpartition("/")[0]),
        kind=node.kind,
        kind_words=words.numbered(node.kind, len(node.members), shoot.inside(node)),
        outlook=outlook,
        means=words.OUTLOOK_MEANS[outlook],
        scene=node.scene,
        take=node.take,
        takes=shoot.takes[node.scene, node.kind] if top else 1,
        when=words.clock(first.camera.captured_at if first else None),
        lasted=words.lasted(set_times(node, shoot.frames)[1]),
        advice=advice.advice if advice else "",
        reasons=verdict.reasons if verdict else ("not judged",),
        best=bool(advice and advice.best_take) and top and shoot.takes[node.scene, node.kind] > 1,
        way_out=way_out,
        goes_back=top and not way_out and summary.shoots_again(outlook, advice),
        single_way_out=summary.single_way_out(advice, node.kind),
        figures=tuple(_figures(node, verdict, measure, len(shoot.pairs_below(node)))),
        strip=strip(shoot, album, node) if top else None,
        cover=album.strip((advice.base_frame if advice else None) or node.frames[0]) if top else None,
        plates=plates,
        choices=tuple(layer.key for plate in plates for layer in plate.layers),
        legend=tuple(amount_legend(verdict.tolerance_px)) if verdict and plates else (),
        coverage_scale=evidence.coverage_scale(shoot, node, plates),
        crops=evidence.crops(shoot, album, node, outlook),
        graph=graph,
        graph_says=_graph_says(node, verdict) if graph else "",
        pairs=evidence.pair_lines(shoot, album, node, verdict),
        base_name=words.short_name(advice.base_frame) if merges and advice and advice.base_frame else "",
        keep_count=len(keep),
        keep_files=tuple(words.shown(f.path) for n in keep if n in shoot.frames for f in shoot.frames[n].files),
        why="; ".join(node.why),
        doubtful=", ".join(words.short_name(f) for f in node.doubtful),
        map_file=maps.get(node.set_id, ""),
        sort_sway=_sortable(verdict.sway_max_px if verdict else None),
        sort_area=_sortable(verdict.picture_area_pct if verdict else None),
        children=tuple(_children(shoot, album, node, anchor, number, maps)),
    )


def _children(
    shoot: Shoot, album: Album, node: FrameSet, anchor: str, number: int, maps: Mapping[str, str]
) -> Iterator[SetCard]:
    position = {member: i for i, member in enumerate(node.members, 1)}
    word = words.STEP_WORD.get(node.kind, "part")
    for i, child in enumerate(shoot.children.get(node.set_id, ()), 1):
        label = f"{word} {position.get(child.set_id, i)}"
        yield set_card(shoot, album, child, f"{anchor}-{i}", number, maps, label)


def _sortable(value: float | None) -> float:
    """For sorting most first: what is unknown stands last."""
    return -1.0 if value is None else value


def _figures(
    node: FrameSet, verdict: SetVerdict | None, measure: SetMeasure | None, pairs: int
) -> Iterator[Figure]:
    """The numbers of a set worth a look, each with what it means."""
    if verdict is None or node.kind == "single":
        return
    yield Figure("Largest sway", words.px(verdict.sway_max_px), f"up to {verdict.tolerance_px:g} px does not show")
    yield Figure("Area to retouch", words.percent(verdict.picture_area_pct), "of the picture")
    yield Figure("Smear", words.px(verdict.smear_px), "longest during one frame")
    yield Figure("Coverage", words.percent(verdict.coverage_pct), _COVERED.get(node.kind, "served by some frame"))
    least = "of where the merge blends" if pairs < 2 else "of the blend, in the pair measured least"
    yield Figure("Measured", words.percent(verdict.measured_pct), least)
    if node.kind == "panorama":
        yield Figure("Overlap", words.percent(verdict.overlap_pct), "smallest between neighbours")
    if node.kind == "bracket" and measure and measure.step_ev is not None:
        yield Figure("Step", words.signed_ev(abs(measure.step_ev)).lstrip("+"), "between exposures")
    if verdict.shift_px is not None:
        yield Figure("Shift", words.px(verdict.shift_px), "of the camera, taken out first")


def _graph_says(node: FrameSet, verdict: SetVerdict | None) -> str:
    sway = words.px(verdict.sway_max_px if verdict else None)
    return (
        f"Sway and smear over the {len(node.frames)} frames of the set, in pixels; largest sway {sway}. "
        "The numbers stand in the table of pairs."
    )


def _scenes(shoot: Shoot, top: Sequence[FrameSet], cards: Mapping[str, SetCard]) -> tuple[SceneCard, ...]:
    scenes: dict[int, list[FrameSet]] = {}
    for node in top:
        scenes.setdefault(node.scene, []).append(node)
    rank = {set_id: i for i, set_id in enumerate(shoot.review.order)}
    return tuple(_scene(shoot, number, nodes, cards, rank) for number, nodes in scenes.items())


def _scene(
    shoot: Shoot, number: int, nodes: list[FrameSet], cards: Mapping[str, SetCard], rank: Mapping[str, int]
) -> SceneCard:
    groups: dict[str, list[SetCard]] = {}
    for node in nodes:
        groups.setdefault(node.kind, []).append(cards[node.set_id])
    best, says = summary.best_of(shoot, nodes, cards, rank)
    frames = [shoot.frames[f] for n in nodes for f in n.frames if f in shoot.frames]
    focal = sorted({round(f.camera.focal_mm) for f in frames if f.camera.focal_mm})
    merges = sum(n.kind != "single" for n in nodes)
    about = [words.counted(merges, "set") if merges else "", words.counted(len(frames), "frame")]
    if focal:
        about.append(f"{focal[0]} mm" if len(focal) == 1 else f"{focal[0]} to {focal[-1]} mm")
    return SceneCard(
        number=number,
        when=_clock_span([f.camera.captured_at for f in frames]),
        about=", ".join(filter(None, about)),
        best=best,
        best_says=says,
        cards=tuple(cards[n.set_id] for n in nodes),
        takes=tuple(TakeGroup(k, tuple(c)) for k, c in groups.items() if len(c) > 1 and k != "single"),
    )


def _ends(times: Sequence[datetime | None]) -> tuple[datetime, datetime] | None:
    """First and last known time; offsets are left aside, as the photographer's clock was one."""
    known = sorted(t.replace(tzinfo=None) for t in times if t is not None)
    return (known[0], known[-1]) if known else None


def _clock_span(times: Sequence[datetime | None]) -> str:
    ends = _ends(times)
    if ends is None:
        return ""
    first, last = (t.strftime("%H:%M") for t in ends)
    return first if first == last else f"{first}\N{EN DASH}{last}"


def _days(times: Sequence[datetime | None]) -> str:
    ends = _ends(times)
    if ends is None:
        return ""
    first, last = (words.day(t) for t in ends)
    return first if first == last else f"{first} to {last}"
