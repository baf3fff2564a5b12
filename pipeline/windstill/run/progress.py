"""How a run tells where it is; the command line shows it, a script need not."""

from __future__ import annotations

from typing import Protocol


class Progress(Protocol):
    """Told of every stage, every step of it, and of things the user should know at once."""

    def stage(self, name: str, total: int) -> None:
        """A stage begins; `total` items, 0 where the number is unknown."""

    def step(self, count: int = 1) -> None:
        """Items of the stage are done."""

    def note(self, line: str) -> None:
        """One line for the user."""


class Silent:
    """Says nothing."""

    def stage(self, name: str, total: int) -> None:
        """Nothing."""

    def step(self, count: int = 1) -> None:
        """Nothing."""

    def note(self, line: str) -> None:
        """Nothing."""
