"""HEIC by pillow-heif (optional extra ``heic``).

HEIF turns and mirrors in the container (ISO/IEC 23008-12, ``irot`` and ``imir``) and libheif applies it;
the Exif Orientation beside it only repeats that, and is not applied again.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from windstill.imaging.decoded import ImageInfo, ImagingError, Pixels
from windstill.imaging.display import displayed, over_black
from windstill.imaging.faults import check_memory, check_size, damaged, missing
from windstill.settings.imaging import ImagingSettings

_BYTES_HELD = 10  # per pixel: planes, interleaved copy, array


def info(path: Path, settings: ImagingSettings) -> ImageInfo:
    """Upright size from the header."""
    file = _opened(path, settings)
    return ImageInfo(file.size[0], file.size[1], "heic", turned=True)


def read(path: Path, settings: ImagingSettings) -> Pixels:
    """Decode the primary picture.

    Raises
    ------
    ImagingError
        pillow-heif is not installed; the file is damaged or too large.
    """
    file = _opened(path, settings)
    check_memory(file.size[0] * file.size[1] * _BYTES_HELD, settings)
    bits = int(file.info.get("bit_depth", 8))
    try:
        picture = displayed(np.asarray(file))
    except MemoryError:
        raise
    except Exception as err:  # libheif's errors come as EOFError, ValueError, RuntimeError, SyntaxError
        raise damaged() from err
    if picture.ndim == 3 and picture.shape[2] == 4:
        picture = over_black(np.ascontiguousarray(picture[..., :3]), np.ascontiguousarray(picture[..., 3]))
    if picture.ndim == 3 and picture.shape[2] != 3:
        picture = np.ascontiguousarray(picture[..., 0])
    return Pixels(picture, bits, "heic", turned=True)


def _opened(path: Path, settings: ImagingSettings) -> Any:
    try:
        import pillow_heif
    except ImportError as err:
        raise missing("HEIC", "heic") from err
    pillow_heif.options.DECODE_THREADS = 1
    pillow_heif.options.THUMBNAILS = False
    try:
        with path.open("rb") as source:
            file = pillow_heif.open_heif(source, convert_hdr_to_8bit=True)[0]
    except (MemoryError, ImagingError):
        raise
    except Exception as err:
        raise damaged("the HEIC container") from err
    check_size(file.size[0], file.size[1], settings)
    return file
