"""Settings of the room `imaging`."""

from __future__ import annotations

from pydantic import Field

from windstill.settings.base import Section


class ImagingSettings(Section):
    """Limits of decoding."""

    max_megapixels: float = Field(
        400.0, gt=0, description="Megapixels. Larger pictures are refused: no camera makes them, bombs do."
    )
    file_timeout_s: float = Field(
        20.0, gt=0, description="Seconds. A decoder that takes longer on one file is stopped."
    )
