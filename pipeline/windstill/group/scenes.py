"""Scenes and takes: which finished sets show one composition, and which attempt each is."""

from __future__ import annotations

import math
from collections import defaultdict
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from windstill.group.content import shared
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


@dataclass(slots=True)
class _Top:
    node: Node
    stream: int
    at_s: tuple[int, float, int]
    shape: str
    focal: float | None
    print_: NDArray[np.float32]


def place(galleries: list[Gallery], tops: list[list[Node]], settings: GroupSettings) -> list[Placed]:
    """Number scenes in order of appearance and takes within each scene and kind.

    A set joins the scene of an earlier one that shares at least half of the picture at a focal length within
    15 %. It is compared with the scenes seen last and with the few that resemble it most, so time grows with the
    number of sets.
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
    return _Top(node, stream, at, shape, camera.focal_35mm_mm or camera.focal_mm,
                _fingerprint(picture.field if picture is not None else None))


def _fingerprint(structure: NDArray[np.float32] | None) -> NDArray[np.float32]:
    """Magnitudes of the coarse spectrum: unchanged by shift, enough to rank candidates."""
    if structure is None:
        return np.zeros(240, np.float32)
    spectrum = np.abs(np.fft.rfft2(structure, s=(128, 128)))[np.r_[0:8, -8:0], 1:16]
    flat = np.log1p(spectrum).ravel().astype(np.float32)
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
    one, two = galleries[a.stream], galleries[b.stream]
    for x in _views(one, a.node):
        for y in _views(two, b.node):
            pa, pb = one.picture(x), two.picture(y)
            if pa is not None and pb is not None and shared(pa, pb, settings) >= settings.scene_overlap:
                return True
    return False


def _views(gallery: Gallery, node: Node) -> list[int]:
    if node.kind == "panorama":
        parts = (node.children[0], node.children[len(node.children) // 2])
        return list(dict.fromkeys(_middle(gallery, p) for p in parts))
    return [_middle(gallery, node)]
