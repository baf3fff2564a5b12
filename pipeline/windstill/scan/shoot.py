"""The room's entry points: a folder in, one frame per exposure out."""

from __future__ import annotations

import os
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from windstill.optics.exposure import snap_exposure_s, snap_f_number, step_of
from windstill.records import CameraData, Frame, Problem, ScannedShoot, ShootFile
from windstill.scan.camera import camera_data
from windstill.scan.copies import find_copies
from windstill.scan.derived import is_firmware, mark_derived
from windstill.scan.frames import attach_companions, form_exposures, make_frame
from windstill.scan.headers import UnreadableError, read_header
from windstill.scan.isolated import HeaderWorker
from windstill.scan.kinds import natural_key
from windstill.scan.order import in_capture_order
from windstill.scan.photo import Photo, ReadBefore
from windstill.scan.walk import LEFT_OUT, STAGE, walk
from windstill.settings.scan import ScanSettings


def scan_shoot(root: Path, settings: ScanSettings | None = None) -> ScannedShoot:
    """Find the frames of a shoot. No pixel is decoded and nothing is written.

    Parameters
    ----------
    root : Path
        The shoot folder, as deep as cards nest it.
    settings : ScanSettings, optional

    Returns
    -------
    ScannedShoot
        One frame per exposure in capture order, and one problem per file that could not be used or repeats
        another byte by byte.

    Raises
    ------
    FileNotFoundError, NotADirectoryError
        There is no such folder.
    """
    return scan_again(root, settings or ScanSettings(), ReadBefore())[0]


def scan_again(root: Path, settings: ScanSettings, before: ReadBefore) -> tuple[ScannedShoot, ReadBefore]:
    """As `scan_shoot`, without opening the files an earlier scan has read.

    Parameters
    ----------
    root : Path
    settings : ScanSettings
        Those of the earlier scan.
    before : ReadBefore
        What it read.

    Returns
    -------
    ScannedShoot, ReadBefore
        The shoot, and what is known of its files now.

    Raises
    ------
    FileNotFoundError, NotADirectoryError
        There is no such folder.
    """
    where = os.path.realpath(root)
    if not Path(where).exists():
        raise FileNotFoundError(f"{root}: there is no such folder")
    if not Path(where).is_dir():
        raise NotADirectoryError(f"{root}: this is a file, not a folder of photographs")
    found = walk(where, follow_links=settings.follow_links)
    problems = list(found.problems)
    known = {_identity(photo.file): photo for photo in before.photos}
    with HeaderWorker(settings.header_timeout_s) as worker:
        photos = []
        for file in found.photographs:
            photo = known.get(_identity(file)) or _read_photo(where, file, settings, worker, problems)
            if photo is not None:
                photos.append(photo)
        held = before.of({photo.file.path for photo in photos if _identity(photo.file) in known})
        comparable = [photo for photo in photos if photo.file.size_bytes <= settings.compare_mb * 1e6]
        copies = find_copies(where, comparable, held.samples, held.contents)
        problems += [
            Problem(copy, STAGE, f"byte-identical copy of {original}", "counted once")
            for copy, original in copies.items()
        ]
        exposures = form_exposures([photo for photo in photos if photo.file.path not in copies], settings)
        frames = _make_frames(exposures, copies, {p.file.path: p.file for p in photos}, found.companions, settings)
        frames = [_with_raw_size(where, frame, worker, held.raw_sizes_px) for frame in frames]
    frames = _with_distinct_names(_with_body_habits(frames))
    frames = in_capture_order(mark_derived(frames, settings))
    problems.sort(key=lambda problem: natural_key(problem.file))
    shoot = ScannedShoot(root=where, frames=tuple(frames), problems=tuple(problems), files_seen=found.files_seen)
    return shoot, replace(held, photos=tuple(photos))


def _identity(file: ShootFile) -> tuple[str, int, int]:
    return file.path, file.size_bytes, file.mtime_ns


def read_camera_data(path: Path, settings: ScanSettings | None = None) -> CameraData:
    """What one file says about its exposure.

    Raises
    ------
    UnreadableError
        It is no photograph this program can read; the message says why in a few words.
    OSError
        It cannot be opened.
    """
    settings = settings or ScanSettings()
    with HeaderWorker(settings.header_timeout_s) as worker:
        return camera_data(read_header(path, settings, worker))


