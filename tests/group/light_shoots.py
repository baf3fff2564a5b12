"""Shoots made of features alone: frames and scores as cheap as thousands of them need.

A scene is a wide picture pieced together from library pictures, with a depth for every place. A frame is a window
of it, blurred by its distance from focus, exposed in linear light and clipped; its sharpness map follows from depth
and focus on the tile grid of a 24 MP picture. Camera data are written as a camera would. Not for judging sway.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from functools import lru_cache

import cv2
import numpy as np
import skimage.data
from numpy.typing import NDArray

from windstill.records import CameraData, Frame, FrameScore, ShootFile, TileGrid

WIDTH, HEIGHT = 6000, 4000
_GRID = TileGrid(tile_px=74, rows=54, cols=81)
_VIEW_W, _VIEW_H = 256, 171
_SOURCES = ("coffee", "chelsea", "brick", "grass", "gravel", "coins", "page")
START = datetime(2031, 5, 17, 19, 42, 7, 120000)


@dataclass(frozen=True)
class Scene:
    """A wide picture in linear light, 0..1, and the depth (dioptres) of every place."""

    linear: NDArray[np.float32]
    dioptres: NDArray[np.float32]
    blurred: tuple[NDArray[np.float32], ...]
    texture: NDArray[np.float32]


@lru_cache(maxsize=64)
def scene(seed: int) -> Scene:
    """A scene of 4 by 3 views."""
    rng = np.random.default_rng(seed)
    width, height = 4 * _VIEW_W, 3 * _VIEW_H
    canvas = np.zeros((height, width), np.float32)
    ramp = np.linspace(0.7, 0.25, height, dtype=np.float32)[:, None]
    for _ in range(40):
        source = getattr(skimage.data, _SOURCES[rng.integers(len(_SOURCES))])()
        grey = source if source.ndim == 2 else cv2.cvtColor(source, cv2.COLOR_RGB2GRAY)
        side_w, side_h = int(rng.integers(120, 300)), int(rng.integers(90, 200))
        y0 = int(rng.integers(0, max(grey.shape[0] - side_h, 1)))
        x0 = int(rng.integers(0, max(grey.shape[1] - side_w, 1)))
        patch = grey[y0 : y0 + side_h, x0 : x0 + side_w].astype(np.float32) / 255
        if rng.random() < 0.5:
            patch = patch[:, ::-1]
        patch = cv2.resize(patch, None, fx=float(rng.uniform(0.8, 1.6)), fy=float(rng.uniform(0.8, 1.6)))
        y = int(rng.integers(-20, max(height - patch.shape[0] + 20, 1)))
        x = int(rng.integers(-40, max(width - patch.shape[1] + 40, 1)))
        top, left = max(y, 0), max(x, 0)
        part = patch[top - y : top - y + height - top, left - x : left - x + width - left]
        canvas[top : top + part.shape[0], left : left + part.shape[1]] = part
    # Ground is rough at every scale; no place is plain.
    for octave in range(5):
        coarse = rng.normal(0, 1, (max(height >> (octave + 1), 2), max(width >> (octave + 1), 2))).astype(np.float32)
        canvas += 0.07 * cv2.resize(coarse, (width, height), interpolation=cv2.INTER_CUBIC)
    canvas = np.clip(canvas, 0, 1)
    linear = np.clip((0.15 + 0.75 * canvas) * (0.6 + ramp), 0.02, 1.2) ** 2.2
    # Ground rises from near at the bottom to far at the horizon, with some nearer things standing in it.
    dioptres = np.linspace(0.02, 1.2, height, dtype=np.float32)[:, None] ** 1.3 * np.ones((1, width), np.float32)
    for _ in range(10):
        cx, cy, r = rng.integers(0, width), rng.integers(height // 2, height), rng.integers(15, 50)
        cv2.circle(dioptres, (int(cx), int(cy)), int(r), float(rng.uniform(0.8, 2.0)), -1)
    blurred = tuple(linear if s == 0 else cv2.GaussianBlur(linear, (0, 0), s) for s in (0, 1.0, 2.5))
    detail = cv2.Laplacian(canvas, cv2.CV_32F)
    texture = np.sqrt(cv2.GaussianBlur(detail * detail, (0, 0), 4.0))
    return Scene(linear.astype(np.float32), dioptres, blurred, texture)


@dataclass(frozen=True)
class Look:
    """What one frame sees. `x`, `y` in view widths from the scene's corner; `focus_dpt` in dioptres."""

    scene: int
    x: float = 1.0
    y: float = 1.0
    focus_dpt: float = 0.3
    level_ev: float = 0.0
    light_ev: float = 0.0


