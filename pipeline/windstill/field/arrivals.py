"""Which files of a growing folder are complete."""

from __future__ import annotations

import os
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from windstill.scan.walk import walk
from windstill.settings import ScanSettings

Stat = tuple[int, int]  # size in bytes, time in nanoseconds


@dataclass(slots=True)
class Arrivals:
    """Follows the files of a folder by their size and time.

    Parameters
    ----------
    settle_s : float
        Seconds a file must stand still.
    """

    settle_s: float
    _known: dict[str, tuple[Stat, float]] = field(default_factory=dict)

    def look(self, found: Mapping[str, Stat], now_s: float, *, settled: bool = False) -> None:
        """Take note of what lies in the folder.

        Parameters
        ----------
        found : mapping
            Size and time by path relative to the folder, with ``/``.
        now_s : float
            A clock that never goes back.
        settled : bool
            Take all of it as standing still already (what was there before).
        """
        since = now_s - self.settle_s if settled else now_s
        known = {}
        for path, stat in found.items():
            before = self._known.get(path)
            known[path] = before if before is not None and before[0] == stat else (stat, since)
        self._known = known

    def still(self, path: str, now_s: float) -> bool:
        """Whether a file is there and has stood still long enough."""
        known = self._known.get(path)
        return known is not None and now_s - known[1] >= self.settle_s

    def all_still(self, now_s: float) -> frozenset[tuple[str, Stat]]:
        """Path, size and time of every file that stands still."""
        return frozenset((p, stat) for p, (stat, since) in self._known.items() if now_s - since >= self.settle_s)

    def latest(self, paths: Collection[str]) -> frozenset[str]:
        """Those of some files that changed last."""
        since = {path: self._known[path][1] for path in paths if path in self._known}
        last = max(since.values(), default=0.0)
        return frozenset(path for path, at in since.items() if at == last)

    def quiet_s(self, now_s: float) -> float:
        """Seconds since anything changed."""
        return min((now_s - since for _, since in self._known.values()), default=0.0)


def listing(root: Path, settings: ScanSettings) -> dict[str, Stat]:
    """Size and time of every photograph below a folder, by relative path.

    Raises
    ------
    FileNotFoundError
        The folder is gone: the card was taken out.
    """
    found = walk(os.path.realpath(root), follow_links=settings.follow_links)
    if not found.photographs and not root.is_dir():
        raise FileNotFoundError(f"{root}: gone")
    return {file.path: (file.size_bytes, file.mtime_ns) for file in found.photographs}
