"""Masks as files: whole or not at all, never over a file that is not a mask of ours."""

from __future__ import annotations

import csv
from collections.abc import Sequence
from pathlib import Path
from typing import Literal

import numpy as np
from PIL import Image, PngImagePlugin, UnidentifiedImageError

from windstill.handover.files import Taken
from windstill.handover.holds import Index, index_step
from windstill.records import encode_name
from windstill.report.aside import written_aside

Form = Literal["png", "tiff"]
SUFFIX: dict[Form, str] = {"png": ".png", "tiff": ".tif"}
_MADE_BY = "windstill mask"
_SOFTWARE_TAG = 305
_LEGEND_START = "windstill masks: "


def write_picture(place: Path, pixels: Index, form: Form) -> None:
    """Write a grey picture, marked as ours.

    Raises
    ------
    Taken
        A file of that name is there that is not ours.
    OSError
        It cannot be written.
    """
    if not _is_free(place):
        raise Taken("another file of that name is there; left as it is")
    image = Image.fromarray(pixels)
    with written_aside(place) as aside:
        if form == "png":
            mark = PngImagePlugin.PngInfo()
            mark.add_text("Software", _MADE_BY)
            image.save(aside, "PNG", pnginfo=mark, compress_level=2)
        else:
            image.save(aside, "TIFF", compression="tiff_deflate", tiffinfo={_SOFTWARE_TAG: _MADE_BY})


def write_legend(place: Path, lines: Sequence[str]) -> None:
    """Write the text that says what each mask is. Raises as `write_picture`."""
    _check_text(place, _LEGEND_START)
    with written_aside(place) as aside:
        aside.write_text("\n".join((_LEGEND_START + lines[0], *lines[1:])) + "\n", "utf-8")


def write_holders(place: Path, frames: Sequence[str], index: Index) -> None:
    """Write the frames' grey values as CSV: ``index, frame, picture_pct``. Raises as `write_picture`."""
    _check_text(place, "index,frame,picture_pct")
    step = index_step(len(frames))
    with written_aside(place) as aside, aside.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(("index", "frame", "picture_pct"))
        for number, frame in enumerate(("", *frames)):
            share = 100 * float(np.mean(index == number * step))
            writer.writerow((number * step, encode_name(frame), f"{share:.2f}"))


def remove_old(folder: Path, keep: Sequence[str]) -> None:
    """Take away masks of ours in a folder that this run did not write: they would tell another story."""
    for suffix in SUFFIX.values():
        for path in folder.glob(f"*{suffix}"):
            if path.name not in keep and _is_ours(path):
                path.unlink(missing_ok=True)


def _is_free(place: Path) -> bool:
    return not (place.is_symlink() or place.exists()) or _is_ours(place)


def _is_ours(path: Path) -> bool:
    if path.is_symlink() or not path.is_file():
        return False
    try:
        with Image.open(path, formats=("PNG", "TIFF")) as image:
            tags = getattr(image, "tag_v2", {})
            return _MADE_BY in (image.info.get("Software"), tags.get(_SOFTWARE_TAG))
    except (OSError, UnidentifiedImageError, Image.DecompressionBombError, ValueError):
        return False


def _check_text(place: Path, start: str) -> None:
    if place.is_symlink() or (place.exists() and not place.is_file()):
        raise Taken("another file of that name is there; left as it is")
    if place.exists():
        with place.open(encoding="utf-8", errors="replace") as file:
            if not file.read(len(start)).startswith(start):
                raise Taken("another file of that name is there; left as it is")
