"""Things that move: flower heads on stems, leaves and bushes, painted once as sprites."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from windstill.simulate.describe import Blooms, Scene
from windstill.simulate.textures import LeafStyle, Plane, leaves

_PINK = ((0.80, 0.45, 0.64), (0.93, 0.66, 0.80))
_WHITE = ((0.80, 0.80, 0.76), (0.95, 0.94, 0.92))
_STRAW = ((0.55, 0.47, 0.30), (0.80, 0.70, 0.48))
_GREEN = ((0.24, 0.33, 0.14), (0.46, 0.56, 0.26))
_HEATHER = ((0.33, 0.25, 0.32), (0.52, 0.46, 0.36))


@dataclass(frozen=True, slots=True)
class Bloom:
    """One moving object at rest, in the scene's coordinates.

    Attributes
    ----------
    u, v : float
        Place of the head's middle; `base_v` of the foot of its stem, straight below.
    distance_m : float
    half_u, half_v : float
        Half width and height of the head in (u, v).
    stem_m : float
        Height of the head over its foot.
    sway_mm : float or None
        Amplitude at the reference wind, see `wind.amplitude_m`.
    glide_ms : float
        Steady speed to the right.
    """

    index: int
    kind: str
    u: float
    v: float
    base_v: float
    distance_m: float
    half_u: float
    half_v: float
    stem_m: float
    sway_mm: float | None
    frequency_hz: float
    phase: float
    seed: int
    glide_ms: float


def place_blooms(scene: Scene, groups: tuple[Blooms, ...], left_u: float, right_u: float, seed: int) -> list[Bloom]:
    """Set out the blooms of a scene on the ground between `left_u` and `right_u`, farthest first."""
    placed: list[Bloom] = []
    for g, group in enumerate(groups):
        rng = np.random.default_rng([seed, scene.seed, 77, g])
        clumps = rng.uniform(*group.across, max(1, round(group.count / group.clump)))
        for k in range(group.count):
            # Even in 1 / distance: as many in each blur step of a stack.
            near, far = 1 / group.near_m, 1 / max(group.far_m, group.near_m)
            distance = 1 / (near + (far - near) * (k + rng.random()) / group.count)
            head = rng.uniform(*group.head_mm) / 1000
            stem = rng.uniform(*group.stem_mm) / 1000
            span = right_u - left_u
            share = rng.uniform(*group.across)
            if group.clump > 1:
                share = clumps[int(rng.integers(clumps.size))] + rng.normal(0, 0.05)
            u = left_u + span * share
            height = scene.camera_height_m
            if group.places_deg:
                right, up = group.places_deg[k % len(group.places_deg)]
                u = math.tan(math.radians(right))
                stem = height + distance * math.tan(math.radians(up)) / math.cos(math.radians(right))
            tall = {"seed-head": 1.6, "bush": 0.75, "disc": 1.0}.get(group.kind, 0.85)
            if group.kind == "bush" and not group.places_deg:
                stem = 0.5 * head * tall
            placed.append(Bloom(
                index=len(placed), kind=group.kind, u=u, v=(height - stem) / distance, base_v=height / distance,
                distance_m=distance, half_u=head / 2 / distance, half_v=head / 2 / distance * tall, stem_m=stem,
                sway_mm=group.sway_mm, frequency_hz=rng.uniform(*group.frequency_hz),
                phase=rng.uniform(0, 2 * math.pi), seed=int(rng.integers(1 << 31)), glide_ms=group.glide_ms,
            ))
    return sorted(placed, key=lambda b: -b.distance_m)


def paint_head(bloom: Bloom, half_w: float, half_h: float) -> Plane:
    """RGBA sprite of a head (gamma-coded, alpha not premultiplied) with half sizes in its own pixels.

    The head fills an ellipse in the middle with a margin of a few pixels.
    """
    rng = np.random.default_rng([bloom.seed, 5])
    w, h = 2 * math.ceil(half_w + 3) + 1, 2 * math.ceil(half_h + 3) + 1
    y, x = np.mgrid[0:h, 0:w].astype(np.float32)
    nx, ny = (x - w // 2) / half_w, (y - h // 2) / half_h
    r = np.sqrt(nx * nx + ny * ny)
    size = max(half_w, half_h)
    if bloom.kind == "disc":
        return _rgba(np.full((h, w, 3), 0.5, np.float32), r <= 1.0)
    if bloom.kind == "daisy":
        petals = int(rng.integers(13, 22))
        ray = np.cos(np.arctan2(ny, nx) * petals + rng.uniform(0, 6))
        inside = (r < 0.34) | ((r <= 1.0) & (ray > -0.55 + 0.4 * r))
        style = LeafStyle(1.2, size * 0.12, (0.2, 0.7), 0, 90, 0.2)
    elif bloom.kind == "seed-head":
        wobble = 0.75 + 0.3 * np.sin(ny * 17 + rng.uniform(0, 6)) * np.sin(nx * 9 + ny * 29)
        inside = r <= np.clip(wobble, 0.5, 1)
        style = LeafStyle(1.2, size * 0.25, (0.15, 0.35), 90, 35, 0.4)
    elif bloom.kind in ("leaf", "bush"):
        edge = cv2.resize(rng.random((9, 13)).astype(np.float32), (w, h), interpolation=cv2.INTER_CUBIC)
        inside = r <= 0.72 + 0.28 * edge
        style = LeafStyle(1.3, size * (0.3 if bloom.kind == "leaf" else 0.12), (0.25, 0.6), 60, 80, 0.35)
    else:
        edge = np.cos(np.arctan2(ny, nx) * 19 + rng.uniform(0, 6))
        inside = r <= 0.93 + 0.07 * edge
        style = LeafStyle(1.2, size * 0.22, (0.35, 0.8), 0, 90, 0.35)
    value, mix, _ = leaves(h, w, rng, style)
    first, second = {
        "daisy": _WHITE, "seed-head": _STRAW, "leaf": _GREEN, "bush": _HEATHER,
    }.get(bloom.kind, _PINK)
    tone = rng.uniform(0.85, 1.1)
    m = (mix.astype(np.float32) / 255)[..., None]
    mixed = np.asarray(first, np.float32) * (1 - m) + np.asarray(second, np.float32) * m
    # Rounded: lit from above, darker towards the rim below.
    light = np.clip(1.02 - 0.22 * r * r - 0.16 * ny, 0.4, 1.2)
    gained = np.exp(0.55 * (value.astype(np.float32) - 128) / 128) * light * tone
    rgb = (mixed * gained[..., None]).astype(np.float32)
    if bloom.kind == "daisy":
        heart = (r < 0.3)[..., None]
        gain = np.exp(0.5 * (value.astype(np.float32) - 128) / 128)[..., None]
        rgb = np.where(heart, np.asarray((0.85, 0.68, 0.12), np.float32) * gain, rgb).astype(np.float32)
    return _rgba(rgb, inside)


def _rgba(rgb: NDArray[np.float32], inside: NDArray[np.bool_]) -> Plane:
    code = np.clip(rgb * 255, 0, 255).astype(np.uint8)
    alpha = np.where(inside, np.uint8(255), np.uint8(0))
    return np.dstack([code, alpha])
