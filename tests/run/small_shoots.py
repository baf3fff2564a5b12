"""Tiny shoots for the tests of running: real JPEG files with camera data, drawn from a seed."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import piexif
from numpy.typing import NDArray
from PIL import Image
from scipy.ndimage import gaussian_filter, shift

DUSK = datetime(2031, 6, 3, 21, 14, 5)
Picture = NDArray[np.float64]


def cliff(seed: int, width: int = 480, height: int = 320) -> Picture:
    """A textured scene of its own for every seed, 0..255, (H, W, 3)."""
    rng = np.random.default_rng(seed)
    coarse = gaussian_filter(rng.normal(0, 1, (height, width, 3)), (12, 12, 0))
    fine = gaussian_filter(rng.normal(0, 1, (height, width, 3)), (0.8, 0.8, 0))
    return np.clip(120 + 45 * coarse / coarse.std() + 20 * fine / fine.std(), 0, 255)


def moved(picture: Picture, dx: float, dy: float = 0.0) -> Picture:
    """The picture moved by whole or part pixels."""
    return np.asarray(shift(picture, (dy, dx, 0), order=1, mode="nearest"))


def write_frame(
    path: Path,
    picture: Picture,
    taken: datetime,
    exposure: tuple[int, int] = (1, 125),
    f_number: tuple[int, int] = (8, 1),
    iso: int = 100,
    orientation: int = 1,
) -> None:
    """Write a JPEG as a camera would, with an invented maker."""
    path.parent.mkdir(parents=True, exist_ok=True)
    stamp = taken.strftime("%Y:%m:%d %H:%M:%S")
    data = {
        "0th": {
            piexif.ImageIFD.Make: "Halyard", piexif.ImageIFD.Model: "Skerry 2",
            piexif.ImageIFD.Orientation: orientation, piexif.ImageIFD.DateTime: stamp,
        },
        "Exif": {
            piexif.ExifIFD.DateTimeOriginal: stamp,
            piexif.ExifIFD.SubSecTimeOriginal: f"{taken.microsecond // 1000:03d}",
            piexif.ExifIFD.ExposureTime: exposure, piexif.ExifIFD.FNumber: f_number,
            piexif.ExifIFD.ISOSpeedRatings: iso, piexif.ExifIFD.FocalLength: (24, 1),
            piexif.ExifIFD.FocalLengthIn35mmFilm: 24,
        },
    }  # fmt: skip
    noise = np.random.default_rng(taken.microsecond + taken.second).normal(0, 1.5, picture.shape)
    pixels = Image.fromarray(np.clip(picture + noise, 0, 255).astype(np.uint8))
    pixels.save(path, quality=92, exif=piexif.dump(data))


def write_shoot(folder: Path, bursts: int = 2, length: int = 3, seed: int = 0) -> Path:
    """`bursts` still bursts of `length` frames, five minutes apart, and one frame alone."""
    number = 1
    for burst in range(bursts):
        scene = cliff(seed + burst)
        for index in range(length):
            taken = DUSK + timedelta(minutes=5 * burst, seconds=index, milliseconds=137 * index)
            write_frame(folder / "100CLIFF" / f"THFT{number:04d}.JPG", scene, taken)
            number += 1
    taken = DUSK + timedelta(minutes=5 * bursts)
    write_frame(folder / "100CLIFF" / f"THFT{number:04d}.JPG", cliff(seed + 99), taken)
    return folder
