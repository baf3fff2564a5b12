"""Which sidecar belongs to an exposure (ISO 16684-1: same folder and base name, ``.xmp``)."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from pathlib import Path

from windstill.handover.runfolder import FinishedReview

_EXTENSION = ".xmp"


def is_sidecar(path: str) -> bool:
    """Whether a name is a sidecar's."""
    return path.lower().endswith(_EXTENSION)


def sidecar_names(path: str) -> tuple[str, str]:
    """The two names a photograph's sidecar may have: ``NAME.xmp``, which its raw and JPEG share, and ``NAME.JPG.xmp``.

    Parameters
    ----------
    path : str
        The photograph, relative to the shoot.
    """
    folder, slash, name = path.rpartition("/")
    stem = name.rpartition(".")[0] or name
    return f"{folder}{slash}{stem}{_EXTENSION}", f"{path}{_EXTENSION}"


class SidecarFinder:
    """Finds sidecars on disk whatever the case of ``.xmp``, listing each folder once.

    Parameters
    ----------
    shoot : Path
        The shoot folder.
    """

    def __init__(self, shoot: Path) -> None:
        self._shoot = shoot
        self._listed: dict[str, Mapping[str, str]] = {}

    def there(self, path: str) -> str | None:
        """The sidecar of that name as it is written on disk, or ``None``."""
        folder, slash, name = path.rpartition("/")
        if folder not in self._listed:
            self._listed[folder] = self._sidecars_in(folder)
        stem = name[: -len(_EXTENSION)]
        found = self._listed[folder].get(stem)
        return f"{folder}{slash}{found}" if found is not None else None

    def beside(self, files: Iterable[str]) -> list[str]:
        """All sidecars of an exposure's files."""
        found = (self.there(name) for path in files if not is_sidecar(path) for name in sidecar_names(path))
        return list(dict.fromkeys(name for name in found if name is not None))

    def _sidecars_in(self, folder: str) -> dict[str, str]:
        """Sidecars by name without extension."""
        try:
            names = sorted(path.name for path in (self._shoot / folder).iterdir())
        except OSError:
            return {}
        # Upper case sorts first: where a disk holds "a.XMP" and "a.xmp", the latter is taken.
        return {name[: -len(_EXTENSION)]: name for name in names if is_sidecar(name)}


def with_new_sidecars(review: FinishedReview, shoot: Path) -> FinishedReview:
    """The review with the sidecars written since; one that two exposures could claim goes to the first."""
    finder = SidecarFinder(shoot)
    known = {path for frame in review.frames for path in frame.files}
    frames = []
    for frame in review.frames:
        new = [path for path in finder.beside(frame.files) if path not in known]
        known.update(new)
        frames.append(replace(frame, files=(*frame.files, *new)) if new else frame)
    return replace(review, frames=tuple(frames))
