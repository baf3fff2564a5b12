"""Settings of the room `report`."""

from __future__ import annotations

from pydantic import Field

from windstill.settings.base import Section


class ReportSettings(Section):
    """What the report shows."""

    crop_px: int = Field(320, ge=64, le=1024, description="Pixels. Side of the 100 % crops.")
