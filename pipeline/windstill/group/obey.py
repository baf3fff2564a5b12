"""Group one stream and do what the photographer said."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

from windstill.group.links import Gallery
from windstill.group.nest import Node, nested
from windstill.group.overrides import Named, Overrides, OverridesError
from windstill.records import Kind, encode_name
from windstill.settings.group import GroupSettings


def grouped_stream(gallery: Gallery, settings: GroupSettings, overrides: Overrides) -> list[Node]:
    """Top-level sets and single frames of one stream, by first frame.

    Pinned frames are taken out before the rest is grouped, so a pin changes other sets only where its frames
    were part of them; joins come last. Names of other streams, or of none, are passed over.

    Raises
    ------
    OverridesError
        Two pins share a frame.
    """
    place = {shot.frame.name: i for i, shot in enumerate(gallery.shots)}
    walls = frozenset(place[name] for name in overrides.splits if name in place)
    pins = [(named, found) for named in overrides.pins if (found := _places(named, place))]
    taken: set[int] = set()
    for named, found in pins:
        if twice := taken.intersection(found):
            name = encode_name(gallery.shots[min(twice)].frame.name)
            raise OverridesError(f"sets.toml: {_said(named)}: {name} is in another pin already; keep one")
        taken.update(found)
    free = [i for i in range(len(gallery.shots)) if i not in taken]
    nodes = _part(gallery, free, settings, walls)
    for named, found in pins:
        nodes.append(_pinned(gallery, found, named.kind, settings))
    nodes.sort(key=lambda n: n.frames[0])
    for named in overrides.joins:
        found = _places(named, place)
        if len(found) > 1:
            nodes = _join(nodes, found, named.kind)
    return nodes


def _said(named: Named) -> str:
    """A pin as the photographer finds it in the file."""
    first, last = named.names()[0], named.names()[-1]
    return f"the pin from {encode_name(first)} to {encode_name(last)}"


def _places(named: Named, place: dict[str, int]) -> list[int]:
    if named.frames:
        return sorted(place[n] for n in named.frames if n in place)
    if named.first in place and named.last in place:
        low, high = sorted((place[named.first], place[named.last]))
        return list(range(low, high + 1))
    return []


def _part(gallery: Gallery, places: list[int], settings: GroupSettings, walls: frozenset[int]) -> list[Node]:
    """Group some places of a stream as if the others were not there."""
    if len(places) == len(gallery.shots):
        return nested(gallery, settings, walls)
    part = Gallery([gallery.shots[i] for i in places], gallery.scores, settings)
    inner = frozenset(min((k for k, i in enumerate(places) if i >= w), default=0) for w in walls)
    return [_moved(node, places) for node in nested(part, settings, inner)]


def _moved(node: Node, places: list[int]) -> Node:
    return replace(
        node, frames=tuple(places[i] for i in node.frames),
        children=tuple(_moved(child, places) for child in node.children),
        doubtful=frozenset(places[i] for i in node.doubtful),
    )


def _pinned(gallery: Gallery, places: list[int], kind: Kind | None, settings: GroupSettings) -> Node:
    """One set of exactly these frames, keeping what structure is found within."""
    if len(places) == 1:
        return Node("single", (places[0],))
    inner = _part(gallery, places, settings, frozenset())
    if len(inner) == 1 and kind in (None, inner[0].kind):
        return inner[0]
    return _merged(inner, kind)


def _merged(nodes: list[Node], kind: Kind | None) -> Node:
    """One set of several: flat where the parts are what the whole is, nested where they differ from it."""
    common = Counter(n.kind for n in nodes if n.is_set)
    chosen: Kind = kind or (common.most_common(1)[0][0] if common else "stack")
    if len(nodes) == 1 and nodes[0].is_set:  # found as one already: its parts are to each other what was said
        return Node(chosen, nodes[0].frames, nodes[0].children)
    children: list[Node] = []
    for node in nodes:
        children.extend(node.children if node.is_set and node.kind == chosen else [node])
    if len({c.is_set for c in children}) > 1 and all(n.kind == chosen or not n.is_set for n in nodes):
        children = [Node("single", (i,)) for n in nodes for i in n.frames]
    frames = tuple(sorted(i for n in nodes for i in n.frames))
    return Node(chosen, frames, tuple(sorted(children, key=lambda c: c.frames[0])))


def _join(nodes: list[Node], places: list[int], kind: Kind | None) -> list[Node]:
    touched = [k for k, node in enumerate(nodes) if any(i in node.frames for i in places)]
    first, last = touched[0], touched[-1]
    if first == last and kind in (None, nodes[first].kind):
        return nodes
    merged = _merged(nodes[first : last + 1], kind)
    return [*nodes[:first], merged, *nodes[last + 1 :]]
