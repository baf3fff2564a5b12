"""Scenes and takes: which finished sets show one composition, and which attempt each is."""

from __future__ import annotations

import math
from collections import defaultdict
from dataclasses import dataclass

import numpy as np
import scipy.fft
from numpy.typing import NDArray

from windstill.group.content import placed_on
from windstill.group.links import Gallery
from windstill.group.nest import Node
from windstill.settings.group import GroupSettings


@dataclass(frozen=True, slots=True)
class Placed:
    """A top-level set with its scene and take, both from 1."""

    node: Node
    stream: int
    scene: int
    take: int


# least and greatest shift of a set's views against one of them: x, x, y, y in long sides
_Span = tuple[float, float, float, float]


@dataclass(slots=True)
class _Top:
    """A top-level set to be placed. `extent` is one frame's width and height, long sides."""

    node: Node
    stream: int
    at_s: tuple[int, float, int]
    shape: str
    extent: tuple[float, float]
    focal: float | None
    views: list[tuple[int, _Span]]
    print_: NDArray[np.float32]


def place(galleries: list[Gallery], tops: list[list[Node]], settings: GroupSettings) -> list[Placed]:
    """Number scenes in order of appearance and takes within each scene and kind.

    A set joins the scene of an earlier one that shares at least half of the picture (panoramas: of the larger span)
    at a focal length within 15 %. It is compared with the scenes seen last and with the few that resemble it most, so
    time grows with the number of sets.
    """
    entries = [
        _top(galleries[s], node, s) for s, nodes in enumerate(tops) for node in nodes
    ]
    entries.sort(key=lambda t: t.at_s)
    scenes: list[list[_Top]] = []
    prints: list[NDArray[np.float32]] = []
    numbers: dict[int, int] = {}
    for entry in entries:
        number = _scene_of(entry, scenes, prints, galleries, settings)
        if number is None:
            scenes.append([entry])
            prints.append(entry.print_)
            number = len(scenes) - 1
        else:
            scenes[number].append(entry)
        numbers[id(entry)] = number
    takes: dict[tuple[int, str], int] = defaultdict(int)
    placed = []
    for entry in entries:
        key = (numbers[id(entry)], entry.node.kind)
        takes[key] += 1
        placed.append(Placed(entry.node, entry.stream, numbers[id(entry)] + 1, takes[key]))
    return placed


