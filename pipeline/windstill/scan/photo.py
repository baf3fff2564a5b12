"""One photograph file with what its header says: the piece frames are put together from."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from typing import TypeVar

from windstill.records import CameraData, ShootFile
from windstill.scan.kinds import dcf_number, extension

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Photo:
    """A readable photograph; sizes in pixels as stored, 0 where the header does not say."""

    file: ShootFile
    container: str
    width_px: int
    height_px: int
    camera: CameraData
    by_software: bool = False

    @property
    def is_raw(self) -> bool:
        """Whether it is raw by content."""
        return self.file.role == "raw"

    @property
    def folder(self) -> str:
        """Folder relative to the shoot, empty for the shoot folder itself."""
        return folder_of(self.file.path)

    @property
    def stem(self) -> str:
        """Name without folder and extension."""
        return stem_of(self.file.path)

    @property
    def number(self) -> int | None:
        """DCF file number, if the name is of that form."""
        return dcf_number(self.stem)

    @property
    def long_px(self) -> int:
        """Long side, pixels."""
        return max(self.width_px, self.height_px)


@dataclass(frozen=True, slots=True)
class ReadBefore:
    """What an earlier scan read of a folder's files; what has kept path, size and time need not be read again.

    Attributes
    ----------
    photos : tuple of Photo
    raw_sizes_px : dict
        Width and height as the decoder gives them, as recorded, by a raw's path.
    samples, contents : dict
        Digests of three places of a file and of all of it by path, as far as they were asked for.
    """

    photos: tuple[Photo, ...] = ()
    raw_sizes_px: dict[str, tuple[int, int]] = field(default_factory=dict)
    samples: dict[str, str] = field(default_factory=dict)
    contents: dict[str, str] = field(default_factory=dict)

    def of(self, paths: Collection[str]) -> ReadBefore:
        """What is known of these files."""

        def cut(known: Mapping[str, T]) -> dict[str, T]:
            return {path: value for path, value in known.items() if path in paths}

        photos = tuple(photo for photo in self.photos if photo.file.path in paths)
        return ReadBefore(photos, cut(self.raw_sizes_px), cut(self.samples), cut(self.contents))


def folder_of(path: str) -> str:
    """Folder of a relative path."""
    return path.rpartition("/")[0]


def stem_of(path: str) -> str:
    """Name of a relative path without its extension."""
    name = path.rpartition("/")[2]
    ending = extension(name)
    return name[: -len(ending) - 1] if ending else name


def without_extension(path: str) -> str:
    """Path without its extension."""
    folder = folder_of(path)
    return f"{folder}/{stem_of(path)}" if folder else stem_of(path)
