'''What the photographer knows better: the file `sets.toml` beside the tables.

Frames are named as in frames.csv (percent-encoded where that is). Every entry is optional::

    gap_s = 45                       # a pause that ends a set, for this shoot

    [[pin]]                          # exactly these frames are one set, whatever was found
    frames = ["101CLIFF/THRF0007", "101CLIFF/THRF0008"]
    kind = "stack"                   # optional: bracket, stack, panorama, burst; one frame alone is a single

    [[split]]                        # no set reaches across: a new one begins with this frame
    before = "101CLIFF/THRF0013"

    [[join]]                         # the sets these frames are in, and all between, are one
    frames = ["101CLIFF/THRF0020", "101CLIFF/THRF0031"]
    kind = "panorama"                # optional: what the sets are to each other

A pin or a join may give `first` and `last` instead of `frames`, for all frames from one to the other.
'''

from __future__ import annotations

import tomllib
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from windstill.records import KINDS, Frame, Kind, decode_name, encode_name
from windstill.settings.toml import read_toml

_TOP = {"gap_s", "pin", "split", "join"}
_GROUP = {"frames", "first", "last", "kind"}


class OverridesError(ValueError):
    """A `sets.toml` that cannot be obeyed; one line that names the file, the entry and what to do."""


@dataclass(frozen=True, slots=True)
class Named:
    """Some frames, by name (`frames`) or as a range of capture order (`first` to `last`), and a kind."""

    frames: tuple[str, ...] = ()
    first: str | None = None
    last: str | None = None
    kind: Kind | None = None

    def names(self) -> tuple[str, ...]:
        """Every frame name mentioned."""
        return (*self.frames, *(n for n in (self.first, self.last) if n is not None))


@dataclass(frozen=True, slots=True)
class Overrides:
    """Everything in one `sets.toml`. Names are real names, not percent-encoded."""

    pins: tuple[Named, ...] = ()
    splits: tuple[str, ...] = ()
    joins: tuple[Named, ...] = ()
    gap_s: float | None = None

    def unknown(self, frames: Iterable[Frame]) -> tuple[str, ...]:
        """Names mentioned that no frame of the shoot has; such entries are passed over."""
        known = {f.name for f in frames if not f.derived}
        said = [n for group in (*self.pins, *self.joins) for n in group.names()]
        return tuple(dict.fromkeys(n for n in (*said, *self.splits) if n not in known))


def load_overrides(path: Path) -> Overrides:
    """Read `sets.toml`.

    Returns
    -------
    Overrides
        Empty where the file does not exist.

    Raises
    ------
    OverridesError
        The file cannot be read, is not TOML, holds an unknown entry, a wrong type, a name that leads out of the
        shoot folder, or one frame in two pins.
    """
    try:
        values = read_toml(path.read_text("utf-8"))
    except FileNotFoundError:
        return Overrides()
    except (OSError, UnicodeDecodeError) as err:
        raise OverridesError(f"{path}: cannot be read ({err}); put it right or remove it") from err
    except tomllib.TOMLDecodeError as err:
        raise OverridesError(f"{path}: not valid TOML ({err}); put it right or remove it") from err
    return _Reader(path).read(values)


@dataclass(frozen=True, slots=True)
class _Reader:
    """Checks each entry and says where it stands when it is wrong."""

    path: Path

    def fail(self, where: str, what: str) -> OverridesError:
        return OverridesError(f"{self.path}: {where}: {what}")

    def read(self, values: dict[str, Any]) -> Overrides:
        for key in values:
            if key not in _TOP:
                raise self.fail(repr(key), f"unknown entry; known are {', '.join(sorted(_TOP))}")
        pins = tuple(self.group(entry, f"pin {n}") for n, entry in self.tables(values, "pin"))
        joins = tuple(self.group(entry, f"join {n}") for n, entry in self.tables(values, "join"))
        splits = tuple(self.split(entry, f"split {n}") for n, entry in self.tables(values, "split"))
        gap = values.get("gap_s")
        if gap is not None and (isinstance(gap, bool) or not isinstance(gap, int | float) or not 0 < gap < 1e7):
            raise self.fail("gap_s", "must be a number of seconds above 0")
        for n, join in enumerate(joins, start=1):
            if join.kind == "single":
                raise self.fail(f"join {n}", "sets joined are no single; name another kind or none")
        seen: dict[str, int] = {}
        for n, pin in enumerate(pins, start=1):
            if pin.kind == "single" and len(set(pin.names())) > 1:
                raise self.fail(f"pin {n}", "several frames are no single; name another kind or none")
            for name in pin.frames:
                if seen.setdefault(name, n) != n:
                    raise self.fail(f"pin {n}", f"{encode_name(name)} is in pin {seen[name]} already; keep one")
        return Overrides(pins, splits, joins, None if gap is None else float(gap))

    def tables(self, values: dict[str, Any], key: str) -> list[tuple[int, dict[str, Any]]]:
        entries = values.get(key, [])
        if not isinstance(entries, list) or not all(isinstance(e, dict) for e in entries):
            raise self.fail(key, f"must be written as [[{key}]]")
        return list(enumerate(entries, start=1))

    def group(self, entry: dict[str, Any], where: str) -> Named:
        for key in entry:
            if key not in _GROUP:
                raise self.fail(where, f"unknown entry {key!r}; known are {', '.join(sorted(_GROUP))}")
        kind = entry.get("kind")
        if kind is not None and kind not in KINDS:
            raise self.fail(where, f"kind {kind!r} is none of {', '.join(KINDS)}")
        if "frames" in entry:
            if "first" in entry or "last" in entry:
                raise self.fail(where, "give either frames, or first and last")
            names = entry["frames"]
            if not isinstance(names, list) or not names:
                raise self.fail(where, "frames must be a list of frame names")
            return Named(tuple(dict.fromkeys(self.name(n, where) for n in names)), kind=kind)
        if "first" not in entry or "last" not in entry:
            raise self.fail(where, "needs frames, or first and last")
        return Named(first=self.name(entry["first"], where), last=self.name(entry["last"], where), kind=kind)

    def split(self, entry: dict[str, Any], where: str) -> str:
        if set(entry) != {"before"}:
            raise self.fail(where, "needs the one entry before = \"FRAME\"")
        return self.name(entry["before"], where)

    def name(self, value: object, where: str) -> str:
        if not isinstance(value, str) or not value:
            raise self.fail(where, f"{value!r} is no frame name")
        name = decode_name(value)
        if name.startswith("/") or ".." in name.split("/") or "\0" in name:
            raise self.fail(where, f"{value!r} leads out of the shoot folder; use the name as in frames.csv")
        return name
