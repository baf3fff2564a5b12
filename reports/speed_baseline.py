"""The plain way to the same measures, with scikit-image alone: what a careful afternoon's script costs.

    python reports/speed_baseline.py A.JPG B.JPG

Of each frame: sharpness and noise per tile, blur of the whole. Of the pair: camera shift by phase correlation at a
tenth of a pixel, brightness by histogram matching, dense flow (iterative Lucas-Kanade) at full size, its median per
tile. Prints JSON: tile side, rows, columns, and the flow (x, y) per tile, median over the picture removed.
"""

from __future__ import annotations

import json
import sys

import numpy as np
from numpy.typing import NDArray
from skimage.color import rgb2gray
from skimage.exposure import match_histograms
from skimage.filters import laplace, scharr
from skimage.io import imread
from skimage.measure import blur_effect
from skimage.registration import optical_flow_ilk, phase_cross_correlation
from skimage.transform import EuclideanTransform, warp
from skimage.util import view_as_blocks


def tiles(values: NDArray[np.floating], side: int) -> NDArray[np.floating]:
    """A plane cut into whole tiles, shape (rows, columns, side, side)."""
    rows, cols = values.shape[0] // side, values.shape[1] // side
    blocks: NDArray[np.floating] = view_as_blocks(
        np.ascontiguousarray(values[: rows * side, : cols * side]), (side, side)
    )
    return blocks


def frame_measures(gray: NDArray[np.floating], side: int) -> dict[str, float]:
    """Sharpness, noise and blur of a frame."""
    sharp = np.sqrt((tiles(scharr(gray), side) ** 2).mean(axis=(2, 3)))
    noise = np.abs(tiles(laplace(gray), side)).mean(axis=(2, 3))
    return {
        "sharp": float(np.percentile(sharp, 90)),
        "noise": float(np.percentile(noise, 10)),
        "blur": float(blur_effect(gray)),
    }


def main() -> None:
    """Measure two frames and their pair."""
    a, b = (rgb2gray(imread(path)).astype(np.float32) for path in sys.argv[1:3])
    side = max(a.shape) // 80
    frames = [frame_measures(picture, side) for picture in (a, b)]
    b = match_histograms(b, a).astype(np.float32)
    shift, _, _ = phase_cross_correlation(a, b, upsample_factor=10)
    moved = warp(b, EuclideanTransform(translation=(-shift[1], -shift[0])), preserve_range=True).astype(np.float32)
    down, along = optical_flow_ilk(a, moved, radius=15)
    flow = np.stack([np.median(tiles(part, side), axis=(2, 3)) for part in (along, down)])
    flow -= np.median(flow, axis=(1, 2), keepdims=True)
    print(json.dumps({"side": side, "frames": frames, "flow": flow.round(3).tolist()}))


if __name__ == "__main__":
    main()
