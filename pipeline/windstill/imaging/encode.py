"""Small pictures for the report."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
import simplejpeg
from numpy.typing import NDArray


def encode_jpeg(picture: NDArray[np.uint8], quality: int = 85) -> bytes:
    """JPEG of an (H, W, 3) RGB or (H, W) gray uint8 picture; `quality` 1..100. 4:4:4, so colours stay in place."""
    pixels = np.ascontiguousarray(picture)
    if pixels.ndim == 2:
        return bytes(simplejpeg.encode_jpeg(pixels[..., None], quality, colorspace="GRAY", colorsubsampling="Gray"))
    return bytes(simplejpeg.encode_jpeg(pixels, quality, colorspace="RGB", colorsubsampling="444"))


def encode_png(picture: NDArray[np.uint8]) -> bytes:
    """PNG of an (H, W, 3) RGB, (H, W, 4) RGBA or (H, W) gray uint8 picture."""
    pixels: Any = picture
    if picture.ndim == 3:
        pixels = cv2.cvtColor(picture, cv2.COLOR_RGB2BGR if picture.shape[2] == 3 else cv2.COLOR_RGBA2BGRA)
    _, data = cv2.imencode(".png", pixels)
    return bytes(data.tobytes())


