"""A frame: one exposure, all its files, and what the camera said about it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Literal

FileRole = Literal["image", "raw", "sidecar", "other"]


@dataclass(frozen=True, slots=True)
class ShootFile:
    """One file of the shoot as it was found; `path` is relative to the shoot folder, with ``/``."""

    path: str
    role: FileRole
    size_bytes: int
    mtime_ns: int


@dataclass(frozen=True, slots=True)
class SequenceMark:
    """DNG ImageSequenceInfo (tag 52548) or a maker's equivalent, as written by the camera."""

    sequence_id: str
    sequence_type: str
    index: int | None = None
    count: int | None = None
    final: bool | None = None


ISO_CAP = 65_535
"""The most PhotographicSensitivity holds, a SHORT (Exif 2.32, tag 0x8827): it may stand for any above."""


@dataclass(frozen=True, slots=True)
class CameraData:
    """What the file says about its exposure. ``None`` is unknown, never zero.

    `exposure_s` and `f_number` are snapped to the exact series (see `windstill.optics.exposure`); the
    values as written stay in `exposure_written_s` and `f_number_written`. `focus_m` is the written subject
    distance in metres, ``inf`` at infinity. `captured_at` is aware when the file gives an offset, naive
    otherwise; `time_resolution_s` is 1.0 when no sub-second digits were written.
    """

    maker: str | None = None
    model: str | None = None
    body_serial: str | None = None
    lens: str | None = None
    captured_at: datetime | None = None
    time_resolution_s: float | None = None
    exposure_s: float | None = None
    exposure_written_s: float | None = None
    f_number: float | None = None
    f_number_written: float | None = None
    iso: float | None = None
    focal_mm: float | None = None
    focal_35mm_mm: float | None = None
    focus_m: float | None = None
    bias_ev: float | None = None
    exposure_mode: int | None = None
    orientation: int = 1
    pixel_pitch_um: float | None = None
    bracket_mark: bool | None = None
    bracket_value_ev: float | None = None
    bracket_shot: int | None = None
    drive_mode: str | None = None
    sequence_number: int | None = None
    sequence: SequenceMark | None = None
    composite: int | None = None
    software: str | None = None
    image_unique_id: str | None = None

    @property
    def camera(self) -> str | None:
        """Maker and model in one phrase, the maker not said twice."""
        if self.model is None:
            return self.maker
        if self.maker is None or self.model.lower().startswith(self.maker.split()[0].lower()):
            return self.model
        return f"{self.maker} {self.model}"


@dataclass(frozen=True, slots=True)
class Frame:
    """One exposure.

    Attributes
    ----------
    name : str
        Path of the leading file without extension, relative to the shoot folder, not percent-encoded.
    files : tuple of ShootFile
        All files of the exposure, the leading file first.
    pixels_from : str
        Relative path of the file pixels are read from.
    width_px, height_px : int
        Upright full-resolution size; 0 where only decoding can tell.
    derived : bool
        Made by software from other frames: listed, in no set.
    notes : tuple of str
        Remarks for the `note` column.
    """

    name: str
    files: tuple[ShootFile, ...]
    pixels_from: str
    width_px: int
    height_px: int
    camera: CameraData = field(default_factory=CameraData)
    derived: bool = False
    notes: tuple[str, ...] = ()

    @property
    def pixels_file(self) -> ShootFile:
        """The file pixels are read from."""
        return next(f for f in self.files if f.path == self.pixels_from)


@dataclass(frozen=True, slots=True)
class Problem:
    """One line of problems.csv: what was wrong with which file, and what that means for the review."""

    file: str
    stage: str
    problem: str
    consequence: str


@dataclass(frozen=True, slots=True)
class ScannedShoot:
    """What `scan` gives: frames in capture order (file-name order where times are unknown) and problems."""

    root: str
    frames: tuple[Frame, ...]
    problems: tuple[Problem, ...]
    files_seen: int


def seconds_from_first(times: Sequence[datetime | None]) -> list[float] | None:
    """Seconds from the first of some times; ``None`` where one is missing, or of another clock than the rest."""
    known = [t for t in times if t is not None]
    if len(known) < len(times) or len({t.tzinfo is None for t in known}) != 1:
        return None
    return [(t - known[0]).total_seconds() for t in known]
