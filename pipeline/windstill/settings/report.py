"""Settings of the room `report`."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from windstill.settings.base import Section


class ReportSettings(Section):
    """What the report shows. None of these changes a number in the tables."""

    crop_px: int = Field(320, ge=64, le=1024, description="Pixels. Side of the 100 % crops.")
    assets: Literal["embed", "folder"] = Field(
        "embed",
        description="embed: one file holds everything and can be sent as it is. folder: pictures lie beside it in "
        "report-pictures/, for shoots too large for one file.",
    )
    format: Literal["csv", "parquet"] = Field(
        "csv", description="parquet writes every table as Parquet too, with its types, for notebooks."
    )
    embed_limit_mb: float = Field(
        38.0,
        ge=1,
        description="Megabytes. A report of one file is kept under this by smaller pictures; a browser opens 40 MB "
        "without a wait, and mail still carries it. Where even small pictures exceed it they go into the folder.",
    )
    strip_px: int = Field(
        480, ge=96, le=480, description="Pixels. Long side of the pictures in a set's strip; small shoots get this."
    )
    summary_lines: int = Field(
        8, ge=3, le=50, description="Lines per list on the first screen; more than this would need scrolling."
    )
