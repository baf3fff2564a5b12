"""Settings of the room `scan`."""

from __future__ import annotations

from pydantic import Field

from windstill.settings.base import Section


class ScanSettings(Section):
    """What counts as a photograph of the shoot."""

    follow_links: bool = Field(
        True, description="Follow symbolic links to folders inside the shoot; links out of it are skipped."
    )
    full_size_share: float = Field(
        0.9, gt=0, le=1,
        description="Share of the raw's long side. A JPEG or HEIC beside a raw at least this large stands for it: "
        "cameras trim a few percent, reduced JPEGs are at most three quarters.",
    )
    same_moment_s: float = Field(
        0.011, ge=0, lt=1,
        description="Seconds. Times of one exposure's files agree within this (or within the second, where one of "
        "them has no fraction): some cameras write hundredths in one file and thousandths in the other.",
    )
    compare_mb: float = Field(
        1500.0, ge=0,
        description="Megabytes. Larger files are not searched for copies: they are no photographs, and a sparse file "
        "may claim any size.",
    )
    header_timeout_s: float = Field(
        20.0, gt=0, description="Seconds. A raw, HEIC or WebP library that takes longer over one header is stopped."
    )
    header_reads: int = Field(
        50_000, ge=1_000,
        description="Read calls one file's camera data may cost; real ones need some hundreds, a circular or absurd "
        "directory any number. The rest of such data is left unread.",
    )
    header_bytes: int = Field(
        64_000_000, ge=1_000_000,
        description="Bytes one file's camera data may cost, for the same reason (embedded previews are skipped).",
    )
