"""Settings of the room `scan`."""

from __future__ import annotations

from pydantic import Field

from windstill.settings.base import Section


class ScanSettings(Section):
    """What counts as a photograph of the shoot."""

    follow_links: bool = Field(
        True, description="Follow symbolic links to folders inside the shoot; links out of it are skipped."
    )
