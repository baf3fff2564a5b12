"""Which files are one exposure, which of them leads, and where its pixels are read from."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import fields, replace
from typing import Any

from windstill.records import CameraData, Frame, ShootFile
from windstill.scan.agree import same_body, same_moment, same_settings
from windstill.scan.kinds import dcf_number, natural_key
from windstill.scan.photo import Photo, folder_of, stem_of, without_extension
from windstill.settings.scan import ScanSettings

_PREFERENCE = {"jpeg": 0, "heif": 1, "webp": 2, "png": 3, "bmp": 4, "tiff": 5}


def form_exposures(photos: Sequence[Photo], settings: ScanSettings) -> list[list[Photo]]:
    """Photographs put together by exposure.

    Within a folder, the files of one DCF object (same number; JEITA CP-3461), or of one name where names are not
    DCF's, unless body or time contradict. Across folders (a second card, a folder of JPEG beside one of raw), the
    same number or name with the same body, moment and settings, all known; or, where the cards count on their own,
    the only raw and the only picture of one body and one fraction of a second.
    """
    objects: defaultdict[tuple[str, int | str], list[list[Photo]]] = defaultdict(list)
    for photo in photos:
        key = (photo.folder, photo.number or photo.stem)
        for exposure in objects[key]:
            if all(_one_object(photo, other, settings) for other in exposure):
                exposure.append(photo)
                break
        else:
            objects[key].append([photo])
    across: defaultdict[int | str, list[list[Photo]]] = defaultdict(list)
    for (_, name), exposures in objects.items():
        for exposure in exposures:
            for other in across[name]:
                if _one_exposure(exposure, other, settings):
                    other.extend(exposure)
                    break
            else:
                across[name].append(exposure)
    return _join_counters([exposure for exposures in across.values() for exposure in exposures], settings)


def _join_counters(exposures: Sequence[list[Photo]], settings: ScanSettings) -> list[list[Photo]]:
    """Raws of one card put together with the pictures of another that has a counter of its own."""
    by_moment: defaultdict[tuple[object, ...], list[list[Photo]]] = defaultdict(list)
    for exposure in exposures:
        camera = exposure[0].camera
        moment = camera.captured_at
        # A fraction of nought is what a clock without fractions writes.
        fine = moment is not None and moment.microsecond and (camera.time_resolution_s or 1.0) < 1.0
        if moment is not None and fine and camera.model is not None and len({p.is_raw for p in exposure}) == 1:
            by_moment[camera.model, camera.body_serial, moment.replace(tzinfo=None)].append(exposure)
    joined: set[int] = set()
    for together in by_moment.values():
        if len(together) == 2:
            first, second = sorted(together, key=lambda exposure: exposure[0].is_raw)
            if not first[0].is_raw and second[0].is_raw and _one_exposure(first, second, settings):
                first.extend(second)
                joined.add(id(second))
    return [exposure for exposure in exposures if id(exposure) not in joined]


def _one_object(a: Photo, b: Photo, settings: ScanSettings) -> bool:
    moment = same_moment(a.camera, b.camera, settings.same_moment_s)
    if moment is False or not same_body(a.camera, b.camera):
        return False
    # Different free characters need evidence: the same moment, or at least a raw and its picture.
    return a.stem == b.stem or moment is True or a.is_raw != b.is_raw


def _one_exposure(exposure: Sequence[Photo], other: Sequence[Photo], settings: ScanSettings) -> bool:
    moments = []
    for a in exposure:
        for b in other:
            moment = same_moment(a.camera, b.camera, settings.same_moment_s)
            if moment is False or not same_body(a.camera, b.camera) or not same_settings(a.camera, b.camera):
                return False
            moments.append(moment is True and a.camera.model is not None and b.camera.model is not None)
    return any(moments) and not {p.folder for p in exposure} & {p.folder for p in other}


def choose_leading(exposure: Sequence[Photo], settings: ScanSettings) -> Photo:
    """The file pixels are read from, which gives the frame its name.

    A picture beside a raw is cheaper to read; it leads if it is of full size and the camera wrote it. Otherwise
    the raw leads.
    """
    raws = [photo for photo in exposure if photo.is_raw]
    raw_long = max((photo.long_px for photo in raws), default=0)
    pictures = [photo for photo in exposure if not photo.is_raw]
    if raws:
        pictures = [
            photo for photo in pictures
            if not photo.by_software and photo.long_px >= settings.full_size_share * raw_long
        ]
    ordered = sorted(
        pictures or raws,
        key=lambda photo: (
            photo.by_software, -photo.width_px * photo.height_px, _PREFERENCE.get(photo.container, 9),
            natural_key(photo.file.path),
        ),
    )
    return ordered[0]


def make_frame(
    exposure: Sequence[Photo], copies: Iterable[ShootFile], companions: Iterable[ShootFile], settings: ScanSettings
) -> Frame:
    """The frame of one exposure."""
    leading = choose_leading(exposure, settings)
    others = sorted((p.file for p in exposure if p is not leading), key=lambda file: natural_key(file.path))
    width, height = leading.width_px, leading.height_px
    if leading.camera.orientation >= 5:
        width, height = height, width
    notes = []
    if leading.is_raw and len({p.is_raw for p in exposure}) > 1:
        notes.append("read from the raw: the picture beside it is reduced or edited")
    if leading.container == "jpeg" and leading.file.path.rpartition(".")[2].lower() not in _JPEG_NAMES:
        notes.append("a JPEG under another name")
    return Frame(
        name=without_extension(leading.file.path),
        files=(leading.file, *others, *copies, *companions),
        pixels_from=leading.file.path,
        width_px=width,
        height_px=height,
        camera=join_camera_data(leading.camera, [p.camera for p in exposure if p is not leading]),
        notes=tuple(notes),
    )


def _coarseness(data: CameraData) -> tuple[float, bool]:
    zoned = data.captured_at is not None and data.captured_at.tzinfo is not None
    return (data.time_resolution_s or 1.0, not zoned)


_JPEG_NAMES = frozenset({"jpg", "jpeg", "jpe", "jfif", "mpo"})
# What belongs to the picture file itself, not to the exposure.
_OF_THE_FILE = frozenset({"orientation", "pixel_pitch_um", "software", "captured_at", "time_resolution_s"})


def join_camera_data(leading: CameraData, others: Sequence[CameraData]) -> CameraData:
    """The leading file's data, completed from the exposure's other files; the finest time of all."""
    missing: dict[str, Any] = {}
    for field in fields(CameraData):
        if field.name in _OF_THE_FILE or getattr(leading, field.name) is not None:
            continue
        missing[field.name] = next((v for v in (getattr(o, field.name) for o in others) if v is not None), None)
    timed = [data for data in (leading, *others) if data.captured_at is not None]
    if timed:
        finest = min(timed, key=_coarseness)
        missing["captured_at"], missing["time_resolution_s"] = finest.captured_at, finest.time_resolution_s
    return replace(leading, **missing)


def attach_companions(
    exposures: Sequence[Sequence[Photo]], copies: Mapping[str, str], companions: Sequence[ShootFile]
) -> dict[str, list[ShootFile]]:
    """Companions by the path of a photograph they belong to; those of videos and of nothing are left out.

    A companion goes by its name (``NAME.xmp``, ``NAME.JPG.xmp``), or by its number where no name fits
    (``THMB0004.THM``); where two exposures share a name, to the one with the raw.
    """
    by_name: dict[tuple[str, str], str] = {}
    by_number: dict[tuple[str, int], str] = {}
    ordered = sorted(exposures, key=lambda exposure: not any(p.is_raw for p in exposure))
    for exposure in ordered:
        lead = exposure[0].file.path
        for photo in exposure:
            by_name.setdefault((photo.folder, photo.file.path.rpartition("/")[2]), lead)
            by_name.setdefault((photo.folder, photo.stem), lead)
            if photo.number:
                by_number.setdefault((photo.folder, photo.number), lead)
    lead_of = {photo.file.path: exposure[0].file.path for exposure in exposures for photo in exposure}
    for copy, original in copies.items():
        if original in lead_of:
            by_name.setdefault((folder_of(copy), copy.rpartition("/")[2]), lead_of[original])
            by_name.setdefault((folder_of(copy), stem_of(copy)), lead_of[original])
    held: defaultdict[str, list[ShootFile]] = defaultdict(list)
    for companion in companions:
        folder, stem = folder_of(companion.path), stem_of(companion.path)
        owner = by_name.get((folder, stem)) or by_number.get((folder, dcf_number(stem) or -1))
        if owner is not None:
            held[owner].append(companion)
    return dict(held)
