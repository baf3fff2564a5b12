"""The cautions every piece of field advice carries."""

from __future__ import annotations

CAUTIONS: tuple[str, ...] = (
    "Never look at the sun through a camera's optics without a proper filter. Neutral-density filters are not safe "
    "for looking through: they injure eyes.",
    "Sea and cliffs: read the tide table, keep back from edges and from the foot of cliffs, never turn your back on "
    "the sea.",
    "Lightning: go in, and wait 30 minutes after the last thunder.",
    "Keep off the plants and follow local access rules.",
    "Local rules and licensed guidance take precedence over anything printed here.",
)
"""Usual cautions; the 30 minutes are the advice of the US National Weather Service."""
