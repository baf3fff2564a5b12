"""What the commands on a finished review begin with: its tables, and where its photographs are."""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path

from windstill.cli.demo import sample_shoot
from windstill.handover.runfolder import FinishedReview, find_shoot, read_review
from windstill.run.errors import ReviewError


def finished_review(out: Path, shoot: Path | None) -> tuple[FinishedReview, Path]:
    """Read a run folder and find its shoot (`shoot` where the user said it).

    Raises
    ------
    ReviewError
        The folder holds no finished review, or the photographs are not found.
    """
    review = read_review(out)
    also = []
    if shoot is None and str(review.run.get("command", "")).split()[1:2] == ["demo"]:
        with suppress(ReviewError):
            also.append(sample_shoot())
    return review, find_shoot(review, shoot, Path.cwd(), also)
