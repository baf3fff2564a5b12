"""The quick check on location, from embedded previews: the same rooms, cheaper; and watching a folder that grows."""

from __future__ import annotations

from typing import TYPE_CHECKING

from windstill.lazily import loaded_on_use

if TYPE_CHECKING:
    from windstill.field.check import Check, FieldDesk, quick_check
    from windstill.field.latest import Latest
    from windstill.field.lines import SetLine, set_lines
    from windstill.field.watch import Watcher, watch_folder

__all__ = ["Check", "FieldDesk", "Latest", "SetLine", "Watcher", "quick_check", "set_lines", "watch_folder"]

__getattr__ = loaded_on_use(__name__, {
    "Check": "check", "FieldDesk": "check", "quick_check": "check", "Latest": "latest", "SetLine": "lines",
    "set_lines": "lines", "Watcher": "watch", "watch_folder": "watch",
})
