"""The pictures of the page: sizes chosen so that the whole stays small, embedded or in a folder beside it."""

from __future__ import annotations

import base64
import hashlib
import io
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

from PIL import Image, UnidentifiedImageError

from windstill.records import FrameScore
from windstill.report.aside import written_aside

FOLDER = "report-pictures"


@dataclass(frozen=True, slots=True)
class PicturePlan:
    """How large the pictures of one report are; plans get smaller as shoots get longer.

    `crops` and `maps` say for which sets: all, those above tolerance or not clean, or only hard and lost ones.
    `every_pair` embeds the sway map of every pair instead of the worst one's.
    """

    strip_px: int
    strip_quality: int
    plate_px: int
    plate_quality: int
    crops: Literal["all", "troubled", "bad"]
    maps: Literal["all", "troubled", "bad"]
    every_pair: bool


# Sizes are what fits at 20, 100, 500, 2,000 and 4,000 frames; the plan is chosen by trying, not by these counts.
PLANS = (
    PicturePlan(480, 85, 480, 85, "all", "all", True),
    PicturePlan(320, 78, 480, 78, "all", "all", True),
    PicturePlan(240, 72, 400, 72, "all", "all", False),
    PicturePlan(220, 68, 320, 68, "troubled", "all", False),
    PicturePlan(160, 62, 280, 62, "troubled", "troubled", False),
    PicturePlan(120, 58, 240, 58, "bad", "bad", False),
)


@dataclass(frozen=True, slots=True)
class Picture:
    """One picture as the page refers to it."""

    src: str
    width: int
    height: int


@dataclass(slots=True)
class Album:
    """Turns pictures into sources for ``img`` elements after one plan, each made once."""

    scores: Mapping[str, FrameScore]
    plan: PicturePlan
    folder: Path | None = None
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
        with Image.open(io.BytesIO(data)) as image:
            plain = image.format == "JPEG" and not {"exif", "xmp", "comment", "photoshop", "mp"} & set(image.info)
            if plain and (long_px is None or max(image.size) <= long_px):
                return data, *image.size
            if long_px is not None:
                image.draft("RGB", (long_px, long_px))
            picture = image.convert("RGB")
    except (UnidentifiedImageError, OSError, Image.DecompressionBombError):
        return b"", 0, 0
    if long_px is not None and max(picture.size) > long_px:
        picture.thumbnail((long_px, long_px), Image.Resampling.BOX if long_px < 200 else Image.Resampling.HAMMING)
    out = io.BytesIO()
    picture.save(out, "JPEG", quality=quality, optimize=True)
    return out.getvalue(), *picture.size
