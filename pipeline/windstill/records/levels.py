"""Where a picture tells nothing: what is lost in the dark or clipped."""

from __future__ import annotations

BLACK, WHITE = 4, 251
"""8-bit steps: what is darker or brighter may be anything there, after rounding and compression."""
