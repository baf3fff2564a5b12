"""From tags to `CameraData`: units, snapping to the exact series, and what is unknown stays unknown."""

from __future__ import annotations

import math
import re
from datetime import UTC, datetime, timedelta, timezone

from windstill.optics.exposure import snap_exposure_s, snap_f_number
from windstill.records import ISO_CAP, CameraData, SequenceMark
from windstill.scan.headers import Header
from windstill.scan.makers import FOCUS_SEQUENCE, Marks, describe_lens, read_marks, read_sequence
from windstill.scan.tags import Ratio, TagTable, Value, number, numbers, text, whole

_INFINITE = 0xFFFFFFFF
_TIME = re.compile(r"\s*(\d{4})[:\-/.](\d{2})[:\-/.](\d{2})[ T](\d{2}):(\d{2}):(\d{2})(?:\.(\d+))?\s*(.*)")
_OFFSET = re.compile(r"\s*([+-])(\d{2}):?(\d{2})\s*")
# Years outside are no dates of photographs, and those at the calendar's ends cannot be put into another zone.
_FIRST_PHOTOGRAPH, _FAR_FUTURE = 1826, 2200
_UNIT_MM = {2: 25.4, 3: 10.0, 4: 1.0, 5: 0.001}


def camera_data(header: Header) -> CameraData:
    """Everything a header says about its exposure."""
    tags = header.tags
    marks = read_marks(tags)
    exposure = _positive(number(tags.find(0x829A)), 1e-7, 1e6) or _time_of_apex(number(tags.find(0x9201)))
    exposure = exposure or _positive(_xmp(tags, "exif:ExposureTime"), 1e-7, 1e6)
    aperture = _positive(number(tags.find(0x829D)), 0.1, 1000) or _aperture_of_apex(number(tags.find(0x9202)))
    aperture = aperture or _positive(_xmp(tags, "exif:FNumber"), 0.1, 1000)
    captured, resolution = _captured(tags, has_exposure=exposure is not None)
    orientation = whole(tags.image.get(0x0112)) or 1
    mode = whole(tags.find(0xA402))
    bias = number(tags.find(0x9204))
    return CameraData(
        maker=text(tags.image.get(0x010F)) or text(tags.xmp.get("tiff:Make")),
        model=text(tags.image.get(0x0110)) or text(tags.xmp.get("tiff:Model")),
        body_serial=_serial(tags, marks),
        lens=_lens(tags, marks),
        captured_at=captured,
        time_resolution_s=resolution,
        exposure_s=None if exposure is None else snap_exposure_s(exposure),
        exposure_written_s=exposure,
        f_number=None if aperture is None else snap_f_number(aperture),
        f_number_written=aperture,
        iso=_iso(tags, marks),
        focal_mm=_positive(number(tags.find(0x920A)), 0.1, 1e5) or _positive(_xmp(tags, "exif:FocalLength"), 0.1, 1e5),
        focal_35mm_mm=_positive(number(tags.find(0xA405)), 0.1, 60_000)
        or _positive(_xmp(tags, "exif:FocalLengthIn35mmFilm"), 0.1, 6e4),
        focus_m=_focus(tags.find(0x9206)),
        bias_ev=bias if bias is not None and abs(bias) <= 32 else None,
        exposure_mode=mode if mode in (0, 1, 2) else None,
        orientation=orientation if not header.turned and 1 <= orientation <= 8 else 1,
        pixel_pitch_um=_pitch(header),
        bracket_mark=marks.bracket if marks.bracket is not None else (True if mode == 2 else None),
        bracket_value_ev=marks.value_ev,
        bracket_shot=marks.shot,
        drive_mode=marks.drive,
        sequence_number=marks.number,
        sequence=read_sequence(tags) or _focus_sequence(marks),
        composite=_composite(tags),
        software=text(tags.image.get(0x0131)) or text(tags.xmp.get("xmp:CreatorTool")),
        image_unique_id=_unique_id(tags, marks),
    )


def parse_time(written: str, digits: str | None = None, offset: str | None = None) -> tuple[datetime, float] | None:
    """A capture time and its resolution in seconds.

    Parameters
    ----------
    written : str
        ``YYYY:MM:DD HH:MM:SS`` as Exif writes it; an XMP (ISO 8601) time is taken too.
    digits : str, optional
        SubSecTime: the decimal fraction's digits, left-aligned, blanks for none.
    offset : str, optional
        OffsetTime, ``+HH:MM``.

    Returns
    -------
    tuple or None
        ``None`` for blanks, zeros and dates that do not exist.
    """
    match = _TIME.match(written)
    if not match:
        return None
    fields = [int(part) for part in match.groups()[:6]]
    if not _FIRST_PHOTOGRAPH <= fields[0] < _FAR_FUTURE:
        return None
    if fields[5] == 60:  # a leap second, as clocks set by radio write it
        fields[5] = 59
    fraction = re.match(r"\d+", (digits or match[7] or "").strip())
    zone = _zone(offset) or _zone(match[8])
    try:
        moment = datetime(*fields[:6], tzinfo=zone)  # type: ignore[arg-type,misc]
    except ValueError:
        return None
    if fraction is None:
        return moment, 1.0
    shown = fraction[0][:9]
    return moment + timedelta(microseconds=int(shown.ljust(6, "0")[:6])), 10.0 ** -len(shown)


def _zone(offset: str | None) -> timezone | None:
    if offset is None:
        return None
    if offset.strip() == "Z":
        return UTC
    match = _OFFSET.fullmatch(offset)
    if not match or int(match[2]) > 14 or int(match[3]) > 59:
        return None
    minutes = int(match[2]) * 60 + int(match[3])
    return timezone(timedelta(minutes=-minutes if match[1] == "-" else minutes))


