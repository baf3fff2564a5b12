"""What a stored result depends on, as one short key: content, the settings that matter, the code that made it."""

from __future__ import annotations

import functools
import hashlib
import json
import re
from collections.abc import Iterable, Mapping, Sequence
from importlib import metadata
from pathlib import Path
from typing import Any

import xxhash

from windstill.records import Frame, FrameSet, Grouping
from windstill.regular import regular_only
from windstill.run import codec
from windstill.settings import Section, Settings

_PACKAGE = Path(__file__).resolve().parent.parent
_CHUNK_BYTES = 1 << 20  # fits the processor's cache: hashing then costs a hundredth of decoding
# Libraries whose version may change a measured number.
_LIBRARIES = ("numpy", "scipy", "opencv-python-headless", "simplejpeg", "pillow", "tifffile", "imagecodecs",
              "rawpy", "pillow-heif", "numba")  # fmt: skip
_VERSION_LINE = re.compile(r"^Version:\s*(\S+)", re.MULTILINE)


def content_digest(path: Path) -> str:
    """Hash a file's bytes (XXH3, 128 bits), a megabyte at a time.

    Raises
    ------
    OSError
        The file cannot be read.
    """
    digest = xxhash.xxh3_128()
    buffer = memoryview(bytearray(_CHUNK_BYTES))
    with open(path, "rb", buffering=0, opener=regular_only) as file:
        while count := file.readinto(buffer):
            digest.update(buffer[:count])
    return digest.hexdigest()


def key_of(*parts: Any) -> str:
    """Hash plain values (str, numbers, None, lists) into one key."""
    text = json.dumps(parts, separators=(",", ":"), sort_keys=True, ensure_ascii=True)
    return hashlib.blake2b(text.encode("ascii"), digest_size=20).hexdigest()


@functools.cache
def room_version(room: str) -> str:
    """Version of a room: a hash of its source, so that no one need remember to raise a number."""
    digest = hashlib.blake2b(digest_size=8)
    for path in [_PACKAGE / room] if room.endswith(".py") else sorted((_PACKAGE / room).rglob("*.py")):
        digest.update(path.name.encode())
        digest.update(path.read_bytes())
    return digest.hexdigest()


@functools.cache
def libraries_version() -> str:
    """Versions of the libraries that decode and calculate."""
    found = []
    for name in _LIBRARIES:
        try:
            told = metadata.distribution(name).read_text("METADATA") or ""
        except metadata.PackageNotFoundError:
            continue
        # Not `metadata.version`, which reads the whole description as an e-mail: a quick check would wait for it.
        version = _VERSION_LINE.search(told)
        found.append(f"{name} {version.group(1) if version else 'unknown'}")
    return key_of(*found)


def versions(rooms: Iterable[str]) -> list[str]:
    """Versions of several rooms, and of what lies under all of them."""
    return [libraries_version(), *(room_version(room) for room in ("records", "run/codec.py", *rooms))]


def section_values(section: Section, without: frozenset[str] = frozenset()) -> dict[str, Any]:
    """A settings section as plain values, without the names that do not matter here."""
    return {name: value for name, value in section.model_dump(mode="json").items() if name not in without}


def frame_facts(frame: Frame) -> str:
    """A frame's record as a hash, without what a copy to another disk changes (times of files)."""
    facts = (frame.name, frame.pixels_from, frame.width_px, frame.height_px, frame.camera, frame.derived, frame.notes)
    return hashlib.blake2b(codec.dumps(facts), digest_size=16).hexdigest()


def score_key(frame: Frame, digest: str, settings: Settings) -> str:
    """Key of a frame's score: content, orientation, settings of `imaging` and `score`."""
    return key_of(
        "score", digest, frame.name, frame.camera.orientation,
        section_values(settings.imaging), section_values(settings.score), versions(("imaging", "score")),
    )  # fmt: skip


def measure_key(
    node: FrameSet, family: Grouping, frames: Sequence[Frame], score_keys: Mapping[str, str], settings: Settings
) -> str:
    """Key of a set's measures: its make-up, its frames' data and scores, the settings that change a measure.

    `family` is the grouping cut down to the set and those below it. A tolerance changes a judgement, never a
    measure, and is left out.
    """
    # Not the scene's and take's numbers: a new frame early in the shoot renumbers every later set.
    made_of = [[s.set_id, s.kind, s.members, s.frames] for s in family.sets]
    places = [
        [p.frame, p.set_id, p.view_index, p.focus_index, p.exposure_index]
        for p in (family.placements[name] for name in node.frames if name in family.placements)
    ]
    judging: frozenset[str] = getattr(settings.assess, "JUDGING", frozenset({"tolerance_px"}))
    return key_of(
        "measure", node.set_id, made_of, places, [frame_facts(frame) for frame in frames],
        [score_keys.get(frame.name) for frame in frames],
        section_values(settings.assess, without=judging), section_values(settings.imaging),
        versions(("imaging", "score", "assess")),
    )  # fmt: skip
