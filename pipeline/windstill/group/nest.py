"""Sets of sets: what was found on one level is the stream of the next."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from statistics import median

from windstill.group import content, focus
from windstill.group.costs import IMPOSSIBLE, StepCosts, step_costs
from windstill.group.focus import FocusLink
from windstill.group.links import (
    ComparablePauses,
    Gallery,
    Link,
    clash_between,
    focus_step,
    frame_links,
    idle_between,
    mark_between,
    rhythm_of,
    zoom_sureness,
)
from windstill.group.lookback import with_returns
from windstill.group.parse import parse
from windstill.records import Kind
from windstill.settings.group import GroupSettings


@dataclass(frozen=True, slots=True)
class Node:
    """A frame or a set of the stream.

    `frames` are places in the stream; `levels` the recorded levels of `frames` relative to the first, EV. `doubtful`
    are those of `frames` at a cut that could as well have been none.
    """

    kind: Kind
    frames: tuple[int, ...]
    children: tuple[Node, ...] = ()
    levels: tuple[float, ...] = (0.0,)
    links: tuple[Link, ...] = ()
    doubtful: frozenset[int] = frozenset()

    @property
    def is_set(self) -> bool:
        """Whether it has members."""
        return bool(self.children)


# What may be made of what: a parent's kind is the relation between its children, which differ in nothing else.
_PARENTS: dict[Kind, frozenset[Kind]] = {
    "single": frozenset({"panorama", "stack", "bracket"}),
    "bracket": frozenset({"stack", "panorama"}),
    "stack": frozenset({"bracket", "panorama"}),
    "panorama": frozenset({"bracket"}),
    "burst": frozenset({"panorama", "stack", "bracket"}),
}


def nested(gallery: Gallery, settings: GroupSettings, walls: frozenset[int] = frozenset()) -> list[Node]:
    """Find the sets of one stream, innermost first, then sets of those, until nothing joins.

    Parameters
    ----------
    walls : frozenset of int
        Places before which every set ends.

    Returns
    -------
    list of Node
        Top-level sets and single frames, by first frame.
    """
    count = len(gallery.shots)
    links = with_returns(gallery, range(count), frame_links(gallery))
    nodes = [Node("single", (i,)) for i in range(count)]
    nodes = _joined(nodes, links, settings, 1, walls, frame_level=True)
    for level in range(2, settings.levels_max + 1):
        if len(nodes) < 2:
            break
        links = _node_links(gallery, nodes, settings)
        edges = frozenset(k for k in range(1, len(nodes)) if _wall_between(nodes[k - 1], nodes[k], walls))
        joined = _joined(nodes, links, settings, level, edges, frame_level=False)
        if len(joined) == len(nodes):
            break
        nodes = joined
    return nodes


def _wall_between(a: Node, b: Node, walls: frozenset[int]) -> bool:
    return any(a.frames[0] < w <= b.frames[0] for w in walls)


def _joined(
    nodes: list[Node], links: dict[tuple[int, int], Link], settings: GroupSettings, level: int,
    walls: frozenset[int], *, frame_level: bool,
) -> list[Node]:
    # Focus, exposure and view each vary on one level of a picture only.
    may = None if frame_level else [_PARENTS[n.kind] - _kinds_within(n) for n in nodes]
    found: list[Node] = []
    for piece in parse(len(nodes), links, settings, level=level, may=may, walls=walls):
        if len(piece.members) == 1:
            found.append(nodes[piece.members[0]])
            continue
        children = tuple(nodes[m] for m in piece.members)
        inner = tuple(links[p, q] for p, q in zip(piece.members, piece.members[1:], strict=False) if (p, q) in links)
        levels = [0.0]
        for link in inner:
            levels.append(levels[-1] + (link.ev or 0.0))
        frames = tuple(sorted(f for c in children for f in c.frames))
        found.append(Node(piece.kind, frames, children, tuple(levels), inner))
    return _cuts_marked(found, nodes, links, settings, level, walls)


def _cuts_marked(
    found: list[Node], nodes: list[Node], links: dict[tuple[int, int], Link], settings: GroupSettings, level: int,
    walls: frozenset[int],
) -> list[Node]:
    """Mark the frames either side of a cut that going on would have cost hardly more than.

    Brackets are left out: there an exposure that comes again cuts for sure. `walls` are the photographer's own cuts.
    """
    place = {node.frames[0]: k for k, node in enumerate(nodes)}
    marked = list(found)
    for k in range(1, len(found)):
        before, after = marked[k - 1], marked[k]
        kinds = {n.kind for n in (before, after) if n.is_set and n.kind != "single"}
        j = place[after.frames[0]]
        if len(kinds) != 1 or j in walls or (j - 1, j) not in links or nodes[j - 1].frames[-1] != before.frames[-1]:
            continue
        kind = kinds.pop()
        step = step_costs(links[j - 1, j], settings, level)
        going_on = {
            "stack": step.stack + _back_cost(before, step, settings), "burst": step.burst,
            "panorama": step.panorama + (step.view_back_cost if step.view_back >= 0 else 0.0),
        }.get(kind, IMPOSSIBLE)
        if going_on < settings.set_nats + settings.doubt_nats:
            marked[k - 1] = replace(before, doubtful=before.doubtful | {before.frames[-1]})
            marked[k] = replace(after, doubtful=after.doubtful | {after.frames[0]})
    return marked


def _back_cost(before: Node, step: StepCosts, settings: GroupSettings) -> float:
    """What going on with a stack costs more where focus goes back."""
    turns = {step_costs(link, settings, 1).focus_turn for link in before.links} - {0}
    turned = step.focus_turn != 0 and bool(turns) and step.focus_turn not in turns
    return (step.focus_back_cost if step.focus_back >= 0 else 0.0) + turned * settings.focus_turn_nats


def _kinds_within(node: Node) -> frozenset[Kind]:
    kinds: set[Kind] = {node.kind} if node.is_set else set()
    return frozenset(kinds.union(*(_kinds_within(child) for child in node.children)))


def _node_links(
    gallery: Gallery, nodes: list[Node], settings: GroupSettings
) -> dict[tuple[int, int], Link]:
    found: dict[tuple[int, int], Link] = {}
    for j in range(1, len(nodes)):
        found[j - 1, j] = _link(gallery, nodes, j - 1, j, settings)
        for back in range(2, settings.strays_skipped + 2):
            i = j - back
            if i < 0 or nodes[i].kind != nodes[j].kind or not nodes[i].is_set:
                continue
            if any(nodes[k].is_set for k in range(i + 1, j)):
                continue
            link = _link(gallery, nodes, i, j, settings)
            if link.content.view in ("same", "overlap"):
                found[i, j] = link
                break
    found = _with_rhythm(found, len(nodes), settings)
    return with_returns(gallery, [_stand(gallery, node) for node in nodes], found)


def _with_rhythm(
    found: dict[tuple[int, int], Link], count: int, settings: GroupSettings
) -> dict[tuple[int, int], Link]:
    """Set each pause against those between the other sets around it; a pause on its own keeps no rhythm."""
    idles = [found[k, k + 1].idle_s if found[k, k + 1].content.view in ("same", "overlap") else None
             for k in range(count - 1)]
    comparable = ComparablePauses(found, count, settings)
    result: dict[tuple[int, int], Link] = {}
    for (i, j), link in found.items():
        others = [v for k in comparable.to(i, j, link) if (v := idles[k]) is not None]
        rhythm = settings.rhythm_kept
        if link.idle_s is not None and others:
            rhythm = rhythm_of(link.idle_s, median(others), settings)
        result[i, j] = replace(link, rhythm=rhythm)
    return result


def _stand(gallery: Gallery, node: Node) -> int:
    """The frame that stands for a set: of its middle child, of a bracket the middle exposure."""
    while node.is_set:
        if node.kind == "bracket":
            order = sorted(range(len(node.children)), key=lambda k: node.levels[k] if k < len(node.levels) else 0.0)
            node = node.children[order[len(order) // 2]]
        else:
            node = node.children[len(node.children) // 2]
    del gallery
    return node.frames[0]


def _link(gallery: Gallery, nodes: list[Node], i: int, j: int, settings: GroupSettings) -> Link:
    """Evidence between two sets, by the frames of each that are most alike."""
    a, b = nodes[i], nodes[j]
    last, first = a.frames[-1], b.frames[0]
    shots = gallery.shots
    alike = _alike(a, b)
    idle = idle_between(shots[last], shots[first])
    clash = clash_between(shots[last], shots[first])
    nats, kind = mark_between(shots[last].frame.camera, shots[first].frame.camera, settings)
    # Marks of the inner sets number those, not what is made of them.
    nats = 0.0 if a.is_set or b.is_set else nats
    base = Link(idle_s=idle, clash=clash, alike=alike, mark=nats, mark_kind=kind if nats else "")
    if (idle is not None and idle > settings.gap_s) or clash >= 1 or alike <= 0:
        return replace(base, content=content.APART)
    pairs = _pairs(gallery, a, b)
    seen, at = content.UNKNOWN, pairs[0]
    for pair in pairs[: settings.pairs_tried]:
        trial = gallery.compare(*pair)
        if seen.view == "unknown" or (trial.view in ("same", "overlap") and trial.agreement > seen.agreement):
            seen, at = trial, pair
        if seen.view == "same" or (seen.view == "overlap" and seen.agreement > settings.surely_aligned):
            break
    level_a, level_b = (gallery.level_ev(k) for k in at)
    nominal = None if level_a is None or level_b is None else level_b - level_a
    within = [link.content.shift for link in (*a.links, *b.links) if link.content.view == "same"]
    usual = max(median(within) if within else settings.shift_floor, settings.shift_floor)
    step = focus_step(shots[at[0]].frame.camera.focus_m, shots[at[1]].frame.camera.focus_m)
    moved = _focus(gallery, a, b, pairs, seen)
    ev = nominal if nominal is not None else (seen.ev if seen.view in ("same", "overlap") else None)
    if nominal is not None and seen.ev is not None and abs(nominal) <= settings.drift_max_ev and nominal:
        share = seen.ev / nominal
        ev = nominal * max(share, 0.0) if share < settings.drift_share else nominal
    return replace(
        base, content=seen, reframe=seen.shift / usual, ev_nominal=nominal, ev=ev, focus_step=step, focus=moved,
        zoom_sureness=zoom_sureness(seen, settings),
    )


def _pairs(gallery: Gallery, a: Node, b: Node) -> list[tuple[int, int]]:
    """Frames of a and b that correspond, best lit first."""
    fa, fb = a.frames, b.frames
    if a.kind == "bracket" and not a.children[0].is_set and not b.is_set:
        level = gallery.level_ev(fb[0])
        levels = [gallery.level_ev(k) for k in fa]
        if level is not None and all(v is not None for v in levels):
            return [(min(fa, key=lambda k: abs((levels[fa.index(k)] or 0.0) - level)), fb[0])]
    if a.kind == b.kind == "bracket" and not a.children[0].is_set:
        paired = list(zip(fa, fb, strict=False)) if len(fa) == len(fb) else _by_level(a, b)
    else:
        middle = (fa[len(fa) // 2], fb[len(fb) // 2])
        paired = [middle, (fa[0], fb[0]), (fa[-1], fb[-1]), (fa[-1], fb[0])]
        return list(dict.fromkeys(paired))
    return sorted(paired, key=lambda p: gallery.badly_lit(p[0]) + gallery.badly_lit(p[1]))


def _by_level(a: Node, b: Node) -> list[tuple[int, int]]:
    return [
        min(((x, y) for y, lb in zip(b.frames, b.levels, strict=False)), key=lambda p: abs(la - b.levels[0]))
        for x, la in zip(a.frames, a.levels, strict=False)
    ]


def _focus(
    gallery: Gallery, a: Node, b: Node, pairs: Sequence[tuple[int, int]], seen: content.ContentLink
) -> FocusLink:
    """Focus change between corresponding frames: the comparison with most to compare."""
    if a.kind != "bracket" and a.is_set:
        return focus.NOTHING
    links = [gallery.compare_focus(x, y, seen) for x, y in pairs[:3]]
    return max(links, key=lambda k: k.comparable, default=focus.NOTHING)


def _alike(a: Node, b: Node) -> float:
    """Likeness of structure, 0..1: kind, number of members, steps of exposure."""
    if not a.is_set and not b.is_set:
        return 0.0  # Single frames were judged on their own level.
    if a.is_set and not b.is_set:
        # What is left of a set given up just begun.
        return 0.75 if a.kind in ("bracket", "stack") and not a.children[0].is_set else 0.3
    if a.kind != b.kind:
        return 0.3 if not a.is_set else 0.0
    inner = 1.0 if a.children[0].kind == b.children[0].kind else 0.3
    if a.kind == "bracket" and len(a.levels) > 1 and len(b.levels) > 1:
        # The same steps in the same order; of a set given up half-way, as far as it went.
        worst = max(abs(p - q) for p, q in zip(a.levels, b.levels, strict=False))
        return inner * math.exp(-worst) * (1.0 if len(a.levels) == len(b.levels) else 0.75)
    count = min(len(a.children), len(b.children)) / max(len(a.children), len(b.children))
    return inner * (0.4 + 0.6 * count)
