"""A scene made ready: its layers and blooms, and where everything is in any of its frames.

The renderer and the truth both ask here, so that they cannot disagree.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from windstill.simulate.blooms import Bloom, paint_head, place_blooms
from windstill.simulate.describe import Body, Description, Scene
from windstill.simulate.geometry import Camera
from windstill.simulate.layers import Extent, Layer, soften
from windstill.simulate.lens import WAVELENGTH_MM, blur_disc_mm, image_distance_mm
from windstill.simulate.looks import build_layers
from windstill.simulate.textures import Plane
from windstill.simulate.timeline import Exposure, Timeline
from windstill.simulate.wind import Gusts, amplitude_m, sway_m

Array = NDArray[np.float64]
_OVERSAMPLE = 1.3
"""Texture pixels to a picture pixel: enough that sampling does not alias, little enough to fit in memory."""
_SOFT_PX = 0.45
"""Deviation in picture pixels of the softness every picture has (pixel aperture, low-pass filter)."""
_TURN_PLANE = math.radians(22.0)
"""Turning further than this, the layers are cylinders: planes would run out of sight."""


@dataclass(frozen=True, slots=True)
class Path:
    """Movement of one thing in the picture during one exposure.

    Attributes
    ----------
    at : float array, shape (n, 2)
        Positions (x, y), picture coordinates, at equal steps of time.
    """

    at: Array

    @property
    def mean(self) -> Array:
        """Position averaged over the exposure."""
        return np.asarray(self.at.mean(axis=0))

    def extent(self) -> tuple[float, float]:
        """Peak-to-peak length along its longest direction, and that direction, 0..180 counter-clockwise."""
        angles = np.radians(np.arange(0, 180, 2.0))
        rays = np.stack([np.cos(angles), -np.sin(angles)])
        spans = np.ptp(self.at @ rays, axis=0)
        best = int(np.argmax(spans))
        return float(spans[best]), float(np.degrees(angles[best]))


class Stage:
    """One scene of a shoot.

    Parameters
    ----------
    description : Description
    timeline : Timeline
    scene : int
        Index into the description's scenes.
    """

    def __init__(self, description: Description, timeline: Timeline, scene: int) -> None:
        self.description = description
        self.scene: Scene = description.scenes[scene]
        self.frames = [f for f in timeline.frames if f.scene == scene]
        long_px, short_px = description.size_px
        self.width, self.height = (short_px, long_px) if self.scene.upright else (long_px, short_px)
        yaws = [f.yaw for f in self.frames]
        self.cylinder = bool(yaws) and max(abs(y) for y in yaws) > _TURN_PLANE
        self.seed = description.seed
        pitch = min(b.sensor_mm for b in description.bodies) / long_px
        self.focal_px = self.scene.focal_mm / pitch
        self.scale = self.focal_px * _OVERSAMPLE
        self._cameras: dict[int, Camera] = {}
        self._gusts: dict[float, Gusts] = {}

    def body(self, frame: Exposure) -> Body:
        """The body that took a frame."""
        return self.description.bodies[frame.body]

    def pitch_mm(self, frame: Exposure) -> float:
        """Pixel pitch."""
        return self.body(frame).sensor_mm / self.description.width_px

    def camera(self, frame: Exposure) -> Camera:
        """Pose of a frame, averaged over its exposure."""
        found = self._cameras.get(frame.index)
        if found is None:
            body = self.body(frame)
            distance = image_distance_mm(frame.focal_mm, frame.focus_m, body.breathing)
            found = Camera(
                self.width, self.height, distance / self.pitch_mm(frame), frame.yaw, frame.pitch, frame.roll, frame.at,
                body.distortion, self.cylinder,
            )
            self._cameras[frame.index] = found
        return found

    @cached_property
    def extent(self) -> Extent:
        """What the frames see, with a margin."""
        lo = np.array([np.inf, np.inf])
        hi = -lo
        for frame in self.frames:
            camera = self.camera(frame)
            step = max(1, self.height // 16)
            for distance in (self.scene.nearest_m, math.inf):
                u, v = camera.surface(0, self.height // step + 2, distance, step, self.width // step + 2)
                lo = np.minimum(lo, [u.min(), v.min()])
                hi = np.maximum(hi, [min(float(u.max()), 6.0), min(float(v.max()), 6.0)])
        margin = 0.02 * (hi - lo)
        lo, hi = lo - margin, hi + margin
        return Extent(float(lo[0]), float(hi[0]), float(lo[1]), float(hi[1]), self.scale)

    @cached_property
    def layers(self) -> list[Layer]:
        """Cut-outs, farthest first."""
        soft = _SOFT_PX * _OVERSAMPLE
        unit = self.description.unit_px * _OVERSAMPLE
        made = build_layers(self.scene, self.extent, self.seed, soft, unit)
        return sorted(made, key=lambda layer: -layer.distance_m)

    @cached_property
    def blooms(self) -> list[Bloom]:
        """Moving things, farthest first."""
        return place_blooms(self.scene, self.scene.blooms, self.extent.u0, self.extent.u1, self.seed)

    @cached_property
    def sprites(self) -> dict[int, Plane]:
        """RGBA picture of each bloom's head at the textures' resolution, by its index."""
        made = {}
        for b in self.blooms:
            sprite = paint_head(b, b.half_u * self.scale, b.half_v * self.scale)
            made[b.index] = soften(sprite, _SOFT_PX * _OVERSAMPLE)
        return made

    @property
    def gusts(self) -> Gusts:
        """Weather of the scene."""
        if 0.0 not in self._gusts:
            self._gusts[0.0] = Gusts(self.scene.wind, self.seed + self.scene.seed)
        return self._gusts[0.0]

    def blur_px(self, frame: Exposure, distance_m: float) -> float:
        """Diameter of the blur disc of things at a distance."""
        return blur_disc_mm(frame.focal_mm, frame.f_number, frame.focus_m, distance_m) / self.pitch_mm(frame)

    def airy_px(self, frame: Exposure) -> float:
        """Diameter of the first dark ring, 2.44 lambda N; 0 where the body has no diffraction."""
        if not self.body(frame).diffraction:
            return 0.0
        return 2.43934 * WAVELENGTH_MM * frame.f_number / self.pitch_mm(frame)

    def times(self, frame: Exposure, count: int) -> Array:
        """Middles of `count` equal steps of the exposure, true time."""
        return np.asarray(frame.t_s + frame.exposure_s * (np.arange(count) + 0.5) / count)

    def shake(self, frame: Exposure, times: Array) -> Array:
        """Movement of the whole picture, pixels, shape (n, 2), zero on average over the exposure."""
        if frame.shake_rad == 0 and frame.settle_rad == 0:
            return np.zeros((times.size, 2))
        rng = np.random.default_rng([self.seed, frame.index, 3])
        rate = 2 * np.pi * rng.uniform(2, 12, (4, 2))
        phase = rng.uniform(0, 2 * np.pi, (4, 2))
        share = rng.dirichlet(np.ones(4), 2).T
        ring_phase = rng.uniform(0, 2 * np.pi, 2)
        ring_axis = rng.normal(0, 1, 2) * (0.4, 1.0)

        def raw(t: Array) -> Array:
            wave = frame.shake_rad * (share * np.sin(rate * t[:, None, None] + phase)).sum(1)
            since = frame.since_move_s + t[:, None] - frame.t_s
            ring = frame.settle_rad * ring_axis * np.exp(-since / 0.8)
            return np.asarray(wave + ring * np.sin(2 * np.pi * 6.5 * since + ring_phase))

        mean = raw(self.times(frame, 257)).mean(axis=0)
        return np.asarray((raw(times) - mean) * self.camera(frame).focal_px)

    def bloom_sway_m(self, bloom: Bloom, frame: Exposure, times: Array) -> Array:
        """Displacement of a head to the right, metres."""
        sway = None if bloom.sway_mm is None else bloom.sway_mm / 1000
        amplitude = amplitude_m(bloom.stem_m, sway, frame.wind_ms)
        delay = bloom.u * bloom.distance_m / max(frame.wind_ms, 0.3)
        moved = sway_m(times, self.gusts, amplitude, bloom.frequency_hz, bloom.phase, delay)
        return moved + bloom.glide_ms * (times - self.frames[0].t_s)

    def samples(self, bloom: Bloom, frame: Exposure) -> int:
        """Steps of time fine enough for a smooth smear."""
        sway = None if bloom.sway_mm is None else bloom.sway_mm / 1000
        reach_px = amplitude_m(bloom.stem_m, sway, frame.wind_ms) / bloom.distance_m * self.focal_px
        length = reach_px * 2 * np.pi * bloom.frequency_hz * 1.6 * frame.exposure_s
        length += abs(bloom.glide_ms) * frame.exposure_s / bloom.distance_m * self.focal_px
        shake = 60 * frame.exposure_s * (frame.shake_rad + frame.settle_rad) * self.focal_px
        return int(np.clip(math.ceil(3 * (length + shake)) + 9, 9, 1500))

    def points(self, bloom: Bloom, sway: Array, height: float | Array = 1.0) -> Array:
        """World places of points of the stem at shares of its height, for some sways of the head, shape (..., 3)."""
        bend = sway * np.power(height, 1.8)
        v = bloom.base_v + (bloom.v - bloom.base_v) * height
        sink = 0.6 * bend**2 / (2 * max(bloom.stem_m, 0.02))
        camera = self.camera(self.frames[0])
        return camera.place(bloom.u + bend / bloom.distance_m, v + sink / bloom.distance_m, bloom.distance_m)

    def head_path(self, bloom: Bloom, frame: Exposure) -> Path:
        """Where a head is during a frame."""
        times = self.times(frame, self.samples(bloom, frame))
        points = self.points(bloom, self.bloom_sway_m(bloom, frame, times))
        return Path(self.camera(frame).project(points) + self.shake(frame, times))

    def near_picture(self, place: Array) -> bool:
        """A place in or about the picture; things further out, or behind the camera, are not drawn."""
        if not np.all(np.isfinite(place)):
            return False
        span = np.array([self.width, self.height])
        return bool(np.all(place > -0.7 * span) and np.all(place < 1.7 * span))

    def gain(self, frame: Exposure) -> float:
        """Signal (1 = clipping) of a perfect white surface: middle grey at the metered exposure gives 0.18."""
        return float(2**frame.light_ev * frame.exposure_s * frame.iso / (100 * frame.f_number**2))
