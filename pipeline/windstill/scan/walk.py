"""Walking a shoot folder: what is there, without opening any file."""

from __future__ import annotations

import os
import stat
from dataclasses import dataclass, field

from windstill.records import Problem, ShootFile
from windstill.scan.kinds import COMPANIONS, RAWS, UNREAD, extension, is_hidden, is_photograph, natural_key

STAGE = "scan"
LEFT_OUT = "left out of the review"
# A finished review's own output, should someone have moved it into the shoot.
_OUTPUT = frozenset({"frames.csv", "sets.csv", "run.json"})


@dataclass(slots=True)
class Found:
    """What a walk found: photographs and companions in natural path order, other files only counted."""

    photographs: list[ShootFile] = field(default_factory=list)
    companions: list[ShootFile] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)
    files_seen: int = 0


def walk(root: str, *, follow_links: bool) -> Found:
    """List a shoot folder.

    Parameters
    ----------
    root : str
        The folder, with links resolved.
    follow_links : bool
        Enter links to folders inside the shoot. Each folder is entered once, so circles end.

    Returns
    -------
    Found
        Pipes, sockets and devices are never opened; links out of the shoot are not followed; both are problems
        only where their name promises a photograph, or the link leads to a folder.
    """
    found = Found()
    entered: set[tuple[int, int]] = set()
    waiting = [""]
    linked: list[str] = []
    while waiting or linked:
        # Links come last: a folder in the shoot is then known by its own path.
        folder = waiting.pop() if waiting else linked.pop()
        try:
            status = os.stat(os.path.join(root, folder))  # noqa: PTH116, PTH118
            if (status.st_dev, status.st_ino) in entered:
                continue
            entered.add((status.st_dev, status.st_ino))
            with os.scandir(os.path.join(root, folder)) as entries:  # noqa: PTH118
                listed = sorted(entries, key=lambda entry: natural_key(entry.name))
        except OSError as err:
            found.problems.append(
                Problem(folder or ".", STAGE, f"the folder cannot be opened ({err.strerror})", LEFT_OUT)
            )
            continue
        if len(_OUTPUT.intersection(entry.name for entry in listed)) == len(_OUTPUT):
            continue
        inner: list[str] = []
        for entry in listed:
            _take(entry, f"{folder}/{entry.name}" if folder else entry.name, root, found, inner, linked, follow_links)
        waiting.extend(reversed(inner))
    for files in (found.photographs, found.companions):
        files.sort(key=lambda file: natural_key(file.path))
    return found


def _take(
    entry: os.DirEntry[str], path: str, root: str, found: Found,
    folders: list[str], linked: list[str], follow_links: bool,
) -> None:
    try:
        if entry.is_symlink():
            _take_link(entry, path, root, found, linked, follow_links)
            return
        status = entry.stat(follow_symlinks=False)
    except OSError as err:
        if entry.is_dir(follow_symlinks=False):
            problem = f"the folder cannot be opened ({err.strerror})"
            found.problems.append(Problem(path, STAGE, problem, LEFT_OUT))
        else:
            _if_photograph(entry.name, path, f"it cannot be opened ({err.strerror})", found)
        return
    if stat.S_ISDIR(status.st_mode):
        if not is_hidden(entry.name, folder=True):
            folders.append(path)
    elif is_hidden(entry.name, folder=False):
        return
    elif stat.S_ISREG(status.st_mode):
        _take_file(entry.name, path, status, found)
    else:
        _if_photograph(entry.name, path, "it is a pipe, socket or device, not a file", found)


def _take_link(
    entry: os.DirEntry[str], path: str, root: str, found: Found, linked: list[str], follow_links: bool
) -> None:
    if is_hidden(entry.name, folder=False) or is_hidden(entry.name, folder=True):
        return
    target = os.path.realpath(entry.path)
    try:
        status = os.stat(target)  # noqa: PTH116
    except OSError:
        _if_photograph(entry.name, path, "the link leads nowhere", found)
        return
    inside = target == root or target.startswith(root.rstrip(os.sep) + os.sep)
    if stat.S_ISDIR(status.st_mode):
        if not inside:
            found.problems.append(Problem(path, STAGE, "the link leads out of the shoot", "not followed"))
        elif follow_links:
            linked.append(path)
    elif not inside:
        _if_photograph(entry.name, path, "the link leads out of the shoot", found)
    # A link to a file in the shoot says nothing new: the file itself is found under its own name.


def _take_file(name: str, path: str, status: os.stat_result, found: Found) -> None:
    found.files_seen += 1
    kind = extension(name)
    if is_photograph(name):
        role = "raw" if kind in RAWS else "image"
        found.photographs.append(ShootFile(path, role, status.st_size, status.st_mtime_ns))  # type: ignore[arg-type]
    elif kind in COMPANIONS:
        role = "sidecar" if kind == "xmp" else "other"
        found.companions.append(ShootFile(path, role, status.st_size, status.st_mtime_ns))  # type: ignore[arg-type]
    elif kind in UNREAD:
        problem = f"pictures of the kind .{kind} cannot be read; export it as JPEG or TIFF"
        found.problems.append(Problem(path, STAGE, problem, LEFT_OUT))


def _if_photograph(name: str, path: str, problem: str, found: Found) -> None:
    if is_photograph(name):
        found.problems.append(Problem(path, STAGE, problem, LEFT_OUT))
