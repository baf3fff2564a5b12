"""A finished review read back from its folder: the frames, the sets, and where the originals are."""

from __future__ import annotations

import csv
import os
import shlex
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

from windstill.handover.files import read_json
from windstill.handover.paths import UnsafePath, inner_path, shown
from windstill.records import KINDS, CameraMapping, decode_name
from windstill.run.errors import ReviewError
from windstill.run.places import out_name

USAGE = 2
_FRAMES = ("frame", "files", "set_id", "keep")
_PAIRS = ("set_id", "frame_a", "frame_b", "shift_x_px", "shift_y_px", "scale", "rotation_deg", "homography")
_SETS = ("set_id", "parent_set", "scene", "take", "kind", "members", "outlook", "base_frame", "keep_frames")
# A set's members stand in one cell: more than the 128 kB the csv module takes by itself.
_CELL_CHARACTERS = 64_000_000
Row = TypeVar("Row")


@dataclass(frozen=True, slots=True)
class FrameRow:
    """One exposure as frames.csv tells it; names are the real ones. The size is upright, 0 where unknown."""

    name: str
    files: tuple[str, ...]
    set_id: str
    keep: str
    width_px: int = 0
    height_px: int = 0


@dataclass(frozen=True, slots=True)
class SetRow:
    """One set as sets.csv tells it; names are the real ones."""

    set_id: str
    parent_set: str
    scene: int
    take: int
    kind: str
    members: tuple[str, ...]
    outlook: str
    base_frame: str
    keep_frames: tuple[str, ...]
    tolerance_px: float | None


@dataclass(frozen=True, slots=True)
class PairRow:
    """One judged pair as pairs.csv tells it; `mapping` is None where the camera could not be lined up."""

    set_id: str
    frame_a: str
    frame_b: str
    mapping: CameraMapping | None


@dataclass(frozen=True, slots=True)
class FinishedReview:
    """A run folder read back.

    Attributes
    ----------
    out : Path
        The run folder, absolute.
    frames, sets : tuple
        In the order of the tables.
    run : dict
        What run.json holds; empty where it is missing.
    """

    out: Path
    frames: tuple[FrameRow, ...]
    sets: tuple[SetRow, ...]
    run: Mapping[str, Any]

    def by_frame(self) -> dict[str, FrameRow]:
        """Frames by name."""
        return {frame.name: frame for frame in self.frames}

    def by_set(self) -> dict[str, SetRow]:
        """Sets by id."""
        return {row.set_id: row for row in self.sets}


def read_review(out: Path) -> FinishedReview:
    """Read a run folder.

    Raises
    ------
    ReviewError
        It is missing, holds no finished review, or its tables cannot be used; the message is one line.
    """
    if not out.is_dir():
        raise ReviewError(f"{shown(out)}: no such folder; give the folder windstill review wrote to", USAGE)
    if not (out / "sets.csv").is_file() or not (out / "frames.csv").is_file():
        beside = Path(os.path.abspath(out)).parent / out_name(out)  # noqa: PTH100
        meant = f"; did you mean {shown(beside)}?" if (beside / "sets.csv").is_file() else ""
        raise ReviewError(
            f"{shown(out)}: no finished review in it{meant or '; run windstill review first and give its --out'}", USAGE
        )
    frames = tuple(_rows(out / "frames.csv", _FRAMES, _frame))
    sets = tuple(_rows(out / "sets.csv", _SETS, _set))
    return FinishedReview(out.resolve(), frames, sets, run_record(out))


def read_pairs(review: FinishedReview) -> tuple[PairRow, ...]:
    """The judged pairs with their camera mappings.

    Raises
    ------
    ReviewError
        As `read_review`.
    """
    return tuple(_rows(review.out / "pairs.csv", _PAIRS, _pair))


