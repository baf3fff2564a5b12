"""A finished review: everything the report and the tables are made from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from windstill.records.frames import Frame, Problem
from windstill.records.measures import SetMeasure
from windstill.records.scores import FrameScore
from windstill.records.sets import Grouping
from windstill.records.verdicts import FrameAdvice, SetAdvice, SetVerdict


@dataclass(frozen=True, slots=True, eq=False)
class Review:
    """A shoot reviewed. Mappings are keyed by frame name or set id; `frames` is in capture order.

    A frame that could be scanned but not decoded is in `frames` without an entry in `scores`.
    `order` lists top-level set ids, easiest good picture first. `run` becomes run.json.
    """

    root: str
    frames: tuple[Frame, ...]
    scores: Mapping[str, FrameScore]
    grouping: Grouping
    measures: Mapping[str, SetMeasure]
    verdicts: dict[str, SetVerdict]
    advice: dict[str, SetAdvice]
    frame_advice: dict[str, FrameAdvice]
    problems: tuple[Problem, ...]
    order: tuple[str, ...] = ()
    run: dict[str, Any] = field(default_factory=dict)
