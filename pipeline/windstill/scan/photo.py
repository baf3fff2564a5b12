"""One photograph file with what its header says: the piece frames are put together from."""

from __future__ import annotations

from dataclasses import dataclass

from windstill.records import CameraData, ShootFile
from windstill.scan.kinds import dcf_number, extension


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
