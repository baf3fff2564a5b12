"""Processor time and memory of this process."""

from __future__ import annotations

import os
import resource
import sys


class Clock:
    """Processor seconds of this process, and of decoders it started, by stage."""

    def __init__(self) -> None:
        self.spent: dict[str, float] = {}
        self._last = cpu_s()

    def lap(self, name: str) -> None:
        """Book what was spent since the last lap under `name`."""
        now = cpu_s()
        self.spent[name] = self.spent.get(name, 0.0) + now - self._last
        self._last = now


def cpu_s() -> float:
    """Processor seconds of this process and of its children that have ended."""
    spent = os.times()
    return spent.user + spent.system + spent.children_user + spent.children_system


def peak_mb(own_only: bool = False) -> float:
    """Largest resident memory this process has had; and the largest a decoder started by it had."""
    unit = 1e6 if sys.platform == "darwin" else 1e3
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    if not own_only:
        peak += resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss
    return peak / unit
