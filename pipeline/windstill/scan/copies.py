"""Byte-identical copies among the photographs, found with as little reading as certainty allows."""

from __future__ import annotations

import hashlib
import os
from collections import defaultdict
from collections.abc import Callable, Hashable, Iterable, Sequence

from windstill.scan.kinds import dcf_number, natural_key
from windstill.scan.photo import Photo

_SAMPLE = 16_384


def find_copies(root: str, photos: Sequence[Photo]) -> dict[str, str]:
    """Copies and what they are copies of.

    Parameters
    ----------
    root : str
        The shoot folder.
    photos : sequence of Photo

    Returns
    -------
    dict
        Path of each copy -> path of the file it repeats, which is the one with a camera's own name, else the
        shorter name, else the first in natural order.
    """
    copies: dict[str, str] = {}
    for same_size in _groups(photos, lambda photo: photo.file.size_bytes):
        # Raw files of one camera are often of one size: three samples tell nearly all of them apart.
        for alike in _groups(same_size, lambda photo: _digest(root, photo, sample=True)):
            for same in _groups(alike, lambda photo: _digest(root, photo, sample=False)):
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


def _digest(root: str, photo: Photo, *, sample: bool) -> bytes | None:
    """Digest of the file or of three places of it; ``None`` if it cannot be read any more."""
    try:
        with open(os.path.join(root, photo.file.path), "rb") as file:  # noqa: PTH118, PTH123
            if not sample:
                return hashlib.file_digest(file, "blake2b").digest()
            digest = hashlib.blake2b()
            for at in (0, photo.file.size_bytes // 2, max(0, photo.file.size_bytes - _SAMPLE)):
                file.seek(at)
                digest.update(file.read(_SAMPLE))
            return digest.digest()
    except OSError:
        return None
