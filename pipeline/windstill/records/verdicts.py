"""Judgements: how the merge will go, and what to do about it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Outlook = Literal["clean", "touch-up", "hard", "lost", "unknown"]
OUTLOOKS: tuple[Outlook, ...] = ("clean", "touch-up", "hard", "lost", "unknown")
Keep = Literal["yes", "no", "spare"]


def worth_saying(kind: str, outlook: str) -> bool:
    """Whether a set's outlook is told: of single frames, which are merged with nothing, only that one is smeared."""
    return kind != "single" or outlook == "lost"


@dataclass(frozen=True, slots=True)
class SetVerdict:
    """One set judged; a parent's figures are the worst of its own pairs and its children's."""

    set_id: str
    outlook: Outlook
    reasons: tuple[str, ...]
    tolerance_px: float
    sway_p95_px: float | None = None
    sway_max_px: float | None = None
    sway_area_pct: float | None = None
    picture_area_pct: float | None = None
    measured_pct: float | None = None
    smear_px: float | None = None
    coverage_pct: float | None = None
    overlap_pct: float | None = None
    shift_px: float | None = None
    worst_pair: tuple[str, str] | None = None


@dataclass(frozen=True, slots=True)
class TakeFrom:
    """One region that moved, and the frame of the set that holds it best."""

    where: str
    frame: str


@dataclass(frozen=True, slots=True)
class Borrow:
    """A frame of another take that may stand in for one that moved or smeared.

    `light_ev` is how much brighter the borrowed frame is, `shift_px` how far its view is displaced, full-resolution
    pixels.
    """

    frame: str
    instead_of: str
    take: int
    light_ev: float
    shift_px: float


@dataclass(frozen=True, slots=True)
class SetAdvice:
    """What to do with one set.

    `keep_frames` are the frames a merge of this set would use, `left_out` those it does without because the subject
    moved or smeared in them and the others cover their part; `holds_without` says that nothing above tolerance is then
    left. A set that is not the best take lists what it would use as well; its frames are spares all the same.
    `single_frame` serves alone: it holds `single_frame_pct` sharp (stacks) or exposed well (brackets), percent of what
    the set's coverage is a share of, and on `single_frame_best_pct` of it as well as any frame of the set; on the rest
    the merge is better. Empty where that is not known or the frame is all that is kept.
    """

    set_id: str
    base_frame: str | None
    keep_frames: tuple[str, ...]
    advice: str
    best_take: bool | None = None
    single_frame: str | None = None
    single_frame_pct: float | None = None
    single_frame_best_pct: float | None = None
    left_out: tuple[str, ...] = ()
    holds_without: bool = False
    take_from: tuple[TakeFrom, ...] = ()
    borrow: tuple[Borrow, ...] = ()


@dataclass(frozen=True, slots=True)
class FrameAdvice:
    """Whether to keep one frame, and why."""

    frame: str
    keep: Keep
    note: str = ""
