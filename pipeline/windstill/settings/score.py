"""Settings of the room `score`."""

from __future__ import annotations

from pydantic import Field

from windstill.settings.base import Section


class ScoreSettings(Section):
    """How one frame is measured."""

    working_long_px: int = Field(
        4500, ge=256, description="Pixels. The working plane is the picture halved until its long side fits."
    )
    tiles_along_long_side: int = Field(
        80, ge=80, description="Tiles along the long side; the contract asks for at least 80."
    )
