"""Profiles that come with the program, and settings given on the command line."""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

from windstill.settings.toml import read_toml

_PACKAGE = Path(__file__).resolve().parent.parent
# Inside the package when installed; at the top of the source tree when run from there.
_FOLDERS = (_PACKAGE / "configs", _PACKAGE.parent.parent / "configs")


def profile_names() -> list[str]:
    """Names of the profiles that come with the program."""
    return sorted({path.stem for path in _shipped()})


def find_profile(given: str) -> Path:
    """The file of a profile: a path, or the name of one that comes with the program.

    Raises
    ------
    ValueError
        Neither; the message is one line.
    """
    path = Path(given)
    if path.is_file():
        return path
    for shipped in _shipped():
        if shipped.stem == given:
            return shipped
    known = ", ".join(profile_names())
    raise ValueError(f"{given}: no such settings file, and no profile of that name (there are: {known})")


def assignments(given: Iterable[str]) -> dict[str, dict[str, Any]]:
    """Read ``section.name=value`` (value as in TOML) into section -> name -> value.

    Raises
    ------
    ValueError
        Not of that form; the message is one line.
    """
    found: dict[str, dict[str, Any]] = {}
    for text in given:
        place, equals, value = text.partition("=")
        section, dot, name = place.strip().partition(".")
        if not (equals and dot and section and name):
            raise ValueError(f"{text}: give a setting as section.name=value, such as assess.tolerance_px=3")
        try:
            read: Any = read_toml(f"value = {value.strip()}")["value"]
        except tomllib.TOMLDecodeError:
            read = value.strip()
        found.setdefault(section, {})[name] = read
    return found


def _shipped() -> Iterator[Path]:
    for folder in _FOLDERS:
        if folder.is_dir():
            yield from sorted(folder.glob("*.toml"))
