"""Undoing a gather: what was written goes, as long as it still is what was written and is not the only copy left."""

from __future__ import annotations

import os
from dataclasses import dataclass, field
from pathlib import Path

from windstill.handover.files import NotCopied, digest_of, remove_parts
from windstill.handover.manifest import NAMES, Entry, Manifest, find_manifest, read_manifest, write_manifest
from windstill.handover.paths import UnsafePath, below, original_at, shown
from windstill.handover.runfolder import USAGE
from windstill.run.errors import ReviewError
from windstill.run.lock import FolderLock
from windstill.run.progress import Progress, Silent


@dataclass(slots=True)
class Undone:
    """What was taken away; `kept` are lines for the user, each naming its file."""

    removed: int = 0
    kept: list[str] = field(default_factory=list)


def undo_gather(dest: Path, progress: Progress | None = None) -> Undone:
    """Take away what the manifest in a folder says was written there.

    Parameters
    ----------
    dest : Path
        The folder gathered to.

    Returns
    -------
    Undone

    Raises
    ------
    ReviewError
        There is no manifest, it names a path outside the folder, or another run is at work there.

    Notes
    -----
    A file stays, and is said, when its content is no longer what was written, or when the original it was copied from
    is not where it was with the same content: it may then be the only copy. Of sidecars, which editors rewrite, the
    original only has to be there.
    """
    progress = progress or Silent()
    dest = Path(os.path.realpath(dest))
    if not dest.is_dir():
        raise ReviewError(f"{shown(dest)}: no such folder; give the folder that was gathered to", USAGE)
    if find_manifest(dest) is None:
        raise ReviewError(f"{shown(dest)}: no manifest in it; give the folder that was gathered to", USAGE)
    with FolderLock(dest):
        found = find_manifest(dest)
        if found is None:  # another run undid it while we waited
            return Undone()
        path, form = found
        remove_parts(dest, *NAMES.values())
        manifest = read_manifest(path, form)
        result, left = Undone(), []
        progress.stage("taking away", len(manifest.entries))
        for entry in manifest.entries:
            if not _undone(entry, manifest, dest, result):
                left.append(entry)
            progress.step()
        remaining = _remove_folders(dest, manifest, keep=bool(left))
        if left:
            write_manifest(dest, Manifest(manifest.shoot, tuple(left), remaining), form)
        else:
            path.unlink()
    if not left and "." in manifest.folders and not any(dest.iterdir()):
        dest.rmdir()
    return result


def _undone(entry: Entry, manifest: Manifest, dest: Path, result: Undone) -> bool:
    """Whether nothing of the entry is left to undo."""
    if entry.how in ("found", "list"):
        return True
    try:
        place = below(dest, entry.gathered)
        if not os.path.lexists(place):
            return True
        _check(entry, place, _original(entry, Path(manifest.shoot)))
        place.unlink()
    except (NotCopied, UnsafePath) as err:
        result.kept.append(f"{shown(entry.gathered)}: {err}")
        return False
    except OSError as err:
        result.kept.append(f"{shown(entry.gathered)}: cannot be taken away ({err.strerror})")
        return False
    result.removed += 1
    return True


def _check(entry: Entry, place: Path, original: Path | None) -> None:
    """Refuse what must stay."""
    if place.is_symlink():
        # A link holds nothing itself; one that leads elsewhere is not ours.
        if entry.how == "copy" or original is None or Path(os.path.realpath(place)) != Path(os.path.realpath(original)):
            raise NotCopied("kept: a link that was not written by gather")
        return
    if digest_of(place) != entry.sha256:
        raise NotCopied("kept: it was changed after it was gathered")
    if original is None or not original.is_file():
        raise NotCopied("kept: its original is not where it was, this may be the only copy")
    if entry.original.lower().endswith(".xmp") or place.samefile(original):
        return
    if digest_of(original) != entry.sha256:
        raise NotCopied("kept: its original has changed since, this may be the only copy")


def _original(entry: Entry, shoot: Path) -> Path | None:
    try:
        return original_at(Path(os.path.realpath(shoot)), entry.original)
    except UnsafePath:
        return None


def _remove_folders(dest: Path, manifest: Manifest, *, keep: bool) -> tuple[str, ...]:
    """Take away the folders gather made that are empty now, innermost first; gives those that stay."""
    remaining = []
    for name in sorted(manifest.folders, key=lambda name: -name.count("/")):
        if name == ".":
            if keep:
                remaining.append(name)
            continue
        try:
            place = below(dest, name)
            if place.is_symlink():
                raise UnsafePath(name)
            remove_parts(place)
            place.rmdir()
        except FileNotFoundError:
            continue
        except (OSError, UnsafePath):
            remaining.append(name)
    return tuple(reversed(remaining))
