"""What a run did and cost, for run.json."""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any

from windstill.run.meter import peak_mb
from windstill.run.tasks import Done


@dataclass(slots=True)
class Ledger:
    """Filled while a run goes on.

    Attributes
    ----------
    seconds, cpu_s : dict
        Elapsed and processor seconds by stage; processor seconds include all workers.
    decodes : Counter
        Decodes by frame name, in this run.
    reused : Counter
        Results taken from the cache by kind.
    details : list of str
        Tracebacks of what was not foreseen.
    """

    seconds: dict[str, float] = field(default_factory=dict)
    cpu_s: dict[str, float] = field(default_factory=dict)
    decodes: Counter[str] = field(default_factory=Counter)
    reused: Counter[str] = field(default_factory=Counter)
    measured: Counter[str] = field(default_factory=Counter)
    workers: dict[str, float] = field(default_factory=dict)
    details: list[str] = field(default_factory=list)
    started: float = field(default_factory=time.monotonic)

    @contextmanager
    def stage(self, name: str) -> Iterator[None]:
        """Time a stage in this process."""
        wall, cpu = time.monotonic(), time.process_time()
        try:
            yield
        finally:
            self.seconds[name] = self.seconds.get(name, 0.0) + time.monotonic() - wall
            self.cpu_s["main"] = self.cpu_s.get("main", 0.0) + time.process_time() - cpu

    def note(self, done: Done) -> None:
        """Add what a task says about itself."""
        self.decodes.update(done.decodes)
        for name, spent in done.cpu_s.items():
            self.cpu_s[name] = self.cpu_s.get(name, 0.0) + spent
        if done.worker:
            self.workers[done.worker] = max(self.workers.get(done.worker, 0.0), done.peak_mb)
        if done.detail:
            self.details.append(done.detail)

    def record(self, frames: int) -> dict[str, Any]:
        """The part of run.json that says what the run cost."""
        decodes = sum(self.decodes.values())
        return {
            "seconds": {name: round(spent, 3) for name, spent in self.seconds.items()},
            "seconds_total": round(time.monotonic() - self.started, 3),
            "cpu_seconds": {name: round(spent, 3) for name, spent in self.cpu_s.items()},
            "decodes": decodes,
            "decodes_per_frame": round(decodes / frames, 4) if frames else 0.0,
            "decodes_by_frame": dict(sorted(self.decodes.items())),
            "second_decodes": sum(count - 1 for count in self.decodes.values() if count > 1),
            "reused": {name: count for name, count in self.reused.items() if count},
            "measured": dict(self.measured),
            "peak_memory_mb": round(self.peak_memory_mb(), 1),
            "processes": 1 + len(self.workers),
            **({"details": self.details} if self.details else {}),
        }

    def peak_memory_mb(self) -> float:
        """Sum of the largest resident memory of each process: an upper bound of what was held at any moment."""
        return peak_mb(own_only=True) + sum(self.workers.values())
