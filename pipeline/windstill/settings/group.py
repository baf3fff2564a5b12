"""Settings of the room `group`."""

from __future__ import annotations

from pydantic import Field

from windstill.settings.base import Section


class GroupSettings(Section):
    """How frames are found to belong together."""

    gap_s: float = Field(
        30.0, gt=0, description="Seconds. A pause longer than this, after exposure and write time, ends a set."
    )
