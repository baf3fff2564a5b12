"""Settings of the room `assess`."""

from __future__ import annotations

from pydantic import Field

from windstill.settings.base import Section


class AssessSettings(Section):
    """How motion is measured and judged. Definitions: the outlook of CONTRACT."""

    tolerance_px: float = Field(
        2.0, gt=0, description="Full-resolution pixels. Sway up to this does not show at full size."
    )
