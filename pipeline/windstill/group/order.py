"""Capture order: one stream per camera body, by time, then by counter."""

from __future__ import annotations

import itertools
import re
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from windstill.records import Frame

_DIGITS = re.compile(r"(\d+)")
_TAIL_NUMBER = re.compile(r"^(.*?)(\d+)\D*$")
_EPOCH = datetime(1970, 1, 1)
# A DCF counter runs 0001-9999 and starts again (JEITA CP-3461).
_COUNTER_HIGH, _COUNTER_LOW, _COUNTER_SPAN = 9000, 1000, 10000


@dataclass(frozen=True, slots=True)
class Shot:
    """A frame in its stream. `start_s` counts seconds of the body's clock; ``None`` where it is unknown."""

    frame: Frame
    start_s: float | None
    resolution_s: float


def natural_key(name: str) -> tuple[tuple[int, int | str], ...]:
    """Sort key that puts 10 after 9 and ignores case."""
    parts = _DIGITS.split(name.casefold())
    return tuple((0, int(p)) if p.isdigit() else (1, p) for p in parts if p)


def streams(frames: Sequence[Frame]) -> list[list[Shot]]:
    """Split a shoot into one stream per body and put each in capture order.

    The result does not depend on the order of `frames`. A body's frames without a time form a stream of their own,
    by natural name order. Files that name no body are one stream: those without a time stand, by name, behind the
    nearest of the others. Derived frames are left out.
    """
    bodies: dict[tuple[str, ...], list[Frame]] = defaultdict(list)
    for frame in sorted(frames, key=lambda f: (natural_key(f.name), f.name)):
        if frame.derived:
            continue
        camera = frame.camera
        body = (camera.maker or "", camera.model or "", camera.body_serial or "")
        timed = "timed" if camera.captured_at is not None or not any(body) else "untimed"
        bodies[(timed, *body)].append(frame)
    found: list[list[Shot]] = []
    for key in sorted(bodies):
        if not any(key[1:]):
            found.append(_nameless(bodies[key]))
            continue
        for part in _split_by_card(bodies[key]):
            found.append(_ordered(part))
    return found


def _nameless(body: list[Frame]) -> list[Shot]:
    """Frames of no known body, in name order as given: in time order, those without a time put between by name."""
    timed = _ordered([f for f in body if f.camera.captured_at is not None])
    behind: dict[str | None, list[Shot]] = defaultdict(list)
    last: str | None = None
    for frame in body:
        if frame.camera.captured_at is not None:
            last = frame.name
        else:
            behind[last].append(Shot(frame, None, 0.0))
    return [*behind[None], *(s for shot in timed for s in (shot, *behind[shot.frame.name]))]


def counter_of(name: str) -> tuple[str, int] | None:
    """(everything before it, number) of the last run of digits in the file's own name."""
    folder, _, base = name.rpartition("/")
    match = _TAIL_NUMBER.match(base)
    if match is None:
        return None
    del folder
    return match.group(1).casefold(), int(match.group(2)) if len(match.group(2)) < 10 else 0


def _seconds(moment: datetime, aware: bool) -> float:
    if aware:
        return moment.astimezone(UTC).timestamp()
    return (moment.replace(tzinfo=None) - _EPOCH).total_seconds()


def _ordered(body: list[Frame]) -> list[Shot]:
    # One frame without an offset makes every clock of the body local: offsets do not change mid-shoot unnoticed.
    moments = [f.camera.captured_at for f in body]
    aware = all(m is not None and m.tzinfo is not None for m in moments)
    shots = [
        Shot(f, None if m is None else _seconds(m, aware), f.camera.time_resolution_s or 0.0)
        for f, m in zip(body, moments, strict=True)
    ]
    if any(s.start_s is None for s in shots):
        return shots
    ranks = _counter_ranks(shots)
    return [shots[i] for i in sorted(range(len(shots)), key=lambda i: (shots[i].start_s or 0.0, ranks[i]))]


def _counter_ranks(shots: list[Shot]) -> list[int]:
    """Rank for frames of one instant: natural name order, with a counter that rolled over counting on."""
    keys = []
    by_instant: dict[float, list[int]] = defaultdict(list)
    for i, shot in enumerate(shots):
        by_instant[shot.start_s or 0.0].append(i)
    rolled = set()
    for members in by_instant.values():
        numbers = [c[1] for i in members if (c := counter_of(shots[i].frame.name)) is not None]
        if numbers and min(numbers) < _COUNTER_LOW and _COUNTER_HIGH <= max(numbers) < _COUNTER_SPAN:
            rolled.update(members)
    for i, shot in enumerate(shots):
        counter = counter_of(shot.frame.name)
        turn = int(i in rolled and counter is not None and counter[1] < _COUNTER_LOW)
        keys.append((turn, natural_key(shot.frame.name), shot.frame.name))
    order = sorted(range(len(shots)), key=lambda i: keys[i])
    ranks = [0] * len(shots)
    for rank, i in enumerate(order):
        ranks[i] = rank
    return ranks


def _split_by_card(body: list[Frame]) -> list[list[Frame]]:
    """Tell two bodies of one model apart where no serial says so: their counters interleave in time.

    One body's counter only grows with time (but for a roll-over). If names with two prefixes or in two folders
    alternate several times, they are two bodies.
    """
    if body[0].camera.body_serial or body[0].camera.captured_at is None:
        return [body]
    groups: dict[tuple[str, str], list[Frame]] = defaultdict(list)
    for frame in body:
        folder = frame.name.rpartition("/")[0]
        counter = counter_of(frame.name)
        groups[folder, counter[0] if counter else ""].append(frame)
    if len(groups) != 2:
        return [body]
    tagged = sorted(
        ((_seconds(f.camera.captured_at, False), label) for label, members in groups.items() for f in members
         if f.camera.captured_at is not None),
    )
    turns = sum(1 for (_, p), (_, q) in itertools.pairwise(tagged) if p != q)
    if turns >= 4:
        return [groups[key] for key in sorted(groups)]
    return [body]
