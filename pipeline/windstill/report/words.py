"""Plain words for names, times, numbers and places, as the page shows them."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from datetime import datetime
from urllib.parse import quote

from windstill.assess.places import third_at
from windstill.records import CameraData, Kind, Outlook, PairMeasure

OUTLOOK_MEANS: dict[Outlook, str] = {
    "clean": "merges as it is",
    "touch-up": "small retouching",
    "hard": "hours of retouching",
    "lost": "reshoot, or use one frame",
    "unknown": "cannot tell",
}
OUTLOOK_SAYS: dict[Outlook, str] = {
    "clean": "Nothing moved enough to show. Merge it.",
    "touch-up": "A small place moved. The merge needs a little work by hand.",
    "hard": "Much moved, or moved far. Hours by hand; shooting again is quicker while you are there.",
    "lost": "The merge will not hold. Shoot it again, or use one frame alone.",
    "unknown": "Too little could be measured to say. It may be good or bad: look at it.",
}
# From easiest to worst; what cannot be told stands last.
OUTLOOK_RANK: dict[str, int] = {name: i for i, name in enumerate(("clean", "touch-up", "hard", "lost", "unknown"))}
STEP_WORD: dict[Kind, str] = {"stack": "focus", "bracket": "exposure", "panorama": "view", "burst": "frame"}
_UNSHOWABLE = re.compile(r"[\x00-\x1f\x7f-\x9f\u061c\u200e\u200f\u2028\u2029\u202a-\u202e\u2066-\u2069\ud800-\udfff]")
MINUS = "\N{MINUS SIGN}"


def shown(name: str) -> str:
    """A name as a person reads it: only what cannot be shown or would turn the line around is percent-encoded."""
    return _UNSHOWABLE.sub(lambda m: quote(m.group().encode("utf-8", "surrogateescape")), name)


def short_name(frame: str) -> str:
    """A frame's name without its folders."""
    return shown(frame.rsplit("/", 1)[-1])


def span_of(frames: Sequence[str]) -> str:
    """First and last frame of a set, the common beginning said once: ``THRF0001-0006``."""
    first, last = short_name(frames[0]), short_name(frames[-1])
    if first == last:
        return first
    stem = re.match(r"^(.*?)(\d+)$", first)
    if stem and last.startswith(stem[1]) and last[len(stem[1]) :].isdigit():
        return f"{first}\N{EN DASH}{last[len(stem[1]) :]}"
    return f"{first} \N{EN DASH} {last}"


def counted(number: int, word: str, plural: str | None = None) -> str:
    """``1 frame``, ``2 frames``, ``1,200 frames``."""
    return f"{number:,} {word if number == 1 else plural or word + 's'}"


def px(value: float | None) -> str:
    """Pixels: one decimal below ten, whole above; ``unknown`` where it is."""
    if value is None or math.isnan(value):
        return "unknown"
    return f"{value:.1f} px" if abs(value) < 9.95 else f"{value:.0f} px"


def percent(value: float | None) -> str:
    """Percent, never rounding a little to nothing or almost all to all."""
    if value is None or math.isnan(value):
        return "unknown"
    if 0 < value < 0.05:
        return "under 0.1 %"
    if 99.95 <= value < 100:
        return "99.9 %"
    return f"{value:.0f} %" if value in (0, 100) or value >= 99.95 else f"{value:.1f} %"


def exposure_time(camera: CameraData) -> str:
    """The shutter time as the camera shows it."""
    time_s = camera.exposure_written_s or camera.exposure_s
    if not time_s:
        return ""
    if time_s >= 0.29:
        return f"{time_s:.3g} s"
    return f"1/{1 / time_s:.0f} s"


def signed_ev(value: float) -> str:
    """An exposure step with its sign: ``+2 EV``, ``0 EV``."""
    rounded = round(value * 3) / 3
    if abs(rounded) < 0.01:
        return "0 EV"
    number = f"{abs(rounded):.1f}".removesuffix(".0")
    return f"{'+' if rounded > 0 else MINUS}{number} EV"


def level_ev(camera: CameraData) -> float | None:
    """Recorded level of a frame, log2(S t / (100 N^2)); ``None`` without all three."""
    if not (camera.exposure_s and camera.f_number and camera.iso):
        return None
    return math.log2(camera.iso * camera.exposure_s / (100 * camera.f_number**2))


def focus_distance(camera: CameraData) -> str:
    """The written focus distance."""
    if camera.focus_m is None:
        return ""
    return "infinity" if math.isinf(camera.focus_m) else f"{camera.focus_m:.3g} m"


def clock(when: datetime | None) -> str:
    """Time of day."""
    return when.strftime("%H:%M:%S") if when else ""


def day(when: datetime | None) -> str:
    """A date in words."""
    return f"{when.day} {when.strftime('%B %Y')}" if when else ""


def lasted(seconds: float | None) -> str:
    """A duration in words."""
    if seconds is None:
        return ""
    if seconds < 90:
        return f"{seconds:.1f} s" if seconds < 10 else f"{seconds:.0f} s"
    return f"{seconds / 60:.0f} min"


def place(x: float, y: float, width: int, height: int) -> str:
    """Where in the picture, by thirds, in the words of the reasons."""
    return third_at(x / max(width, 1), y / max(height, 1))


def direction(x: float, y: float) -> str:
    """Which way something went, y down: one of eight directions."""
    names = ("right", "up and right", "up", "up and left", "left", "down and left", "down", "down and right")
    return names[round(math.atan2(-y, x) / (math.pi / 4)) % 8]


def worst_place(pair: PairMeasure, width: int, height: int) -> str:
    """Where a pair moved most and which way, from its field; empty when unknown."""
    if pair.worst_x_px is None or pair.worst_y_px is None:
        return ""
    where = place(pair.worst_x_px, pair.worst_y_px, width, height)
    field = pair.field
    if field is None:
        return where
    row = min(field.grid.rows - 1, max(0, int(pair.worst_y_px // field.grid.tile_px)))
    col = min(field.grid.cols - 1, max(0, int(pair.worst_x_px // field.grid.tile_px)))
    x, y = float(field.sway_x_px[row, col]), float(field.sway_y_px[row, col])
    if not (math.isfinite(x) and math.isfinite(y)) or math.hypot(x, y) < 1:
        return where
    return f"{where}, moved {direction(x, y)}"


def numbered(kind: Kind, count: int, inside: Kind | None = None) -> str:
    """A set in words: ``stack of 6``; of sets of a kind inside it ``stack of 4 brackets``."""
    if kind == "single":
        return "single frame"
    inner = {"panorama": "views", "burst": "frames"}.get(kind) or (f"{inside}s" if inside else "")
    return f"{kind} of {count} {inner}".rstrip()
