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
    rating: dict[str, float] = Field(
        default_factory=dict,
        description="xmp:Rating by outlook (clean = 4) or by keep (\"keep:no\" = -1), -1 for rejected, 0 to 5. Empty: "
        "none is written, since what a number means is the photographer's own custom.",
    )
    sidecar_mb: int = Field(
        16,
        ge=1,
        description="Megabytes. A sidecar larger than this is left alone: real ones hold some kilobytes, long edit "
        "histories a few megabytes.",
    )
    mask_feather_tiles: float = Field(
        1.0,
        ge=0,
        le=8,
        description="Tiles (1/80 of the long side each). Width over which a mask's edge fades: where motion ends is "
        "known to a tile, and an edge as wide hides the seam of a correction. What was measured stays fully marked.",
    )
    mask_least_tiles: int = Field(
        2,
        ge=1,
        description="Tiles that hang together, edge to edge, from which motion is marked: one alone is noise about as "
        "often as motion.",
    )
    mask_plane_px: int = Field(
        2048,
        ge=256,
        description="Pixels. Masks of larger pictures are drawn with this long side and enlarged: twenty times finer "
        "than the tiles they show, and memory stays flat.",
    )
