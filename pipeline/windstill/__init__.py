"""windstill: which frames belong together, where the subject moved, which sets will merge."""

from __future__ import annotations

__version__ = "0.1.0"
