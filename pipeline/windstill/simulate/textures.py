"""Fine texture at every scale: dead leaves (occluding shapes of all sizes) and fractal noise.

Photographs of nature have a power spectrum near 1/f^2 with sharp edges at every scale; occluding discs with sizes
drawn from r^-3 have both (Lee, Mumford & Huang 2001). Nothing here repeats.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numba import njit
from numpy.typing import NDArray

Plane = NDArray[np.uint8]
Floats = NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class LeafStyle:
    """Shapes of a leaf texture. Sizes in texture pixels; `aspect` short over long axis; angles in degrees."""

    smallest_px: float = 1.4
    largest_px: float = 60.0
    aspect: tuple[float, float] = (0.4, 1.0)
    angle_deg: float = 0.0
    spread_deg: float = 90.0
    shading: float = 0.25
    cover: float = 1.6


def fractal(height: int, width: int, rng: np.random.Generator, roughness: float = 0.5) -> Floats:
    """Fractal noise of unit deviation, every octave `roughness` times as strong as the coarser one.

    Returns
    -------
    float32 array, shape (height, width)
    """
    sizes = [(height, width)]
    while min(sizes[-1]) > 4 and max(sizes[-1]) > 8:
        sizes.append((max(2, (sizes[-1][0] + 1) // 2), max(2, (sizes[-1][1] + 1) // 2)))
    field = rng.standard_normal(sizes[-1], dtype=np.float32)
    gain = 1.0
    for h, w in reversed(sizes[:-1]):
        gain *= roughness
        field = cv2.resize(field, (w, h), interpolation=cv2.INTER_LINEAR)
        field += np.float32(gain) * rng.standard_normal((h, w), dtype=np.float32)
    field -= field.mean()
    deviation = float(field.std())
    return np.asarray(field / np.float32(max(deviation, 1e-6)), np.float32)


def fractal_line(length: int, rng: np.random.Generator, roughness: float = 0.6) -> Floats:
    """One-dimensional fractal noise of unit deviation, for outlines."""
    field = rng.standard_normal(3).astype(np.float32)
    gain = 1.0
    while field.size < length:
        gain *= roughness
        n = min(length, field.size * 2)
        field = np.interp(np.linspace(0, field.size - 1, n), np.arange(field.size), field).astype(np.float32)
        field += np.float32(gain) * rng.standard_normal(n).astype(np.float32)
    field = field[:length]
    return np.asarray((field - field.mean()) / max(float(field.std()), 1e-6), np.float32)


def leaves(
    height: int, width: int, rng: np.random.Generator, style: LeafStyle, top: Floats | None = None
) -> tuple[Plane, Plane, Plane]:
    """Dead-leaves texture.

    Parameters
    ----------
    top : float32 array, shape (width,), optional
        Outline: no leaf has its centre above this row, and the opaque part begins below it.

    Returns
    -------
    value, mix, opaque : uint8 arrays, shape (height, width)
        Brightness about 128, colour mixture 0..255, and opacity 0 or 255.
    """
    value = np.full((height, width), 110, np.uint8)
    mix = np.full((height, width), 128, np.uint8)
    opaque = np.full((height, width), 255, np.uint8)
    if top is not None:
        opaque[np.arange(height)[:, None] < np.floor(top)[None, :]] = 0
    lo = style.smallest_px
    hi = max(min(style.largest_px, max(height, width) / 3), lo * 1.5)
    mean_aspect = 0.5 * (style.aspect[0] + style.aspect[1])
    mean_area = np.pi * mean_aspect * 2 * lo * lo * np.log(hi / lo) / (1 - (lo / hi) ** 2)
    count = int(style.cover * height * width / mean_area) + 1
    radius = np.float32(lo) / np.sqrt(1 - rng.random(count, dtype=np.float32) * np.float32(1 - (lo / hi) ** 2))
    x = rng.random(count, dtype=np.float32) * np.float32(width)
    y = rng.random(count, dtype=np.float32) * np.float32(height)
    if top is not None:
        floor = top[np.clip(x.astype(np.int64), 0, width - 1)]
        keep = y >= floor
        x, y, radius = x[keep], y[keep], radius[keep]
        count = x.size

    def evenly(low: float, high: float) -> Floats:
        return np.asarray(low + (high - low) * rng.random(count, dtype=np.float32), np.float32)

    across = evenly(*style.aspect)
    angle = np.deg2rad(evenly(style.angle_deg - style.spread_deg, style.angle_deg + style.spread_deg))
    base = np.clip(128 + 46 * rng.standard_normal(count, dtype=np.float32), 12, 243)
    slope = evenly(-128 * style.shading, 128 * style.shading)
    tint = rng.integers(0, 256, count, dtype=np.uint8)
    _stamp(value, mix, opaque, x, y, radius, radius * across, np.cos(angle), np.sin(angle), base, slope, tint)
    return value, mix, opaque


def glints(height: int, width: int, rng: np.random.Generator, depth: Floats, unit: float) -> Floats:
    """Water: flat patches of light and dark that grow with `depth` (0 at the horizon .. 1), zero mean, about unit size.

    Parameters
    ----------
    depth : float32 array, shape (height,)
    unit : float
        Length in pixels of the longest patch where `depth` is 1.
    """
    value = np.full((height, width), 128, np.uint8)
    spare = np.zeros((2, height, width), np.uint8)
    size = np.maximum(depth, 0.03) * unit
    # As many patches to a row as cover it; the smallest are a pixel high.
    lo = np.maximum(size / 14, 1.6)
    hi = np.maximum(size, lo * 1.8)
    density = 1.3 * width / (np.pi * 0.16 * 2 * lo * lo * np.log(hi / lo) / (1 - (lo / hi) ** 2))
    rows = np.repeat(np.arange(height), rng.poisson(np.minimum(density, 0.6 * width)))
    rng.shuffle(rows)
    n = rows.size
    long = lo[rows] / np.sqrt(1 - rng.random(n) * (1 - (lo[rows] / hi[rows]) ** 2))
    tilt = np.deg2rad(rng.normal(0, 3, n))
    _stamp(
        value, spare[0], spare[1], (rng.random(n) * width).astype(np.float32), rows.astype(np.float32),
        long.astype(np.float32), np.maximum(0.16 * long, 0.7).astype(np.float32), np.cos(tilt).astype(np.float32),
        np.sin(tilt).astype(np.float32), np.clip(128 + 55 * rng.standard_normal(n), 2, 253).astype(np.float32),
        (30 * rng.uniform(-1, 1, n)).astype(np.float32), np.zeros(n, np.uint8),
    )
    return np.asarray((cv2.GaussianBlur(value, (0, 0), 0.7).astype(np.float32) - 128) / 55, np.float32)


@njit(cache=True, nogil=True)
def _stamp(value, mix, opaque, xs, ys, long, short, cos, sin, base, slope, tint):  # type: ignore[no-untyped-def]
    height, width = value.shape
    for i in range(xs.size):
        a, b, c, s = long[i], short[i], cos[i], sin[i]
        half_y = np.sqrt((a * s) ** 2 + (b * c) ** 2)
        y0, y1 = max(0, int(np.ceil(ys[i] - half_y))), min(height - 1, int(ys[i] + half_y))
        # Each row crosses the ellipse where p dx^2 + 2 q dx dy + r dy^2 = 1.
        p = (c / a) ** 2 + (s / b) ** 2
        q = c * s / (a * a) - c * s / (b * b)
        r = (s / a) ** 2 + (c / b) ** 2
        for y in range(y0, y1 + 1):
            dy = y - ys[i]
            inside = (q * dy) ** 2 - p * (r * dy * dy - 1.0)
            if inside < 0.0:
                continue
            half = np.sqrt(inside) / p
            middle = xs[i] - q * dy / p
            x0, x1 = max(0, int(np.ceil(middle - half))), min(width - 1, int(np.floor(middle + half)))
            for x in range(x0, x1 + 1):
                v = (dy * c - (x - xs[i]) * s) / b
                shade = base[i] + slope[i] * v
                value[y, x] = np.uint8(min(max(shade, 0.0), 255.0))
                mix[y, x] = tint[i]
                opaque[y, x] = 255


@njit(cache=True, nogil=True)
def paint(  # type: ignore[no-untyped-def]
    out, value, mix, opaque, fine, first, second, contrast, fine_contrast, line, shaded, depth
):
    """Fill a uint8 RGBA picture: colours between `first` and `second` (gamma-coded 0..1), brightened by the texture.

    The gain is exponential in the texture, so that its contrast is the same in every channel and at every brightness.
    `shaded` darkens it below the outline `line` (rows), in full after `depth` rows.
    """
    height, width = value.shape
    gain = np.empty(256, np.float32)
    for k in range(256):
        gain[k] = np.exp(contrast * (k - 128.0) / 128.0)
    shade = np.empty(1025, np.float32)
    for k in range(1025):
        shade[k] = 1.0 + (0.1 if shaded > 0.0 else 0.0) - shaded * (k / 1024.0) ** 0.7
    for y in range(height):
        for x in range(width):
            below = min(max((y - line[x]) / depth, 0.0), 1.0)
            g = gain[value[y, x]] * (1.0 + fine_contrast * fine[y, x]) * shade[int(below * 1024.0)]
            m = mix[y, x] / 255.0
            for ch in range(3):
                level = 255.0 * g * (first[ch] * (1.0 - m) + second[ch] * m) + 0.5
                out[y, x, ch] = np.uint8(min(max(level, 0.0), 255.0))
            out[y, x, 3] = opaque[y, x]


@njit(cache=True, nogil=True)
def brighten(out, rgba, pattern, strength):  # type: ignore[no-untyped-def]
    """Brighten a uint8 RGBA picture by exp(strength of the row * pattern); opacity stays."""
    for y in range(rgba.shape[0]):
        for x in range(rgba.shape[1]):
            gain = np.exp(strength[y] * pattern[y, x])
            for ch in range(3):
                out[y, x, ch] = np.uint8(min(rgba[y, x, ch] * gain, np.float32(255)))
            out[y, x, 3] = rgba[y, x, 3]
