"""Capture order: by time where it is known, by name where it is not, with counters that roll over."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta

from windstill.records import Frame
from windstill.scan.kinds import dcf_number, natural_key
from windstill.scan.photo import folder_of

_COUNTER = 9999
# A counter that jumps by more than half its range has rolled over, not skipped.
_ROLLED = _COUNTER // 2


def in_capture_order(frames: Sequence[Frame]) -> list[Frame]:
    """Frames in the order they were taken.

    Each body's frames are ordered by time, and by file number within a second in which one of them tells no
    fraction; the bodies are then merged by time. A frame without a time stands after the one before it in its
    folder's name order.
    """
    named = name_order(frames)
    if not any(frame.camera.captured_at for frame in named):
        return named
    place = {frame.name: at for at, frame in enumerate(named)}
    moments = _moments(named)
    seconds: defaultdict[tuple[object, datetime], list[Frame]] = defaultdict(list)
    for frame in named:
        if frame.name in moments:
            seconds[_body(frame), moments[frame.name].replace(microsecond=0)].append(frame)
    keys: dict[str, tuple[datetime, int, int]] = {}
    for (_, second), together in seconds.items():
        if len(together) > 1 and any((f.camera.time_resolution_s or 1.0) >= 1.0 for f in together):
            # No order by fraction: number them through, all at the second's beginning.
            for rank, frame in enumerate(sorted(together, key=lambda f: _numbered(f, together, place))):
                keys[frame.name] = (second, rank, place[frame.name])
        else:
            for frame in together:
                keys[frame.name] = (moments[frame.name], 0, place[frame.name])
    _place_untimed(named, keys)
    return sorted(named, key=lambda frame: keys[frame.name])


def name_order(frames: Sequence[Frame]) -> list[Frame]:
    """Natural order of the names, folder by folder, each from where its counter starts."""
    folders: defaultdict[str, list[Frame]] = defaultdict(list)
    for frame in frames:
        folders[folder_of(frame.name)].append(frame)
    ordered: list[Frame] = []
    for folder in sorted(folders, key=natural_key):
        ordered += _from_counter_start(sorted(folders[folder], key=lambda frame: natural_key(frame.name)))
    return ordered


def _from_counter_start(frames: list[Frame]) -> list[Frame]:
    """One folder's frames, rolled to begin after the gap if the counter passed 9999."""
    numbers = [_number(frame) for frame in frames]
    if None in numbers or len(frames) < 2:
        return frames
    held = sorted({number for number in numbers if number is not None})
    if held[-1] < _COUNTER - 100 or held[0] > 100:
        return frames
    gap, start = max((after - before, after) for before, after in zip(held, [*held[1:], held[-1]], strict=True))
    if gap <= _ROLLED:
        return frames
    return sorted(frames, key=lambda frame: ((_number(frame) or 0) < start, natural_key(frame.name)))


def _moments(frames: Sequence[Frame]) -> dict[str, datetime]:
    """Times on one clock: UTC if every frame knows its zone, else as shown by the cameras."""
    timed = [(frame.name, frame.camera.captured_at) for frame in frames if frame.camera.captured_at]
    if all(moment.tzinfo for _, moment in timed):
        return {name: moment.astimezone(UTC).replace(tzinfo=None) for name, moment in timed}
    return {name: moment.replace(tzinfo=None) for name, moment in timed}


def _numbered(frame: Frame, together: Sequence[Frame], place: dict[str, int]) -> tuple[int, int]:
    numbers = [number for number in map(_number, together) if number is not None]
    number = _number(frame)
    if number is None or len(numbers) < len(together):
        return (0, place[frame.name])
    rolled = max(numbers) - min(numbers) > _ROLLED and number < _ROLLED
    return (number + _COUNTER if rolled else number, place[frame.name])


def _place_untimed(named: Sequence[Frame], keys: dict[str, tuple[datetime, int, int]]) -> None:
    """Give frames without a time a place after their predecessor in the folder, or before their successor."""
    for frames, step in ((named, 1), (named[::-1], -1)):
        near: tuple[str, tuple[datetime, int, int]] | None = None
        for frame in frames:
            folder = folder_of(frame.name)
            if frame.name in keys:
                near = (folder, keys[frame.name])
            elif near is not None and near[0] == folder:
                moment, rank, at = near[1]
                near = (folder, (moment, rank, at + step))
                keys[frame.name] = near[1]
    latest = max(keys.values(), default=(datetime.min, 0, 0))[0]
    for at, frame in enumerate(named):
        keys.setdefault(frame.name, (latest + timedelta(seconds=1), 0, at))


def _body(frame: Frame) -> tuple[str | None, str | None]:
    return frame.camera.model, frame.camera.body_serial


def _number(frame: Frame) -> int | None:
    return dcf_number(frame.name.rpartition("/")[2])
