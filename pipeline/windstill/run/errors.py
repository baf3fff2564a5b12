"""What can end a review: one line in plain words and an exit status."""

from __future__ import annotations


class ReviewError(Exception):
    """A review that cannot go on.

    Parameters
    ----------
    message : str
        One line that names the file or folder and says what to do.
    status : int
        Exit status: 1 nothing could be reviewed or written, 2 wrong usage.
    """

    def __init__(self, message: str, status: int = 1) -> None:
        super().__init__(message)
        self.status = status


class DamagedMeasuresError(ReviewError):
    """Kept measures cannot be read back; they are forgotten now, so a new try measures them anew."""
