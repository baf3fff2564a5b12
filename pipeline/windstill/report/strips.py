"""The frames of a set in the order they were taken, nested as the set is."""

from __future__ import annotations

import statistics

from windstill.records import FrameSet
from windstill.report import words
from windstill.report.pictures import Album
from windstill.report.shoot import Shoot
from windstill.report.tables import frame_notes
from windstill.report.views import FrameCard, StripGroup

KEEP_WORDS = {"yes": "keep", "spare": "spare", "no": "leave out"}
# Exposures that differ by less are one setting: cameras round, and light falls while a set is taken.
_SAME_EXPOSURE_EV = 0.3


def strip(shoot: Shoot, album: Album, node: FrameSet) -> StripGroup:
    """The strip of a top-level set."""
    advice = shoot.review.advice.get(node.set_id)
    base = advice.base_frame if advice and node.kind != "single" else None
    return _group(shoot, album, node, "", base, _middle_level_ev(shoot, node))


def _group(
    shoot: Shoot, album: Album, node: FrameSet, label: str, base: str | None, middle_ev: float | None
) -> StripGroup:
    verdict = shoot.review.verdicts.get(node.set_id)
    word = words.STEP_WORD.get(node.kind, "part")
    members: list[FrameCard | StripGroup] = []
    for i, member in enumerate(node.members, 1):
        if member in shoot.frames:
            members.append(_frame_card(shoot, album, member, member == base, middle_ev))
        elif member in shoot.sets:
            members.append(_group(shoot, album, shoot.sets[member], f"{word} {i}", base, middle_ev))
    return StripGroup(label, verdict.outlook if verdict else "unknown", tuple(members))


def _middle_level_ev(shoot: Shoot, node: FrameSet) -> float | None:
    """The middle exposure others are counted from; ``None`` where all are alike."""
    levels = [words.level_ev(shoot.frames[f].camera) for f in node.frames if f in shoot.frames]
    known = [v for v in levels if v is not None]
    if len(known) < 2 or max(known) - min(known) < _SAME_EXPOSURE_EV:
        return None
    return statistics.median_low(known)


def _frame_card(shoot: Shoot, album: Album, name: str, base: bool, middle_ev: float | None) -> FrameCard:
    place, frame = shoot.placement(name), shoot.frames[name]
    indices = (("view", place.view_index), ("focus", place.focus_index), ("exposure", place.exposure_index))
    level = words.level_ev(frame.camera)
    details = [
        words.signed_ev(level - middle_ev) if middle_ev is not None and level is not None else "",
        words.exposure_time(frame.camera),
        words.focus_distance(frame.camera) if place.focus_index else "",
    ]
    notes = frame_notes(shoot.review, frame)
    if name not in shoot.review.scores:
        notes.insert(0, "could not be read")
    if place.near_boundary:
        notes.append("may belong to the neighbouring set")
    advice = shoot.review.frame_advice.get(name)
    return FrameCard(
        anchor=shoot.frame_anchor(name),
        name=words.short_name(name),
        title=words.shown(name),
        picture=album.strip(name),
        step=", ".join(f"{word} {index}" for word, index in indices if index),
        detail=", ".join(filter(None, details)),
        keep=KEEP_WORDS[advice.keep] if advice else "unknown",
        base=base,
        note="; ".join(notes),
    )
