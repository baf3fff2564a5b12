"""What makers write about brackets, drive and sequences in their notes.

The names are those `exifread` gives; the meaning of the numbers was compared with the reference reader's.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace

from windstill.records import SequenceMark
from windstill.scan.tags import TagTable, Value, number, numbers, text, whole

DNG_SEQUENCE = 0xCD44  # 52548, ImageSequenceInfo


@dataclass(frozen=True, slots=True)
class Marks:
    """Bracket, drive and sequence as the camera noted them; ``None`` is unknown."""

    bracket: bool | None = None
    value_ev: float | None = None
    shot: int | None = None
    drive: str | None = None
    number: int | None = None
    iso: float | None = None
    serial: str | None = None
    lens: str | None = None


def read_marks(tags: TagTable) -> Marks:
    """Marks of the maker's note, by maker."""
    maker = (text(tags.image.get(0x010F)) or "").lower()
    if maker.startswith("canon"):
        return _canon(tags.maker)
    if maker.startswith("nikon"):
        return _nikon(tags.maker)
    if maker.startswith("sony"):
        return _sony(tags.maker)
    if maker.startswith("fujifilm"):
        return _fujifilm(tags.maker)
    return Marks()


def read_sequence(tags: TagTable) -> SequenceMark | None:
    """DNG ImageSequenceInfo: NUL-ended id, type and frame info, then index and count (u32, big-endian) and final (u8).

    Source: DNG Specification 1.7.1, tag 52548.
    """
    value = tags.image.get(DNG_SEQUENCE)
    if isinstance(value, tuple):
        value = bytes(int(n) & 0xFF for n in value if isinstance(n, int))
    if isinstance(value, str):
        value = value.encode("latin-1", "replace")
    if not value:
        return None
    parts = value.split(b"\0", 3)
    if len(parts) < 3:
        return None
    identity, kind = text(parts[0]), text(parts[1])
    if identity is None and kind is None:
        return None
    mark = SequenceMark(sequence_id=identity or "", sequence_type=kind or "")
    tail = parts[3] if len(parts) == 4 else b""
    if len(tail) >= 9:
        index, count = int.from_bytes(tail[:4], "big"), int.from_bytes(tail[4:8], "big")
        return replace(mark, index=index or None, count=count or None, final=bool(tail[8]))
    return mark


_CANON_BRACKET: dict[int | None, str] = {0: "Off", 1: "AEB", 2: "FEB", 3: "ISO", 4: "WB"}
_CANON_DRIVE: dict[int | None, str] = {0: "Single Or Timer", 1: "Continuous", 2: "Movie"}


def _canon(note: dict[str, Value]) -> Marks:
    """BracketMode, BracketValue and BracketShotNumber of FileInfo; drive of CameraSettings; number of ShotInfo."""
    camera, shot, file = (numbers(note.get(name)) for name in ("0x0001", "0x0004", "0x0093"))

    def at(values: tuple[float, ...], index: int) -> int | None:
        return int(values[index]) if len(values) > index else None

    mode = text(note.get("BracketMode")) or _CANON_BRACKET.get(at(file, 3))
    value = whole(note.get("BracketValue")) if "BracketValue" in note else at(file, 4)
    number_of_shot = whole(note.get("BracketShotNumber")) if "BracketShotNumber" in note else at(file, 5)
    auto = text(note.get("AutoExposureBracketing"))
    if auto is None and len(shot) > 16:
        auto = "Off" if shot[16] == 0 else f"On (shot {int(shot[16])})"
    drive = text(note.get("ContinuousDriveMode")) or _CANON_DRIVE.get(at(camera, 5))
    sequence = whole(note.get("SequenceNumber")) if "SequenceNumber" in note else at(shot, 9)
    bracket: bool | None = None
    if mode is not None or auto is not None:
        bracket = mode in ("AEB", "ISO") or (auto or "").startswith("On")
    if bracket and not number_of_shot:
        found = re.search(r"shot (\d+)", auto or "")
        number_of_shot = int(found[1]) if found else None
    return Marks(
        bracket=bracket,
        value_ev=_canon_ev(value) if bracket else None,
        shot=number_of_shot if bracket and number_of_shot else None,
        drive=drive,
        number=sequence or None,
        serial=_canon_serial(note.get("SerialNumber", note.get("0x000C"))),
        lens=text(note.get("LensModel", note.get("0x0095"))),
    )


def _canon_ev(value: int | None) -> float | None:
    """Thirty-seconds of a stop in 16 bits, negative ones read as unsigned; 12 and 20 stand for thirds."""
    if value is None:
        return None
    signed = value - 0x10000 if value >= 0x8000 else value
    stops, rest = divmod(abs(signed), 32)
    part = {12: 1 / 3, 20: 2 / 3}.get(rest, rest / 32)
    ev = stops + part
    return (-ev if signed < 0 else ev) if ev < 16 else None


def _canon_serial(value: Value | None) -> str | None:
    serial = whole(value)
    return str(serial) if serial else None


def _nikon(note: dict[str, Value]) -> Marks:
    """BracketingMode's bits: 1 continuous, 8 self-timer, 16 exposure bracket, 32 automatic ISO, 64 white balance."""
    bits = whole(note.get("BracketingMode"))
    if isinstance(note.get("BracketingMode"), str):
        bits = None
    drive = None
    if bits is not None:
        drive = "Continuous" if bits & 1 else "Timer" if bits & 8 else "Single"
    bracket = bool(bits & 16) if bits is not None else None
    applied = number(note.get("AEBracketCompensationApplied"))
    return Marks(
        bracket=bracket,
        value_ev=applied if bracket and applied is not None and abs(applied) < 16 else None,
        drive=drive,
        lens=_nikon_lens(note.get("LensMinMaxFocalMaxAperture")),
    )


def _nikon_lens(value: Value | None) -> str | None:
    parts = numbers(value)
    if len(parts) != 4 or parts[0] <= 0:
        return None
    return describe_lens(*parts)


def describe_lens(shortest: float, longest: float, widest: float, widest_long: float) -> str:
    """Focal range and widest apertures in the usual form, ``28-300mm f/3.5-5.6``."""
    focal = f"{shortest:g}" if longest in (shortest, 0) else f"{shortest:g}-{longest:g}"
    if widest <= 0:
        return f"{focal}mm"
    aperture = f"{widest:g}" if widest_long in (widest, 0) else f"{widest:g}-{widest_long:g}"
    return f"{focal}mm f/{aperture}"


def _sony(note: dict[str, Value]) -> Marks:
    mode = whole(note.get("ReleaseMode"))
    if mode is None or mode == 65535:
        return Marks()
    order = whole(note.get("SequenceNumber"))
    bracket = mode == 5
    return Marks(
        bracket=bracket,
        shot=order if bracket and order and order < 65535 else None,
        drive={0: "Normal", 2: "Continuous", 5: "Exposure Bracketing"}.get(mode),
        number=order if order and order < 65535 else None,
    )


def _fujifilm(note: dict[str, Value]) -> Marks:
    mode = whole(note.get("MotorOrBracket"))
    if mode is None:
        return Marks()
    order = whole(note.get("Tag 0x1101"))
    return Marks(bracket=mode == 1, shot=order or None if mode == 1 else None, number=order or None)
