"""Sidecars beside the originals: planned, shown, written, and undone by the record kept in the run folder."""

from __future__ import annotations

import base64
import hashlib
import json
import os
import shutil
import stat
import zlib
from collections import defaultdict
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from windstill.handover.beside import SidecarFinder, is_sidecar, sidecar_names
from windstill.handover.files import NotCopied, opened, read_json, remove_parts, settle
from windstill.handover.packet import BrokenSidecar, Changed, Words, with_words, without_words
from windstill.handover.paths import UnsafePath, inner_path, original_at, shown
from windstill.handover.words import Said, is_ours
from windstill.records import decode_name, encode_name
from windstill.report.aside import written_aside
from windstill.run.errors import ReviewError
from windstill.run.lock import FolderLock
from windstill.run.progress import Progress, Silent
from windstill.scan.headers import UnreadableError, read_header
from windstill.scan.isolated import HeaderWorker
from windstill.scan.kinds import is_photograph
from windstill.settings import ScanSettings
from windstill.settings.handover import HandoverSettings

RECORD = "sidecars.json"
_ABOUT = (
    "What windstill sidecar wrote beside the photographs, and what was there before. To undo: windstill sidecar FOLDER "
    "--undo. Paths are percent-encoded and relative to the shoot; 'before' is base64 of the zlib-compressed file."
)
_MB = 1_000_000


@dataclass(frozen=True, slots=True)
class Planned:
    """One sidecar to be written: `before` is None for a new one."""

    path: str
    before: bytes | None
    changed: Changed


@dataclass(slots=True)
class SidecarPlan:
    """What is to be written; `problems` are lines for the user, each naming its file."""

    planned: list[Planned] = field(default_factory=list)
    unchanged: int = 0
    rated_before: int = 0
    problems: list[str] = field(default_factory=list)


@dataclass(slots=True)
class Done:
    """What was done; `problems` are lines for the user, each naming its file."""

    done: int = 0
    problems: list[str] = field(default_factory=list)


def plan_sidecars(
    said: Sequence[Said], shoot: Path, settings: HandoverSettings, progress: Progress | None = None
) -> SidecarPlan:
    """Work out every sidecar's new content; nothing is written.

    Parameters
    ----------
    said : sequence of Said
    shoot : Path
        The shoot folder, with links resolved.

    Notes
    -----
    A sidecar that is there is added to, whichever of its two names it has. Where there is none, the files of one base
    name in one folder share ``NAME.xmp``; files of two exposures with the same base name get ``NAME.JPG.xmp`` each.
    """
    progress = progress or Silent()
    progress.stage("reading sidecars", len(said))
    plan = SidecarPlan()
    finder = SidecarFinder(shoot)
    owners = _owners(said)
    with HeaderWorker(ScanSettings().header_timeout_s) as worker:
        for one in said:
            words = one.words
            if words.rating is not None and _rated_in_camera(one.files, shoot, worker):
                plan.rated_before += 1
                words = Words(words.keywords)
            for path in _places(one, finder, owners):
                _plan_one(path, words, shoot, settings, plan)
            progress.step()
    return plan


def write_sidecars(plan: SidecarPlan, shoot: Path, out: Path, progress: Progress | None = None) -> Done:
    """Write the planned sidecars, each whole or not at all, after a record of all of them.

    Raises
    ------
    ReviewError
        The record cannot be written, or another run is at work; no sidecar was touched.
    """
    progress = progress or Silent()
    result = Done()
    with FolderLock(out):
        record = {entry.path: entry for entry in _read_record(out, shoot)}
        for planned in plan.planned:
            record[planned.path] = _entry(planned, record.get(planned.path))
        _write_record(out, shoot, list(record.values()))
        progress.stage("writing sidecars", len(plan.planned))
        for folder in {(shoot / planned.path).parent for planned in plan.planned}:
            with suppress(OSError):
                remove_parts(folder)
        for planned in plan.planned:
            _attempt(planned.path, shoot, planned.before, planned.changed.data, result)
            progress.step()
    return result


def undo_sidecars(out: Path, shoot: Path | None, progress: Progress | None = None) -> Done:
    """Give every sidecar back as it was; of one edited since, only our words are taken out.

    Parameters
    ----------
    out : Path
        The run folder, which holds the record.
    shoot : Path or None
        Where the photographs are, if not where they were.

    Raises
    ------
    ReviewError
        There is no record, or it cannot be used.
    """
    progress = progress or Silent()
    result = Done()
    if not (out / RECORD).is_file():
        raise ReviewError(f"{shown(out)}: nothing to undo, no sidecar was written from this review")
    with FolderLock(out):
        entries = _read_record(out, None)
        where = Path(os.path.realpath(shoot or _recorded_shoot(out)))
        if not where.is_dir():
            raise ReviewError(f"{shown(where)}: no such folder; say where the photographs are with --shoot FOLDER")
        progress.stage("giving back", len(entries))
        left = []
        for entry in entries:
            if not _give_back(entry, where, result):
                left.append(entry)
            progress.step()
        if left:
            _write_record(out, where, left)
        else:
            (out / RECORD).unlink(missing_ok=True)
    return result