def find_shoot(review: FinishedReview, given: Path | None, here: Path, also: Sequence[Path] = ()) -> Path:
    """The shoot folder a review is of, with links resolved.

    Parameters
    ----------
    review : FinishedReview
    given : Path or None
        What the user said; then nothing else is looked at.
    here : Path
        Current folder: the review was perhaps started from it.
    also : sequence of Path
        Further places to look at.

    Raises
    ------
    ReviewError
        None of its photographs is found.
    """
    candidates = [given] if given is not None else [*_candidates(review, here), *also]
    best, most = None, 0
    for folder in dict.fromkeys(Path(os.path.realpath(candidate)) for candidate in candidates):
        found = sum((folder / path).exists() for frame in review.frames for path in frame.files)
        if found > most:
            best, most = folder, found
    if best is not None:
        return best
    if given is not None:
        raise ReviewError(f"{shown(given)}: holds none of the photographs of {shown(review.out)}", USAGE)
    raise ReviewError(
        f"{shown(review.out)}: its photographs are not where they were; connect the card or disk, or say where they "
        "are with --shoot FOLDER"
    )


def _candidates(review: FinishedReview, here: Path) -> Iterator[Path]:
    recorded = review.run.get("shoot")
    if isinstance(recorded, str):
        yield Path(decode_name(recorded))
    try:
        words = shlex.split(str(review.run.get("command", "")))
    except ValueError:
        words = []
    for word in words[2:]:
        if not word.startswith("-") and word != str(review.out):
            yield from (here / word, review.out.parent / word)
    if review.out.name.endswith("-windstill"):
        name = review.out.name.removesuffix("-windstill")
        yield from (review.out.parent / name, here / name)


def _rows(path: Path, needed: Sequence[str], read: Callable[[dict[str, str]], Row]) -> Iterator[Row]:
    csv.field_size_limit(_CELL_CHARACTERS)
    number = 1
    try:
        with path.open(encoding="utf-8", newline="") as file:
            reader = csv.DictReader(file, restval="")
            missing = [name for name in needed if name not in (reader.fieldnames or ())]
            if missing:
                raise ReviewError(f"{shown(path)}: column {missing[0]} is missing; review the shoot again")
            for row in reader:
                number += 1
                yield read(row)
    except UnsafePath as err:
        raise ReviewError(f"{shown(path)}: row {number} names {err}; review the shoot again") from err
    except (csv.Error, ValueError, UnicodeDecodeError) as err:
        raise ReviewError(f"{shown(path)}: row {number} cannot be read; review the shoot again") from err
    except OSError as err:
        raise ReviewError(f"{shown(path)}: cannot be read ({err.strerror})") from err


def _frame(row: dict[str, str]) -> FrameRow:
    return FrameRow(
        inner_path(row["frame"]), _paths(row["files"]), decode_name(row["set_id"]), row["keep"],
        int(row.get("width_px") or 0), int(row.get("height_px") or 0),
    )  # fmt: skip


def _set(row: dict[str, str]) -> SetRow:
    if row["kind"] not in KINDS:
        raise ValueError(row["kind"])
    return SetRow(
        set_id=decode_name(row["set_id"]),
        parent_set=decode_name(row["parent_set"]),
        scene=int(row["scene"] or 0),
        take=int(row["take"] or 0),
        kind=row["kind"],
        members=_paths(row["members"]),
        outlook=row["outlook"],
        base_frame=decode_name(row["base_frame"]),
        keep_frames=_paths(row["keep_frames"]),
        tolerance_px=float(row["tolerance_px"]) if row.get("tolerance_px") else None,
    )


def _pair(row: dict[str, str]) -> PairRow:
    mapping = None
    if row["scale"]:
        homography = tuple(float(value) for value in row["homography"].split(";")) if row["homography"] else None
        if homography is not None and len(homography) != 9:
            raise ValueError(row["homography"])
        x, y, scale, rotation = (float(row[n]) for n in ("shift_x_px", "shift_y_px", "scale", "rotation_deg"))
        mapping = CameraMapping(x, y, scale, rotation, homography)
    return PairRow(decode_name(row["set_id"]), decode_name(row["frame_a"]), decode_name(row["frame_b"]), mapping)


def _paths(cell: str) -> tuple[str, ...]:
    return tuple(inner_path(name) for name in cell.split(";")) if cell else ()


def run_record(out: Path) -> Mapping[str, Any]:
    """What run.json in a run folder holds; empty where it is missing or cannot be read."""
    try:
        record = read_json((out / "run.json").read_text("utf-8"))
    except (OSError, ValueError):
        return {}
    return record if isinstance(record, dict) else {}
