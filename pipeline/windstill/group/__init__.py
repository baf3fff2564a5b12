"""Which frames belong together: sets at every level, scenes, takes, and the reasons."""

from __future__ import annotations

from typing import TYPE_CHECKING

from windstill.lazily import loaded_on_use

if TYPE_CHECKING:
    from windstill.group.grouping import group_frames
    from windstill.group.overrides import Overrides, OverridesError, load_overrides

__all__ = ["Overrides", "OverridesError", "group_frames", "load_overrides"]

__getattr__ = loaded_on_use(__name__, {
    "group_frames": "grouping", "Overrides": "overrides", "OverridesError": "overrides", "load_overrides": "overrides",
})
