"""Which pairs of frames a merge blends: neighbours in focus, exposure, view or time."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass

import numpy as np

from windstill.assess.geometry import Matrix, inverse, overlap
from windstill.optics.exposure import recorded_level
from windstill.records import ISO_CAP, RELATION_OF_KIND, Frame, FrameScore, FrameSet, Grouping, Relation
from windstill.settings import AssessSettings

_ASIDE = 0.1  # share of the picture by which a frame aside of its view's middle must have more detail to stand for it


@dataclass(frozen=True, slots=True)
class Pair:
    """Two frames to be judged against each other."""

    frame_a: str
    frame_b: str
    relation: Relation


def level_ev(frame: Frame, score: FrameScore | None) -> float | None:
    """Recorded level of a frame in EV: from its settings, else from its mean brightness; ``None`` without either."""
    camera = frame.camera
    if camera.exposure_s and camera.f_number:
        return recorded_level(camera.exposure_s, camera.f_number, camera.iso or ISO_CAP)
    if camera.exposure_s:
        return float(np.log2(camera.exposure_s))
    if score is None:
        return None
    # Displayed brightness through a tone curve of about 2.2: only the order matters here.
    return float(2.2 * np.log2(max(float(score.luma.mean()), 1 / 255)))


def representative(
    member: str, grouping: Grouping, frames: Mapping[str, Frame], scores: Mapping[str, FrameScore]
) -> str:
    """The frame that stands for a member: itself, a bracket's middle exposure, a stack's middle focus position."""
    child = grouping.by_id().get(member)
    if child is None:
        return member
    inner = [representative(m, grouping, frames, scores) for m in child.members]
    known = [name for name in inner if name in scores]
    inner = known or inner
    if child.kind == "bracket":
        inner = sorted(inner, key=lambda name: (_sort_level(name, frames, scores), name))
    return inner[len(inner) // 2]


def _sort_level(name: str, frames: Mapping[str, Frame], scores: Mapping[str, FrameScore]) -> float:
    level = level_ev(frames[name], scores.get(name))
    return 0.0 if level is None else level


def in_judging_order(
    node: FrameSet, grouping: Grouping, frames: Mapping[str, Frame], scores: Mapping[str, FrameScore]
) -> list[str]:
    """One frame per member, in order of exposure (bracket), focus (stack) or capture, unreadable ones left out."""
    names = [representative(m, grouping, frames, scores) for m in node.members]
    names = [n for n in names if n in scores]
    if node.kind == "bracket":
        return sorted(names, key=lambda n: (_sort_level(n, frames, scores), names.index(n)))
    if node.kind == "stack":
        distances = [frames[n].camera.focus_m for n in names]
        if all(d is not None for d in distances):
            known = dict(zip(names, distances, strict=True))
            return sorted(names, key=lambda n: (known[n] or 0.0, names.index(n)))
    return names


def pairs_of(
    node: FrameSet, grouping: Grouping, frames: Mapping[str, Frame], scores: Mapping[str, FrameScore]
) -> list[Pair]:
    """Neighbouring pairs of one set at its own level; none for a single."""
    if node.kind == "single":
        return []
    relation = RELATION_OF_KIND[node.kind]
    if node.kind == "panorama":
        return [Pair(a, b, relation) for a, b in _view_pairs(node, grouping, frames, scores)]
    order = in_judging_order(node, grouping, frames, scores)
    # Within a pair, a is the frame taken first.
    taken = {name: index for index, name in enumerate(node.frames)}
    ordered = [sorted(pair, key=taken.__getitem__) for pair in itertools.pairwise(order)]
    return [Pair(a, b, relation) for a, b in ordered]


def _view_pairs(
    node: FrameSet, grouping: Grouping, frames: Mapping[str, Frame], scores: Mapping[str, FrameScore]
) -> list[tuple[str, str]]:
    """Neighbouring views, each pair by frames of the same focus position and exposure."""
    views = _readable_views(node, grouping, scores)
    middles = _middles(node, grouping, frames, scores)
    return [_alike(left, right, middles, grouping, frames, scores) for left, right in itertools.pairwise(views)]


def _middles(
    node: FrameSet, grouping: Grouping, frames: Mapping[str, Frame], scores: Mapping[str, FrameScore]
) -> set[str]:
    """The frames that stand for the views of a panorama."""
    return {representative(member, grouping, frames, scores) for member in node.members}


def views_of(node: FrameSet, grouping: Grouping) -> list[list[str]]:
    """The frames of each view of a panorama, in capture order."""
    by_id = grouping.by_id()
    return [list(by_id[m].frames) if m in by_id else [m] for m in node.members]


def _readable_views(node: FrameSet, grouping: Grouping, scores: Mapping[str, FrameScore]) -> list[list[str]]:
    """The same without the frames that could not be decoded, of views that have any."""
    readable = [[name for name in view if name in scores] for view in views_of(node, grouping)]
    return [view for view in readable if view]


def further_seams(
    node: FrameSet,
    grouping: Grouping,
    frames: Mapping[str, Frame],
    scores: Mapping[str, FrameScore],
    to_first: Mapping[str, Matrix],
    settings: AssessSettings,
) -> list[Pair]:
    """Pairs of a panorama's views that were not taken one after the other and overlap enough for a seam.

    Parameters
    ----------
    to_first : mapping by frame name
        Full-resolution mapping of each frame to the first view; pairs with a frame that has none are left out.
    """
    views = _readable_views(node, grouping, scores)
    middles = _middles(node, grouping, frames, scores)
    found = []
    for i, left in enumerate(views):
        for right in views[i + 2 :]:
            a, b = _alike(left, right, middles, grouping, frames, scores)
            if a not in to_first or b not in to_first:
                continue
            sizes = [(scores[n].width_px, scores[n].height_px) for n in (a, b)]
            share = overlap(inverse(to_first[a]) @ to_first[b], sizes[0], sizes[1])
            if 100 * share >= settings.least_overlap_pct:
                found.append(Pair(a, b, "view"))
    return found


def _alike(
    left: Sequence[str],
    right: Sequence[str],
    middles: AbstractSet[str],
    grouping: Grouping,
    frames: Mapping[str, Frame],
    scores: Mapping[str, FrameScore],
) -> tuple[str, str]:
    """The two frames of neighbouring views that are most alike in focus and exposure, and most detailed.

    Among equals those of `middles`, which stand for their views (`representative`).
    """

    def key(name: str) -> tuple[int, int]:
        place = grouping.placements.get(name)
        if place is None:
            return (0, 0)
        return (place.focus_index or 0, place.exposure_index or 0)

    best: tuple[float, str, str] | None = None
    for a in left:
        for b in right:
            (fa, ea), (fb, eb) = key(a), key(b)
            difference = abs(_sort_level(a, frames, scores) - _sort_level(b, frames, scores))
            detail = min(scores[a].textured.mean(), scores[b].textured.mean())
            aside = _ASIDE * len({a, b} - middles)
            cost = abs(fa - fb) + abs(ea - eb) + min(difference, 4.0) - float(detail) + aside
            if best is None or cost < best[0]:
                best = (cost, a, b)
    assert best is not None
    return best[1], best[2]
