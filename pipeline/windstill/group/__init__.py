"""Which frames belong together: sets at every level, scenes, takes, and the reasons."""

from windstill.group.grouping import group_frames
from windstill.group.overrides import Overrides, OverridesError, load_overrides

__all__ = ["Overrides", "OverridesError", "group_frames", "load_overrides"]
