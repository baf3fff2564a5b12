"""Real files of every kind, written by the reference libraries."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import tifffile
from numpy.typing import NDArray
from PIL import Image

CFA_RGGB = bytes((0, 1, 1, 2))
# sRGB primaries (D65) from XYZ: the matrix a camera with exactly those primaries would carry.
XYZ_TO_CAMERA = (3.2406, -1.5372, -0.4986, -0.9689, 1.8758, 0.0415, 0.0557, -0.2040, 1.0570)


def scene(width: int = 320, height: int = 214, seed: int = 7) -> NDArray[np.uint8]:
    """A smooth colourful picture with clipped spots, no two corners alike; uint8 RGB."""
    rng = np.random.default_rng(seed)
    coarse = rng.integers(20, 236, (7, 9, 3)).astype(np.uint8)
    picture = np.array(Image.fromarray(coarse).resize((width, height), Image.Resampling.BICUBIC))
    picture[height // 8 : height // 4, width // 8 : width // 3] = (255, 90, 60)
    picture[height // 2 : height // 2 + height // 6, width // 2 : width // 2 + width // 5] = 0
    return picture


def jpeg_bytes(picture: NDArray[np.uint8], **kwargs: object) -> bytes:
    """JPEG by Pillow."""
    out = io.BytesIO()
    options: dict[str, object] = {"quality": 92, "subsampling": 0, **kwargs}
    Image.fromarray(picture).save(out, "JPEG", **options)  # type: ignore[arg-type]
    return out.getvalue()


def rational(values: tuple[float, ...], scale: int = 10000) -> tuple[int, ...]:
    """Numerators and denominators, one after the other."""
    return tuple(n for v in values for n in (round(v * scale), scale))


def mosaic(picture: NDArray[np.uint8], white: int = 4095) -> NDArray[np.uint16]:
    """The RGGB mosaic of a camera that records linear light, 0 to `white`."""
    encoded = picture.astype(np.float64) / 255
    linear = np.where(encoded <= 0.04045, encoded / 12.92, ((encoded + 0.055) / 1.055) ** 2.4)
    cfa = np.empty(picture.shape[:2])
    for (row, col), channel in zip(((0, 0), (0, 1), (1, 0), (1, 1)), CFA_RGGB, strict=True):
        cfa[row::2, col::2] = linear[row::2, col::2, channel]
    return np.rint(cfa * white).astype(np.uint16)


def write_dng(
    path: Path, picture: NDArray[np.uint8], preview: NDArray[np.uint8] | None = None, orientation: int = 1,
    compression: str | None = "jpeg",
) -> None:
    """A small DNG 1.4 as a camera writes it: a preview first, the CFA in a SubIFD; or the CFA alone.

    Tags: Adobe DNG Specification 1.7.1, chapter 4.
    """
    cfa = mosaic(picture)
    common = [
        (50706, 1, 4, bytes((1, 4, 0, 0)), True),
        (50707, 1, 4, bytes((1, 1, 0, 0)), True),
        (50708, 2, 0, "Skerry One", True),
        (50721, 10, 9, rational(XYZ_TO_CAMERA), True),
        (50728, 5, 3, rational((1.0, 1.0, 1.0)), True),
        (50778, 3, 1, 21, True),
        (274, 3, 1, orientation, True),
        (271, 2, 0, "Skerry", True),
        (272, 2, 0, "One", True),
    ]
    raw_tags = [
        (33421, 3, 2, (2, 2), True),
        (33422, 1, 4, CFA_RGGB, True),
        (50714, 3, 1, 0, True),
        (50717, 3, 1, 4095, True),
    ]
    with tifffile.TiffWriter(path, byteorder="<") as out:
        if preview is not None:
            out.write(
                preview, photometric="rgb", compression=compression, subfiletype=1, subifds=1,
                compressionargs={"level": 92} if compression else None, rowsperstrip=preview.shape[0],
                extratags=common, metadata=None, software=False,
            )  # fmt: skip
            common = []
        out.write(
            cfa, photometric="cfa", subfiletype=0, extratags=[*common, *raw_tags], metadata=None, software=False,
            rowsperstrip=cfa.shape[0],
        )  # fmt: skip
