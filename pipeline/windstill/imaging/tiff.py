"""TIFF of 1 to 32 bits, integer or float, by tifffile and imagecodecs; and telling camera raw from it.

Tags and photometric interpretations: TIFF 6.0; raw ones: DNG 1.7.1.
"""

from __future__ import annotations

import logging
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import islice
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import tifffile
from numpy.typing import NDArray

from windstill.imaging.decoded import U8, ImageInfo, ImagingError, Pixels
from windstill.imaging.display import displayed, over_black
from windstill.imaging.faults import check_memory, check_size, cut_off, damaged, unsupported
from windstill.settings.imaging import ImagingSettings

logging.getLogger("tifffile").setLevel(logging.CRITICAL)

_MOST_PAGES = 32
_CFA, _LINEAR_RAW = 32803, 34892
_DNG_VERSION = 50706
_REDUCED = 1
_WHITE_IS_ZERO, _BLACK_IS_ZERO, _RGB, _PALETTE, _MASK, _SEPARATED, _YCBCR, _CIELAB = 0, 1, 2, 3, 4, 5, 6, 8
_UNASSOCIATED_ALPHA = 2
_COLOURS = {_WHITE_IS_ZERO: 1, _BLACK_IS_ZERO: 1, _RGB: 3, _PALETTE: 1, _SEPARATED: 4, _YCBCR: 3, _CIELAB: 3}


def is_raw(path: Path, *, named_so: bool) -> bool:
    """Whether a TIFF container holds a camera's raw picture.

    Parameters
    ----------
    named_so : bool
        The extension is that of a raw format. It then is one, even without the standard's tags, unless the
        picture a TIFF reader sees makes up most of the file: in old raw formats that is a small preview.
    """
    try:
        with tifffile.TiffFile(path) as file:
            pages = list(_pages(file))
            if any(_photometric(page) in (_CFA, _LINEAR_RAW) or _DNG_VERSION in page.tags for page in pages):
                return True
            return named_so and sum(length for _, length in _spans(_main_page(file))) < file.filehandle.size / 2
    except Exception:  # tifffile raises what a broken file provokes; the decoder asked next says what is wrong
        return named_so


def check_whole(path: Path) -> None:
    """Refuse a container whose strips or tiles reach beyond the end of the file.

    Raises
    ------
    ImagingError
        Cut off.
    """
    try:
        with tifffile.TiffFile(path) as file:
            size = file.filehandle.size
            spans = [span for page in _pages(file) for span in _spans(page)]
    except Exception:  # not for this library to judge: not every raw container is a TIFF it reads
        return
    if any(start + length > size for start, length in spans):
        raise cut_off()  # how far cannot be told: the directory of the raw itself may be among what is missing


def info(path: Path, settings: ImagingSettings) -> ImageInfo:
    """Size of the picture `read` would give."""
    with _opened(path) as file:
        page = _main_page(file)
        check_size(page.imagewidth, page.imagelength, settings)
        return ImageInfo(page.imagewidth, page.imagelength, "tiff")


