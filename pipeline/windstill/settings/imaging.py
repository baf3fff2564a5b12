"""Settings of the room `imaging`."""

from __future__ import annotations

from pydantic import Field

from windstill.settings.base import Section


class ImagingSettings(Section):
    """Limits of decoding, and which embedded previews are used."""

    max_megapixels: float = Field(
        400.0, gt=0, description="Megapixels. Larger pictures are refused: no camera makes them, bombs do."
    )
    max_file_mb: float = Field(
        1500.0, gt=0, description="Megabytes. Larger files are refused; uncompressed 16-bit scans of 200 MP fit."
    )
    max_memory_mb: float = Field(
        1800.0, ge=64,
        description="Megabytes a decoder may take beyond what it needs to start; raw of 150 MP at full size fits.",
    )  # fmt: skip
    file_timeout_s: float = Field(
        20.0, gt=0, description="Seconds. A decoder that takes longer on one file is stopped."
    )
    start_timeout_s: float = Field(
        60.0, gt=0, description="Seconds the separate decoding process may take to start; slow cards, busy machines."
    )
    stray_bytes: int = Field(
        16, ge=0,
        description="Bytes. Up to so many left over before a JPEG's end marker are padding; more mean damaged data.",
    )  # fmt: skip
    raw_preview_share: float = Field(
        0.9, gt=0, le=1,
        description="Long side of a raw file's embedded JPEG over that of the raw: from here on it serves instead of "
        "the raw, because camera makers crop a few percent off but scale well below this.",
    )  # fmt: skip
    raw_least_bits: float = Field(
        0.1, ge=0,
        description="Bits of file per pixel of the raw. Less is an emptied file: even lossy raw compression keeps "
        "a bit or so of the noise, and the raw decoder fills what is missing with whatever was in memory.",
    )  # fmt: skip
    preview_min_px: int = Field(
        1000, ge=64, description="Pixels, long side. Smaller embedded previews show too little for the quick check."
    )
    preview_enough_px: int = Field(
        1100, ge=64,
        description="Pixels, long side. Previews are decoded at 1/2, 1/4 or 1/8 as long as this remains: "
        "a quarter of a 16 megapixel or larger picture, which is what the quick check can afford.",
    )  # fmt: skip
    preview_aspect_tolerance: float = Field(
        0.02, gt=0,
        description="Relative. A preview whose sides stand in another proportion is letterboxed or of another picture.",
    )  # fmt: skip
    kept_buffer_megapixels: float = Field(
        64.0, ge=0,
        description="Megapixels. The buffer JPEGs are decoded into is kept up to this size (3 bytes per pixel), "
        "which saves the cost of fresh memory for every frame.",
    )  # fmt: skip

    @property
    def max_file_bytes(self) -> float:
        """`max_file_mb` in bytes."""
        return self.max_file_mb * 1e6