def _rated_in_camera(files: Sequence[str], shoot: Path, worker: HeaderWorker) -> bool:
    """Whether a photograph holds a rating itself, as cameras with a button for it write; 0 is unrated."""
    for path in files:
        if not is_photograph(path):
            continue
        try:
            rating = read_header(original_at(shoot, path), ScanSettings(), worker).tags.xmp.get("xmp:Rating", "")
            if rating and float(rating) != 0:
                return True
        except (UnreadableError, UnsafePath, OSError, ValueError):
            continue
    return False


def _owners(said: Sequence[Said]) -> Mapping[str, list[Said]]:
    """Exposures by the shared sidecar name of their files."""
    found: defaultdict[str, list[Said]] = defaultdict(list)
    for one in said:
        for name in dict.fromkeys(sidecar_names(path)[0] for path in one.files if is_photograph(path)):
            found[name].append(one)
    return found


def _places(one: Said, finder: SidecarFinder, owners: Mapping[str, list[Said]]) -> list[str]:
    """Where the words of an exposure belong."""
    by_stem: defaultdict[str, list[str]] = defaultdict(list)
    for path in one.files:
        if is_photograph(path):
            by_stem[sidecar_names(path)[0]].append(path)
    places: list[str] = []
    for shared, paths in by_stem.items():
        there = finder.there(shared)
        if there is not None and not _is_his(there, one, owners[shared]):
            there = None
        own = [found for path in paths if (found := finder.there(sidecar_names(path)[1])) is not None]
        if there is not None or own:
            places += [*([there] if there is not None else []), *own]
        elif len(owners[shared]) > 1:
            places += [sidecar_names(path)[1] for path in paths]
        else:
            places.append(shared)
    return list(dict.fromkeys(places))


def _is_his(there: str, one: Said, owners: Sequence[Said]) -> bool:
    """Whether a shared sidecar is this exposure's: the review said so, or nobody else could claim it."""
    claimed = [owner for owner in owners if there in owner.files]
    return one is (claimed or owners)[0]


def _plan_one(path: str, words: Words, shoot: Path, settings: HandoverSettings, plan: SidecarPlan) -> None:
    try:
        before = _read(original_at(shoot, path), settings.sidecar_mb * _MB)
        changed = with_words(before, words, is_ours)
    except (BrokenSidecar, NotCopied, UnsafePath) as err:
        plan.problems.append(f"{shown(path)}: {err}; left as it is")
        return
    plan.rated_before += bool(changed.rated_before) and words.rating is not None
    if changed.data == before:
        plan.unchanged += 1
    else:
        plan.planned.append(Planned(path, before, changed))


def _read(place: Path, most_bytes: int) -> bytes | None:
    """A sidecar's content, ``None`` where there is none."""
    try:
        known = place.lstat()
    except FileNotFoundError:
        return None
    except OSError as err:
        raise NotCopied(f"cannot be read ({err.strerror})") from err
    if stat.S_ISLNK(known.st_mode):
        raise NotCopied("is a link")
    if known.st_size > most_bytes:
        raise NotCopied(f"is larger than {most_bytes // _MB} MB")
    with opened(place) as handle, os.fdopen(os.dup(handle), "rb") as file:
        try:
            return file.read(most_bytes)
        except OSError as err:
            raise NotCopied(f"cannot be read ({err.strerror})") from err


def _attempt(path: str, shoot: Path, before: bytes | None, after: bytes | None, result: Done) -> bool:
    try:
        _replace(original_at(shoot, path), before, after)
    except (NotCopied, UnsafePath) as err:
        result.problems.append(f"{shown(path)}: {err}; left as it is")
        return False
    except OSError as err:
        result.problems.append(f"{shown(path)}: cannot be written ({err.strerror}); left as it is")
        return False
    result.done += 1
    return True


def _replace(place: Path, before: bytes | None, after: bytes | None) -> None:
    """Put a sidecar in the place of what was read, with the mode it had; ``None`` is no file."""
    there = _read(place, 1 << 31)
    if there != before:
        raise NotCopied("changed meanwhile; run again")
    if after is None:
        place.unlink(missing_ok=True)
        return
    if before is None:
        part = place.with_name(f".windstill-{os.urandom(6).hex()}.part")
        try:
            _write(part, after)
            settle(part, place)
        finally:
            part.unlink(missing_ok=True)
        return
    part = place.with_name(f".windstill-{os.urandom(6).hex()}.part")
    try:
        _write(part, after)
        with suppress(OSError):
            shutil.copystat(place, part)
        os.utime(part)
        part.replace(place)
    finally:
        part.unlink(missing_ok=True)


