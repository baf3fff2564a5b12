"""The manifest: what was gathered where, with hashes, so that it can be checked and undone.

JSON (default) is one object, CSV (RFC 4180) one row per file and folder with the columns ``gathered, original,
set_id, frame, as, bytes, sha256, shoot``. Paths and names are percent-encoded as in the review's tables; `gathered`
is relative to the manifest's folder, `original` to the shoot. `as` is ``copy``, ``hard link``, ``symbolic link``,
``found`` (an identical file was there before; undo leaves it), ``list`` (nothing was written) or ``folder`` (made by
gather; ``.`` is the manifest's own).
"""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal, get_args

from pydantic import BaseModel, ConfigDict, Field, ValidationError

import windstill
from windstill.handover.files import read_json
from windstill.handover.paths import UnsafePath, inner_path, shown
from windstill.records import decode_name, encode_name
from windstill.report.aside import written_aside
from windstill.run.errors import ReviewError

Form = Literal["json", "csv"]
As = Literal["copy", "hard link", "symbolic link", "found", "list"]
NAMES: dict[Form, str] = {"json": "gathered.json", "csv": "gathered.csv"}
_COLUMNS = ("gathered", "original", "set_id", "frame", "as", "bytes", "sha256", "shoot")
_ABOUT = (
    "What windstill gather put into this folder. To undo: windstill gather --undo FOLDER. "
    "Names are percent-encoded; 'gathered' is relative to this folder, 'original' to the shoot."
)


@dataclass(frozen=True, slots=True)
class Entry:
    """One gathered file; names are the real ones."""

    gathered: str
    original: str
    set_id: str
    frame: str
    how: As
    size_bytes: int
    sha256: str


@dataclass(frozen=True, slots=True)
class Manifest:
    """All of it. `folders` were made by gather, ``.`` being the manifest's own."""

    shoot: str
    entries: tuple[Entry, ...] = ()
    folders: tuple[str, ...] = ()

    def with_entries(self, entries: Iterable[Entry]) -> Manifest:
        """With other entries, in the order of their paths."""
        return replace(self, entries=tuple(sorted(entries, key=lambda entry: entry.gathered)))


class _Row(BaseModel):
    """One file as it is written; anything else in its place is refused."""

    model_config = ConfigDict(extra="ignore", populate_by_name=True)

    gathered: str
    original: str
    set_id: str = ""
    frame: str = ""
    how: As = Field(alias="as")
    size_bytes: int = Field(alias="bytes", ge=0)
    sha256: str = Field(pattern="^([0-9a-f]{64})?$")

    def entry(self) -> Entry:
        return Entry(
            inner_path(self.gathered), inner_path(self.original), decode_name(self.set_id), decode_name(self.frame),
            self.how, self.size_bytes, self.sha256,
        )  # fmt: skip


class _Whole(BaseModel):
    model_config = ConfigDict(extra="ignore")

    shoot: str
    folders: list[str]
    files: list[_Row]


def find_manifest(dest: Path) -> tuple[Path, Form] | None:
    """The manifest in a folder, if there is one."""
    forms: tuple[Form, ...] = get_args(Form)
    return next(((dest / NAMES[form], form) for form in forms if (dest / NAMES[form]).is_file()), None)


def read_manifest(path: Path, form: Form) -> Manifest:
    """Read a manifest, trusting nothing in it.

    Raises
    ------
    ReviewError
        It is no manifest, or names a path outside its folder.
    """
    try:
        text = path.read_text("utf-8")
        whole = _Whole.model_validate(read_json(text)) if form == "json" else _from_csv(text)
        entries = tuple(row.entry() for row in whole.files)
        folders = tuple("." if folder == "." else inner_path(folder) for folder in whole.folders)
        return Manifest(decode_name(whole.shoot), entries, folders)
    except UnsafePath as err:
        raise ReviewError(f"{shown(path)}: holds {err}; nothing was touched") from err
    except OSError as err:
        raise ReviewError(f"{shown(path)}: cannot be read ({err.strerror})") from err
    except (ValidationError, ValueError, KeyError, csv.Error) as err:
        raise ReviewError(f"{shown(path)}: not a manifest of windstill gather; nothing was touched") from err


def write_manifest(dest: Path, manifest: Manifest, form: Form) -> None:
    """Write the manifest, whole or not at all, and take away the one of the other form.

    Raises
    ------
    OSError
        The folder cannot be written.
    """
    with written_aside(dest / NAMES[form]) as aside, aside.open("w", encoding="utf-8", newline="") as file:
        file.write(_as_json(manifest) if form == "json" else _as_csv(manifest))
    other: Form = "csv" if form == "json" else "json"
    (dest / NAMES[other]).unlink(missing_ok=True)


def _as_json(manifest: Manifest) -> str:
    whole = {
        "about": _ABOUT,
        "version": windstill.__version__,
        "shoot": encode_name(manifest.shoot),
        "folders": [encode_name(folder) for folder in manifest.folders],
        "files": [dict(zip(_COLUMNS[:-1], _cells(entry), strict=True)) for entry in manifest.entries],
    }
    return json.dumps(whole, indent=1, ensure_ascii=False) + "\n"


def _as_csv(manifest: Manifest) -> str:
    text = io.StringIO()
    writer = csv.writer(text)
    writer.writerow(_COLUMNS)
    shoot = encode_name(manifest.shoot)
    for folder in manifest.folders:
        writer.writerow((encode_name(folder), "", "", "", "folder", "", "", shoot))
    for entry in manifest.entries:
        writer.writerow((*_cells(entry), shoot))
    return text.getvalue()


def _cells(entry: Entry) -> tuple[str | int, ...]:
    names = (encode_name(name) for name in (entry.gathered, entry.original, entry.set_id, entry.frame))
    return (*names, entry.how, entry.size_bytes, entry.sha256)


def _from_csv(text: str) -> _Whole:
    rows = list(csv.DictReader(io.StringIO(text, newline="")))
    return _Whole(
        shoot=rows[0]["shoot"] if rows else "",
        folders=[row["gathered"] for row in rows if row["as"] == "folder"],
        files=[_Row.model_validate(row) for row in rows if row["as"] != "folder"],
    )
