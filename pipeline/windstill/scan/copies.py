"""Byte-identical copies among the photographs, found with as little reading as certainty allows."""

from __future__ import annotations

import io
import os
from collections import defaultdict
from collections.abc import Callable, Hashable, Iterable, Sequence

import xxhash

from windstill.regular import regular_only
from windstill.scan.kinds import dcf_number, natural_key
from windstill.scan.photo import Photo

_SAMPLE = 16_384
_CHUNK = 1 << 20  # fits the processor's cache


def find_copies(
    root: str, photos: Sequence[Photo], samples: dict[str, str], contents: dict[str, str]
) -> dict[str, str]:
    """Copies and what they are copies of.

    Parameters
    ----------
    root : str
        The shoot folder.
    photos : sequence of Photo
    samples, contents : dict
        Digests by path, of three places of a file and of all of it: those known already; what is read is added.

    Returns
    -------
    dict
        Path of each copy -> path of the file it repeats, which is the one with a camera's own name, else the
        shorter name, else the first in natural order.
    """
    copies: dict[str, str] = {}
    reader = _Reader(root)
    for same_size in _groups(photos, lambda photo: photo.file.size_bytes):
        # Raw files of one camera are often of one size: three samples tell nearly all of them apart.
        for alike in _groups(same_size, lambda photo: reader.digest(photo, samples, sample=True)):
            for same in _groups(alike, lambda photo: reader.digest(photo, contents, sample=False)):
                first, *rest = sorted(same, key=_rank)
                copies.update((photo.file.path, first.file.path) for photo in rest)
    return copies


def _rank(photo: Photo) -> tuple[bool, int, Hashable]:
    return dcf_number(photo.stem) is None, len(photo.stem), natural_key(photo.file.path)


def _groups(photos: Iterable[Photo], key: Callable[[Photo], Hashable | None]) -> list[list[Photo]]:
    groups: defaultdict[Hashable, list[Photo]] = defaultdict(list)
    for photo in photos:
        value = key(photo)
        if value is not None:
            groups[value].append(photo)
    return [group for group in groups.values() if len(group) > 1]


class _Reader:
    """Reads files for their digests; names of one file on disk (hard links) are read once."""

    def __init__(self, root: str) -> None:
        self._root = root
        self._linked: dict[tuple[int, int, bool], str] = {}

    def digest(self, photo: Photo, known: dict[str, str], *, sample: bool) -> str | None:
        """The digest; ``None`` if the file cannot be read any more."""
        path = photo.file.path
        if path not in known:
            try:
                with open(os.path.join(self._root, path), "rb", buffering=0, opener=regular_only) as file:  # noqa: PTH118
                    known[path] = self._of_open(file, photo.file.size_bytes, sample)
            except OSError:
                return None
        return known[path]

    def _of_open(self, file: io.FileIO, size_bytes: int, sample: bool) -> str:
        status = os.fstat(file.fileno())
        if status.st_nlink < 2:  # numbers of files mean something where there are links at all
            return _digest(file, size_bytes, sample)
        place = (status.st_dev, status.st_ino, sample)
        if place not in self._linked:
            self._linked[place] = _digest(file, size_bytes, sample)
        return self._linked[place]


def _digest(file: io.FileIO, size_bytes: int, sample: bool) -> str:
    digest = xxhash.xxh3_128()
    if sample:
        for at in (0, size_bytes // 2, max(0, size_bytes - _SAMPLE)):
            file.seek(at)
            digest.update(file.read(_SAMPLE))
        return digest.hexdigest()
    buffer = memoryview(bytearray(_CHUNK))
    while count := file.readinto(buffer):
        digest.update(buffer[:count])
    return digest.hexdigest()
