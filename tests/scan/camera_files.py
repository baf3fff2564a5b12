"""Small photographs with camera data as a camera writes it, for the tests of the scan.

Written by piexif, Pillow and tifffile; the cameras are invented.
"""

from __future__ import annotations

import io
import struct
import zlib
from pathlib import Path
from typing import Any

import numpy as np
import piexif
from PIL import Image

MAKER, MODEL = "Tarnline", "Tarnline F1"
_SUBSEC_ORIGINAL, _OFFSET_ORIGINAL, _SERIAL, _COMPOSITE = 0x9291, 0x9011, 0xA431, 0xA460


def exif_block(
    taken: str | None = "2026:06:11 21:14:05", *, subsec: str | None = None, offset: str | None = None,
    exposure: tuple[int, int] | None = (1, 60), f_number: tuple[int, int] | None = (8, 1), iso: int | None = 100,
    model: str | bytes | None = MODEL, serial: str | None = None, software: str | None = None, orientation: int = 1,
    composite: int | None = None, image: dict[int, Any] | None = None, exif: dict[int, Any] | None = None,
) -> bytes:
    """An Exif segment; what is ``None`` is left out; `image` and `exif` add tags of the two directories."""
    first: dict[int, Any] = {0x0112: orientation}
    second: dict[int, Any] = {}
    if model is not None:
        first |= {0x010F: MAKER, 0x0110: model}
    for tag, value in ((0x0131, software),):
        if value is not None:
            first[tag] = value
    pairs = (
        (0x9003, taken), (_SUBSEC_ORIGINAL, subsec), (_OFFSET_ORIGINAL, offset), (0x829A, exposure), (0x829D, f_number),
        (0x8827, iso), (_SERIAL, serial), (_COMPOSITE, composite),
    )
    second.update({tag: value for tag, value in pairs if value is not None})
    if composite is not None:
        piexif.TAGS["Exif"].setdefault(_COMPOSITE, {"name": "CompositeImage", "type": piexif.TYPES.Short})
    block: bytes = piexif.dump({"0th": first | (image or {}), "Exif": second | (exif or {})})
    return block


def picture(seed: int = 0, size: tuple[int, int] = (48, 32)) -> Image.Image:
    """A picture of its own for every seed."""
    values = np.random.default_rng(seed).integers(0, 256, (size[1], size[0], 3), dtype=np.uint8)
    return Image.fromarray(values)


def jpeg(path: Path, *, seed: int | None = None, size: tuple[int, int] = (48, 32), **camera: Any) -> Path:
    """A JPEG; without keywords for the camera's data a default camera's."""
    path.parent.mkdir(parents=True, exist_ok=True)
    seed = zlib.crc32(str(path).encode("utf-8", "surrogateescape")) if seed is None else seed
    with path.open("wb") as file:  # by the name given: Pillow makes it absolute, and longer than systems open
        picture(seed, size).save(file, "JPEG", exif=exif_block(**camera))
    return path


def bare(path: Path, *, seed: int | None = None, size: tuple[int, int] = (48, 32)) -> Path:
    """A picture without any camera data, in the format of its extension."""
    path.parent.mkdir(parents=True, exist_ok=True)
    picture(zlib.crc32(str(path).encode("utf-8", "surrogateescape")) if seed is None else seed, size).save(path)
    return path


def raw(path: Path, *, seed: int = 0, size: tuple[int, int] = (48, 32), **camera: Any) -> Path:
    """A file of a raw's form: a TIFF whose first directory holds the camera data and a CFA picture."""
    path.parent.mkdir(parents=True, exist_ok=True)
    block = exif_block(
        image={
            0x0100: size[0], 0x0101: size[1], 0x0102: (16,), 0x0103: 1, 0x0106: 32803, 0x0115: 1,
            0x011C: 1, **camera.pop("image", {}),
        },
        **camera,
    )
    path.write_bytes(block[6:] + np.random.default_rng(seed).bytes(2 * size[0] * size[1]))
    return path


def jpeg_bytes(exif: bytes, size: tuple[int, int] = (16, 16)) -> bytes:
    """A JPEG around an Exif segment of any content."""
    held = io.BytesIO()
    Image.new("RGB", size, (90, 120, 150)).save(held, "JPEG", exif=exif)
    return held.getvalue()


def wide_header(path: Path, width: int, height: int) -> Path:
    """A file whose header promises a picture of any size, with next to no pixels behind it."""
    if path.suffix == ".png":
        head = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
        chunks = [(b"IHDR", head), (b"IDAT", zlib.compress(bytes(64)))]
        path.write_bytes(b"\x89PNG\r\n\x1a\n" + b"".join(
            struct.pack(">I", len(held)) + kind + held + struct.pack(">I", zlib.crc32(kind + held))
            for kind, held in chunks
        ))
    elif path.suffix == ".jpg":
        data = jpeg_bytes(exif_block())
        at = data.index(b"\xff\xc0") + 5
        path.write_bytes(data[:at] + struct.pack(">HH", height, width) + data[at + 4:])
    else:
        path.write_bytes(exif_block(image={0x0100: width, 0x0101: height})[6:])
    return path