def _captured(tags: TagTable, *, has_exposure: bool) -> tuple[datetime | None, float | None]:
    """When the shutter opened. A digitizing time counts only for a camera: a scanner's says when it scanned."""
    for written, digits, offset in ((0x9003, 0x9291, 0x9011), (0x9004, 0x9292, 0x9012)):
        if written == 0x9004 and not has_exposure:
            continue
        value = text(tags.find(written))
        parsed = value and parse_time(value, _raw_text(tags.find(digits)), text(tags.find(offset)))
        if parsed:
            return parsed
    value = tags.xmp.get("exif:DateTimeOriginal")
    parsed = value and parse_time(value, tags.xmp.get("exif:SubSecTimeOriginal"))
    return parsed or (None, None)


def _focus_sequence(marks: Marks) -> SequenceMark | None:
    """A maker's focus bracket, in the terms of the DNG specification."""
    if marks.focus_shot is None:
        return None
    return SequenceMark(sequence_id="", sequence_type=FOCUS_SEQUENCE, index=marks.focus_shot)


def _raw_text(value: Value | None) -> str | None:
    if isinstance(value, bytes):
        return value.decode("latin-1").replace("\0", "")
    return value.replace("\0", "") if isinstance(value, str) else None


def _positive(value: float | None, least: float, most: float) -> float | None:
    return value if value is not None and least <= value <= most else None


def _time_of_apex(tv: float | None) -> float | None:
    return 2.0**-tv if tv is not None and -14 <= tv <= 20 else None


def _aperture_of_apex(av: float | None) -> float | None:
    return 2.0 ** (av / 2) if av is not None and 0 < av <= 16 else None


def _xmp(tags: TagTable, name: str) -> float | None:
    """A number as XMP writes it, ``71/10`` or ``7.1``."""
    match = re.fullmatch(r"\s*(-?\d+(?:\.\d+)?)(?:/(\d+))?\s*", tags.xmp.get(name, ""))
    if not match or (match[2] is not None and int(match[2]) == 0):
        return None
    return float(match[1]) / float(match[2] or 1)


def _iso(tags: TagTable, marks: Marks) -> float | None:
    """PhotographicSensitivity is 16 bits and capped at 65535; what lies above stands in the 32-bit tags.

    At the cap without those, the ISO may be any above it: unknown, unless the maker or XMP says.
    """
    capped = next((n for n in numbers(tags.find(0x8827)) if n > 0), None)
    if capped is None or capped >= ISO_CAP:
        for tag in (0x8833, 0x8832, 0x8831):
            wide = number(tags.find(tag))
            if wide and wide > 0:
                return wide
    else:
        return capped
    in_raw = number(tags.image.get(0x0017))  # one maker's raw keeps it beside the sensor's borders
    if in_raw and 0x0006 in tags.image:
        return in_raw
    if marks.iso:
        return marks.iso
    in_xmp = _positive(_xmp(tags, "exif:ISOSpeedRatings") or _xmp(tags, "exifEX:PhotographicSensitivity"), 1, 1e8)
    return None if in_xmp == ISO_CAP else in_xmp


def _focus(value: Value | None) -> float | None:
    """SubjectDistance in metres; numerator FFFFFFFF is infinity, 0 unknown."""
    if not isinstance(value, tuple) or not value:
        return None
    first = value[0]
    if isinstance(first, Ratio) and first.numerator == _INFINITE:
        return math.inf
    metres = number(value)
    return metres if metres is not None and metres > 0 else None


def _pitch(header: Header) -> float | None:
    """Micrometres per pixel, from FocalPlaneXResolution, which counts pixels of the recorded picture."""
    tags = header.tags
    per_unit = number(tags.find(0xA20E))
    unit_mm = _UNIT_MM.get(whole(tags.find(0xA210)) or 2)
    if per_unit is None or per_unit <= 0 or unit_mm is None:
        return None
    pitch = 1000.0 * unit_mm / per_unit
    recorded = (number(tags.find(0xA002)) or 0.0, number(tags.find(0xA003)) or 0.0)
    if min(recorded) > 0 and header.width_px > 0 and header.height_px > 0:
        pitch *= _reduction(recorded, (header.width_px, header.height_px))
    return pitch if 0.1 <= pitch <= 1000 else None


def _reduction(recorded: tuple[float, float], stored: tuple[int, int]) -> float:
    """How many recorded pixels one stored pixel covers; 1 unless the picture was plainly scaled as a whole."""
    along, across = max(recorded) / max(stored), min(recorded) / min(stored)
    # A few percent are the margins of a raw, not a reduction.
    return along if abs(along / across - 1) < 0.02 and abs(along - 1) > 0.05 else 1.0


def _lens(tags: TagTable, marks: Marks) -> str | None:
    named = text(tags.find(0xA434)) or marks.lens or text(tags.xmp.get("exifEX:LensModel"))
    if named:
        return named
    described = numbers(tags.find(0xA432))
    if len(described) == 4 and described[0] > 0:
        return describe_lens(*described)
    return text(tags.xmp.get("aux:Lens"))


def _serial(tags: TagTable, marks: Marks) -> str | None:
    return (
        text(tags.find(0xA431)) or text(tags.image.get(0xC62F)) or marks.serial
        or text(tags.xmp.get("exifEX:BodySerialNumber")) or text(tags.xmp.get("aux:SerialNumber"))
    )


def _composite(tags: TagTable) -> int | None:
    value = whole(tags.find(0xA460))
    return value if value in (0, 1, 2, 3) else None


def _unique_id(tags: TagTable, marks: Marks) -> str | None:
    value = text(tags.find(0xA420)) or marks.unique_id
    return value if value and value.strip("0 ") else None
