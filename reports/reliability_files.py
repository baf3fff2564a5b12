"""Files that no camera wrote: sound ones of every kind, and what can be done to them. A number and a seed name each."""

from __future__ import annotations

import io
import os
import random
import struct
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import piexif
from PIL import Image
from reliability_base import ROOT, SAMPLE

from imaging.test_broken_files import WRITERS, mutated
from scan.camera_files import exif_block, jpeg_bytes, raw, wide_header
from scan.test_scan_hostile import HOSTILE

SUFFIXES = (
    ".JPG", ".NEF", ".CR2", ".CR3", ".ARW", ".DNG", ".RAF", ".RW2", ".ORF", ".PEF", ".X3F", ".TIF", ".PNG", ".WEBP",
    ".HEIC", ".BMP",
)  # fmt: skip
_ABSURD = (0, 1, 8, 0x7F, 0xFF, 0x7FFF, 0xFFFF, 0x10000, 0x7FFFFFFF, 0x80000000, 0xFFFFFFF0, 0xFFFFFFFF)
_RATIONALS = ((0, 0), (1, 0), (0, 1), (0xFFFFFFFF, 1), (1, 0xFFFFFFFF), (0xFFFFFFFF, 0xFFFFFFFF), (1, 3), (24, 1))
_SIGNED = ((-1, 0), (-5, 1), (0, 0), (2**31 - 1, -1))
_TEXTS = (
    "0000:00:00 00:00:00", "2026:13:45 99:99:99", "9999:12:31 23:59:59", "\0" * 19, "\x1b[2J\x07", "\u202e" * 40,
    "<script>alert(1)</script>", "=1+1", "A" * 60_000, "../../../etc", "a\nb\r\nc;d>e", "\ufffe\uffff", "",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Source:
    """A file as it should be."""

    suffix: str
    data: bytes


def sources() -> list[Source]:
    """Sound files: real camera files, the sample shoot made smaller, and one of every kind written here."""
    found = []
    outside = Path(os.environ.get("WINDSTILL_OUTSIDE_DATA", ROOT.parent / "shared" / "data")) / "exif"
    folders = [ROOT / "tests" / "data" / "exif", outside, outside / "headers"]
    for folder in folders:
        for path in sorted(folder.glob("*.*")) if folder.is_dir() else []:
            if path.suffix != ".md":
                found.append(Source(path.suffix.upper(), path.read_bytes()))
    for path in sorted(SAMPLE.rglob("*.JPG"))[:6]:
        data = path.read_bytes()
        small = io.BytesIO()
        with Image.open(io.BytesIO(data)) as picture:
            picture.reduce(4).save(small, "JPEG", quality=90, exif=picture.info["exif"])
        found += [Source(".JPG", small.getvalue())]
    found.append(Source(".JPG", data))
    with tempfile.TemporaryDirectory() as folder_name:
        for name, write in WRITERS.items():
            path = Path(folder_name) / name
            write(path)
            found.append(Source(path.suffix.upper(), path.read_bytes()))
        found.append(Source(".NEF", raw(Path(folder_name) / "a.NEF", size=(320, 214)).read_bytes()))
    return found


def fuzzed(number: int, seed: int, sound: list[Source]) -> tuple[str, bytes, str]:
    """The file of a number: its extension, its bytes, and what was done to it."""
    rng = random.Random(f"{seed}-{number}")
    names = list(_WAYS)
    way = rng.choices(names, [_WAYS[name][0] for name in names])[0]
    source = rng.choice(sound)
    suffix, data = _WAYS[way][1](source, rng, sound)
    if rng.random() < 0.08:
        suffix = rng.choice(SUFFIXES)
    return suffix, data, way


def _cut(source: Source, rng: random.Random, sound: list[Source]) -> tuple[str, bytes]:
    return source.suffix, source.data[: len(source.data) * rng.randrange(64) // 64]


def _bits(source: Source, rng: random.Random, sound: list[Source]) -> tuple[str, bytes]:
    data = bytearray(source.data)
    reach = len(data) if rng.random() < 0.5 else min(len(data), 3000)
    for _ in range(rng.choice((1, 1, 2, 8, 64))):
        data[rng.randrange(reach)] ^= 1 << rng.randrange(8)
    return source.suffix, bytes(data)


def _bytes(source: Source, rng: random.Random, sound: list[Source]) -> tuple[str, bytes]:
    return source.suffix, mutated(source.data, rng.randrange(1 << 32))


def _noise(source: Source, rng: random.Random, sound: list[Source]) -> tuple[str, bytes]:
    head = source.data[: rng.choice((0, 4, 12, 32, 200))]
    return rng.choice(SUFFIXES), head + rng.randbytes(rng.choice((0, 1, 100, 5_000, 200_000)))


def _spliced(source: Source, rng: random.Random, sound: list[Source]) -> tuple[str, bytes]:
    other = rng.choice(sound).data
    return source.suffix, source.data[: rng.randrange(1, len(source.data))] + other[rng.randrange(len(other)) :]


def _renamed(source: Source, rng: random.Random, sound: list[Source]) -> tuple[str, bytes]:
    return rng.choice(SUFFIXES), source.data


def _structure(source: Source, rng: random.Random, sound: list[Source]) -> tuple[str, bytes]:
    block = HOSTILE[rng.choice(list(HOSTILE))][:300_000]
    if rng.random() < 0.4:
        return ".JPG", jpeg_bytes(b"Exif\0\0" + block[:65000])
    return rng.choice((".TIF", ".NEF", ".DNG", ".CR2", ".ARW")), block


def _directories(source: Source, rng: random.Random, sound: list[Source]) -> tuple[str, bytes]:
    """Absurd types, counts, offsets and values in the TIFF directories of a file, circles among them."""
    data = bytearray(source.data)
    start = data.find(b"Exif\0\0") + 6 if data[:2] == b"\xff\xd8" else 0
    order = {b"II": "<", b"MM": ">"}.get(bytes(data[start : start + 2]))
    places = _entries(data, start, order) if order else []
    if not places:
        return _bits(source, rng, sound)
    for _ in range(rng.choice((1, 1, 2, 5, 20))):
        at = rng.choice(places)
        value = rng.choice((*_ABSURD, at - start, at - start - 2, len(data) - start - 1))
        match rng.randrange(4):
            case 0:
                struct.pack_into(order + "H", data, at + 2, rng.randrange(14))
            case 1:
                struct.pack_into(order + "I", data, at + 4, value)
            case 2:
                struct.pack_into(order + "I", data, at + 8, value)
            case _:
                struct.pack_into(order + "H", data, at, rng.choice((0x8769, 0x014A, 0x0111, 0x0117, 0x0100, 0x0103)))
    return source.suffix, bytes(data)


def _entries(data: bytearray, start: int, order: str) -> list[int]:
    """Where the entries of a TIFF structure stand, as far as it is sound."""
    found: list[int] = []
    waiting, seen = [struct.unpack_from(order + "I", data, start + 4)[0]], set[int]()
    while waiting and len(found) < 400:
        place = waiting.pop()
        if place in seen or not 8 <= place <= len(data) - start - 6:
            continue
        seen.add(place)
        at = start + place
        count = struct.unpack_from(order + "H", data, at)[0]
        for entry in range(at + 2, min(at + 2 + 12 * count, len(data) - 16), 12):
            found.append(entry)
            tag, _, _, value = struct.unpack_from(order + "HHII", data, entry)
            if tag in (0x8769, 0x8825, 0x014A):
                waiting.append(value)
        if at + 2 + 12 * count + 4 <= len(data):
            waiting.append(struct.unpack_from(order + "I", data, at + 2 + 12 * count)[0])
    return found


def _values(source: Source, rng: random.Random, sound: list[Source]) -> tuple[str, bytes]:
    """Camera data that is well formed and cannot be."""

    def text() -> bytes:
        return rng.choice(_TEXTS).encode("utf-8", "surrogatepass")

    def some(*tags: int) -> list[int]:
        return [tag for tag in tags if rng.random() < 0.5]

    exif: dict[int, object] = {tag: rng.choice(_RATIONALS) for tag in some(0x829A, 0x829D, 0x9206, 0x920A, 0xA20E)}
    exif |= {tag: rng.choice(_SIGNED) for tag in some(0x9204, 0x9201)}
    exif |= {tag: text() for tag in some(0xA434, 0xA433, 0x9291, 0x9290)}
    exif |= {tag: rng.choice((0, 1, 9, 65535)) for tag in some(0x8827, 0xA405, 0xA402, 0x8822)}
    image = {tag: text() for tag in some(0x010F, 0x0131, 0x013B)}
    try:
        block = exif_block(
            taken=rng.choice((None, "2026:06:11 21:14:05", *_TEXTS[:4])),
            subsec=rng.choice((None, "999999999", "-1", "x")), offset=rng.choice((None, "+99:99", "?", "+02:00")),
            model=text(), orientation=rng.choice((0, 1, 6, 9, 65535)),
            image=image, exif=exif,
        )  # fmt: skip
        return ".JPG", jpeg_bytes(block, (rng.choice((1, 16, 300)), rng.choice((1, 16, 200))))
    except (ValueError, struct.error, piexif.InvalidImageDataError):  # more than a segment holds
        return _bits(source, rng, sound)


def _bomb(source: Source, rng: random.Random, sound: list[Source]) -> tuple[str, bytes]:
    """Next to no pixels behind a header that promises many; or few bytes that unpack to many."""
    width, height = (rng.choice((1, 500, 8_000, 19_000, 40_000, 65_500, 100_000, 2**31 - 1)) for _ in "xy")
    kind = rng.choice(("jpg", "png", "tif", "webp", "packed"))
    if kind == "webp":
        size = struct.pack("<I", min(width, 1 << 24) - 1)[:3] + struct.pack("<I", min(height, 1 << 24) - 1)[:3]
        pixels = b"VP8L" + struct.pack("<I", 5) + b"\x2f\xff\xff\xff\xff"
        body = b"WEBPVP8X" + struct.pack("<I", 10) + bytes(4) + size + pixels
        return ".WEBP", b"RIFF" + struct.pack("<I", len(body)) + body
    if kind == "packed":
        out = io.BytesIO()
        side = rng.choice((1_000, 3_000, 6_000))
        form = rng.choice(("PNG", "TIFF", "WEBP"))
        options = {"PNG": {}, "TIFF": {"compression": "tiff_adobe_deflate"}, "WEBP": {"quality": 1, "method": 0}}[form]
        Image.fromarray(np.zeros((side, side), np.uint8)).save(out, form, **options)  # type: ignore[arg-type]
        return {"PNG": ".PNG", "TIFF": ".TIF", "WEBP": ".WEBP"}[form], out.getvalue()
    if kind == "jpg":
        width, height = min(width, 65_500), min(height, 65_500)
    with tempfile.TemporaryDirectory() as folder:
        path = wide_header(Path(folder) / f"bomb.{kind}", width, height)
        return f".{kind.upper()}", path.read_bytes()


_Way = Callable[[Source, random.Random, list[Source]], tuple[str, bytes]]
_WAYS: dict[str, tuple[float, _Way]] = {
    "cut off at a 64th": (3, _cut),
    "bits turned": (3, _bits),
    "bytes changed, removed, repeated": (3, _bytes),
    "random bytes under a camera's extension": (1.5, _noise),
    "head of one file, tail of another": (1, _spliced),
    "another kind's extension": (0.7, _renamed),
    "absurd or circular directories": (1, _structure),
    "absurd types, counts and offsets in real directories": (3, _directories),
    "impossible camera data": (2, _values),
    "bombs": (0.8, _bomb),
}
WAYS = tuple(_WAYS)