def _write(part: Path, data: bytes) -> None:
    with part.open("xb") as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())


class _Entry(BaseModel):
    """One sidecar as it is recorded; anything else in its place is refused."""

    model_config = ConfigDict(extra="ignore", validate_by_name=True, validate_by_alias=True)

    cell: str = Field(alias="sidecar")
    was: Literal["new", "changed"]
    sha256: str = Field(pattern="^[0-9a-f]{64}$")
    added: list[str]
    before_packed: str = Field(alias="before")

    @property
    def path(self) -> str:
        """The real path, relative to the shoot."""
        path = inner_path(self.cell)
        if not is_sidecar(path):
            raise UnsafePath("a path that is no sidecar's")
        return path

    @property
    def before(self) -> bytes | None:
        return None if self.was == "new" else zlib.decompress(base64.b64decode(self.before_packed, validate=True))


class _Record(BaseModel):
    model_config = ConfigDict(extra="ignore")

    shoot: str
    sidecars: list[_Entry]


def _entry(planned: Planned, known: _Entry | None) -> _Entry:
    """What is recorded of one sidecar: what was there before we first wrote it, unless it was edited in between."""
    now = _sha(planned.before)
    first = known.before if known is not None and known.sha256 == now else planned.before
    words = list(planned.changed.added)
    if known is not None and known.sha256 == now:
        words = [*(word for word in known.added if word not in planned.changed.removed), *words]
    return _Entry(
        cell=encode_name(planned.path),
        was="new" if first is None else "changed",
        sha256=_sha(planned.changed.data),
        added=list(dict.fromkeys(words)),
        before_packed="" if first is None else base64.b64encode(zlib.compress(first)).decode(),
    )


def _give_back(entry: _Entry, shoot: Path, result: Done) -> bool:
    try:
        place = original_at(shoot, entry.path)
        there = _read(place, 1 << 31)
    except (NotCopied, UnsafePath) as err:
        result.problems.append(f"{shown(entry.cell)}: {err}; left as it is")
        return False
    before = entry.before
    if there == before:
        return True
    if there is None:
        result.problems.append(f"{shown(entry.path)}: is not there any more")
        return True
    if _sha(there) == entry.sha256:
        return _attempt(entry.path, shoot, there, before, result)
    try:
        after = without_words(there, entry.added)
    except BrokenSidecar as err:
        result.problems.append(f"{shown(entry.path)}: {err}; left as it is")
        return False
    result.problems.append(f"{shown(entry.path)}: edited since it was written; only our keywords were taken out")
    return after == there or _attempt(entry.path, shoot, there, after, result)


def _load_record(out: Path) -> _Record | None:
    path = out / RECORD
    try:
        record = _Record.model_validate(read_json(path.read_text("utf-8")))
        for entry in record.sidecars:
            _ = entry.path, entry.before
    except FileNotFoundError:
        return None
    except UnsafePath as err:
        raise ReviewError(f"{shown(path)}: holds {err}; nothing was touched") from err
    except OSError as err:
        raise ReviewError(f"{shown(path)}: cannot be read ({err.strerror})") from err
    except (ValidationError, ValueError, zlib.error) as err:
        raise ReviewError(f"{shown(path)}: not a record of windstill sidecar; nothing was touched") from err
    return record


def _read_record(out: Path, shoot: Path | None) -> list[_Entry]:
    record = _load_record(out)
    if record is None:
        return []
    if shoot is not None and decode_name(record.shoot) != str(shoot) and Path(decode_name(record.shoot)).is_dir():
        raise ReviewError(
            f"{shown(out)}: its record is of sidecars in {shown(decode_name(record.shoot))}; undo those first"
        )
    return record.sidecars


def _recorded_shoot(out: Path) -> str:
    record = _load_record(out)
    return decode_name(record.shoot) if record is not None else ""


def _write_record(out: Path, shoot: Path, entries: Sequence[_Entry]) -> None:
    whole = {
        "about": _ABOUT,
        "shoot": encode_name(str(shoot)),
        "sidecars": [entry.model_dump(by_alias=True) for entry in sorted(entries, key=lambda entry: entry.cell)],
    }
    try:
        with written_aside(out / RECORD) as aside:
            aside.write_text(json.dumps(whole, indent=1, ensure_ascii=False) + "\n", "utf-8")
    except OSError as err:
        raise ReviewError(f"{shown(out / RECORD)}: cannot be written ({err.strerror}); no sidecar was touched") from err


def _sha(data: bytes | None) -> str:
    return hashlib.sha256(data or b"").hexdigest()
