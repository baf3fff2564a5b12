"""PNG, WebP, BMP and rarer JPEGs (CMYK, several scans) by Pillow."""

from __future__ import annotations

import io
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
from PIL import Image, UnidentifiedImageError

from windstill.imaging.decoded import U8, ImageInfo, ImagingError, Pixels
from windstill.imaging.display import displayed, over_black
from windstill.imaging.faults import check_memory, check_size, cut_off, damaged, unsupported
from windstill.imaging.kinds import Kind, read_whole
from windstill.settings.imaging import ImagingSettings

_FORMATS = {"png": ("PNG",), "webp": ("WEBP",), "jpeg": ("JPEG", "MPO"), "bmp": ("BMP",)}
_PNG_DEPTH_AT = 24
_BYTES_HELD = 8  # per pixel: the decoder's own four, and the array's


def info(path: Path, kind: Kind, settings: ImagingSettings) -> ImageInfo:
    """Size from the header."""
    with _opened(read_whole(path, settings), kind, settings) as image:
        return ImageInfo(image.width, image.height, kind)


def read(path: Path, kind: Kind, settings: ImagingSettings) -> Pixels:
    """Decode the (first) picture.

    Raises
    ------
    ImagingError
        Cut off, damaged, too large or of an unknown kind.
    """
    data = read_whole(path, settings)
    with _opened(data, kind, settings) as image:
        check_memory(image.width * image.height * _BYTES_HELD, settings)
        bits = data[_PNG_DEPTH_AT] if kind == "png" else 8
        return Pixels(_as_shown(image), bits, kind if kind != "jpeg" else "jpeg by Pillow")


@contextmanager
def _opened(data: bytes, kind: Kind, settings: ImagingSettings) -> Iterator[Image.Image]:
    # Our own limit is checked before anything is decoded; Pillow's would warn about, and stop at, real panoramas.
    Image.MAX_IMAGE_PIXELS = None
    try:
        with Image.open(io.BytesIO(data), formats=_FORMATS[kind]) as image:
            check_size(image.width, image.height, settings)
            yield image
    except (ImagingError, MemoryError):
        raise
    except UnidentifiedImageError as err:
        raise damaged(f"the {kind.upper()} header") from err
    except Exception as err:  # Pillow raises OSError, SyntaxError, struct.error and more on broken files
        if "truncated" in str(err) or isinstance(err, EOFError):
            raise cut_off() from err
        if isinstance(err, NotImplementedError) or "not supported" in str(err) or "unsupported" in str(err).lower():
            raise unsupported(f"this kind of {kind.upper()}") from err
        raise damaged() from err


def _as_shown(image: Image.Image) -> U8:
    if image.mode.startswith("I"):
        values = np.asarray(image)
        return displayed(np.clip(values, 0, 65535).astype(np.uint16))
    if image.mode in ("1", "L"):
        return np.asarray(image.convert("L"))
    if image.mode in ("LA", "PA", "RGBA", "La", "RGBa") or "transparency" in image.info:
        rgba = np.asarray(image.convert("RGBA"))
        return over_black(np.ascontiguousarray(rgba[..., :3]), np.ascontiguousarray(rgba[..., 3]))
    return np.asarray(image.convert("RGB"))
