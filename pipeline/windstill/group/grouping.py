"""From frames to sets at every level."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from windstill.group.links import Gallery
from windstill.group.nest import Node
from windstill.group.obey import grouped_stream
from windstill.group.order import streams
from windstill.group.overrides import Overrides
from windstill.group.reasons import doubtful_places, reasons
from windstill.group.scenes import Placed, place
from windstill.records import Frame, FrameScore, FrameSet, Grouping, Placement, make_set_id
from windstill.settings.group import GroupSettings


def group_frames(
    frames: Sequence[Frame],
    scores: Mapping[str, FrameScore],
    settings: GroupSettings,
    overrides: Overrides | None = None,
) -> Grouping:
    """Find which frames belong together, and how sets nest.

    Parameters
    ----------
    frames : sequence of Frame
        In any order; derived frames join no set.
    scores : mapping
        Frame name to its measures; frames without (undecodable ones) are placed by camera data alone.
    overrides : Overrides, optional
        What the photographer decided otherwise; see `windstill.group.overrides`.

    Returns
    -------
    Grouping
        Sets at every level, parents before children, and every frame's place. Independent of the order of
        `frames`, of a shift of all times, and of the other frames' distance.
    """
    obeyed = overrides or Overrides()
    if obeyed.gap_s is not None:
        settings = settings.model_copy(update={"gap_s": obeyed.gap_s})
    galleries = [Gallery(shots, scores, settings) for shots in streams(frames)]
    tops = [grouped_stream(gallery, settings, obeyed) for gallery in galleries]
    sets: list[FrameSet] = []
    placements: dict[str, Placement] = {}
    for top in place(galleries, tops, settings):
        _emit(galleries[top.stream], top.node, None, top, sets, placements, settings, {})
    return Grouping(tuple(sets), placements)


def _names(gallery: Gallery, node: Node) -> tuple[str, ...]:
    return tuple(gallery.shots[i].frame.name for i in node.frames)


_INDEX_OF_KIND = {"panorama": "view_index", "stack": "focus_index", "bracket": "exposure_index"}


def _emit(
    gallery: Gallery,
    node: Node,
    parent: str | None,
    top: Placed,
    sets: list[FrameSet],
    placements: dict[str, Placement],
    settings: GroupSettings,
    indices: dict[str, int],
) -> None:
    names = _names(gallery, node)
    set_id = make_set_id(names[0], node.kind)
    members = tuple(
        make_set_id(_names(gallery, child)[0], child.kind) if child.is_set else _names(gallery, child)[0]
        for child in node.children
    ) or names
    doubt = doubtful_places(node, settings)
    sets.append(
        FrameSet(
            set_id=set_id, parent_set=parent, scene=top.scene, take=top.take, kind=node.kind, members=members,
            frames=names, why=reasons(gallery, node, settings),
            doubtful=tuple(gallery.shots[i].frame.name for i in sorted(doubt)),
        )
    )
    if not node.is_set:
        placements[names[0]] = Placement(names[0], set_id, near_boundary=bool(doubt))
        return
    index = _INDEX_OF_KIND.get(node.kind)
    for number, child in enumerate(node.children, start=1):
        below = dict(indices)
        if index is not None:
            below[index] = number
        if child.is_set:
            _emit(gallery, child, set_id, top, sets, placements, settings, below)
            continue
        name = _names(gallery, child)[0]
        placements[name] = Placement(name, set_id, near_boundary=child.frames[0] in doubt, **below)
