"""Paths read from a table or a manifest: relative ones that stay where they belong, or none at all."""

from __future__ import annotations

import os
import stat
from pathlib import Path

from windstill.records import decode_name, encode_name


class UnsafePath(ValueError):
    """A path that would lead out of its folder; the message says why, in a few words."""


def inner_path(cell: str) -> str:
    """The relative path a table cell stands for.

    Parameters
    ----------
    cell : str
        As `encode_name` writes it.

    Returns
    -------
    str
        With ``/`` between its parts, none of them empty, ``.`` or ``..``.

    Raises
    ------
    UnsafePath
        It is absolute, climbs out, or is no path.
    """
    try:
        path = decode_name(cell)
    except UnicodeError as err:
        raise UnsafePath("not a path") from err
    if not path or "\0" in path:
        raise UnsafePath("not a path")
    if path.startswith("/") or (os.name == "nt" and (":" in path or "\\" in path)):
        raise UnsafePath("an absolute path")
    if any(part in ("", ".", "..") for part in path.split("/")):
        raise UnsafePath("a path that leads out of its folder")
    return path


def below(folder: Path, path: str) -> Path:
    """The place of a relative path in a folder, none of its parents below the folder being a link.

    Raises
    ------
    UnsafePath
        A parent is a link, or not a folder.
    """
    place = folder
    *parents, name = path.split("/")
    for parent in parents:
        place = place / parent
        try:
            mode = place.lstat().st_mode
        except FileNotFoundError:
            continue
        if not stat.S_ISDIR(mode):
            raise UnsafePath(f"{shown(place)} is {'a link' if stat.S_ISLNK(mode) else 'not a folder'}")
    return place / name


def original_at(shoot: Path, path: str) -> Path:
    """Where a file of the shoot lies.

    Parameters
    ----------
    shoot : Path
        The shoot folder, with links resolved.

    Raises
    ------
    UnsafePath
        It leads out of the shoot by a link.
    """
    place = shoot / path
    if not Path(os.path.realpath(place)).is_relative_to(shoot):
        raise UnsafePath("it leads out of the shoot")
    return place


def shown(path: Path | str) -> str:
    """A path as it is printed and written: on one line, whatever its bytes."""
    return encode_name(str(path)) if not str(path).isprintable() else str(path)


def same_place(one: Path, other: Path) -> bool:
    """The same folder under whatever name."""
    if one == other:
        return True
    try:
        return one.samefile(other)
    except OSError:
        return False


def lies_in(folder: Path, other: Path) -> bool:
    """Whether a folder, which need not exist yet, is another or lies in it, under whatever name."""
    return any(same_place(place, other) for place in (folder, *folder.parents))
