"""Tables, the report page and the sway maps of a finished review."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from windstill.report.write import write_report, write_tables

__all__ = ["write_report", "write_tables"]


def __getattr__(name: str) -> Any:
    # On first use: a rerun that changes nothing writes run.json only and need not load the plotting library.
    if name in __all__:
        from windstill.report import write

        return getattr(write, name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