@lru_cache(maxsize=1)
def _rays() -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Where a level camera's pixels look on the scene's sphere (24 mm, 35 mm format), in scene pixels."""
    focal = 24.0 / 43.27 * float(np.hypot(_VIEW_W, _VIEW_H))
    x, y = np.meshgrid(np.arange(_VIEW_W) - (_VIEW_W - 1) / 2, np.arange(_VIEW_H) - (_VIEW_H - 1) / 2)
    theta = np.arctan(x / focal)
    return (focal * theta).astype(np.float32), (focal * np.arctan(y / focal * np.cos(theta))).astype(np.float32)


@lru_cache(maxsize=4096)
def _seen(look: Look) -> tuple[NDArray[np.uint8], NDArray[np.float32], NDArray[np.bool_], NDArray[np.float32]]:
    where = scene(look.scene)
    grid_x, grid_y = _rays()
    map_x = grid_x + np.float32((look.x + 0.5) * _VIEW_W)
    map_y = grid_y + np.float32((look.y + 0.5) * _VIEW_H)

    def window(plane: NDArray[np.float32]) -> NDArray[np.float32]:
        cut: NDArray[np.float32] = cv2.remap(plane, map_x, map_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT)
        return cut

    defocus = np.abs(window(where.dioptres) - look.focus_dpt)
    radius = np.clip(defocus * 4.0, 0, 2.5)
    sharp, soft, softer = (window(p) for p in where.blurred)
    near = np.clip(radius, 0, 1)
    far = np.clip((radius - 1) / 1.5, 0, 1)
    linear = (sharp * (1 - near) + soft * near) * (1 - far) + softer * far
    exposed = np.clip(linear * 2.0 ** (look.level_ev + look.light_ev), 0, 1)
    small = np.round(255 * exposed ** (1 / 2.2)).astype(np.uint8)
    size = (_GRID.cols, _GRID.rows)
    texture = cv2.resize(window(where.texture), size, interpolation=cv2.INTER_AREA)
    blur = cv2.resize(defocus, size, interpolation=cv2.INTER_AREA)
    luma = cv2.resize(small, size, interpolation=cv2.INTER_AREA).astype(np.float32) / 255
    measured = texture / (1 + (blur / 0.08) ** 2)
    return small, measured.astype(np.float32), texture > 0.01, luma


def score_of(name: str, look: Look, seed: int) -> FrameScore:
    """Measures of one frame, with a little noise of its own."""
    small, sharp, textured, luma = _seen(look)
    rng = np.random.default_rng(seed)
    noise = rng.normal(0, 0.7, small.shape)
    zero = np.zeros(_GRID.shape, np.float32)
    return FrameScore(
        frame=name, width_px=WIDTH, height_px=HEIGHT, reduction=2, grid=_GRID,
        sharp=(sharp * np.exp(rng.normal(0, 0.05, sharp.shape))).astype(np.float32), textured=textured, luma=luma,
        noise=zero + 1, fineness=zero + 0.5, clipped_high=(luma > 0.985).astype(np.float32),
        clipped_low=(luma < 0.01).astype(np.float32), smear_px=zero, smear_angle_deg=zero, smear_confidence=zero,
        small=np.clip(small + noise, 0, 255).astype(np.uint8), thumbnail_jpeg=b"", sharpness=0.5, sharp_area_pct=20.0,
        noise_sigma=1.0, frame_smear_px=None, frame_smear_angle_deg=None, shake_px=None, clipped_high_pct=0.0,
        clipped_low_pct=0.0,
    )


@dataclass
class Camera:
    """A body shooting: keeps the clock, the counter and what was shot, with the truth beside it."""

    serial: str = "0417"
    folder: str = "101CLIFF"
    prefix: str = "THRF"
    counter: int = 1
    clock: datetime = START
    data: bool = True
    focus_written: bool = True
    whole_seconds: bool = False
    frames: list[Frame] = field(default_factory=list)
    scores: dict[str, FrameScore] = field(default_factory=dict)
    truth: dict[str, tuple[str, ...]] = field(default_factory=dict)

    def wait(self, seconds: float) -> None:
        """Let time pass."""
        self.clock += timedelta(seconds=seconds)

    def shoot(self, look: Look, *groups: str, base_s: float = 1 / 60, idle_s: float = 0.4) -> str:
        """Expose one frame; `groups` names the sets it truly belongs to, outermost first."""
        name = f"{self.folder}/{self.prefix}{self.counter:04d}"
        self.counter = self.counter % 9999 + 1
        exposure = base_s * 2.0**look.level_ev
        moment = self.clock.replace(microsecond=0) if self.whole_seconds else self.clock
        camera = CameraData()
        if self.data:
            camera = CameraData(
                maker="Fernhill", model="F2", body_serial=self.serial, lens="Fernhill 24 mm", captured_at=moment,
                time_resolution_s=1.0 if self.whole_seconds else 0.01, exposure_s=exposure, f_number=8.0, iso=100.0,
                focal_mm=24.0, focal_35mm_mm=24.0,
                focus_m=round(1 / max(look.focus_dpt, 0.01), 2) if self.focus_written else None,
            )
        file = ShootFile(f"{name}.JPG", "image", 1, 1)
        self.frames.append(Frame(name, (file,), file.path, WIDTH, HEIGHT, camera))
        self.scores[name] = score_of(name, look, len(self.frames))
        self.truth[name] = groups
        self.clock += timedelta(seconds=exposure + idle_s)
        return name

    def bracket(self, look: Look, levels: Iterable[float], *groups: str, idle_s: float = 0.3) -> None:
        """One bracket of the given levels."""
        for level in levels:
            self.shoot(_with(look, level_ev=look.level_ev + level), *groups, idle_s=idle_s)

    def stack(self, look: Look, focus: Iterable[float], *groups: str, idle_s: float = 0.8) -> None:
        """One stack of the given focus, dioptres."""
        for dioptres in focus:
            self.shoot(_with(look, focus_dpt=dioptres), *groups, idle_s=idle_s)


def _with(look: Look, **changes: float) -> Look:
    values = {"scene": look.scene, "x": look.x, "y": look.y, "focus_dpt": look.focus_dpt,
              "level_ev": look.level_ev, "light_ev": look.light_ev}
    return Look(**{**values, **changes})  # type: ignore[arg-type]


FOCUS = (1.1, 0.8, 0.55, 0.35, 0.2, 0.08)


def vigil(count: int) -> Camera:
    """One view, waiting for a lull."""
    camera = Camera()
    for _ in range(count):
        camera.shoot(Look(31), idle_s=2.5)
    return camera


def mixed_evening(count: int) -> Camera:
    """At least `count` frames of sets of every kind, a walk between them."""
    camera = Camera()
    number = 0
    while len(camera.frames) < count:
        number += 1
        place = 100 + number % 40
        look = Look(place, x=0.6 + 0.1 * (number % 7), y=0.8)
        kind = number % 6
        if kind == 0:
            camera.bracket(look, (0, -2, 2), f"{number}")
        elif kind == 1:
            camera.stack(look, FOCUS, f"{number}")
        elif kind == 2:
            for focus in FOCUS:
                camera.bracket(_with(look, focus_dpt=focus), (0, -2, 2), f"{number}", f"focus {focus}")
                camera.wait(1.5)
        elif kind == 3:
            for view in range(3):
                camera.shoot(_with(look, x=0.3 + 0.65 * view), f"{number}", idle_s=4)
        elif kind == 4:
            for _ in range(8):
                camera.shoot(look, f"{number}", idle_s=3)
        else:
            camera.shoot(look, f"{number}")
        camera.wait(90 + number % 11)
    return camera
