"""The tables of past reviews, read as the contract writes them."""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from windstill.handover.runfolder import run_record
from windstill.records import decode_name
from windstill.run.places import out_name

_NEEDED = {
    "frames.csv": ("frame", "captured_at", "exposure_s", "f_number", "iso", "focal_mm", "set_id", "smear_px"),
    "sets.csv": ("set_id", "parent_set", "kind", "sway_max_px", "tolerance_px", "smear_px", "outlook", "started_at"),
    "pairs.csv": ("set_id", "frame_a", "frame_b", "sway_p50_px"),
}
# Read where they are there; the rest of each table is left unread.
_WELCOME = {
    "frames.csv": ("camera", "focus_m", "shake_px", "width_px", "height_px"),
    "sets.csv": ("picture_area_pct", "coverage_pct"),
    "pairs.csv": (),
}
_TEXT = {
    "frame", "captured_at", "camera", "set_id", "kind", "parent_set", "started_at", "outlook", "frame_a", "frame_b",
}  # fmt: skip


class SeasonError(ValueError):
    """Past reviews that cannot be learned from; one line that names the folder and says what to do."""


class NotThereError(SeasonError):
    """Nothing of what was named on the command line is there: wrong usage, not a review gone wrong."""


@dataclass(frozen=True, slots=True, eq=False)
class PastReview:
    """One review folder: its tables, the name it goes by, and where its sway maps are as numbers (or ``None``)."""

    name: str
    folder: Path
    frames: pd.DataFrame
    sets: pd.DataFrame
    pairs: pd.DataFrame
    tiles: Path | None


def find_review(past: Path, here: Path) -> Path:
    """The review folder meant: the folder itself, or the review of the shoot folder named, where it is by default.

    Raises
    ------
    SeasonError
        There is no review.
    """
    beside = Path(os.path.abspath(past)).parent  # noqa: PTH100
    for folder in (past, here / out_name(past), beside / out_name(past)):
        if (folder / "sets.csv").is_file():
            return folder
    if not past.exists():
        raise SeasonError(f"{past}: no such folder; give the folder your reviews are in")
    raise SeasonError(f"{past}: no review in it; run windstill review {past} first, or name the review's folder")


def shoots_of(past: Sequence[Path], here: Path) -> Iterator[Path]:
    """Where the photographs of past reviews are, as far as that is known: nothing is to be written there."""
    for given in past:
        with suppress(SeasonError):
            folder = find_review(given, here)
            if folder != given:
                yield given.resolve()
            if isinstance(shoot := run_record(folder).get("shoot"), str):
                yield Path(decode_name(shoot))


def read_reviews(past: Sequence[Path], here: Path) -> tuple[list[PastReview], list[str]]:
    """Read every review that can be read, and say in one line each what could not.

    Parameters
    ----------
    past : sequence of Path
        Review folders, or shoot folders whose review lies in its default place.
    here : Path
        Current folder.

    Returns
    -------
    reviews : list of PastReview
    problems : list of str
    """
    reviews: list[PastReview] = []
    problems: list[str] = []
    seen: set[Path] = set()
    for given in past:
        try:
            folder = find_review(given, here)
            if folder.resolve() in seen:
                continue
            seen.add(folder.resolve())
            reviews.append(_read(folder, {r.name for r in reviews}))
        except SeasonError as err:
            problems.append(str(err))
    return reviews, problems


def _read(folder: Path, taken: set[str]) -> PastReview:
    tables = {name: _table(folder / name, columns) for name, columns in _NEEDED.items()}
    name = unique = folder.resolve().name.removesuffix("-windstill") or "review"
    number = 2
    while unique in taken:
        unique = f"{name} ({number})"
        number += 1
    tiles = folder / "tiles.parquet"
    frames, sets, pairs = (tables[table] for table in ("frames.csv", "sets.csv", "pairs.csv"))
    return PastReview(unique, folder, frames, sets, pairs, tiles if tiles.is_file() else None)


def _table(path: Path, needed: Sequence[str]) -> pd.DataFrame:
    wanted = {*needed, *_WELCOME[path.name]}
    try:
        table = pd.read_csv(
            path, dtype=str, keep_default_na=False, encoding="utf-8", usecols=lambda name: name in wanted
        )
    except (OSError, UnicodeDecodeError, pd.errors.ParserError, pd.errors.EmptyDataError) as err:
        reason = err.strerror if isinstance(err, OSError) and err.strerror else "not a table of a review"
        raise SeasonError(f"{path}: cannot be read ({reason}); review the shoot again") from err
    missing = [column for column in needed if column not in table.columns]
    if missing:
        raise SeasonError(f"{path}: column {missing[0]} is missing; review the shoot again")
    for column in table.columns.difference(list(_TEXT)):
        table[column] = pd.to_numeric(table[column], errors="coerce")
    return table
