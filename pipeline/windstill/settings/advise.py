"""Settings of the room `advise`."""

from __future__ import annotations

from pydantic import Field

from windstill.settings.base import Section


class AdviseSettings(Section):
    """What is kept and recommended."""

    drop_below_gain_pct: float = Field(
        0.5, ge=0, description="Percent of the picture. A frame that adds less than this to the set is a spare."
    )
