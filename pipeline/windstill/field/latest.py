"""Which frames the check looks at: the last minutes of shooting, the newest sets, or all."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from windstill.records import Frame

_GIVEN = re.compile(r"(\d+(?:\.\d+)?)\s*(sets?|m|min|mins|minutes?|h|hours?)?", re.IGNORECASE)
ALL_WORD = "all"


@dataclass(frozen=True, slots=True)
class Latest:
    """The newest `sets`, or what was shot in the last `minutes`; everything where both are ``None``."""

    sets: int | None = None
    minutes: float | None = None

    @classmethod
    def from_words(cls, text: str) -> Latest:
        """Read ``6``, ``6 sets``, ``20min``, ``2h`` or ``all``.

        Raises
        ------
        ValueError
            None of them; the message is one line.
        """
        words = text.strip()
        if words.lower() == ALL_WORD:
            return cls()
        match = _GIVEN.fullmatch(words)
        number = float(match.group(1)) if match else 0.0
        unit = ((match.group(2) if match else None) or "s").lower()[0]
        if number <= 0 or (unit == "s" and number != int(number)):
            raise ValueError(f"--latest {text}: give a number of sets such as 6, a time such as 20min, or all")
        if unit == "s":
            return cls(sets=int(number))
        return cls(minutes=number * (60 if unit == "h" else 1))


EVERYTHING = Latest()


def moment(frame: Frame) -> datetime:
    """When a frame was taken, as its camera's clock showed it; the time of its file where it says nothing."""
    taken = frame.camera.captured_at
    if taken is not None:
        return taken.replace(tzinfo=None)
    return datetime.fromtimestamp(frame.pixels_file.mtime_ns / 1e9)


def stretches(frames: Sequence[Frame], gap_s: float) -> tuple[tuple[Frame, ...], ...]:
    """Frames cut at every pause longer than `gap_s` after the exposure before it; no set spans such a pause.

    Frames are taken in the order given; a step back in time (another camera's clock) is no pause.
    """
    found: list[list[Frame]] = []
    for frame in frames:
        if found:
            last = found[-1][-1]
            pause = (moment(frame) - moment(last)).total_seconds() - (last.camera.exposure_s or 0.0)
            if pause <= gap_s:
                found[-1].append(frame)
                continue
        found.append([frame])
    return tuple(tuple(stretch) for stretch in found)


def within(found: Sequence[tuple[Frame, ...]], minutes: float) -> tuple[tuple[Frame, ...], ...]:
    """Stretches that reach into the last minutes of shooting, by the clock of the newest frame."""
    if not found:
        return ()
    newest = max(moment(frame) for stretch in found for frame in stretch)
    return tuple(
        stretch for stretch in found
        if any((newest - moment(frame)).total_seconds() <= 60 * minutes for frame in stretch)
    )  # fmt: skip
