"""Gathering the frames to keep: every set in a folder of its own, nothing overwritten, nothing half written."""

from __future__ import annotations

import os
import shutil
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Literal

from windstill.handover.beside import with_new_sidecars
from windstill.handover.files import NotCopied, Taken, copied_aside, digest_of, link, remove_parts, settle, sync_folder
from windstill.handover.manifest import NAMES, Entry, Form, Manifest, find_manifest, read_manifest, write_manifest
from windstill.handover.paths import UnsafePath, below, lies_in, original_at, same_place, shown
from windstill.handover.plan import Planned, SetFolder, plan_gather
from windstill.handover.runfolder import USAGE, FinishedReview, SetRow
from windstill.run.errors import ReviewError
from windstill.run.lock import FolderLock
from windstill.run.progress import Progress, Silent
from windstill.settings.handover import HandoverSettings

How = Literal["copies", "links", "list"]
_MB = 1_000_000


@dataclass(slots=True)
class Gathered:
    """What was done. `problems` are lines for the user, each naming its file."""

    manifest: Path
    written: int = 0
    written_bytes: int = 0
    there_already: int = 0
    links: set[str] = field(default_factory=set)
    problems: list[str] = field(default_factory=list)


def check_dest(dest: Path, shoot: Path | None, out: Path) -> Path:
    """The folder to hand over to, absolute; nothing is created yet. `shoot` is None where it is away.

    Raises
    ------
    ReviewError
        It lies in the shoot or among the review's own files, or is a file.
    """
    dest = Path(os.path.realpath(dest))
    if shoot is not None and lies_in(dest, shoot):
        raise ReviewError(f"{shown(dest)}: lies inside the shoot, where it does not belong; give another", USAGE)
    if same_place(dest, out) or any(lies_in(dest, out / name) for name in ("maps", "report-pictures")):
        raise ReviewError(f"{shown(dest)}: holds the review's own files; give another folder", USAGE)
    if os.path.lexists(dest) and not dest.is_dir():
        raise ReviewError(f"{shown(dest)}: a file, not a folder; give another folder", USAGE)
    return dest


def planned_folders(review: FinishedReview, shoot: Path, sets: Sequence[SetRow]) -> list[SetFolder]:
    """Every file and its place: with sidecars written since the review, byte-identical files of one exposure once."""
    review = with_new_sidecars(review, shoot)
    return plan_gather(review, sets, _repeated(review, shoot))


def gather(
    folders: Sequence[SetFolder],
    shoot: Path,
    dest: Path,
    how: How,
    form: Form | None,
    settings: HandoverSettings,
    progress: Progress | None = None,
) -> Gathered:
    """Put the planned files into place and write the manifest.

    Parameters
    ----------
    folders : sequence of SetFolder
        As `planned_folders` gives them.
    shoot : Path
        The shoot folder, with links resolved; only ever read.
    dest : Path
        As `check_dest` gives it; created when missing.
    how : str
        ``"list"`` writes the manifest only.
    form : str or None
        Of the manifest; None keeps the one that is there, else JSON.

    Raises
    ------
    ReviewError
        There is not room enough, another run is at work there, the folder holds the files of another shoot, or it
        cannot be written; what was finished stays and is in the manifest.
    """
    progress = progress or Silent()
    made = _make_dest(dest)
    with FolderLock(dest):
        return _Gathering(shoot, dest, how, form, made, progress).run(folders, settings)


