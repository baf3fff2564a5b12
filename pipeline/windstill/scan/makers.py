"""What makers write about brackets, drive and sequences in their notes, by tag number.

The meaning of the numbers is that of the reference reader (`libimage-exiftool-perl`), which the tests compare with.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from windstill.records import SequenceMark
from windstill.scan.tags import Tags, TagTable, Value, number, numbers, text, whole

DNG_SEQUENCE = 0xCD44  # 52548, ImageSequenceInfo
FOCUS_SEQUENCE = "Focus Stack"  # the DNG specification's word


@dataclass(frozen=True, slots=True)
class Marks:
    """Bracket, drive and sequence as the camera noted them; ``None`` is unknown."""

    bracket: bool | None = None
    value_ev: float | None = None
    shot: int | None = None
    drive: str | None = None
    number: int | None = None
    focus_shot: int | None = None
    iso: float | None = None
    serial: str | None = None
    lens: str | None = None
    unique_id: str | None = None


def read_marks(tags: TagTable) -> Marks:
    """Marks of the maker's note, by maker."""
    maker = (text(tags.image.get(0x010F)) or "").casefold()
    for name, read in _READERS.items():
        if maker.startswith(name) and tags.note:
            return read(tags.note)
    return Marks()


def read_sequence(tags: TagTable) -> SequenceMark | None:
    """DNG ImageSequenceInfo: NUL-ended id, type and frame info, then index and count (u32, big-endian), final (u8).

    Source: DNG Specification 1.7.1, tag 52548.
    """
    value = tags.image.get(DNG_SEQUENCE)
    if isinstance(value, tuple):
        value = bytes(int(n) & 0xFF for n in numbers(value))
    if isinstance(value, str):
        value = value.encode("latin-1", "replace")
    parts = (value or b"").split(b"\0", 3)
    if len(parts) < 3:
        return None
    identity, kind = text(parts[0]), text(parts[1])
    if identity is None and kind is None:
        return None
    mark = SequenceMark(sequence_id=identity or "", sequence_type=kind or "")
    tail = parts[3] if len(parts) == 4 else b""
    if len(tail) < 9:
        return mark
    index, count = int.from_bytes(tail[:4], "big"), int.from_bytes(tail[4:8], "big")
    return replace(mark, index=index or None, count=count or None, final=bool(tail[8]))


def describe_lens(shortest: float, longest: float, widest: float, widest_long: float) -> str:
    """Focal range and widest apertures in the usual form, ``28-300mm f/3.5-5.6``."""
    focal = f"{shortest:g}" if longest in (shortest, 0) else f"{shortest:g}-{longest:g}"
    if widest <= 0:
        return f"{focal}mm"
    aperture = f"{widest:g}" if widest_long in (widest, 0) else f"{widest:g}-{widest_long:g}"
    return f"{focal}mm f/{aperture}"


_CANON_DRIVES: dict[int | None, str] = {0: "single", 1: "continuous", 2: "movie", 3: "continuous", 4: "continuous",
                                        5: "continuous", 6: "single", 9: "single", 10: "continuous"}
_CANON_BRACKETS = (1, 3)  # AEB and ISO; 2 brackets the flash, 4 the white balance


def _canon(note: Tags) -> Marks:
    """CameraSettings 0x0001, ShotInfo 0x0004 and FileInfo 0x0093, tables of 16-bit numbers by position."""
    camera, shot, file = (_canon_table(note.get(tag)) for tag in (0x0001, 0x0004, 0x0093))
    mode, value, of_bracket = file.get(3), file.get(4), file.get(5)
    auto = shot.get(16)
    known = mode is not None or auto is not None
    bracket = mode in _CANON_BRACKETS or auto not in (None, 0) if known else None
    serial, unique = whole(note.get(0x000C)), note.get(0x0028)
    return Marks(
        unique_id=unique.hex() if isinstance(unique, bytes) and len(unique) == 16 else None,
        bracket=bracket,
        value_ev=_canon_ev(value if value is not None else shot.get(17)) if bracket else None,
        shot=(of_bracket or (auto if auto is not None and auto > 0 else None)) if bracket else None,
        drive=_CANON_DRIVES.get(camera.get(5)),
        number=shot.get(9) or None,
        iso=_canon_iso(shot),
        serial=str(serial) if serial else None,
        lens=text(note.get(0x0095)),
    )


