"""Settings of the room `run`."""

from __future__ import annotations

from pydantic import Field

from windstill.settings.base import Section


class RunSettings(Section):
    """How the work is spread and remembered. None of these changes a number in the tables."""

    workers: int = Field(0, ge=0, le=512, description="Processes; 0 = one per core.")
    memory_mb: int = Field(
        0,
        ge=0,
        description="Megabytes for all processes together; fewer run at once when frames are large. "
        "0 = half of the machine's memory, so that an open editor keeps its half.",
    )
    cache_mb: int = Field(
        4096,
        ge=0,
        description="Megabytes. Measures kept between runs, about 0.5 MB per frame; the oldest go first. "
        "The default holds the last evenings of a busy season.",
    )
    scratch_mb: int = Field(
        16384,
        ge=0,
        description="Megabytes of disk for working planes while a shoot is under way (about 6 MB per frame of 24 "
        "megapixels); frames beyond it are decoded a second time.",
    )
    item_timeout_s: float = Field(
        300.0,
        gt=0,
        description="Seconds without any frame or set finishing before a worker counts as hung (a card or network "
        "folder that stalls): its frame is given up, the run goes on.",
    )
