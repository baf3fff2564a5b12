"""Where a run is: a bar on a terminal, plain lines in a pipe. Both on the error stream: results go to the other."""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Protocol

from windstill.cli.guard import printable

if TYPE_CHECKING:
    from rich.progress import TaskID

_LABELS = {
    "scan": "finding the photographs",
    "score": "reading and measuring frames",
    "group": "finding what belongs together",
    "assess": "measuring motion",
    "advise": "weighing it up",
    "report": "writing the report",
}
_LINE_EVERY_S = 10.0
_DRAW_EVERY_S = 0.1


class Shown(Protocol):
    """A `windstill.run.Progress` that can be taken off the screen."""

    def stage(self, name: str, total: int) -> None:
        """A stage begins."""

    def step(self, count: int = 1) -> None:
        """Items are done."""

    def note(self, line: str) -> None:
        """One line for the user."""

    def finish(self) -> None:
        """Clear the display; results follow."""


@contextmanager
def shown_progress() -> Iterator[Shown]:
    """A bar where someone watches, lines elsewhere."""
    shown: Shown = _Bar() if sys.stderr.isatty() else _Lines()
    try:
        yield shown
    finally:
        shown.finish()


class _Lines:
    def __init__(self) -> None:
        self._name = ""
        self._total = 0
        self._done = 0
        self._said = 0.0

    def stage(self, name: str, total: int) -> None:
        self._name, self._total, self._done, self._said = _LABELS.get(name, name), total, 0, time.monotonic()
        self._print(f"{self._name}: {total}" if total else self._name)

    def step(self, count: int = 1) -> None:
        self._done += count
        if self._done < self._total and time.monotonic() - self._said > _LINE_EVERY_S:
            self._said = time.monotonic()
            self._print(f"{self._name}: {self._done} of {self._total}")

    def note(self, line: str) -> None:
        self._print(f"note: {line}")

    def finish(self) -> None:
        sys.stderr.flush()

    def _print(self, line: str) -> None:
        print(printable(line), file=sys.stderr, flush=True)


class _Bar:
    def __init__(self) -> None:
        from rich.console import Console
        from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn

        console = Console(stderr=True)
        # Drawn from here and not from a thread: workers are forked from this process.
        self._progress = Progress(
            TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeElapsedColumn(),
            console=console, transient=True, auto_refresh=False,
        )  # fmt: skip
        self._progress.start()
        self._task: TaskID | None = None
        self._drawn = 0.0

    def stage(self, name: str, total: int) -> None:
        if self._task is not None:
            self._progress.remove_task(self._task)
        self._task = self._progress.add_task(_LABELS.get(name, name), total=total or None)
        self._draw(at_once=True)

    def step(self, count: int = 1) -> None:
        if self._task is None:
            return
        self._progress.advance(self._task, count)
        # A stage's end is always drawn: a bar taken away at "6 of 7" looks like a frame left out.
        self._draw(at_once=self._progress.finished)

    def note(self, line: str) -> None:
        self._progress.console.print(printable(line), markup=False, highlight=False, soft_wrap=True)

    def finish(self) -> None:
        self._progress.stop()

    def _draw(self, at_once: bool = False) -> None:
        now = time.monotonic()
        if at_once or now - self._drawn > _DRAW_EVERY_S:
            self._drawn = now
            self._progress.refresh()
