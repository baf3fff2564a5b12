"""Shoots of real JPEG files with a preview behind the picture, as cameras write them, and a known motion."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path

import cv2
import numpy as np
import piexif
import simplejpeg
from numpy.typing import NDArray

Picture = NDArray[np.uint8]
DUSK = datetime(2031, 6, 3, 21, 14, 5)
WIDTH, HEIGHT, PREVIEW_WIDTH = 3600, 2400, 1200
FLOOR_PX = WIDTH // PREVIEW_WIDTH


def scene(seed: int, width: int = WIDTH, height: int = HEIGHT) -> Picture:
    """Texture at several scales, uint8 RGB; another for every seed."""
    rng = np.random.default_rng(seed)
    picture = np.full((height, width, 3), 120, np.float32)
    for step, strength in ((6, 14), (18, 14), (60, 16), (300, 18)):
        size = (width // step + 2, height // step + 2)
        coarse = rng.normal(0, strength, (size[1], size[0], 3)).astype(np.float32)
        picture += cv2.resize(coarse, (width, height), interpolation=cv2.INTER_CUBIC)
    return np.clip(picture, 0, 255).astype(np.uint8)


def with_motion(picture: Picture, place: tuple[float, float, float, float], dx: float) -> Picture:
    """The picture with one part of it moved `dx` pixels to the right.

    `place` is its left, upper, right and lower edge as shares of the picture's sides.
    """
    height, width = picture.shape[:2]
    left, top, right, low = (round(v * s) for v, s in zip(place, (width, height, width, height), strict=True))
    moved = cv2.warpAffine(
        picture, np.array([[1, 0, dx], [0, 1, 0]], np.float32), (width, height), borderMode=cv2.BORDER_REFLECT
    )
    result = picture.copy()
    result[top:low, left:right] = moved[top:low, left:right]
    return result


def jpeg_file(picture: Picture, taken: datetime, preview_width: int = PREVIEW_WIDTH, noise_seed: int = 0) -> bytes:
    """A JPEG with camera data and, unless its width is 0, a preview behind the picture."""
    stamp = taken.strftime("%Y:%m:%d %H:%M:%S")
    exif = piexif.dump({
        "0th": {piexif.ImageIFD.Make: "Halyard", piexif.ImageIFD.Model: "Skerry 2", piexif.ImageIFD.DateTime: stamp},
        "Exif": {
            piexif.ExifIFD.DateTimeOriginal: stamp,
            piexif.ExifIFD.SubSecTimeOriginal: f"{taken.microsecond // 1000:03d}",
            piexif.ExifIFD.ExposureTime: (1, 125), piexif.ExifIFD.FNumber: (8, 1), piexif.ExifIFD.ISOSpeedRatings: 100,
            piexif.ExifIFD.FocalLength: (24, 1), piexif.ExifIFD.FocalLengthIn35mmFilm: 24,
        },
    })  # fmt: skip
    noise = np.random.default_rng(noise_seed).integers(-2, 3, (*picture.shape[:2], 1))
    pixels = np.clip(picture.astype(np.int16) + noise, 0, 255).astype(np.uint8)
    main = simplejpeg.encode_jpeg(pixels, 90, colorsubsampling="422")
    block = b"\xff\xe1" + (len(exif) + 2).to_bytes(2, "big") + exif
    if not preview_width:
        return main[:2] + block + main[2:]
    size = preview_width, round(picture.shape[0] * preview_width / picture.shape[1])
    small = cv2.resize(pixels, size, interpolation=cv2.INTER_AREA)
    return main[:2] + block + main[2:] + simplejpeg.encode_jpeg(np.ascontiguousarray(small), 85)


def write_burst(
    folder: Path,
    first: int,
    seed: int,
    taken: datetime,
    moves_px: tuple[float, ...] = (0.0, 0.0, 0.0),
    place: tuple[float, float, float, float] = (0.04, 0.7, 0.3, 0.95),
    preview_width: int = PREVIEW_WIDTH,
    size: tuple[int, int] = (WIDTH, HEIGHT),
) -> list[Path]:
    """A burst in which one part of the picture stands `moves_px` to the right in each frame."""
    folder.mkdir(parents=True, exist_ok=True)
    picture = scene(seed, *size)
    paths = []
    for index, move in enumerate(moves_px):
        at = taken + timedelta(seconds=index, milliseconds=130 * index)
        shown = with_motion(picture, place, move) if move else picture
        path = folder / f"THFT{first + index:04d}.JPG"
        path.write_bytes(jpeg_file(shown, at, preview_width, first + index))
        paths.append(path)
    return paths


def write_card(card: Path) -> Path:
    """A still burst, one that sways by 15 px in the left foreground, one that sways by less than a preview shows."""
    folder = card / "DCIM" / "100CLIFF"
    write_burst(folder, 1, 1, DUSK)
    write_burst(folder, 4, 2, DUSK + timedelta(minutes=5), (0.0, 15.0, 0.0))
    write_burst(folder, 7, 3, DUSK + timedelta(minutes=10), (0.0, 2.5, 0.0))
    return card
