"""Pictures software made from other frames: finished merges, exports, composites made in the camera."""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime

from windstill.records import CameraData, Frame
from windstill.scan.agree import same_body, same_moment
from windstill.scan.kinds import dcf_number
from windstill.scan.photo import folder_of
from windstill.settings.scan import ScanSettings

COMPOSITE_WHILE_CAPTURING = 3  # Exif 2.32, CompositeImage
_VERSION = re.compile(r"(digital camera)?\W*(firmware)?\W*(version|ver|v|rev)?\W*[\d.]+[a-z]?\W*")
_BUILD = re.compile(r"(?=.*\d.*\d)[A-Z0-9._\-]{6,}")


def is_firmware(camera: CameraData) -> bool:
    """Whether the Software tag reads like a camera's firmware: a version, with or without the camera's name."""
    software = camera.software
    if software is None:
        return True
    if camera.maker is None and camera.model is None:
        return False
    rest = software.casefold()
    for name in (camera.model, camera.maker, *(camera.model or "").split(), *(camera.maker or "").split()):
        if name:
            rest = rest.replace(name.casefold(), " ")
    return not rest.strip() or bool(_VERSION.fullmatch(rest.strip()) or _BUILD.fullmatch(software))


def mark_derived(frames: Sequence[Frame], settings: ScanSettings) -> list[Frame]:
    """Set `derived` on frames that are no source frames, with the reason in their notes.

    A frame is derived if

    - the camera says so (CompositeImage 3);
    - a program wrote it that did not write the rest of the shoot, and it repeats another frame's moment, or knows its
      time where the rest does not, or the other way round;
    - its name is another frame's with something added, and it repeats that frame's moment or has none;
    - it is longer and more stretched than what its body records (a panorama put together in the camera).
    """
    rest = _Rest(frames, settings)
    marked = []
    for frame in frames:
        reason = _why_derived(frame, rest)
        marked.append(replace(frame, derived=True, notes=(*frame.notes, reason)) if reason else frame)
    return marked


def _why_derived(frame: Frame, rest: _Rest) -> str:
    """A short reason, empty for a source frame."""
    if frame.camera.composite == COMPOSITE_WHILE_CAPTURING:
        return "put together in the camera"
    if rest.is_foreign(frame):
        if rest.source_of(frame) is not None:
            return "written by a program from a frame of the same moment"
        if rest.is_odd_one(frame):
            return "written by a program, unlike the rest of the shoot"
    source = rest.named_source_of(frame)
    if source is not None:
        return f"made from {source.name.rpartition('/')[2]}"
    if rest.is_stretched(frame):
        return "wider than its camera records"
    return ""


class _Rest:
    """What the shoot as a whole looks like, against which one frame stands out."""

    def __init__(self, frames: Sequence[Frame], settings: ScanSettings) -> None:
        self._tolerance_s = settings.same_moment_s
        self._count = len(frames)
        self._timed = sum(frame.camera.captured_at is not None for frame in frames)
        self._by_name = {frame.name: frame for frame in frames}
        self._written = Counter(frame.camera.software for frame in frames)
        self._by_second: defaultdict[datetime, list[Frame]] = defaultdict(list)
        sizes: defaultdict[str, Counter[tuple[int, int]]] = defaultdict(Counter)
        programs: defaultdict[str | None, Counter[str | None]] = defaultdict(Counter)
        for frame in frames:
            camera = frame.camera
            programs[camera.model][camera.software] += 1
            if camera.captured_at is not None:
                self._by_second[_second(camera.captured_at)].append(frame)
            if camera.model is not None and min(frame.width_px, frame.height_px) > 0:
                sizes[camera.model][max(frame.width_px, frame.height_px), min(frame.width_px, frame.height_px)] += 1
        self._program = {model: counts.most_common(1)[0][0] for model, counts in programs.items()}
        # A size is a body's usual one if three frames and more than half of them have it.
        self._size = {
            model: size for model, counts in sizes.items() for size, times in counts.most_common(1)
            if times >= 3 and 2 * times > counts.total()
        }

    def is_foreign(self, frame: Frame) -> bool:
        """Written by a program other than what wrote most of its body's frames, or most of the shoot."""
        camera = frame.camera
        if camera.software is None or is_firmware(camera):
            return False
        return 3 * self._written[camera.software] <= self._count or camera.software != self._program[camera.model]

    def source_of(self, frame: Frame) -> Frame | None:
        """A frame of the same moment that another program wrote, or that has the camera's name for it."""
        if frame.camera.captured_at is None:
            return None
        for other in self._by_second[_second(frame.camera.captured_at)]:
            original = other.camera.software != frame.camera.software or (
                _has_camera_name(other) and not _has_camera_name(frame)
            )
            if other is not frame and original and self._same_moment(frame, other):
                return other
        return None

    def is_odd_one(self, frame: Frame) -> bool:
        """Among frames that know their time without one, or among such that do not with one; with few like it."""
        timed = frame.camera.captured_at is not None
        alike = self._timed if timed else self._count - self._timed
        few = self._written[frame.camera.software] <= max(1, self._count // 10)
        return 2 * alike < self._count and (few or not timed)

    def named_source_of(self, frame: Frame) -> Frame | None:
        """The frame whose DCF name this one's begins with: ``TARN0007-merged`` is named after ``TARN0007``."""
        folder, _, stem = frame.name.rpartition("/")
        if len(stem) <= 8 or stem[8].isalnum() or dcf_number(stem[:8]) is None:
            return None
        source = self._by_name.get(f"{folder}/{stem[:8]}" if folder else stem[:8])
        while source is None and folder:
            folder = folder_of(folder)
            source = self._by_name.get(f"{folder}/{stem[:8]}" if folder else stem[:8])
        if source is None or source.camera.captured_at is None:
            return None
        return source if frame.camera.captured_at is None or self._same_moment(frame, source) else None

    def is_stretched(self, frame: Frame) -> bool:
        """Longer than its body's usual size by a seventh and of a longer shape by a quarter."""
        usual = self._size.get(frame.camera.model or "")
        if usual is None or min(frame.width_px, frame.height_px) <= 0:
            return False
        long, short = max(frame.width_px, frame.height_px), min(frame.width_px, frame.height_px)
        return long > 1.15 * usual[0] and long / short > 1.25 * usual[0] / usual[1]

    def _same_moment(self, a: Frame, b: Frame) -> bool:
        return same_body(a.camera, b.camera) and same_moment(a.camera, b.camera, self._tolerance_s) is True


def _second(moment: datetime) -> datetime:
    return moment.replace(microsecond=0, tzinfo=None)


def _has_camera_name(frame: Frame) -> bool:
    return dcf_number(frame.name.rpartition("/")[2]) is not None