def _read_photo(
    root: str, file: ShootFile, settings: ScanSettings, worker: HeaderWorker, problems: list[Problem]
) -> Photo | None:
    try:
        header = read_header(Path(root, file.path), settings, worker)
    except UnreadableError as err:
        problems.append(Problem(file.path, STAGE, str(err), LEFT_OUT))
        return None
    except OSError as err:
        problem = "it vanished while the folder was read" if isinstance(err, FileNotFoundError) else (
            f"it cannot be read ({err.strerror or 'unknown reason'})"
        )
        problems.append(Problem(file.path, STAGE, problem, LEFT_OUT))
        return None
    camera = camera_data(header)
    return Photo(
        file=replace(file, role="raw" if header.is_raw else "image"),
        container=header.container,
        width_px=header.width_px,
        height_px=header.height_px,
        camera=camera,
        by_software=not is_firmware(camera),
    )


def _make_frames(
    exposures: Sequence[Sequence[Photo]], copies: dict[str, str], files: dict[str, ShootFile],
    companions: Sequence[ShootFile], settings: ScanSettings,
) -> list[Frame]:
    held = attach_companions(exposures, copies, companions)
    copies_of: defaultdict[str, list[ShootFile]] = defaultdict(list)
    for copy, original in copies.items():
        copies_of[original].append(files[copy])
    frames = []
    for exposure in exposures:
        repeated = [file for photo in exposure for file in copies_of[photo.file.path]]
        beside = [file for photo in exposure for file in held.get(photo.file.path, [])]
        frames.append(make_frame(exposure, repeated, beside, settings))
    return frames


def _with_raw_size(root: str, frame: Frame, worker: HeaderWorker, known: dict[str, tuple[int, int]]) -> Frame:
    """A raw's size as the decoder will give it, which leaves out the sensor's masked margins."""
    if frame.pixels_file.role != "raw":
        return frame
    if frame.pixels_from not in known:
        said = worker.ask("raw size", Path(root, frame.pixels_from))
        if said.problem or not said.width_px or not said.height_px:
            return frame
        known[frame.pixels_from] = said.width_px, said.height_px
    width, height = known[frame.pixels_from]
    if frame.camera.orientation >= 5:
        width, height = height, width
    return replace(frame, width_px=width, height_px=height)


def _with_distinct_names(frames: Sequence[Frame]) -> list[Frame]:
    """Two exposures whose files differ in the extension only keep it in their names, all but the first."""
    taken: set[str] = set()
    named = []
    for frame in sorted(frames, key=lambda frame: natural_key(frame.pixels_from)):
        if frame.name in taken:
            note = "shares its name with another exposure"
            frame = replace(frame, name=frame.pixels_from, notes=(*frame.notes, note))
        taken.add(frame.name)
        named.append(frame)
    return named


# So many frames of one body whose fractions are all zero were timed by a clock without fractions.
_ZERO_FRACTIONS = 4


def _with_body_habits(frames: Sequence[Frame]) -> list[Frame]:
    """What only many frames of a body tell: half-stop steps, and fractions of a second that are always zero."""
    bodies: defaultdict[tuple[str | None, str | None], list[Frame]] = defaultdict(list)
    for frame in frames:
        bodies[frame.camera.model, frame.camera.body_serial].append(frame)
    adjusted = []
    for (model, _), own in bodies.items():
        step = step_of(
            (f.camera.exposure_written_s for f in own if f.camera.exposure_written_s is not None),
            (f.camera.f_number_written for f in own if f.camera.f_number_written is not None),
        ) if model is not None else "third"
        fine = [f for f in own if f.camera.captured_at is not None and (f.camera.time_resolution_s or 1.0) < 1.0]
        zero = len(fine) >= _ZERO_FRACTIONS and not any(
            f.camera.captured_at is not None and f.camera.captured_at.microsecond for f in fine
        )
        for frame in own:
            camera = frame.camera
            if step == "half":
                written_s, written_n = camera.exposure_written_s, camera.f_number_written
                camera = replace(
                    camera,
                    exposure_s=None if written_s is None else snap_exposure_s(written_s, "half"),
                    f_number=None if written_n is None else snap_f_number(written_n, "half"),
                )
            if zero and camera.captured_at is not None:
                camera = replace(camera, time_resolution_s=1.0)
            adjusted.append(replace(frame, camera=camera))
    return adjusted
