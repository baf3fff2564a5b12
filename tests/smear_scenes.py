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
from scipy.special import j0, j1

from windstill.records import TileGrid

Plane = NDArray[np.uint8]
Profile = Literal["uniform", "swing"]

# Pictures at native resolution, in focus where it matters; ground, plants, stone, water, buildings and stars.
NAMES = (
    "brick", "camera", "china", "coffee", "coins", "flower", "grass", "gravel", "hubble_deep_field", "moon",
    "motorcycle_left", "rocket",
)  # fmt: skip


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


def blurred(
    plane: NDArray[np.floating] | Plane,
    smear_px: float = 0.0,
    angle_deg: float = 0.0,
    disc_px: float = 0.0,
    profile: Profile = "uniform",
) -> NDArray[np.float64]:
    """Smear by a straight motion and defocus by a disc, exactly: multiplied in the spectrum, mirrored borders.

    Kernels sampled on the pixel grid would alias and leave a pattern in the spectrum that no lens makes. ``uniform``
    moves at constant speed (sinc); ``swing`` goes from one turning point of a sine to the other (J0). Angles are
    counter-clockwise as seen (y points down).
    """
    pad = int(smear_px + disc_px) + 8
    wide = np.pad(plane.astype(np.float64), pad, mode="reflect")
    v, u = np.fft.fftfreq(wide.shape[0])[:, None], np.fft.rfftfreq(wide.shape[1])[None, :]
    along = u * np.cos(np.deg2rad(angle_deg)) - v * np.sin(np.deg2rad(angle_deg))
    transfer = np.sinc(smear_px * along) if profile == "uniform" else j0(np.pi * smear_px * along)
    if disc_px > 0:
        x = np.maximum(np.pi * disc_px * np.hypot(u, v), 1e-9)
        transfer = transfer * 2 * j1(x) / x
    result = np.fft.irfft2(np.fft.rfft2(wide) * transfer, wide.shape)
    return result[pad:-pad, pad:-pad]


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