def read(path: Path, settings: ImagingSettings) -> Pixels:
    """Decode the largest full picture of a TIFF file.

    Raises
    ------
    ImagingError
        Cut off, damaged, too large, or of a kind no codec here knows.
    """
    with _opened(path) as file:
        page = _main_page(file)
        check_size(page.imagewidth, page.imagelength, settings)
        pixels = page.imagewidth * page.imagelength
        check_memory(pixels * page.samplesperpixel * max(1, page.bitspersample // 8) + 4 * pixels, settings)
        spans = list(_spans(page))
        size = file.filehandle.size
        if any(start + length > size for start, length in spans):
            raise cut_off(_percent_present(spans, size))
        if not spans or any(length == 0 for _, length in spans):
            raise damaged()
        try:
            values = page.asarray(maxworkers=1)
        except MemoryError:
            raise
        except NotImplementedError as err:
            raise unsupported("this kind of TIFF") from err
        except Exception as err:
            if any(words in str(err) for words in ("not supported", "not a known", "requires")):
                raise unsupported("this kind of TIFF") from err
            raise damaged() from err
        return Pixels(_as_shown(page, values), page.bitspersample, "tiff")


@contextmanager
def _opened(path: Path) -> Iterator[Any]:
    """A TIFF file whose own errors come out in plain words."""
    try:
        with tifffile.TiffFile(path) as file:
            yield file
    except (ImagingError, MemoryError):
        raise
    except Exception as err:  # tifffile raises what a broken directory provokes
        raise damaged("the TIFF directory") from err


def _pages(file: Any) -> Iterator[Any]:
    """Pages and the pages below them."""
    for page in islice(file.pages, _MOST_PAGES):
        yield page
        if page.subifds:
            yield from islice(page.pages, _MOST_PAGES)


def _main_page(file: Any) -> Any:
    """The largest picture that is no reduced copy."""

    def rank(page: Any) -> tuple[bool, int]:
        return not page.subfiletype & _REDUCED, page.imagewidth * page.imagelength

    pages = [page for page in _pages(file) if _photometric(page) in _COLOURS]
    if not pages:
        raise unsupported("this kind of TIFF")
    return max(pages, key=rank)


def _photometric(page: Any) -> int:
    return int(page.photometric) if page.photometric is not None else -1


def _spans(page: Any) -> Iterator[tuple[int, int]]:
    return zip(page.dataoffsets, page.databytecounts, strict=False)


def _percent_present(spans: list[tuple[int, int]], size: int) -> float:
    total = sum(length for _, length in spans)
    present = sum(min(length, max(0, size - start)) for start, length in spans)
    return 100.0 * present / max(1, total)


def _as_shown(page: Any, values: NDArray[Any]) -> U8:
    """8-bit RGB or gray as a viewer shows it."""
    if page.axes.startswith("S") and values.ndim == 3:
        values = np.moveaxis(values, 0, -1)
    kind = _photometric(page)
    if values.ndim not in (2, 3) or values.shape[:2] != (page.imagelength, page.imagewidth):
        raise unsupported("this kind of TIFF")
    if kind == _PALETTE:
        return _from_palette(page, values)
    colours = _COLOURS[kind]
    planes = values if values.ndim == 3 else values[..., None]
    if planes.shape[2] < colours:
        raise damaged()
    bits = page.bitspersample if values.dtype.kind in "ui" else None
    shown = displayed(np.ascontiguousarray(planes[..., :colours]), bits).reshape(*planes.shape[:2], colours)
    picture = _to_rgb(shown, planes, kind)
    if planes.shape[2] > colours and _UNASSOCIATED_ALPHA in page.extrasamples[:1]:
        alpha = displayed(np.ascontiguousarray(planes[..., colours]), bits)
        picture = over_black(picture, alpha)
    return picture


def _to_rgb(shown: U8, planes: NDArray[Any], kind: int) -> U8:
    if kind == _WHITE_IS_ZERO:
        return 255 - shown[..., 0]
    if kind == _BLACK_IS_ZERO:
        return np.ascontiguousarray(shown[..., 0])
    if kind == _SEPARATED:
        ink = cv2.bitwise_not(shown)
        return np.ascontiguousarray(np.asarray(cv2.multiply(ink[..., :3], cv2.merge([ink[..., 3]] * 3), scale=1 / 255)))
    if kind == _CIELAB:
        # L* 0..100 over the whole range, a* and b* signed (TIFF 6.0, section 23).
        signed = planes[..., 1:3].astype(np.int8 if planes.dtype.itemsize == 1 else np.int16)
        per_step = 1.0 if planes.dtype.itemsize == 1 else 256.0
        lab = np.dstack([shown[..., 0] * np.float32(100 / 255), signed.astype(np.float32) / np.float32(per_step)])
        rgb = cv2.cvtColor(lab.astype(np.float32), cv2.COLOR_Lab2RGB)
        return np.asarray(np.rint(np.clip(np.asarray(rgb), 0, 1) * 255), np.uint8)
    return shown


def _from_palette(page: Any, values: NDArray[Any]) -> U8:
    table = np.asarray(page.colormap)
    if table.ndim != 2 or table.shape[0] != 3 or values.ndim != 2:
        raise damaged()
    shown = displayed(np.ascontiguousarray(table.T)) if table.dtype.itemsize > 1 else table.T.astype(np.uint8)
    return np.asarray(shown[np.minimum(values, shown.shape[0] - 1)], np.uint8)
