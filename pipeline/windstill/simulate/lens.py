"""A thin lens: picture scale, blur discs, diffraction, and the convolutions that render them."""

from __future__ import annotations

import math
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.special import j1

Floats = NDArray[np.float32]
WAVELENGTH_MM = 550e-6
"""Millimetres. Middle of the visible band, where the eye and a sensor's green channel peak."""
_DIRECT_PX = 9.0
"""Pixels. Wider blur is rendered at a reduced size: it holds nothing the reduction could lose."""
_FINE = 5
"""Sub-samples a pixel when a kernel is drawn."""


def image_distance_mm(focal_mm: float, focus_m: float, breathing: bool = True) -> float:
    """Distance lens to sensor that focuses `focus_m`: f s / (s - f); f where the lens does not breathe."""
    if not breathing or math.isinf(focus_m):
        return focal_mm
    s = focus_m * 1000.0
    return focal_mm * s / (s - focal_mm)


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
def _optical_kernel(disc_px: float, airy_px: float) -> tuple[Floats, int]:
    """Disc convolved with the Airy pattern, binned to pixels; (kernel, its radius)."""
    reach = disc_px / 2 + (1.6 * airy_px if airy_px > 0.35 else 0.0)
    radius = max(0, math.ceil(reach - 0.5 + 1e-9))
    side = (2 * radius + 1) * _FINE
    axis = (np.arange(side) - (side - 1) / 2) / _FINE
    r = np.hypot(axis[:, None], axis[None, :])
    if disc_px > 1.0 / _FINE:
        # The rim is softened over one sub-sample, so that the area does not jump with the diameter.
        shape = np.clip((disc_px / 2 - r) * _FINE + 0.5, 0, 1)
    else:
        shape = (r < 0.1).astype(np.float64)
    if airy_px > 0.35:
        shape = cv2.filter2D(shape, -1, _airy(airy_px), borderType=cv2.BORDER_CONSTANT)
    n = 2 * radius + 1
    kernel = shape.reshape(n, _FINE, n, _FINE).sum(axis=(1, 3))
    return (kernel / kernel.sum()).astype(np.float32), radius


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


def path_kernel(path: NDArray[np.float64]) -> tuple[Floats, float, float]:
    """Kernel of a movement during the exposure.

    Parameters
    ----------
    path : float array, shape (n, 2)
        Positions (x, y) in pixels at equal steps of time.

    Returns
    -------
    kernel : float32 array, odd square
    x, y : float
        Centroid of the kernel against its middle, to be taken off the position where it is applied, so that
        the rendered centroid is the mean of the path to the last digit.
    """
    off = path - path.mean(axis=0)
    radius = max(0, math.ceil(float(np.abs(off).max()) - 0.5 + 1e-9))
    n = 2 * radius + 1
    fine = np.zeros((n * _FINE, n * _FINE))
    at = (off + radius + 0.5) * _FINE - 0.5
    _splat(fine, at)
    kernel = fine.reshape(n, _FINE, n, _FINE).sum(axis=(1, 3))
    kernel /= kernel.sum()
    axis = np.arange(n) - radius
    return kernel.astype(np.float32), float((kernel.sum(0) * axis).sum()), float((kernel.sum(1) * axis).sum())


def _splat(grid: NDArray[np.float64], at: NDArray[np.float64]) -> None:
    """Add points bilinearly."""
    side = grid.shape[0]
    at = np.clip(at, 0, side - 1.001) if side > 1 else np.zeros_like(at)
    base = np.floor(at).astype(np.int64)
    frac = at - base
    for dy in (0, 1):
        for dx in (0, 1):
            weight = np.abs(1 - dx - frac[:, 0]) * np.abs(1 - dy - frac[:, 1])
            ys, xs = np.minimum(base[:, 1] + dy, side - 1), np.minimum(base[:, 0] + dx, side - 1)
            np.add.at(grid, (ys, xs), weight)


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
    offset : tuple of float
        (x, y) by which it displaces the centroid; the caller takes it off.
    """

    __slots__ = ("_kernel", "_reduction", "offset", "reach_px")

    def __init__(self, disc_px: float, airy_px: float, path: NDArray[np.float64] | None = None) -> None:
        extent = 0.0 if path is None else float(np.ptp(path, axis=0).max())
        widest = max(disc_px, 0.7 * extent if disc_px > extent else 0.0)
        reduction = 1
        while widest / reduction > _DIRECT_PX:
            reduction *= 2
        # Reducing by areas adds a box of `reduction` pixels to the blur: the disc gives up as much variance.
        disc = disc_px
        if reduction > 1:
            disc = math.sqrt(max(disc_px**2 - 4.0 / 3.0 * (reduction**2 - 1) / 1.0, (0.3 * disc_px) ** 2))
        kernel, _ = _optical_kernel(round(disc / reduction, 2), round(airy_px / reduction, 2))
        self.offset = (0.0, 0.0)
        if path is not None and extent / reduction > 0.05:
            moved, x, y = path_kernel(path / reduction)
            self.offset = (x * reduction, y * reduction)
            pad = moved.shape[0] // 2
            kernel = cv2.filter2D(
                cv2.copyMakeBorder(kernel, pad, pad, pad, pad, cv2.BORDER_CONSTANT), -1, moved[::-1, ::-1],
                borderType=cv2.BORDER_CONSTANT,
            )
        self._kernel = np.ascontiguousarray(kernel[::-1, ::-1])
        self._reduction = reduction
        self.reach_px = reduction * (kernel.shape[0] // 2 + (2 if reduction > 1 else 0))

    @property
    def trivial(self) -> bool:
        """Nothing to do."""
        return self._kernel.size == 1 and self._reduction == 1

    def __call__(self, picture: Floats) -> Floats:
        """Blur a float32 picture of any number of channels."""
        if self.trivial:
            return picture
        r = self._reduction
        if r == 1:
            return np.asarray(cv2.filter2D(picture, -1, self._kernel, borderType=cv2.BORDER_REPLICATE), np.float32)
        h, w = picture.shape[:2]
        ph, pw = -h % r, -w % r
        if ph or pw:
            picture = cv2.copyMakeBorder(picture, 0, ph, 0, pw, cv2.BORDER_REPLICATE)
        small = cv2.resize(picture, ((w + pw) // r, (h + ph) // r), interpolation=cv2.INTER_AREA)
        small = cv2.filter2D(small, -1, self._kernel, borderType=cv2.BORDER_REPLICATE)
        full = cv2.resize(small, (w + pw, h + ph), interpolation=cv2.INTER_CUBIC)
        return np.ascontiguousarray(full[:h, :w], dtype=np.float32)
