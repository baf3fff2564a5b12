"""The pictures of the page: sizes chosen so that the whole stays small, embedded or in a folder beside it."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

import cv2
import numpy as np
import simplejpeg

from windstill.records import FrameScore
from windstill.report.aside import written_aside

FOLDER = "report-pictures"


@dataclass(frozen=True, slots=True)
class PicturePlan:
    """How large the pictures of one report are; plans get smaller as shoots get longer.

    `crops` and `maps` say for which sets: all, those above tolerance or not clean, or only hard and lost ones.
    `crops` goes for the graphs as well. `every_pair` embeds the sway map of every pair instead of the worst one's;
    `quiet` also embeds smear and coverage maps on which there is nothing to see.
    """

    strip_px: int
    strip_quality: int
    plate_px: int
    plate_quality: int
    crops: Literal["all", "troubled", "bad"]
    maps: Literal["all", "troubled", "bad"]
    every_pair: bool
    quiet: bool


PLANS = (
    PicturePlan(480, 85, 480, 85, "all", "all", True, True),
    PicturePlan(320, 80, 480, 80, "all", "all", True, True),
    PicturePlan(320, 74, 400, 74, "all", "all", False, True),
    PicturePlan(240, 72, 360, 72, "troubled", "all", False, False),
    PicturePlan(200, 66, 300, 66, "troubled", "troubled", False, False),
    PicturePlan(160, 62, 280, 62, "bad", "troubled", False, False),
    PicturePlan(120, 58, 240, 58, "bad", "bad", False, False),
)


@dataclass(frozen=True, slots=True)
class Picture:
    """One picture as the page refers to it."""

    src: str
    width: int
    height: int


@dataclass(slots=True)
class Album:
    """Turns pictures into sources for ``img`` elements after one plan, each made once.

    `sways` keeps the maps of pairs, by set, frames and tolerance: that of the worst pair is shown twice.
    """

    scores: Mapping[str, FrameScore]
    plan: PicturePlan
    folder: Path | None = None
    sways: dict[tuple[str, str, str, float], Picture] = field(default_factory=dict)
    _made: dict[tuple[str, int], Picture | None] = field(default_factory=dict)

    def strip(self, frame: str) -> Picture | None:
        """The small picture of a frame, ``None`` where there is none to show."""
        return self._thumbnail(frame, self.plan.strip_px, self.plan.strip_quality)

    def plate(self, frame: str) -> Picture | None:
        """The picture of a frame that maps are laid over."""
        return self._thumbnail(frame, self.plan.plate_px, self.plan.plate_quality)

    def jpeg(self, data: bytes) -> Picture | None:
        """A picture at its own size; camera data in it is dropped."""
        return self._place(*resized(data, None, 90))

    def png(self, data: bytes, width: int, height: int) -> Picture:
        """A map."""
        return Picture(self._source(data, "image/png", "png"), width, height)

    def svg(self, text: str, width: int, height: int) -> Picture:
        """A graph."""
        return Picture(self._source(text.encode("utf-8"), "image/svg+xml", "svg"), width, height)

    def _thumbnail(self, frame: str, long_px: int, quality: int) -> Picture | None:
        if (frame, long_px) not in self._made:
            score = self.scores.get(frame)
            made = self._place(*resized(score.thumbnail_jpeg, long_px, quality)) if score else None
            self._made[frame, long_px] = made
        return self._made[frame, long_px]

    def _place(self, data: bytes, width: int, height: int) -> Picture | None:
        return Picture(self._source(data, "image/jpeg", "jpg"), width, height) if data else None

    def _source(self, data: bytes, media_type: str, extension: str) -> str:
        if self.folder is None:
            return f"data:{media_type};base64,{base64.b64encode(data).decode('ascii')}"
        name = f"{hashlib.blake2b(data, digest_size=12).hexdigest()}.{extension}"
        target = self.folder / name
        if not target.exists():
            self.folder.mkdir(parents=True, exist_ok=True)
            with written_aside(target) as aside:
                aside.write_bytes(data)
        return f"{FOLDER}/{name}"


def wanted(level: Literal["all", "troubled", "bad"], outlook: str) -> bool:
    """Whether a plan shows evidence for a set of this outlook."""
    return level == "all" or outlook in ("hard", "lost") or (level == "troubled" and outlook != "clean")


def resized(data: bytes, long_px: int | None, quality: int) -> tuple[bytes, int, int]:
    """A JPEG with at most `long_px` on its long side and nothing in it but the picture; (bytes, width, height).

    Already small and plain ones are given back as they are; what is no picture gives no bytes.
    """
    try:
        height, width, *_ = simplejpeg.decode_jpeg_header(data)
        small = long_px is None or max(width, height) <= long_px
        if small and _holds_only_the_picture(data):
            return data, width, height
        pixels = simplejpeg.decode_jpeg(data, colorspace="RGB", fastdct=True)
    except ValueError:
        return b"", 0, 0
    if not small and long_px is not None:
        scale = long_px / max(width, height)
        size = (max(1, round(width * scale)), max(1, round(height * scale)))
        pixels = cv2.resize(pixels, size, interpolation=cv2.INTER_AREA)
    out = simplejpeg.encode_jpeg(np.ascontiguousarray(pixels), quality, colorspace="RGB", colorsubsampling="420")
    return bytes(out), pixels.shape[1], pixels.shape[0]


def _holds_only_the_picture(data: bytes) -> bool:
    """Whether a JPEG has no camera data, profile or comment: no marker APP1 to APP15 or COM before its pixels.

    Marker layout: ITU-T T.81, annex B.
    """
    at = 2
    while at + 4 <= len(data) and data[at] == 0xFF:
        marker, length = data[at + 1], int.from_bytes(data[at + 2 : at + 4], "big")
        if marker == 0xDA:
            return True
        if 0xE1 <= marker <= 0xEF or marker == 0xFE:
            return False
        at += 2 + length
    return False