def _middle(gallery: Gallery, node: Node) -> int:
    """The frame that shows a set best: of its middle child, the best lit."""
    while node.is_set:
        if node.kind == "bracket" and not node.children[0].is_set:
            return min(node.frames, key=gallery.badly_lit)
        node = node.children[len(node.children) // 2]
    return node.frames[0]


def _top(gallery: Gallery, node: Node, stream: int) -> _Top:
    first = gallery.shots[node.frames[0]]
    middle = _middle(gallery, node)
    picture = gallery.picture(middle)
    camera = first.frame.camera
    shape = "wide" if first.frame.width_px >= first.frame.height_px else "tall"
    at = (0 if first.start_s is not None else 1, first.start_s or 0.0, stream * 10_000_000 + node.frames[0])
    width, height = (1.0, 1.0) if picture is None else (s / picture.scale for s in picture.luma.shape[::-1])
    return _Top(
        node, stream, at, shape, (width, height), camera.focal_35mm_mm or camera.focal_mm, _views(gallery, node),
        _fingerprint(picture.field if picture is not None else None),
    )


def _fingerprint(structure: NDArray[np.float32] | None) -> NDArray[np.float32]:
    """Magnitudes of the coarse spectrum: unchanged by shift, enough to rank candidates."""
    if structure is None:
        return np.zeros(240, np.float32)
    spectrum = np.abs(scipy.fft.rfft2(structure, s=(128, 128)))[np.r_[0:8, -8:0], 1:16]
    flat: NDArray[np.float32] = np.log1p(spectrum).ravel().astype(np.float32)
    flat -= flat.mean()
    norm = float(np.linalg.norm(flat))
    return flat / norm if norm > 0 else flat


def _scene_of(
    entry: _Top, scenes: list[list[_Top]], prints: list[NDArray[np.float32]], galleries: list[Gallery],
    settings: GroupSettings,
) -> int | None:
    if not scenes:
        return None
    recent = list(range(len(scenes) - 1, max(len(scenes) - 1 - settings.scenes_recent, -1), -1))
    likeness = np.asarray(prints) @ entry.print_
    closest = np.argsort(-likeness, kind="stable")[: settings.scenes_alike]
    for number in dict.fromkeys([*recent, *closest.tolist()]):
        if number != len(scenes) - 1 and likeness[number] < settings.scene_likeness:
            continue
        known = scenes[number]
        for other in dict.fromkeys([len(known) - 1, 0]):
            if _one_scene(known[other], entry, galleries, settings):
                return int(number)
    return None


def _one_scene(a: _Top, b: _Top, galleries: list[Gallery], settings: GroupSettings) -> bool:
    if a.shape != b.shape:
        return False
    if a.focal and b.focal and abs(math.log(a.focal / b.focal)) > math.log(settings.scene_focal_ratio):
        return False
    if min(_area(a), _area(b)) < settings.scene_overlap * max(_area(a), _area(b)):
        return False
    one, two = galleries[a.stream], galleries[b.stream]
    # Where two panoramas share half, the middle of one lies in the other: near one of its views or another.
    view_a, span_a = a.views[0]
    for view_b, span_b in b.views[: settings.scene_views]:
        pa, pb = one.picture(view_a), two.picture(view_b)
        if pa is None or pb is None:
            continue
        seen = placed_on(pa, pb, settings)
        if seen.overlap < settings.scene_overlap:
            continue
        if _common(span_a, span_b, (seen.shift_x, seen.shift_y), a.extent) >= settings.scene_overlap:
            return True
    return False


def _area(top: _Top) -> float:
    """What a set shows, long sides squared."""
    left, right, upper, lower = top.views[0][1]
    return (right - left + top.extent[0]) * (lower - upper + top.extent[1])


def _views(gallery: Gallery, node: Node) -> list[tuple[int, _Span]]:
    """Frames a set is recognised by, from the middle outwards, each with how far the set's views reach around it."""
    if node.kind != "panorama":
        return [(_middle(gallery, node), (0.0, 0.0, 0.0, 0.0))]
    stands = [_middle(gallery, child) for child in node.children]
    places = _places(gallery, node, stands)
    found: list[tuple[int, _Span]] = []
    for k in sorted(range(len(places)), key=lambda k: abs(k - len(places) // 2)):
        xs, ys = [x - places[k][0] for x, _ in places], [y - places[k][1] for _, y in places]
        found.append((stands[k], (min(xs), max(xs), min(ys), max(ys))))
    return found


def _places(gallery: Gallery, node: Node, stands: list[int]) -> list[tuple[float, float]]:
    """Where each view of a panorama lies against the first, long sides."""
    places = [(0.0, 0.0)]
    for j, link in enumerate(node.links[: len(stands) - 1], start=1):
        before, seen = places[-1], link.content
        if seen.view not in ("same", "overlap"):
            # A row begun away from its neighbour lies beside another view.
            trials = ((k, gallery.compare(stands[k], stands[j])) for k in range(j - 2, -1, -1))
            k, seen = next((t for t in trials if t[1].view in ("same", "overlap")), (j - 1, seen))
            before = places[k]
        step = (seen.shift_x, seen.shift_y) if seen.view in ("same", "overlap") else (0.0, 0.0)
        places.append((before[0] + step[0], before[1] + step[1]))
    return places


def _common(a: _Span, b: _Span, shift: tuple[float, float], frame: tuple[float, float]) -> float:
    """Share of the larger of two spans that both cover, b's view lying on a's at a shift."""
    common, areas = 1.0, [1.0, 1.0]
    for axis in (0, 1):
        low_a, high_a = a[2 * axis], a[2 * axis + 1] + frame[axis]
        low_b, high_b = b[2 * axis] + shift[axis], b[2 * axis + 1] + shift[axis] + frame[axis]
        common *= max(min(high_a, high_b) - max(low_a, low_b), 0.0)
        areas = [areas[0] * (high_a - low_a), areas[1] * (high_b - low_b)]
    return common / max(areas)
