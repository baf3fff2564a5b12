"""A thin lens: picture scale, blur discs, diffraction, and the convolutions that render them."""

from __future__ import annotations

import math
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import j1

Floats = NDArray[np.float32]
WAVELENGTH_MM = 550e-6
"""Millimetres. Middle of the visible band, where the eye and a sensor's green channel peak."""
_DIRECT_PX = 8.0
"""Pixels. Wider blur is rendered on a pyramid's level: it holds nothing the reduction could lose."""
_DROWNED = 2.5
"""Discs this many times wider than the Airy pattern are rendered without it: it would not be seen."""
_NARROW_PX = 0.3
"""Pixels. Discs and patterns narrower than this change nothing that a pixel could show."""
_FINE = 5
"""Sub-samples a pixel when a kernel is drawn."""


def image_distance_mm(focal_mm: float, focus_m: float, breathing: bool = True) -> float:
    """Distance lens to sensor that focuses `focus_m`: f s / (s - f); f where the lens does not breathe."""
    if not breathing or math.isinf(focus_m):
        return focal_mm
    s = focus_m * 1000.0
    return focal_mm * s / (s - focal_mm)


def corner_light(
    x_px: ArrayLike, y_px: ArrayLike, size_px: tuple[int, int], vignetting_ev: float
) -> NDArray[np.float64]:
    """Light, 0..1, that reaches a place of a picture of so wide and high, of what would in its middle.

    It falls with the square of the distance from there, by `vignetting_ev` stops in the corners.
    """
    half = 0.5 * math.hypot(*size_px)
    across, down = (
        ((np.asarray(at) - (side - 1) / 2) / half) ** 2 for at, side in zip((x_px, y_px), size_px, strict=True)
    )
    return np.asarray(2.0 ** (-vignetting_ev * (across + down)))


def blur_disc_mm(focal_mm: float, f_number: float, focus_m: float, distance_m: float) -> float:
    """Diameter of the blur disc on the sensor: f^2 |x - s| / (N x (s - f)) (any optics text)."""
    f = focal_mm
    if math.isinf(focus_m):
        return 0.0 if math.isinf(distance_m) else f * f / (f_number * distance_m * 1000.0)
    s = focus_m * 1000.0
    if math.isinf(distance_m):
        return f * f / (f_number * (s - f))
    x = distance_m * 1000.0
    return f * f * abs(x - s) / (f_number * x * (s - f))


@lru_cache(maxsize=512)
def _optical_kernel(disc_px: float, airy_px: float) -> Floats:
    """Disc convolved with the Airy pattern, resampled to pixels."""
    reach = disc_px / 2 + (1.6 * airy_px if airy_px > _NARROW_PX else 0.0)
    radius = math.ceil(reach) + 1
    side = (2 * radius + 1) * _FINE
    axis = (np.arange(side) - (side - 1) / 2) / _FINE
    r = np.hypot(axis[:, None], axis[None, :])
    # The rim is softened over one sub-sample, so that the area does not jump with the diameter.
    shape = np.clip((max(disc_px, 1.0 / _FINE) / 2 - r) * _FINE + 0.5, 0, 1)
    if airy_px > _NARROW_PX:
        shape = cv2.filter2D(shape, -1, _airy(airy_px), borderType=cv2.BORDER_CONSTANT)
    weights = _catmull_rom(axis[:, None] - np.arange(-radius, radius + 1)[None, :])
    kernel = weights.T @ shape @ weights
    return np.asarray(kernel / kernel.sum(), np.float32)


def _catmull_rom(x: NDArray[np.float64]) -> NDArray[np.float64]:
    """Weights that put a point on whole pixels and keep its place and spread exactly (they reproduce quadratics)."""
    x = np.abs(x)
    near = 1.5 * x**3 - 2.5 * x**2 + 1
    far = -0.5 * x**3 + 2.5 * x**2 - 4 * x + 2
    return np.asarray(np.where(x < 1, near, np.where(x < 2, far, 0.0)))


