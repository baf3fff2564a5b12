"""A review with the look-ups the page needs made once."""

from __future__ import annotations

from collections import Counter, defaultdict
from dataclasses import dataclass, field

from windstill.records import Frame, FrameSet, Kind, PairMeasure, Placement, Review
from windstill.report import words

# Displayed brightness 0..1 at which dark and light tones are both well seen.
_MIDDLE = 0.45


@dataclass(slots=True, eq=False)
class Shoot:
    """Look-ups over one review."""

    review: Review
    frames: dict[str, Frame] = field(init=False)
    numbers: dict[str, int] = field(init=False)
    sets: dict[str, FrameSet] = field(init=False)
    children: dict[str, list[FrameSet]] = field(init=False)
    takes: Counter[tuple[int, str]] = field(init=False)

    def __post_init__(self) -> None:
        self.frames = {f.name: f for f in self.review.frames}
        self.numbers = {f.name: i for i, f in enumerate(self.review.frames, 1)}
        self.sets = self.review.grouping.by_id()
        self.children = defaultdict(list)
        for node in self.review.grouping.sets:
            if node.parent_set is not None:
                self.children[node.parent_set].append(node)
        self.takes = Counter((s.scene, s.kind) for s in self.review.grouping.top_level())

    def inside(self, node: FrameSet) -> Kind | None:
        """The kind of the sets a set is made of, if they are of one; of single frames among them nothing is said."""
        kinds = {child.kind for child in self.children.get(node.set_id, ()) if child.kind != "single"}
        return kinds.pop() if len(kinds) == 1 else None

    def placement(self, frame: str) -> Placement:
        """Where a frame stands; nowhere when grouping does not say."""
        return self.review.grouping.placements.get(frame) or Placement(frame, "")

    def frame_anchor(self, frame: str) -> str:
        """Id of a frame's card on the page."""
        return f"frame-{self.numbers.get(frame, 0)}"

    def size(self, frame: str) -> tuple[int, int]:
        """Upright full-resolution width and height of a measured frame."""
        score = self.review.scores[frame]
        return score.width_px, score.height_px

    def pairs_below(self, node: FrameSet) -> list[PairMeasure]:
        """Judged pairs of a set and of all sets inside it, its own first."""
        measure = self.review.measures.get(node.set_id)
        pairs = list(measure.pairs) if measure else []
        for child in self.children.get(node.set_id, ()):
            pairs += self.pairs_below(child)
        return pairs

    def shown_pair(self, node: FrameSet) -> PairMeasure | None:
        """The pair a set is shown by: the verdict's worst one at any level below it, else the one that moved most.

        Of pairs that moved alike, or were all unmeasured, the first.
        """
        verdict = self.review.verdicts.get(node.set_id)
        with_field = [p for p in self.pairs_below(node) if p.field is not None and p.frame_a in self.review.scores]
        if verdict and verdict.worst_pair:
            for pair in with_field:
                if (pair.frame_a, pair.frame_b) == verdict.worst_pair:
                    return pair
        return max(with_field, key=lambda p: p.sway_max_px if p.sway_max_px is not None else -1.0, default=None)

    def picture_of(self, node: FrameSet, frame: str) -> str:
        """The frame whose picture stands behind a map of `frame`: in a bracket the best exposed one.

        The frames of one bracket show the same view to within a few pixels, and a map over black tells nothing.
        """
        if node.kind != "bracket" or node.set_id not in self.review.measures:
            return frame
        measured = [f for f in self.review.measures[node.set_id].frames if f in self.review.scores]
        return min(measured, key=lambda f: abs(float(self.review.scores[f].luma.mean()) - _MIDDLE), default=frame)

    def where(self, pair: PairMeasure) -> str:
        """Where a pair moved most and which way, in words."""
        return words.worst_place(pair, *self.size(pair.frame_a)) if pair.frame_a in self.review.scores else ""