def _canon_table(value: Value | None) -> dict[int, int]:
    """Signed 16-bit numbers by position; empty unless the table begins with its own length in bytes."""
    held = [int(n) for n in numbers(value)]
    if not held or held[0] != 2 * len(held):
        return {}
    return {at: n - 0x10000 if n >= 0x8000 else n for at, n in enumerate(held)}


def _canon_ev(value: int | None) -> float | None:
    """Thirty-seconds of a stop; 12 and 20 (and 13, 21) stand for thirds."""
    if value is None or abs(value) > 16 * 32:
        return None
    stops, rest = divmod(abs(value), 32)
    ev = stops + {12: 1 / 3, 13: 1 / 3, 20: 2 / 3, 21: 2 / 3}.get(rest, rest / 32)
    return -ev if value < 0 else ev


def _canon_iso(shot: dict[int, int]) -> float | None:
    """AutoISO times BaseISO, both in thirty-seconds of a stop, for cameras that leave the Exif tag out."""
    auto, base = shot.get(1), shot.get(2)
    if auto is None or base is None or not 0 < base < 1000 or abs(auto) > 1000:
        return None
    return float(round(100.0 / 32 * 2.0 ** ((auto + base) / 32)))


def _nikon(note: Tags) -> Marks:
    """0x0089: bit 0 continuous, 3 self-timer, 4 exposure bracket, 5 automatic ISO, 6 white balance bracket."""
    bits = whole(note.get(0x0089))
    bracket = None if bits is None else bool(bits & 16)
    applied = number(note.get(0x0019))
    lens = numbers(note.get(0x0084))
    return Marks(
        bracket=bracket,
        value_ev=applied if bracket and applied is not None and abs(applied) <= 16 else None,
        drive=None if bits is None else "continuous" if bits & 1 else "self-timer" if bits & 8 else "single",
        serial=text(note.get(0x001D)) or _all_digits(text(note.get(0x00A0))),
        lens=describe_lens(*lens) if len(lens) == 4 and lens[0] > 0 else None,
    )


def _all_digits(serial: str | None) -> str | None:
    """Older bodies keep the serial number where newer ones keep a word."""
    return serial if serial and serial.isdigit() else None


def _sony(note: Tags) -> Marks:
    """0xB049: 5 exposure bracket; 0xB04A the number in the burst or bracket."""
    mode, order = whole(note.get(0xB049)), whole(note.get(0xB04A))
    if mode is None or mode == 0xFFFF:
        return Marks()
    order = order if order and order < 0xFFFF else None
    return Marks(
        bracket=mode == 5, shot=order if mode == 5 else None, number=order,
        drive={0: "single", 2: "continuous", 5: "bracket"}.get(mode),
    )


def _fujifilm(note: Tags) -> Marks:
    """0x1100: 1 exposure bracket; 0x1101 the number in it."""
    mode, order = whole(note.get(0x1100)), whole(note.get(0x1101))
    if mode is None:
        return Marks()
    return Marks(bracket=mode == 1, shot=order or None if mode == 1 else None, number=order or None)


def _olympus(note: Tags) -> Marks:
    """DriveMode of CameraSettings: mode, shot, and bits 0 exposure, 1 white balance, 6 focus bracketing."""
    drive = [int(n) for n in numbers(note.get((0x2020 << 16) + 0x0600))]
    if not drive:
        return Marks()
    mode, shot, bits = (*drive, 0, 0)[:3]
    exposure = mode in (2, 4) or (mode == 5 and bool(bits & 1))
    focus = mode == 5 and bool(bits & 64)
    return Marks(
        bracket=exposure, shot=shot or None if exposure else None, number=shot or None,
        focus_shot=shot or None if focus else None,
        drive={0: "single", 1: "continuous"}.get(mode, "bracket"),
    )


def _panasonic(note: Tags) -> Marks:
    """0x002A: 1 and 4 continuous, 2 exposure bracket, 3 focus bracket; 0x002B the number in it."""
    mode, order = whole(note.get(0x002A)), whole(note.get(0x002B))
    if mode is None:
        return Marks()
    return Marks(
        bracket=mode == 2, shot=order or None if mode == 2 else None, number=order or None,
        focus_shot=order or None if mode == 3 else None,
        drive={0: "single", 1: "continuous", 4: "continuous"}.get(mode, "bracket"),
    )


_READERS = {
    "canon": _canon, "nikon": _nikon, "sony": _sony, "fujifilm": _fujifilm, "olympus": _olympus, "om digital": _olympus,
    "panasonic": _panasonic,
}
