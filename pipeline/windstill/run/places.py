"""Where a review reads and writes."""

from __future__ import annotations

import os
from pathlib import Path

from windstill.run.cache import default_cache_folder
from windstill.run.errors import ReviewError

USAGE = 2


def shoot_folder(path: Path) -> Path:
    """The shoot folder, absolute.

    Raises
    ------
    ReviewError
        It is missing or no folder.
    """
    try:
        if path.is_dir():
            return path.resolve()
        missing = not path.exists()
    except OSError as err:
        raise ReviewError(f"{path}: cannot be opened ({err.strerror})", USAGE) from err
    if missing:
        raise ReviewError(f"{path}: no such folder; give the folder the photographs are in", USAGE)
    raise ReviewError(f"{path}: a file, not a folder; give the folder the photographs are in", USAGE)


def default_out(shoot: Path, here: Path) -> Path:
    """``<shoot folder's name>-windstill`` in `here`, or beside the shoot when `here` lies inside it."""
    folder = shoot.parent if here.resolve().is_relative_to(shoot) else here
    return folder / out_name(shoot)


def out_name(shoot: Path) -> str:
    """Name of the folder a review of a shoot is written to unless another is given."""
    named = os.path.abspath(shoot)  # "." has no name  # noqa: PTH100
    return f"{Path(named).name or 'shoot'}-windstill"


def check_out(out: Path, shoot: Path) -> Path:
    """The output folder, absolute; nothing is created yet.

    Raises
    ------
    ReviewError
        It would lie inside the shoot, swallow it, or is a file.
    """
    try:
        out = out.resolve()
        is_file = out.exists() and not out.is_dir()
    except (OSError, RuntimeError) as err:
        raise ReviewError(f"{out}: cannot be used as the output folder ({err})", USAGE) from err
    if _inside(out, shoot):
        raise ReviewError(
            f"{out}: lies inside the shoot folder, where nothing is ever written; give --out a folder outside", USAGE
        )
    if shoot.is_relative_to(out / "maps"):
        raise ReviewError(f"{out}: its folder maps/ holds the shoot itself; give another --out", USAGE)
    if is_file:
        raise ReviewError(f"{out}: a file, not a folder; give another --out", USAGE)
    return out


def cache_folder(given: Path | None, shoot: Path) -> Path:
    """Where measures are kept between runs: what was given, else the user's cache folder; absolute.

    Raises
    ------
    ReviewError
        It lies inside the shoot.
    """
    wanted = given or default_cache_folder()
    try:
        folder = wanted.resolve()
    except (OSError, RuntimeError) as err:
        raise ReviewError(f"{wanted}: cannot be used as the cache folder ({err})", USAGE) from err
    if _inside(folder, shoot):
        raise ReviewError(
            f"{wanted}: lies inside the shoot folder, where nothing is ever written; give --cache a folder outside",
            USAGE,
        )
    return folder


def make_out(out: Path) -> None:
    """Create the output folder.

    Raises
    ------
    ReviewError
        It cannot be created.
    """
    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as err:
        raise ReviewError(f"{out}: cannot be created ({err.strerror}); give another --out") from err


def _inside(place: Path, shoot: Path) -> bool:
    return any(_same(folder, shoot) for folder in (place, *place.parents))


def _same(folder: Path, other: Path) -> bool:
    """The same folder under whatever name (letter case, mounts)."""
    if folder == other:
        return True
    try:
        return folder.samefile(other)
    except OSError:
        return False
