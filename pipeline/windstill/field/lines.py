"""One line per set, for a tired eye on a small screen."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from windstill.field.check import Check
from windstill.field.latest import moment
from windstill.field.places import place_words, swayed
from windstill.records import FrameSet, Outlook, PairMeasure, SetVerdict, worth_saying
from windstill.settings import AssessSettings

Action = Literal["go on", "reshoot", "look"]
ACTIONS: dict[Outlook, Action] = {
    "clean": "go on", "touch-up": "go on", "hard": "reshoot", "lost": "reshoot", "unknown": "look",
}  # fmt: skip
NOTHING = "nothing seen above"
_DIGITS = re.compile(r"(\d{4})\D*$")
_NAME, _LONGEST_NAME = 10, 24  # columns a name takes where it is shown whole; longer ones push the rest along
_WIDE = 90  # columns from which the time and the whole name are shown
_INDENT = 8


@dataclass(frozen=True, slots=True)
class SetLine:
    """What is said of one set.

    Attributes
    ----------
    action : str
        "go on", "reshoot" or "look" (at it yourself).
    first : str
        Name of its first frame, without folders.
    taken : datetime
        Of its first frame, by the camera's clock.
    what : str
        Where and how far it moved, or why it cannot be told.
    advice : str
        The longer sentence of `advise`; empty where there is none.
    """

    set_id: str
    action: Action
    first: str
    taken: datetime
    kind: str
    count: int
    outlook: Outlook
    what: str
    advice: str = ""

    @property
    def bad(self) -> bool:
        """Whether the set is hard or lost."""
        return self.outlook in ("hard", "lost")

    def text(self, columns: int, name_columns: int = _NAME) -> str:
        """The line; continued on a second one where `columns` cannot hold it."""
        size = f"{self.kind} {self.count}" if self.count > 1 else self.kind
        if columns >= _WIDE:
            head = f"{self.action:7}  {self.taken:%H:%M}  {self.first:{name_columns}}  {size:11}  {self.outlook:8}  "
        else:
            head = f"{self.action:7} {_short(self.first):4} {size:11} {self.outlook:8} "
        line = head + self.what
        if len(line) <= columns:
            return line
        return "\n".join(textwrap.wrap(line, max(columns, 30), subsequent_indent=" " * _INDENT))


def set_lines(check: Check, settings: AssessSettings) -> tuple[SetLine, ...]:
    """Lines of a check, newest set first. A single frame is mentioned only when it is spoilt."""
    frames = {frame.name: frame for frame in check.frames}
    found = []
    for node in reversed(list(check.grouping.top_level())):
        verdict = check.verdicts[node.set_id]
        if not worth_saying(node.kind, verdict.outlook):
            continue
        first = node.frames[0]
        held = better_take(node, check)
        action = "go on" if held else ACTIONS[verdict.outlook]
        what = _what(node, verdict, check, settings)
        advised = check.advice.get(node.set_id)
        advice = advised.advice if advised is not None else ""
        if held:
            what += f"; take {held} holds"
        elif action == "reshoot" and advised is not None and advised.holds_without:
            # Of a set in which something moved, the frames left over may well sway by less than a preview shows.
            advice = f"Again if you can. If not: {advice[:1].lower()}{advice[1:]}"
        taken = moment(frames[first])
        short, count = first.rsplit("/", 1)[-1], len(node.frames)
        found.append(SetLine(node.set_id, action, short, taken, node.kind, count, verdict.outlook, what, advice))
    return tuple(found)


def name_columns(lines: Sequence[SetLine]) -> int:
    """Columns for the names of some lines, so that what follows them stands in one column."""
    return max((min(len(line.first), _LONGEST_NAME) for line in lines), default=_NAME)


def cannot_tell(check: Check, smear_too: bool = False) -> str:
    """What the pictures looked at cannot show, in one sentence; empty where nothing was looked at.

    Parameters
    ----------
    smear_too : bool
        Smear was looked for as well (`FieldSettings.smear`).
    """
    if not check.floors_px:
        return ""
    low, high = min(check.floors_px.values()), max(check.floors_px.values())
    under = "" if high <= 1 else f"motion under {high} px, " if low == high else f"motion under {low} to {high} px, "
    smear = "fine smear" if smear_too else "smear"
    return f"Not seen this way: {under}{smear}, fine blur. Review at home."


def better_take(node: FrameSet, check: Check) -> int | None:
    """Number of another take of the scene that will merge, when this one will not."""
    if ACTIONS[check.verdicts[node.set_id].outlook] != "reshoot":
        return None
    for other in (*check.grouping.top_level(), *check.others):
        alike = (other.scene, other.kind) == (node.scene, node.kind) and len(other.frames) >= len(node.frames)
        if alike and check.verdicts[other.set_id].outlook in ("clean", "touch-up"):
            return other.take
    return None


def _what(node: FrameSet, verdict: SetVerdict, check: Check, settings: AssessSettings) -> str:
    floor = max((check.floors_px[name] for name in _family(node, check) if name in check.floors_px), default=1)
    reason = verdict.reasons[0] if verdict.reasons else ""
    if verdict.outlook == "clean":
        return f"{NOTHING} {max(floor, round(verdict.tolerance_px))} px"
    if verdict.outlook == "unknown":
        return reason
    smeared = verdict.smear_px or 0.0
    sway = verdict.sway_max_px or 0.0
    spread = (verdict.picture_area_pct or 0.0) > settings.lost_area_pct
    if verdict.outlook == "lost" and not spread:
        if verdict.coverage_pct is not None and verdict.coverage_pct < settings.lost_coverage_pct:
            return reason
        if smeared > settings.lost_smear_times_tolerance * verdict.tolerance_px:
            return f"smeared, {smeared:.0f} px"
    pair = _worst(node, verdict, check)
    if pair is None or sway <= verdict.tolerance_px:
        return reason
    above = max(verdict.tolerance_px, floor)
    place = place_words(swayed(pair, above, settings.relevant_from, settings.measured_confidence))
    return f"{place}, {sway:.0f} px" if place else reason


def _worst(node: FrameSet, verdict: SetVerdict, check: Check) -> PairMeasure | None:
    """The measure of the pair a verdict names, at whatever level it was made."""
    for name in _family(node, check):
        measure = check.measures.get(name)
        for pair in measure.pairs if measure else ():
            if (pair.frame_a, pair.frame_b) == verdict.worst_pair:
                return pair
    return None


def _family(node: FrameSet, check: Check) -> Iterator[str]:
    yield node.set_id
    for child in check.grouping.children(node.set_id):
        yield from _family(child, check)


def _short(name: str) -> str:
    """The number a camera shows: the last four digits (DCF), or the end of a name that has none."""
    match = _DIGITS.search(name)
    return match.group(1) if match else name[-4:]


def count_actions(lines: tuple[SetLine, ...]) -> Mapping[Action, int]:
    """How many sets each action is advised for."""
    return {action: sum(line.action == action for line in lines) for action in ("reshoot", "go on", "look")}