class _Gathering:
    """One run; the manifest on disk names every file before it appears, so that a run cut off can be undone."""

    def __init__(
        self, shoot: Path, dest: Path, how: How, form: Form | None, made: Sequence[str], progress: Progress
    ) -> None:
        self.shoot, self.dest, self.how, self.progress = shoot, dest, how, progress
        found = find_manifest(dest)
        before = read_manifest(*found) if found else Manifest(str(shoot))
        if before.entries and before.shoot != str(shoot) and how != "list":
            raise ReviewError(
                f"{shown(dest)}: holds what was gathered from {shown(before.shoot)}; give another folder", USAGE
            )
        self.form: Form = form or (found[1] if found else "json")
        self.entries = {entry.gathered: entry for entry in before.entries if entry.how != "list"}
        self.folders = dict.fromkeys((*before.folders, *made))
        self.result = Gathered(dest / NAMES[self.form])

    def run(self, folders: Sequence[SetFolder], settings: HandoverSettings) -> Gathered:
        try:
            if self.how == "list":
                for planned in _all(folders):
                    self._listed(planned)
            else:
                self._put(folders, settings)
            self._write_manifest()
        except OSError as err:
            raise ReviewError(
                f"{shown(err.filename or self.dest)}: cannot be written ({err.strerror}); what was gathered so far "
                "stays, run again to go on"
            ) from err
        return self.result

    def _put(self, folders: Sequence[SetFolder], settings: HandoverSettings) -> None:
        self._clear_parts(folders)
        waiting: list[tuple[SetFolder, list[tuple[Planned, Path, Path]]]] = []
        self.progress.stage("looking at what is there", sum(len(folder.files) for folder in folders))
        for folder in folders:
            waiting.append((folder, [job for planned in folder.files if (job := self._job(planned)) is not None]))
        jobs = [job for _, listed in waiting for job in listed]
        if self.how == "copies":
            self._check_room([original for _, original, _ in jobs], settings)
        for planned, _, _ in jobs:
            self._foresee_folders(planned.gathered)
        self._write_manifest()
        if not jobs:
            return
        self.progress.stage("copying" if self.how == "copies" else "linking", len(jobs))
        for _, listed in waiting:
            if self.how == "copies":
                self._copy(listed)
            else:
                self._link(listed)

    def _job(self, planned: Planned) -> tuple[Planned, Path, Path] | None:
        """Original and target of a file still to be written; ``None`` where it is done or cannot be."""
        self.progress.step()
        try:
            original, target = original_at(self.shoot, planned.original), below(self.dest, planned.gathered)
            if not os.path.lexists(target):
                return planned, original, target
            self._there(planned, original, target)
        except (NotCopied, UnsafePath) as err:
            self._problem(planned.original, str(err))
        return None

    def _there(self, planned: Planned, original: Path, target: Path) -> None:
        """Something of the name is there: done if it is the same, else left alone."""
        known = self.entries.get(planned.gathered)
        alike = target.is_file() and not (target.is_symlink() and known is None)
        digest = digest_of(original) if alike else ""
        if not alike or target.stat().st_size != original.stat().st_size or digest_of(target) != digest:
            raise Taken(f"not gathered: another file is at {shown(target)}, which stays as it is")
        self.result.there_already += 1
        if known is None or known.sha256 != digest:
            self._enter(planned, "found", original.stat().st_size, digest)

    def _check_room(self, originals: Iterable[Path], settings: HandoverSettings) -> None:
        block = 4096  # what a file takes at least, on most disks
        needed = sum(-(-_size(path) // block) * block for path in originals)
        room = shutil.disk_usage(self.dest).free - settings.spare_mb * _MB
        if needed > room:
            raise ReviewError(
                f"{shown(self.dest)}: not enough room: {_gigabytes(needed)} to copy, {_gigabytes(max(room, 0))} free "
                f"(beyond the {settings.spare_mb} MB left alone); free some space, give another disk, or --as links"
            )

    def _copy(self, jobs: Sequence[tuple[Planned, Path, Path]]) -> None:
        """Copy the files of one set: all aside, then the manifest, then their names."""
        parts: list[tuple[Planned, Path, Path, int]] = []
        try:
            for planned, original, target in jobs:
                try:
                    self._make_folders(planned.gathered)
                    part, digest, size = copied_aside(original, target.parent)
                except (NotCopied, UnsafePath) as err:
                    self._problem(planned.original, str(err))
                else:
                    parts.append((planned, part, target, size))
                    self._enter(planned, "copy", size, digest)
                self.progress.step()
            if not parts:
                return
            self._write_manifest()
            for planned, part, target, size in parts:
                try:
                    settle(part, target)
                except Taken as err:
                    self.entries.pop(planned.gathered)
                    self._problem(planned.original, str(err))
                else:
                    self.result.written += 1
                    self.result.written_bytes += size
            for folder in {target.parent for _, _, target, _ in parts}:
                sync_folder(folder)
        finally:
            for _, part, _, _ in parts:
                part.unlink(missing_ok=True)

    def _link(self, jobs: Sequence[tuple[Planned, Path, Path]]) -> None:
        ready: list[tuple[Planned, Path, Path]] = []
        for planned, original, target in jobs:
            try:
                self._make_folders(planned.gathered)
                # Which sort of link it becomes is told afterwards; undo looks at what is there.
                self._enter(planned, "hard link", _size(original), digest_of(original))
            except (NotCopied, UnsafePath) as err:
                self._problem(planned.original, str(err))
            else:
                ready.append((planned, original, target))
        if ready:
            self._write_manifest()
        for planned, original, target in ready:
            try:
                how = link(original, target)
            except NotCopied as err:
                self.entries.pop(planned.gathered)
                self._problem(planned.original, str(err))
            else:
                self.entries[planned.gathered] = replace(self.entries[planned.gathered], how=how)
                self.result.written += 1
                self.result.links.add(how)
        self.progress.step(len(jobs))

    def _listed(self, planned: Planned) -> None:
        try:
            size = original_at(self.shoot, planned.original).stat().st_size
        except (OSError, UnsafePath) as err:
            self._problem(planned.original, getattr(err, "strerror", None) or str(err))
            return
        # What was gathered here before stays in the manifest as it is.
        if planned.gathered not in self.entries:
            self._enter(planned, "list", size, "")

    def _foresee_folders(self, gathered: str) -> None:
        """Enter the folders that will be made: undo removes them when they are empty."""
        for name in _parents(gathered):
            if name not in self.folders and not os.path.lexists(self.dest / name):
                self.folders[name] = None

    def _make_folders(self, gathered: str) -> None:
        for name in _parents(gathered):
            place = below(self.dest, name)
            try:
                place.mkdir()
            except FileExistsError:
                if place.is_symlink() or not place.is_dir():
                    raise UnsafePath(f"{shown(place)} is not a folder") from None

    def _clear_parts(self, folders: Sequence[SetFolder]) -> None:
        remove_parts(self.dest, *NAMES.values())
        for name in {planned.gathered.rpartition("/")[0] for planned in _all(folders)}:
            try:
                place = below(self.dest, name)
            except UnsafePath:
                continue
            if place.is_dir() and not place.is_symlink():
                remove_parts(place)

    def _enter(
        self,
        planned: Planned,
        how: Literal["copy", "hard link", "symbolic link", "found", "list"],
        size: int,
        digest: str,
    ) -> None:
        self.entries[planned.gathered] = Entry(
            planned.gathered, planned.original, planned.set_id, planned.frame, how, size, digest
        )

    def _write_manifest(self) -> None:
        manifest = Manifest(str(self.shoot), folders=tuple(self.folders))
        write_manifest(self.dest, manifest.with_entries(self.entries.values()), self.form)

    def _problem(self, original: str, what: str) -> None:
        self.result.problems.append(f"{shown(original)}: {what}")


def _parents(gathered: str) -> list[str]:
    """The folders above a file, outermost first."""
    parts = gathered.split("/")[:-1]
    return ["/".join(parts[:depth]) for depth in range(1, len(parts) + 1)]


def _make_dest(dest: Path) -> list[str]:
    """Create the folder; ``["."]`` if it was not there."""
    if dest.is_dir():
        return []
    try:
        dest.mkdir(parents=True, exist_ok=True)
    except OSError as err:
        raise ReviewError(f"{shown(dest)}: cannot be created ({err.strerror}); give another folder") from err
    return ["."]


def _repeated(review: FinishedReview, shoot: Path) -> set[str]:
    """Files that repeat an earlier file of their exposure byte for byte; only files of one size are read."""
    repeated = set()
    for frame in review.frames:
        if len(frame.files) < 2:
            continue
        by_size: defaultdict[int, list[str]] = defaultdict(list)
        for path in frame.files:
            by_size[_size(shoot / path)].append(path)
        for size, paths in by_size.items():
            seen: set[str] = set()
            for path in paths if size >= 0 and len(paths) > 1 else ():
                try:
                    digest = digest_of(original_at(shoot, path))
                except (NotCopied, UnsafePath):
                    continue
                if digest in seen:
                    repeated.add(path)
                seen.add(digest)
    return repeated


def _size(path: Path) -> int:
    try:
        return path.stat().st_size
    except OSError:
        return 0


def _all(folders: Sequence[SetFolder]) -> Iterable[Planned]:
    return (planned for folder in folders for planned in folder.files)


def _gigabytes(size: float) -> str:
    return f"{size / 1e9:.1f} GB" if size >= 1e9 else f"{size / 1e6:.0f} MB"
