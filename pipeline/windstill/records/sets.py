"""Sets of frames meant to be merged into one picture, and how they nest."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Literal

Kind = Literal["bracket", "stack", "panorama", "burst", "single"]
KINDS: tuple[Kind, ...] = ("bracket", "stack", "panorama", "burst", "single")
Relation = Literal["focus", "exposure", "view", "repeat"]
RELATION_OF_KIND: dict[Kind, Relation] = {
    "stack": "focus", "bracket": "exposure", "panorama": "view", "burst": "repeat", "single": "repeat",
}


@dataclass(frozen=True, slots=True)
class FrameSet:
    """One set at one level.

    `members` are frame names or ids of child sets, in capture order (a view or focus position of one frame
    is listed as the frame itself). `frames` are all frames below it, in capture order. `why` holds short
    reasons for forming it; `doubtful` names frames near a boundary.
    """

    set_id: str
    parent_set: str | None
    scene: int
    take: int
    kind: Kind
    members: tuple[str, ...]
    frames: tuple[str, ...]
    why: tuple[str, ...] = ()
    doubtful: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Placement:
    """Where a frame stands: its innermost set and 1-based indices, ``None`` where it has none."""

    frame: str
    set_id: str
    view_index: int | None = None
    focus_index: int | None = None
    exposure_index: int | None = None
    near_boundary: bool = False


@dataclass(frozen=True, slots=True)
class Grouping:
    """What `group` gives: every set at every level (parents before children, in capture order)."""

    sets: tuple[FrameSet, ...]
    placements: dict[str, Placement] = field(default_factory=dict)

    def by_id(self) -> dict[str, FrameSet]:
        """Sets keyed by id."""
        return {s.set_id: s for s in self.sets}

    def top_level(self) -> Iterator[FrameSet]:
        """Sets without a parent, in capture order."""
        return (s for s in self.sets if s.parent_set is None)

    def children(self, set_id: str) -> Iterator[FrameSet]:
        """Child sets of one set, in capture order."""
        return (s for s in self.sets if s.parent_set == set_id)


def make_set_id(first_frame: str, kind: Kind) -> str:
    """First frame in capture order, ``~``, kind (neither part percent-encoded here)."""
    return f"{first_frame}~{kind}"
