"""Real textures smeared and defocused by known amounts, for the smear tests and the smear report."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

import cv2
import numpy as np
import skimage
import skimage.data
import sklearn.datasets
from numpy.typing import NDArray

from windstill.records import TileGrid

Plane = NDArray[np.uint8]
Profile = Literal["uniform", "swing"]

# Pictures at native resolution, in focus where it matters; ground, plants, stone, water, buildings and stars.
NAMES = (
    "brick", "camera", "china", "coffee", "coins", "flower", "grass", "gravel", "hubble_deep_field", "moon",
    "motorcycle_left", "rocket",
)  # fmt: skip
_FACTOR = 8  # sub-pixels per pixel in which kernels are drawn


def picture(name: str) -> Plane:
    """Luma of one packaged picture."""
    if name in ("china", "flower"):
        colour = sklearn.datasets.load_sample_image(f"{name}.jpg")
        return cv2.cvtColor(colour, cv2.COLOR_RGB2GRAY)
    folder = Path(skimage.data.__file__).parent
    found = next(p for p in folder.glob(f"{name}.*") if p.suffix in (".png", ".jpg"))
    plane = cv2.imread(str(found), cv2.IMREAD_GRAYSCALE)
    assert plane is not None
    return plane


def smear_kernel(length_px: float, angle_deg: float, profile: Profile = "uniform") -> NDArray[np.float64]:
    """Kernel of a movement of given peak-to-peak length; angle counter-clockwise as seen (y points down).

    ``uniform`` moves at constant speed; ``swing`` is half a sine period from one turning point to the other.
    """
    half = int(np.ceil(length_px / 2)) + 1
    side = 2 * half + 1
    kernel = np.zeros((side, side))
    t = (np.arange(2001) + 0.5) / 2001
    along = length_px * (t - 0.5) if profile == "uniform" else -0.5 * length_px * np.cos(np.pi * t)
    x = half + along * np.cos(np.deg2rad(angle_deg))
    y = half - along * np.sin(np.deg2rad(angle_deg))
    x0, y0 = np.floor(x).astype(int), np.floor(y).astype(int)
    fx, fy = x - x0, y - y0
    for dy, wy in ((0, 1 - fy), (1, fy)):
        for dx, wx in ((0, 1 - fx), (1, fx)):
            np.add.at(kernel, (y0 + dy, x0 + dx), wx * wy)
    return kernel / kernel.sum()


def disc_kernel(diameter_px: float) -> NDArray[np.float64]:
    """Kernel of defocus: a disc."""
    half = int(np.ceil(diameter_px / 2)) + 1
    axis = (np.arange((2 * half + 1) * _FACTOR) + 0.5) / _FACTOR - half - 0.5
    inside = (axis[:, None] ** 2 + axis[None, :] ** 2) <= (diameter_px / 2) ** 2
    kernel = inside.reshape(2 * half + 1, _FACTOR, 2 * half + 1, _FACTOR).sum((1, 3)).astype(float)
    return kernel / kernel.sum()


def filtered(plane: NDArray[np.floating] | Plane, *kernels: NDArray[np.float64]) -> NDArray[np.float64]:
    """Convolve in floating point, mirrored borders."""
    result = plane.astype(np.float64)
    for kernel in kernels:
        result = cv2.filter2D(result, cv2.CV_64F, kernel[::-1, ::-1], borderType=cv2.BORDER_REFLECT_101)
    return result


def as_taken(
    plane: NDArray[np.float64],
    rng: np.random.Generator,
    noise_sigma: float = 1.0,
    quality: int | None = 92,
    gain: float = 1.0,
    offset: float = 0.0,
) -> Plane:
    """Exposure, noise, rounding and, unless `quality` is None, JPEG."""
    noisy = gain * plane + offset + rng.normal(0, noise_sigma, plane.shape)
    taken = np.clip(np.rint(noisy), 0, 255).astype(np.uint8)
    if quality is not None:
        ok, data = cv2.imencode(".jpg", taken, [cv2.IMWRITE_JPEG_QUALITY, quality])
        assert ok
        taken = cv2.imdecode(data, cv2.IMREAD_GRAYSCALE)
    return taken


def moved(plane: NDArray[np.float64] | Plane, dx: float, dy: float) -> NDArray[np.float64]:
    """Shift what is seen by (dx, dy) pixels, right and down positive."""
    matrix = np.array([[1, 0, dx], [0, 1, dy]], np.float64)
    return cv2.warpAffine(
        plane.astype(np.float32), matrix, plane.shape[::-1], flags=cv2.INTER_LANCZOS4, borderMode=cv2.BORDER_REFLECT_101
    ).astype(np.float64)


def halved(plane: NDArray[np.float64]) -> NDArray[np.float64]:
    """Area-average to half size, as the working plane of a large picture is made."""
    h, w = plane.shape[0] // 2 * 2, plane.shape[1] // 2 * 2
    return plane[:h, :w].reshape(h // 2, 2, w // 2, 2).mean((1, 3))


def grid_over(plane: NDArray[np.generic], tile_px: int, reduction: int = 1) -> TileGrid:
    """Whole tiles over a working plane."""
    side = tile_px // reduction
    return TileGrid(tile_px=tile_px, rows=plane.shape[0] // side, cols=plane.shape[1] // side)


def textured_tiles(
    plane: NDArray[np.generic], grid: TileGrid, reduction: int = 1, floor: float = 4.0
) -> NDArray[np.bool_]:
    """Tiles whose values spread by more than `floor` steps and which are not clipped."""
    side = grid.tile_px // reduction
    tiles = (
        plane[: grid.rows * side, : grid.cols * side]
        .astype(np.float64)
        .reshape(grid.rows, side, grid.cols, side)
    )
    clipped = ((tiles <= 2) | (tiles >= 253)).mean((1, 3))
    return (tiles.std((1, 3)) > floor) & (clipped < 0.1)


def angle_error(a: NDArray[np.float64] | float, b: float) -> NDArray[np.float64]:
    """Difference of two undirected angles, 0..90 degrees."""
    return np.abs((np.asarray(a, float) - b + 90) % 180 - 90)


def patchwork(
    sharp: NDArray[np.float64], smeared: NDArray[np.float64], centre: tuple[int, int], radius: int, edge: float = 2.0
) -> NDArray[np.float64]:
    """A smeared disc (x, y, radius) of the picture in sharp surroundings."""
    yy, xx = np.mgrid[: sharp.shape[0], : sharp.shape[1]]
    inside = np.clip((radius - np.hypot(xx - centre[0], yy - centre[1])) / edge + 0.5, 0, 1)
    return smeared * inside + sharp * (1 - inside)
