"""Tables, the report page and the sway maps of a finished review."""

from __future__ import annotations

from windstill.report.write import write_report, write_tables

__all__ = ["write_report", "write_tables"]
