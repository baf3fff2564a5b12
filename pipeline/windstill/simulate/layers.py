"""Layers of a scene: flat cut-outs one behind the other, each at one distance, textured down to the pixel."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import cv2
import numpy as np
from numpy.typing import NDArray

from windstill.simulate.textures import Floats, LeafStyle, Plane, brighten, fractal, fractal_line, leaves, paint

Rgb = tuple[float, float, float]
GAMMA = 2.2
"""Coding of the stored textures; only a storage format, decoded before any light is added."""


@dataclass(frozen=True, slots=True)
class Extent:
    """The part of (u, v) that any frame of the scene sees, and texture pixels per unit of it."""

    u0: float
    u1: float
    v0: float
    v1: float
    scale: float

    def cols(self) -> int:
        """Texture width."""
        return math.ceil((self.u1 - self.u0) * self.scale) + 1


@dataclass(slots=True)
class Waves:
    """A texture that is another one after `memory_s`: water, slowly clouds. Two banks are mixed over time.

    `banks` may be smaller than the layer (smooth patterns); `strength` is per row of the layer, in log brightness.
    """

    banks: tuple[Floats, Floats]
    strength: Floats
    memory_s: float
    seed: int

    def mixture(self, times: NDArray[np.float64]) -> Floats:
        """Brightness pattern averaged over times, zero mean."""
        total = np.zeros(self.banks[0].shape, np.float32)
        for t in times:
            phase = float(t) / self.memory_s
            for k in (0, 1):
                epoch = math.floor(phase + 0.5 * k)
                within = phase + 0.5 * k - epoch
                rng = np.random.default_rng([self.seed, k, epoch + 1_000_000])
                bank = self.banks[k][:, ::-1] if epoch % 2 else self.banks[k]
                split = int(rng.integers(bank.shape[1]))
                weight = np.float32(math.sin(math.pi * within) / len(times))
                total[:, split:] += weight * bank[:, : bank.shape[1] - split]
                total[:, :split] += weight * bank[:, bank.shape[1] - split :]
        return total


@dataclass(slots=True)
class Layer:
    """One cut-out.

    Attributes
    ----------
    rgba : uint8 array, shape (rows, cols, 4)
        Gamma-coded colour, extended under the transparent part, and opacity.
    u0, v0 : float
        Place of texture pixel (0, 0).
    radiance : float
        Linear light at code 255, where 1 is a perfect white surface in the scene's light.
    textured : bool
        Holds something to be sharp.
    drift_u_s : float
        Movement in u per second (clouds).
    """

    name: str
    distance_m: float
    rgba: Plane
    u0: float
    v0: float
    scale: float
    radiance: float
    textured: bool = True
    waves: Waves | None = None
    drift_u_s: float = 0.0
    lut: Floats = field(default_factory=lambda: np.zeros(0, np.float32))
    small: Floats = field(default_factory=lambda: np.zeros(0, np.float32))
    small_step: int = 1

    def __post_init__(self) -> None:
        code = np.arange(256, dtype=np.float64) / 255
        self.lut = (self.radiance * code**GAMMA).astype(np.float32)
        self.small_step = max(1, round(self.scale / 220))
        h, w = self.rgba.shape[:2]
        size = (max(1, w // self.small_step), max(1, h // self.small_step))
        self.small = cv2.resize(self.rgba, size, interpolation=cv2.INTER_AREA).astype(np.float32) / 255

    @property
    def v_range(self) -> tuple[float, float]:
        """(top, bottom) in v."""
        return self.v0, self.v0 + (self.rgba.shape[0] - 1) / self.scale

    def at_time(self, times: NDArray[np.float64]) -> Plane:
        """The texture averaged over some times."""
        if self.waves is None:
            return self.rgba
        pattern = self.waves.mixture(times)
        rows, cols = self.rgba.shape[:2]
        if pattern.shape != (rows, cols):
            pattern = np.asarray(cv2.resize(pattern, (cols, rows), interpolation=cv2.INTER_CUBIC), np.float32)
        out = np.empty_like(self.rgba)
        brighten(out, self.rgba, pattern, self.waves.strength.ravel())
        return out

    def look_up(self, u: NDArray[np.float64], v: NDArray[np.float64]) -> tuple[NDArray[np.float64], ...]:
        """Opacity and linear luminance, coarsely, at places (any shape)."""
        step = self.small_step
        x = ((u - self.u0) * self.scale / step - 0.5 + 0.5 / step).round().astype(np.int64)
        y = ((v - self.v0) * self.scale / step - 0.5 + 0.5 / step).round().astype(np.int64)
        h, w = self.small.shape[:2]
        inside = (x >= 0) & (x < w) & (y >= 0) & (y < h)
        px = self.small[np.clip(y, 0, h - 1), np.clip(x, 0, w - 1)].astype(np.float64)
        light = self.radiance * (px[..., :3] ** GAMMA) @ np.array([0.2126, 0.7152, 0.0722])
        return np.where(inside, px[..., 3], 0.0), light


def coded(rgb: Rgb, radiance: float) -> NDArray[np.float32]:
    """Gamma code 0..1 of a linear colour in a layer of some radiance."""
    return (np.clip(np.asarray(rgb) / radiance, 0, 1) ** (1 / GAMMA)).astype(np.float32)


def soften(rgba: Plane, sigma: float) -> Plane:
    """The optics' and the pixel's own softness, so that sampling the texture does not alias."""
    return np.asarray(cv2.GaussianBlur(rgba, (0, 0), sigma), np.uint8)


def cut_out(
    name: str, extent: Extent, rng: np.random.Generator, *, distance_m: float, top: Floats, bottom_v: float,
    first: Rgb, second: Rgb, style: LeafStyle, contrast: float, fine: float, soft: float, radiance: float = 1.0,
    shaded: float = 0.0,
) -> Layer:
    """A textured cut-out below an outline.

    Parameters
    ----------
    top : float32 array, shape (extent.cols(),)
        Outline in v.
    first, second : colour
        Linear; the texture mixes them.
    soft : float
        Deviation of the prefilter in texture pixels.
    shaded : float
        How much darker it is well below its outline, 0..1.
    """
    cols = extent.cols()
    v_top = max(float(top.min()) - 6 / extent.scale - style.largest_px / extent.scale * 0.6, extent.v0)
    rows = max(8, math.ceil((min(bottom_v, extent.v1) - v_top) * extent.scale) + 1)
    line = ((top - v_top) * extent.scale).astype(np.float32)
    value, mix, opaque = leaves(rows, cols, rng, style, line)
    grain = fractal(rows, cols, rng, 0.55)
    out = np.empty((rows, cols, 4), np.uint8)
    a, b = coded(first, radiance), coded(second, radiance)
    # Tops catch the sky's light, feet stand in the shade of their neighbours.
    depth = np.float32(0.12 * extent.scale)
    paint(out, value, mix, opaque, grain, a, b, np.float32(contrast), np.float32(fine), line, np.float32(shaded), depth)
    return Layer(name, distance_m, soften(out, soft), extent.u0, v_top, extent.scale, radiance)


def outline(cols: int, rng: np.random.Generator, middle: float, height: float, roughness: float = 0.55) -> Floats:
    """A rough line about `middle`, mostly `height` up and down, in v."""
    return (middle - height * 0.5 * np.clip(fractal_line(cols, rng, roughness), -2, 2)).astype(np.float32)
