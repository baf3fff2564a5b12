"""What goes where: one folder per set, in it only the frames to keep, each with all its files."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from pathlib import PurePosixPath

from windstill.handover.names import alike, frame_file_names, portable, shortened
from windstill.handover.runfolder import USAGE, FinishedReview, FrameRow, SetRow
from windstill.records import KINDS, OUTLOOKS, encode_name
from windstill.run.errors import ReviewError

SINGLES = "singles"


@dataclass(frozen=True, slots=True)
class Planned:
    """One file: `original` is relative to the shoot, `gathered` to the folder gathered to, both with ``/``."""

    set_id: str
    frame: str
    original: str
    gathered: str


@dataclass(frozen=True, slots=True)
class SetFolder:
    """One set without a parent and everything to be gathered of it."""

    folder: str
    row: SetRow
    frames: int
    files: tuple[Planned, ...]


def choose_sets(review: FinishedReview, only: Sequence[str], best_takes: bool) -> list[SetRow]:
    """The sets without a parent that are wanted.

    Parameters
    ----------
    review : FinishedReview
    only : sequence of str
        Outlooks, kinds or set ids as the tables write them; a set is wanted when one of each sort given fits.
    best_takes : bool
        Leave out the sets of which frames.csv keeps no frame: another take of the scene is better.

    Returns
    -------
    list of SetRow
        Without `spoilt_singles`, unless `only` names an outlook or a set.

    Raises
    ------
    ReviewError
        A word that is none of these.
    """
    ids = {encode_name(row.set_id) for row in review.sets}
    sorts: tuple[Collection[str], ...] = (OUTLOOKS, KINDS, ids)
    for word in only:
        if not any(word in sort for sort in sorts):
            known = ", ".join((*OUTLOOKS, *KINDS))
            raise ReviewError(f"--only {word}: no outlook, kind or set of this review (there are: {known})", USAGE)
    asked = [{word for word in only if word in sort} for sort in sorts]
    kept = {frame.name for frame in review.frames if frame.keep == "yes"}
    spoilt = set() if asked[0] or asked[2] else {row.set_id for row in spoilt_singles(review)}
    return [
        row
        for row in review.sets
        if not row.parent_set
        and all(
            not words or fits in words
            for words, fits in zip(asked, (row.outlook, row.kind, encode_name(row.set_id)), strict=True)
        )
        and (not best_takes or kept.intersection(row.keep_frames))
        and row.set_id not in spoilt
    ]


def spoilt_singles(review: FinishedReview) -> list[SetRow]:
    """Single frames that frames.csv says not to keep."""
    spoilt = {frame.name for frame in review.frames if frame.keep == "no"}
    return [row for row in review.sets if row.kind == "single" and spoilt.intersection(row.members)]


def set_folders(review: FinishedReview, sets: Sequence[SetRow]) -> dict[str, str]:
    """The folder of every set, by id: sets without a parent side by side, their children's below theirs.

    Parameters
    ----------
    review : FinishedReview
    sets : sequence of SetRow
        Sets without a parent, as `choose_sets` gives them.
    """
    rows = review.by_set()
    found: dict[str, str] = {}
    used: set[str] = {alike(SINGLES)}

    def enter(row: SetRow, folder: str) -> None:
        found[row.set_id] = folder
        for number, child in _children(row, rows):
            enter(child, f"{folder}/{number:02d}-{child.kind}-{_first_name(child)}")

    for row in sets:
        enter(row, SINGLES if row.kind == "single" else _unused(_folder_name(row), used))
    return found


def plan_gather(review: FinishedReview, sets: Sequence[SetRow], repeated: Collection[str] = ()) -> list[SetFolder]:
    """Give every file its place; the same review always gives the same places.

    Parameters
    ----------
    review : FinishedReview
    sets : sequence of SetRow
        Sets without a parent, as `choose_sets` gives them.
    repeated : collection of str
        Files that repeat another file of their exposure byte for byte: gathered once.
    """
    frames, rows = review.by_frame(), review.by_set()
    folders = set_folders(review, sets)
    taken: dict[str, set[str]] = {}
    found = []
    for row in sets:
        files: list[Planned] = []
        _place(row, row, folders, rows, frames, repeated, taken, files)
        found.append(SetFolder(folders[row.set_id], row, len({planned.frame for planned in files}), tuple(files)))
    return found


def _place(
    row: SetRow,
    top: SetRow,
    folders: dict[str, str],
    rows: dict[str, SetRow],
    frames: dict[str, FrameRow],
    repeated: Collection[str],
    taken: dict[str, set[str]],
    files: list[Planned],
) -> None:
    """The frames of a set in its folder, its child sets in folders of their own below."""
    wanted, folder = set(top.keep_frames), folders[row.set_id]
    children = {child.set_id: child for _, child in _children(row, rows)}
    for member in row.members:
        if member in children:
            _place(children[member], top, folders, rows, frames, repeated, taken, files)
            continue
        frame = frames.get(member)
        if frame is None or member not in wanted:
            continue
        for original, name in _names(frame, repeated, taken.setdefault(folder, set())):
            files.append(Planned(row.set_id, frame.name, original, f"{folder}/{name}"))


def _children(row: SetRow, rows: dict[str, SetRow]) -> list[tuple[int, SetRow]]:
    """Child sets with their number among the members."""
    numbered = ((number, rows.get(member)) for number, member in enumerate(row.members, 1))
    return [(number, child) for number, child in numbered if child is not None and child.parent_set == row.set_id]


def _names(frame: FrameRow, repeated: Collection[str], taken: set[str]) -> list[tuple[str, str]]:
    """The files of one exposure with their new names; one of several of the same name moves to a stem of its own."""
    stem = PurePosixPath(frame.name).name
    together: dict[str, str] = {}
    apart: list[str] = []
    for path in dict.fromkeys(frame.files):
        if path in repeated:
            continue
        name = path.rpartition("/")[2]
        if alike(portable(name)) in {alike(portable(other)) for other in together}:
            apart.append(path)
        else:
            together[name] = path
    named = list(zip(together.values(), frame_file_names(stem, list(together), taken), strict=True))
    for path in apart:
        named.append((path, frame_file_names(stem, [path.rpartition("/")[2]], taken)[0]))
    return named


def _folder_name(row: SetRow) -> str:
    return f"scene{row.scene:02d}-take{row.take}-{row.kind}-{_first_name(row)}"


def _first_name(row: SetRow) -> str:
    first = PurePosixPath(row.set_id.removesuffix(f"~{row.kind}")).name
    return shortened(portable(first), 80)


def _unused(name: str, folders: set[str]) -> str:
    number, found = 1, name
    while alike(found) in folders:
        number += 1
        found = f"{name}~{number}"
    folders.add(alike(found))
    return found