def _airy(airy_px: float) -> NDArray[np.float64]:
    """Airy pattern on the fine grid, cut beyond its third dark ring."""
    radius = math.ceil(1.33 * airy_px * _FINE)
    axis = np.arange(-radius, radius + 1) / _FINE
    r = np.hypot(axis[:, None], axis[None, :])
    z = np.pi * r / (airy_px / 2.43934)
    z[radius, radius] = 1.0
    pattern = (2 * j1(z) / z) ** 2
    pattern[radius, radius] = 1.0
    return np.asarray(pattern / pattern.sum())


def path_kernel(path: NDArray[np.float64]) -> Floats:
    """Kernel of a movement during the exposure.

    Parameters
    ----------
    path : float array, shape (n, 2)
        Positions (x, y) in pixels at equal steps of time.

    Returns
    -------
    float32 array, odd square
        Its centroid is its middle: what it blurs stays where the mean of the path is.
    """
    off = path - path.mean(axis=0)
    radius = math.ceil(float(np.abs(off).max())) + 1
    pixels = np.arange(-radius, radius + 1)[None, :]
    kernel = _catmull_rom(off[:, 1:] - pixels).T @ _catmull_rom(off[:, :1] - pixels)
    return np.asarray(kernel / kernel.sum(), np.float32)


class Blur:
    """The blur of one thing in one frame: blur disc, diffraction and movement together.

    Parameters
    ----------
    disc_px : float
        Diameter of the blur disc.
    airy_px : float
        Diameter of the first dark ring of the Airy pattern, 0 without diffraction.
    path : float array, shape (n, 2), optional
        Movement during the exposure, pixels; only its form matters, its mean is removed.

    Attributes
    ----------
    reach_px : int
        How far it carries light.
    """

    __slots__ = ("_kernel", "_levels", "reach_px")

    def __init__(self, disc_px: float, airy_px: float, path: NDArray[np.float64] | None = None) -> None:
        extent = 0.0 if path is None else float(np.ptp(path, axis=0).max())
        if disc_px > _DROWNED * airy_px:
            airy_px = 0.0
        widest = max(disc_px, 0.7 * extent if disc_px > extent else 0.0)
        levels = 0
        while widest / 2**levels > _DIRECT_PX:
            levels += 1
        # The pyramid's binomial filters add a variance of 1, 4, 16 ... going down and as much coming up: the disc gives
        # it up (a disc has b^2 / 16). They reproduce slopes, so that nothing is displaced.
        disc = disc_px
        if levels:
            disc = math.sqrt(max(disc_px**2 - 16 * 2 * (4**levels - 1) / 3, (0.3 * disc_px) ** 2))
        reduction = 2**levels
        disc, airy = round(disc / reduction, 2), round(airy_px / reduction, 2)
        kernel = np.ones((1, 1), np.float32)
        if disc > _NARROW_PX or airy > _NARROW_PX:
            kernel = _optical_kernel(disc, airy)
        if path is not None and extent / reduction > 0.05:
            moved = path_kernel(path / reduction)
            pad = moved.shape[0] // 2
            kernel = cv2.filter2D(
                cv2.copyMakeBorder(kernel, pad, pad, pad, pad, cv2.BORDER_CONSTANT), -1, moved[::-1, ::-1],
                borderType=cv2.BORDER_CONSTANT,
            )
        self._kernel = np.ascontiguousarray(kernel[::-1, ::-1])
        self._levels = levels
        self.reach_px = reduction * (kernel.shape[0] // 2 + (3 if levels else 0))

    @property
    def trivial(self) -> bool:
        """Nothing to do."""
        return self._kernel.size == 1 and self._levels == 0

    def __call__(self, picture: Floats) -> Floats:
        """Blur a float32 picture of any number of channels."""
        if self.trivial:
            return picture
        sizes = []
        for _ in range(self._levels):
            sizes.append((picture.shape[1], picture.shape[0]))
            picture = cv2.pyrDown(picture)
        picture = cv2.filter2D(picture, -1, self._kernel, borderType=cv2.BORDER_REPLICATE)
        for size in reversed(sizes):
            picture = cv2.pyrUp(picture, dstsize=size)
        return np.asarray(picture, np.float32)
