"""The command line."""

from __future__ import annotations

from windstill.cli.guard import main

__all__ = ["main"]
