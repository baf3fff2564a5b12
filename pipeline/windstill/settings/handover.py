"""Settings of the room `handover`."""

from __future__ import annotations

from pydantic import Field

from windstill.settings.base import Section


class HandoverSettings(Section):
    """How a finished review is handed on. None of these changes a number in the tables."""

    spare_mb: int = Field(
        200,
        ge=0,
        description="Megabytes left free on the disk gathered to, beyond the files themselves: a file system filled to "
        "the brim fails at its next write.",
    )
