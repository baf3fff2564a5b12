"""Settings of the room `score`."""

from __future__ import annotations

from pydantic import Field

from windstill.settings.base import Section
from windstill.settings.smear import BlindSmearSettings


class ScoreSettings(Section):
    """How one frame is measured."""

    working_long_px: int = Field(
        4500,
        ge=256,
        description="Pixels. The working plane is the picture halved until its long side fits: fine enough for a "
        "twentieth of a full pixel by matching, small enough to keep one per frame.",
    )
    tiles_along_long_side: int = Field(
        80, ge=80, description="Tiles along the long side; the contract asks for at least 80."
    )
    texture_over_noise: float = Field(
        3.0,
        gt=1,
        description="Ratio. A tile is textured when its gradient energy exceeds this many times that of noise alone.",
    )
    texture_floor_steps: float = Field(
        0.7,
        ge=0,
        description="8-bit steps per pixel. Gradients below this are banding and compression, not texture.",
    )
    sharp_blur_px: float = Field(
        1.5,
        gt=0,
        description="Working-plane pixels, Gaussian sigma. A textured tile blurred by no more than this counts as "
        "sharp: a disc of about four pixels, which does not show in a picture seen as a whole.",
    )
    thumbnail_long_px: int = Field(480, ge=64, le=1024, description="Pixels. Long side of the report's thumbnails.")
    small_long_px: int = Field(512, ge=128, le=512, description="Pixels. Long side of the luma kept for grouping.")
    coarse_from_half: bool = Field(
        False,
        description="Blur is told from low contrast, and the luma for grouping drawn, on the working plane halved: the "
        "same to two percent of a tile's gradients, at a third of the time.",
    )
    smear: BlindSmearSettings = Field(default_factory=BlindSmearSettings)
