"""Pictures software made from other frames: finished merges, exports, composites made in the camera."""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import replace

from windstill.records import CameraData, Frame
from windstill.scan.agree import same_body, same_moment
from windstill.scan.kinds import dcf_number
from windstill.scan.photo import folder_of
from windstill.settings.scan import ScanSettings

COMPOSITE_WHILE_CAPTURING = 3  # Exif 2.32, CompositeImage
_VERSION = re.compile(r"(digital camera)?\W*(firmware)?\W*(version|ver|v|rev)?\W*[\d.]+[a-z]?\W*")
_BUILD = re.compile(r"[A-Z0-9._\-]{6,}")


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
    """Set `derived` on frames that are no source frames.

    A frame is derived if the camera says so (CompositeImage 3), or if a program other than the one that wrote its
    body's other frames wrote it and it repeats another frame's moment, or has no time among frames that have;
    or if its name is another frame's with something added and it repeats that moment or has none; or if it is
    longer and more stretched than anything its body recorded (a panorama put together in the camera).
    """
    usual = _usual_software(frames)
    timed = sum(frame.camera.captured_at is not None for frame in frames)
    by_second: defaultdict[object, list[Frame]] = defaultdict(list)
    for frame in frames:
        if frame.camera.captured_at is not None:
            by_second[frame.camera.captured_at.replace(microsecond=0, tzinfo=None)].append(frame)
    by_name = {frame.name: frame for frame in frames}
    shapes = _usual_shapes(frames)
    return [_marked(frame, usual, 2 * timed > len(frames), by_second, by_name, shapes, settings) for frame in frames]


def _marked(
    frame: Frame, usual: dict[str | None, str | None], mostly_timed: bool,
    by_second: dict[object, list[Frame]], by_name: dict[str, Frame],
    shapes: dict[str | None, tuple[int, float]], settings: ScanSettings,
) -> Frame:
    camera = frame.camera
    reason = ""
    if camera.composite == COMPOSITE_WHILE_CAPTURING:
        reason = "put together in the camera"
    elif _is_foreign(camera, usual):
        if camera.captured_at is None:
            reason = "written by a program, without a time of its own" if mostly_timed else ""
        elif any(
            other is not frame and other.camera.software != camera.software
            and same_body(camera, other.camera) and same_moment(camera, other.camera, settings.same_moment_s)
            for other in by_second[camera.captured_at.replace(microsecond=0, tzinfo=None)]
        ):
            reason = "written by a program from a frame of the same moment"
    if not reason:
        source = _named_after(frame, by_name)
        if source is not None and _of_its_moment(frame, source, settings):
            reason = f"made from {source.name.rpartition('/')[2]}"
    if not reason and camera.model in shapes and min(frame.width_px, frame.height_px) > 0:
        long_px, stretch = shapes[camera.model]
        long, short = max(frame.width_px, frame.height_px), min(frame.width_px, frame.height_px)
        if long > 1.15 * long_px and long / short > 1.25 * stretch:
            reason = "wider than its camera records"
    return replace(frame, derived=True, notes=(*frame.notes, reason)) if reason else frame


def _usual_software(frames: Sequence[Frame]) -> dict[str | None, str | None]:
    """What wrote most frames of each model (``None`` for frames without one)."""
    written: defaultdict[str | None, Counter[str | None]] = defaultdict(Counter)
    for frame in frames:
        written[frame.camera.model][frame.camera.software] += 1
    return {model: counts.most_common(1)[0][0] for model, counts in written.items()}


def _is_foreign(camera: CameraData, usual: dict[str | None, str | None]) -> bool:
    if camera.software is None or is_firmware(camera):
        return False
    if camera.model is None:
        # Film scans carry the scanner's program, all of them; a stray export its own.
        return True
    return camera.software != usual[camera.model]


def _named_after(frame: Frame, by_name: dict[str, Frame]) -> Frame | None:
    """The frame whose DCF name this one's begins with: ``TARN0007-merged`` is named after ``TARN0007``."""
    folder, _, stem = frame.name.rpartition("/")
    if len(stem) <= 8 or stem[8].isalnum() or dcf_number(stem[:8]) is None:
        return None
    while True:
        source = by_name.get(f"{folder}/{stem[:8]}" if folder else stem[:8])
        if source is not None or not folder:
            return source
        folder = folder_of(folder)


def _of_its_moment(frame: Frame, source: Frame, settings: ScanSettings) -> bool:
    """Whether the frame repeats the source's moment, or has none while the source has."""
    if source.camera.captured_at is None:
        return False
    return same_moment(frame.camera, source.camera, settings.same_moment_s) is not False


def _usual_shapes(frames: Sequence[Frame]) -> dict[str | None, tuple[int, float]]:
    """Long side and aspect most frames of each model have, where at least three agree."""
    seen: defaultdict[str | None, Counter[tuple[int, int]]] = defaultdict(Counter)
    for frame in frames:
        if frame.camera.model is not None and min(frame.width_px, frame.height_px) > 0:
            size = (max(frame.width_px, frame.height_px), min(frame.width_px, frame.height_px))
            seen[frame.camera.model][size] += 1
    shapes: dict[str | None, tuple[int, float]] = {}
    for model, counts in seen.items():
        (long, short), times = counts.most_common(1)[0]
        if times >= 3 and 2 * times > counts.total():
            shapes[model] = (long, long / short)
    return shapes
