"""The common form of a settings section."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict


class Section(BaseModel):
    """Frozen; an unknown name is an error, so that a misspelt threshold does not pass silently."""

    model_config = ConfigDict(frozen=True, extra="forbid")
