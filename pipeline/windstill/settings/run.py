"""Settings of the room `run`."""

from __future__ import annotations

from pydantic import Field

from windstill.settings.base import Section


class RunSettings(Section):
    """How the work is spread and remembered."""

    workers: int = Field(0, ge=0, description="Processes; 0 = one per core.")
