"""The places of simulated shoots: which layers stand where, in which colours."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np

from windstill.simulate.describe import Scene
from windstill.simulate.layers import Extent, Layer, Rgb, Waves, coded, cut_out, outline, soften
from windstill.simulate.textures import Floats, LeafStyle, fractal, fractal_line, glints

FAR = math.inf
_TURF: tuple[Rgb, Rgb] = ((0.060, 0.078, 0.030), (0.20, 0.20, 0.090))
_ROCK: tuple[Rgb, Rgb] = ((0.10, 0.085, 0.075), (0.30, 0.26, 0.22))
_HEATH: tuple[Rgb, Rgb] = ((0.055, 0.050, 0.035), (0.17, 0.12, 0.11))
_SHINGLE: tuple[Rgb, Rgb] = ((0.09, 0.09, 0.095), (0.33, 0.31, 0.30))
_LITTER: tuple[Rgb, Rgb] = ((0.05, 0.035, 0.02), (0.24, 0.15, 0.07))


def build_layers(scene: Scene, extent: Extent, seed: int, soft: float, unit: float) -> list[Layer]:
    """Layers of a scene, farthest first.

    Parameters
    ----------
    extent : Extent
        What the frames of the scene see.
    seed : int
        Of the shoot.
    soft : float
        Prefilter, texture pixels.
    unit : float
        Texture pixels to one pixel of a picture 6000 px long.
    """
    rng = np.random.default_rng([seed, scene.seed, 5])
    make = _LOOKS[scene.look]
    return make(_Place(scene, extent, rng, soft, unit))


class _Place:
    """What every look needs, and the parts they share."""

    def __init__(self, scene: Scene, extent: Extent, rng: np.random.Generator, soft: float, unit: float) -> None:
        self.scene, self.extent, self.rng, self.soft, self.unit = scene, extent, rng, soft, unit
        self.cols = extent.cols()

    def sky(self, zenith: Rgb = (0.42, 0.50, 0.72), glow: Rgb = (1.0, 0.72, 0.56), below: float = 0.03) -> Layer:
        """Sky with a gradient and clouds."""
        e, s = self.extent, self.scene
        rows = max(8, math.ceil((min(below, e.v1) - e.v0) * e.scale))
        if min(below, e.v1) <= e.v0:
            rows = 8
        radiance = 0.18 * 2.0**s.sky_ev * 1.6
        # All of it is smooth: worked out at a quarter of the size.
        h, w = max(4, rows // 4), max(4, self.cols // 4)
        v = e.v0 + (np.arange(h, dtype=np.float32) + 0.5) * (rows / h / e.scale)
        high = np.clip(-v / 0.75, 0, 1.4)[:, None]
        u = ((np.arange(w, dtype=np.float32) + 0.5) / w)[None, :]
        sun = np.exp(-((u - 0.34) ** 2) / 0.08 - (high * 2.2) ** 2)
        mix = np.exp(-2.4 * high)
        level = 0.42 + 0.45 * mix + 0.35 * sun
        bands = fractal(h, max(4, w // 3), self.rng, 0.52)
        cloud = cv2.resize(bands, (w, h), interpolation=cv2.INTER_CUBIC)
        veil = np.float32(s.clouds) / (1 + np.exp(-(cloud - 0.7) * 2.5))
        rgb = np.empty((h, w, 3), np.float32)
        for ch in range(3):
            tone = zenith[ch] * (1 - mix) + glow[ch] * mix
            lit = (0.55 + 0.5 * sun) * (0.75 + 0.25 * glow[ch])
            rgb[..., ch] = level * tone * (1 - 0.55 * veil) + 0.62 * veil * lit
        code = 255 * np.clip(rgb * np.float32(0.18 * 2.0**s.sky_ev / radiance * 1.2), 0, 1) ** np.float32(1 / 2.2)
        code = cv2.resize(code.astype(np.float32), (self.cols, rows), interpolation=cv2.INTER_CUBIC)
        code += self.rng.random((rows, self.cols, 1), dtype=np.float32)
        rgba = np.full((rows, self.cols, 4), 255, np.uint8)
        rgba[..., :3] = np.clip(code, 0, 255)
        drift = s.cloud_drift_px_s * self.unit / e.scale
        waves = None
        if s.cloud_memory_s > 0:
            puffs = tuple(np.asarray(np.maximum(fractal(h, w, self.rng, 0.6), 0.0), np.float32) for _ in range(2))
            strength = np.full(rows, -0.35 * s.clouds, np.float32)
            waves = Waves((puffs[0], puffs[1]), strength, s.cloud_memory_s, int(self.rng.integers(1 << 31)))
        return Layer("sky", FAR, rgba, e.u0, e.v0, e.scale, radiance, textured=False, waves=waves, drift_u_s=drift)

    def sea(self, bottom_v: float) -> Layer:
        """Water from the horizon down; the nearer, the larger its waves."""
        e, s = self.extent, self.scene
        rows = max(8, math.ceil((min(bottom_v, e.v1) - 0.0) * e.scale))
        radiance = 0.18 * 2.0**s.sky_ev * 1.1
        depth = (np.arange(rows) / max(rows - 1, 1)).astype(np.float32)
        swell = 0.10 * e.scale
        banks = (glints(rows, self.cols, self.rng, depth, swell), glints(rows, self.cols, self.rng, depth, swell))
        tone = 0.40 - 0.22 * depth[:, None]
        u = (np.arange(self.cols) / max(self.cols - 1, 1))[None, :]
        path = np.exp(-((u - 0.34) ** 2) / (0.004 + 0.03 * depth[:, None]))
        rgb = np.empty((rows, self.cols, 3), np.float32)
        for ch, (cool, warm) in enumerate(((0.46, 0.95), (0.56, 0.66), (0.70, 0.55))):
            rgb[..., ch] = tone * cool + 0.35 * path * warm
        code = 255 * np.clip(rgb, 0, 1) ** (1 / 2.2)
        rgba = np.dstack([code.astype(np.uint8), np.full((rows, self.cols), 255, np.uint8)])
        rgba[:2, :, 3] = 0  # the horizon: nothing above it
        strength = (0.16 + 0.16 * depth).astype(np.float32)
        if s.waves:
            waves = Waves(banks, strength, 1.6, int(self.rng.integers(1 << 31)))
            return Layer("sea", FAR, soften(rgba, self.soft), e.u0, 0.0, e.scale, radiance, False, waves)
        rgba[..., :3] = np.clip(rgba[..., :3] * np.exp(banks[0] * strength[:, None])[..., None], 0, 255)
        return Layer("sea", FAR, soften(rgba, self.soft), e.u0, 0.0, e.scale, radiance)

    def ridge(
        self, name: str, distance_m: float, top_v: float, height: float, bottom_v: float, colours: tuple[Rgb, Rgb],
        haze: float = 0.0, style: LeafStyle | None = None, contrast: float = 0.35, profile: Floats | None = None,
        roughness: float = 0.55,
    ) -> Layer:
        """A far outline, bleached by the air before it."""
        air = 0.18 * 2.0**self.scene.sky_ev * 0.55
        veil: Rgb = (air * 0.95, air * 0.85, air * 0.85)
        first, second = (_mix(c, veil, haze) for c in colours)
        top = profile if profile is not None else outline(self.cols, self.rng, top_v, height, roughness)
        k = self.scene.contrast
        return cut_out(
            name, self.extent, self.rng, distance_m=distance_m, top=top, bottom_v=bottom_v, first=first, second=second,
            style=style or LeafStyle(1.4, 40 * self.unit + 4, (0.3, 1.0), 20, 50, 0.3),
            contrast=contrast * k * (1 - haze), fine=0.06 * k, soft=self.soft, radiance=max(1.0, air * 1.2),
        )

    def ground(
        self, colours: tuple[Rgb, Rgb], style: Callable[[float], LeafStyle], *, far_m: float, bump: float,
        contrast: float = 0.9, roughness: float = 0.55, accent: _Accent | None = None,
    ) -> list[Layer]:
        """Ground as cut-outs from far to near, evenly in 1 / distance; `bump` is the height of its tufts in metres.

        `accent` makes some cut-outs of another kind (rock in turf).
        """
        s, e = self.scene, self.extent
        near = 1 / s.nearest_m
        far = 1 / far_m
        steps = np.linspace(far, near * 1.25, s.cards)
        highest = max(bump, accent.height_m if accent is not None else 0.0)
        made: list[Layer] = []
        for k, inverse in enumerate(steps):
            distance = 1 / inverse
            own, height, how, rough = colours, bump, style, roughness
            if accent is not None and k % accent.every == accent.every - 1:
                own, height, how, rough = accent.colours, accent.height_m, accent.style, 0.45
            middle = s.camera_height_m / distance
            top = outline(self.cols, self.rng, middle - 0.3 * height / distance, height / distance, rough)
            # Down to where the next one hides it, whatever its outline.
            nearer = steps[min(k + 1, s.cards - 1)]
            bottom = (s.camera_height_m + 1.1 * highest) * nearer + 0.03
            if k == s.cards - 1:
                bottom = e.v1
            if bottom <= e.v0 or top.min() > e.v1:
                continue
            k_c = s.contrast
            made.append(cut_out(
                f"ground-{k}", e, self.rng, distance_m=distance, top=top, bottom_v=bottom, first=own[0], second=own[1],
                style=how(distance), contrast=contrast * k_c, fine=0.12 * k_c, soft=self.soft, shaded=0.45,
            ))
        return made


@dataclass(frozen=True, slots=True)
class _Accent:
    """Every n-th piece of ground is of another kind."""

    every: int
    colours: tuple[Rgb, Rgb]
    height_m: float
    style: Callable[[float], LeafStyle]


def _mix(a: Rgb, b: Rgb, share: float) -> Rgb:
    return (a[0] + (b[0] - a[0]) * share, a[1] + (b[1] - a[1]) * share, a[2] + (b[2] - a[2]) * share)


def _grass(place: _Place) -> Callable[[float], LeafStyle]:
    def style(distance: float) -> LeafStyle:
        long = min(0.06 / distance, 0.12) * place.extent.scale
        return LeafStyle(2.2, max(long, 6.0), (0.04, 0.12), 90, 28, 0.5, 2.2)

    return style


def _slabs(place: _Place) -> Callable[[float], LeafStyle]:
    def style(distance: float) -> LeafStyle:
        return LeafStyle(1.4, max(0.07 / distance * place.extent.scale, 6.0), (0.15, 0.5), 12, 30, 0.6, 1.9)

    return style


def _stones(place: _Place, size_m: float = 0.12) -> Callable[[float], LeafStyle]:
    def style(distance: float) -> LeafStyle:
        return LeafStyle(1.4, max(size_m / distance * place.extent.scale, 6.0), (0.45, 0.9), 0, 30, 0.55, 1.8)

    return style


def _sea_cliff(place: _Place) -> list[Layer]:
    e = place.extent
    layers = [place.sky()]
    brink = place.scene.camera_height_m / 14
    layers.append(place.sea(brink + 0.25))
    cols = np.linspace(e.u0, e.u1, place.cols)
    run = (cols - e.u0) / (e.u1 - e.u0)
    head = 0.085 * np.clip((run - 0.55) * 3.2, 0, 1) ** 0.7 + 0.012 * fractal_line(place.cols, place.rng, 0.5)
    profile = (0.03 - np.where(run > 0.5, head, -0.04)).astype(np.float32)
    layers.append(place.ridge("headland", 900.0, 0.0, 0.02, 0.09, _ROCK, 0.45, profile=profile))
    stack = np.exp(-(((run - 0.77) / 0.035) ** 4)) * 0.14 + np.exp(-(((run - 0.84) / 0.02) ** 4)) * 0.07
    profile = (0.13 - stack - 0.008 * fractal_line(place.cols, place.rng, 0.6)).astype(np.float32)
    layers.append(place.ridge("sea stacks", 160.0, 0.0, 0.02, 0.16, _ROCK, 0.2, profile=profile, contrast=0.6))
    shore = 0.20 - 0.22 * np.clip(0.5 - run, 0, 1) ** 1.3 - 0.02 * fractal_line(place.cols, place.rng, 0.6)
    layers.append(place.ridge(
        "cliff", 35.0, 0.0, 0.02, 0.5, _ROCK, 0.05, profile=shore.astype(np.float32), contrast=0.85,
        style=LeafStyle(1.4, 0.12 * e.scale, (0.25, 0.8), 65, 30, 0.5),
    ))
    layers += place.ground(_TURF, _grass(place), far_m=9.0, bump=0.10, accent=_Accent(3, _ROCK, 0.13, _slabs(place)))
    return layers


def _meadow(place: _Place) -> list[Layer]:
    layers = [place.sky((0.38, 0.52, 0.80), (0.92, 0.84, 0.74))]
    layers.append(place.ridge("hills", FAR, -0.03, 0.05, 0.10, _TURF, 0.6))
    layers.append(place.ridge("wood", 220.0, -0.02, 0.035, 0.14, _HEATH, 0.25, roughness=0.72, contrast=0.7))
    layers += place.ground(_TURF, _grass(place), far_m=25.0, bump=0.16)
    return layers


def _moor(place: _Place) -> list[Layer]:
    layers = [place.sky((0.45, 0.48, 0.60), (0.85, 0.78, 0.74))]
    layers.append(place.ridge("fells", FAR, -0.05, 0.09, 0.10, _HEATH, 0.62))
    layers.append(place.ridge("shoulder", 400.0, 0.015, 0.05, 0.16, _HEATH, 0.35, contrast=0.5))

    def style(distance: float) -> LeafStyle:
        return LeafStyle(1.6, max(0.05 / distance * place.extent.scale, 5.0), (0.25, 0.6), 70, 60, 0.4, 2.0)

    layers += place.ground(_HEATH, style, far_m=15.0, bump=0.18, accent=_Accent(4, _ROCK, 0.2, _slabs(place)))
    return layers


def _shore(place: _Place) -> list[Layer]:
    layers = [place.sky((0.48, 0.52, 0.66), (0.95, 0.80, 0.66)), place.sea(0.30)]
    layers.append(place.ridge("skerry", 140.0, 0.05, 0.03, 0.10, _ROCK, 0.3))
    layers += place.ground(_SHINGLE, _stones(place), far_m=8.0, bump=0.12, contrast=0.7)
    return layers


def _wood(place: _Place) -> list[Layer]:
    e, rng = place.extent, place.rng
    back = outline(place.cols, rng, e.v0 - 0.1, 0.01)
    layers = [place.ridge("leaves", 40.0, 0, 0, e.v1, ((0.07, 0.10, 0.035), (0.35, 0.42, 0.16)), 0.15, profile=back,
                          style=LeafStyle(1.5, 0.05 * e.scale, (0.35, 0.8), 40, 80, 0.3), contrast=0.8)]
    for distance, trunks in ((18.0, 7), (9.0, 4), (5.0, 3)):
        layer = place.ridge("trunks", distance, 0, 0, e.v1, ((0.035, 0.030, 0.025), (0.16, 0.13, 0.10)), 0.05,
                            profile=back, style=LeafStyle(1.4, 0.03 * e.scale, (0.15, 0.5), 90, 14, 0.5), contrast=0.7)
        u = np.arange(place.cols) / e.scale + e.u0
        v = np.arange(layer.rgba.shape[0])[:, None] / e.scale
        alpha = np.zeros(layer.rgba.shape[:2], bool)
        for _ in range(trunks):
            middle, half = rng.uniform(e.u0, e.u1), rng.uniform(0.06, 0.16) / distance
            bend = rng.uniform(-0.08, 0.08)
            alpha |= np.abs(u[None, :] - middle - bend * v) < half * (1 + 0.25 * v)
        layer.rgba[..., 3] = cv2.GaussianBlur((alpha * 255).astype(np.uint8), (0, 0), place.soft)
        layer.__post_init__()
        layers.append(layer)
    layers += place.ground(_LITTER, _stones(place, 0.06), far_m=12.0, bump=0.10)
    return layers


def _ground(place: _Place) -> list[Layer]:
    """Straight down on the ground, with two dark shapes at the lower edge: the frame nobody meant to take."""
    e = place.extent
    top = np.full(place.cols, e.v0 - 0.05, np.float32)
    base = cut_out(
        "ground", e, place.rng, distance_m=1.5, top=top, bottom_v=e.v1, first=_SHINGLE[0], second=_SHINGLE[1],
        style=LeafStyle(1.5, 0.05 * e.scale, (0.4, 0.9), 0, 90, 0.5), contrast=0.7, fine=0.1, soft=place.soft,
    )
    rows = base.rgba.shape[0]
    rgba = np.zeros((rows, place.cols, 4), np.uint8)
    rgba[..., :3] = (255 * coded((0.02, 0.017, 0.015), 1.0)).astype(np.uint8)
    for x in (0.40, 0.58):
        middle = (int(x * place.cols), int(rows * 0.86))
        axes = (int(0.055 * place.cols), int(0.30 * rows))
        cv2.ellipse(rgba, middle, axes, 0, 0, 360, (44, 38, 34, 255), -1, cv2.LINE_AA)
    noise = fractal(rows, place.cols, place.rng, 0.6)
    rgba[..., :3] = np.clip(rgba[..., :3] * np.exp(0.25 * noise)[..., None], 0, 255).astype(np.uint8)
    boots = Layer("boots", 1.2, soften(rgba, place.soft), base.u0, base.v0, e.scale, 1.0)
    return [base, boots]


def _chart(place: _Place) -> list[Layer]:
    """A plain card for measuring: left half dark, right half bright, its edge at the middle of u = 0."""
    e = place.extent
    rows = math.ceil((e.v1 - e.v0) * e.scale) + 1
    far = np.empty((rows, place.cols, 4), np.uint8)
    far[...] = 255
    far[..., :3] = (255 * coded((0.09, 0.09, 0.09), 1.0)).astype(np.uint8)
    near = far.copy()
    near[..., :3] = (255 * coded((0.36, 0.36, 0.36), 1.0)).astype(np.uint8)
    u = e.u0 + np.arange(place.cols) / e.scale
    near[..., 3] = (255 * np.clip(u * e.scale + 0.5, 0, 1)).astype(np.uint8)[None, :]
    return [
        Layer("card", place.scene.nearest_m, far, e.u0, e.v0, e.scale, 1.0, textured=False),
        Layer("edge", place.scene.nearest_m, near, e.u0, e.v0, e.scale, 1.0),
    ]


_LOOKS: dict[str, Callable[[_Place], list[Layer]]] = {
    "sea-cliff": _sea_cliff, "meadow": _meadow, "moor": _moor, "shore": _shore, "wood": _wood, "ground": _ground,
    "chart": _chart,
}
