"""Where things are in the picture: pose, projection and its inverse onto the layers of a scene.

World: x right, y down, z away from the camera along the scene's aim. A layer at distance D is the plane z = D, or,
where the camera turns far (panoramas), the cylinder of radius D about the vertical axis. A place on a layer has the
coordinates (u, v): tangents x / z and y / z on a plane; azimuth and y / r on a cylinder.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numba import njit
from numpy.typing import NDArray

Array = NDArray[np.float64]
FAR_M = 1e5
"""Metres. What lies at infinity is placed here for parallax, which is then nothing."""


@dataclass(frozen=True, slots=True)
class Camera:
    """Pose and picture of one frame (mean over its exposure).

    Angles in radians: `yaw` turns right, `pitch` up, `roll` turns the picture counter-clockwise as seen. `at` is
    the entrance pupil's place in metres. `focal_px` is the image distance in pixels, breathing included.
    """

    width: int
    height: int
    focal_px: float
    yaw: float
    pitch: float
    roll: float
    at: tuple[float, float, float] = (0.0, 0.0, 0.0)
    distortion: float = 0.0
    cylinder: bool = False

    @property
    def centre(self) -> tuple[float, float]:
        """Picture coordinates of the middle."""
        return (self.width - 1) / 2, (self.height - 1) / 2

    def rotation(self) -> Array:
        """World to camera, shape (3, 3)."""
        return _rotation(self.yaw, self.pitch, self.roll)

    def homography_from(self, other: Camera) -> Array:
        """Homography of things at infinity from `other`'s picture to this one, scaled to h33 = 1."""
        h = self._intrinsic() @ self.rotation() @ other.rotation().T @ np.linalg.inv(other._intrinsic())
        return np.asarray(h / h[2, 2])

    def _intrinsic(self) -> Array:
        cx, cy = self.centre
        return np.array([[self.focal_px, 0, cx], [0, self.focal_px, cy], [0, 0, 1]])

    def place(self, u: Array, v: Array, distance: Array | float) -> Array:
        """World points of places on layers, shape (n, 3)."""
        u, v, d = np.broadcast_arrays(u, v, np.minimum(distance, FAR_M))
        if self.cylinder:
            return np.stack([d * np.sin(u), d * v, d * np.cos(u)], axis=-1)
        return np.stack([u * d, v * d, d], axis=-1)

    def project(self, points: Array) -> Array:
        """Picture coordinates of world points, shape (..., 2); NaN behind the camera and beyond the lens."""
        cam = (points - np.asarray(self.at)) @ self.rotation().T
        z = np.where(cam[..., 2] > 1e-6, cam[..., 2], np.nan)
        x, y = cam[..., 0] / z * self.focal_px, cam[..., 1] / z * self.focal_px
        if self.distortion:
            f = self._distorted(x * x + y * y)
            x, y = x * f, y * f
        cx, cy = self.centre
        return np.stack([x + cx, y + cy], axis=-1)

    def _distorted(self, squared_px: Array) -> Array:
        """Factor on a distance from the centre whose square is given; NaN where the lens sees nothing.

        Far enough aside a barrel's polynomial turns back, and would show in the picture what stands beside the camera.
        """
        r2 = squared_px / self._half_diagonal() ** 2
        return np.asarray(np.where(1 + 3 * self.distortion * r2 > 0, 1 + self.distortion * r2, np.nan))

    def jacobian(self, u: float, v: float, distance: float) -> Array:
        """Pixels per unit of (u, v) at a place on a layer, shape (2, 2): columns d/du, d/dv."""
        step = 1e-4
        us = np.array([u + step, u - step, u, u])
        vs = np.array([v, v, v + step, v - step])
        p = self.project(self.place(us, vs, distance))
        return np.stack([(p[0] - p[1]) / (2 * step), (p[2] - p[3]) / (2 * step)], axis=-1)

    def card(self, u: float, v: float, distance: float) -> Card:
        """A flat card that touches a layer at a place: what a flower head is drawn on."""
        step = 1e-4
        at = self.place(np.array([u, u + step, u - step, u, u]), np.array([v, v, v, v + step, v - step]), distance)
        along = np.stack([(at[1] - at[2]) / (2 * step), (at[3] - at[4]) / (2 * step), at[0] - np.asarray(self.at)])
        return Card(self, self.rotation() @ along.T)

    def _half_diagonal(self) -> float:
        return 0.5 * math.hypot(self.width, self.height)

    def surface(
        self, row0: int, rows: int, distance: float, step: int = 1, cols: int | None = None
    ) -> tuple[NDArray[np.float32], ...]:
        """(u, v) seen by each pixel of some rows on the layer at `distance`, float32, shape (rows, cols)."""
        if cols is None:
            cols = (self.width + step - 1) // step
        u = np.empty((rows, cols), np.float32)
        v = np.empty((rows, cols), np.float32)
        cx, cy = self.centre
        _trace(
            u, v, float(row0), float(step), cx, cy, self.focal_px, self.rotation().copy(),
            np.asarray(self.at, np.float64), min(distance, FAR_M), self.cylinder, self.distortion,
            self._half_diagonal(),
        )
        return u, v


@dataclass(frozen=True, slots=True)
class Card:
    """A flat card in space as one camera sees it, in the layer's units of (u, v) from the place it touches.

    Views from one point show it by one homography, as they do everything that stands still; its derivative at the
    middle alone would be pixels off at the rim of a near bush at the picture's edge.

    Attributes
    ----------
    to_camera : float array, shape (3, 3)
        Takes (du, dv, 1) to the camera's axes, metres.
    """

    camera: Camera
    to_camera: Array

    def project(self, du: Array, dv: Array) -> Array:
        """Picture coordinates of places on the card, shape (n, 2); NaN behind the camera and beyond the lens."""
        seen = np.stack([du, dv, np.ones_like(du)], axis=-1) @ self.to_camera.T
        z = np.where(seen[..., 2] > 1e-6, seen[..., 2], np.nan)
        xy = seen[..., :2] / z[..., None] * self.camera.focal_px
        if self.camera.distortion:
            xy = xy * self.camera._distorted((xy**2).sum(axis=-1, keepdims=True))
        return np.asarray(xy + np.asarray(self.camera.centre))

    def places(self, x: Array, y: Array) -> tuple[Array, Array]:
        """(du, dv) on the card of picture coordinates, of any shapes that broadcast; far off where it is edge-on."""
        cx, cy = self.camera.centre
        x, y = np.broadcast_arrays(x - cx, y - cy)
        if self.camera.distortion:
            xd, yd = x, y
            for _ in range(4):
                f = 1 + self.camera.distortion * (x * x + y * y) / self.camera._half_diagonal() ** 2
                x, y = xd / f, yd / f
        back = np.linalg.inv(self.to_camera)
        ray = np.stack([x / self.camera.focal_px, y / self.camera.focal_px, np.ones_like(x)], axis=-1) @ back.T
        w = np.where(ray[..., 2] > 1e-12, ray[..., 2], np.nan)
        return np.nan_to_num(ray[..., 0] / w, nan=1e6), np.nan_to_num(ray[..., 1] / w, nan=1e6)


@lru_cache(maxsize=4096)
def _rotation(yaw: float, pitch: float, roll: float) -> Array:
    cy, sy = math.cos(yaw), math.sin(yaw)
    cp, sp = math.cos(pitch), math.sin(pitch)
    cr, sr = math.cos(roll), math.sin(roll)
    turn = np.array([[cy, 0, -sy], [0, 1, 0], [sy, 0, cy]])
    tilt = np.array([[1, 0, 0], [0, cp, sp], [0, -sp, cp]])
    lean = np.array([[cr, sr, 0], [-sr, cr, 0], [0, 0, 1]])
    rotation = np.asarray(lean @ tilt @ turn)
    rotation.setflags(write=False)
    return rotation


@njit(cache=True, nogil=True)
def _trace(u, v, row0, step, cx, cy, focal, rot, at, distance, cylinder, k, half):  # type: ignore[no-untyped-def]
    rows, cols = u.shape
    for j in range(rows):
        yd = row0 + j * step - cy
        for i in range(cols):
            xd = i * step - cx
            x, y = xd, yd
            if k != 0.0:
                for _ in range(4):
                    f = 1.0 + k * (x * x + y * y) / (half * half)
                    x, y = xd / f, yd / f
            dx, dy = x / focal, y / focal
            wx = rot[0, 0] * dx + rot[1, 0] * dy + rot[2, 0]
            wy = rot[0, 1] * dx + rot[1, 1] * dy + rot[2, 1]
            wz = rot[0, 2] * dx + rot[1, 2] * dy + rot[2, 2]
            if cylinder:
                flat = np.sqrt(wx * wx + wz * wz)
                ex, ez, ey = wx / flat, wz / flat, wy / flat
                along = at[0] * ex + at[2] * ez
                reach = -along + np.sqrt(along * along + distance * distance - at[0] * at[0] - at[2] * at[2])
                u[j, i] = np.arctan2(at[0] + reach * ex, at[2] + reach * ez)
                v[j, i] = (at[1] + reach * ey) / distance
            elif wz > 1e-3:
                reach = (distance - at[2]) / wz
                u[j, i] = (at[0] + reach * wx) / distance
                v[j, i] = (at[1] + reach * wy) / distance
            else:
                u[j, i] = 1e6
                v[j, i] = 1e6


def fit_similarity(a: Array, b: Array, centre: tuple[float, float]) -> tuple[float, float, float, float]:
    """Least-squares x_a = scale R(rotation) (x_b - c) + c + shift.

    Returns
    -------
    shift_x_px, shift_y_px, scale, rotation_deg
        Rotation counter-clockwise as seen, y down.
    """
    c = np.asarray(centre)
    za = (a - c)[:, 0] - 1j * (a - c)[:, 1]
    zb = (b - c)[:, 0] - 1j * (b - c)[:, 1]
    ma, mb = za.mean(), zb.mean()
    w = np.vdot(zb - mb, za - ma) / np.vdot(zb - mb, zb - mb)
    shift = ma - w * mb
    return float(shift.real), float(-shift.imag), float(abs(w)), float(np.degrees(np.angle(w)))


def apply_similarity(points: Array, mapping: tuple[float, float, float, float], centre: tuple[float, float]) -> Array:
    """Apply what `fit_similarity` gives to points of b, shape (..., 2)."""
    tx, ty, scale, rotation = mapping
    c, s = math.cos(math.radians(rotation)) * scale, math.sin(math.radians(rotation)) * scale
    d = points - np.asarray(centre)
    return np.stack([c * d[..., 0] + s * d[..., 1], -s * d[..., 0] + c * d[..., 1]], axis=-1) + centre + (tx, ty)


def apply_homography(points: Array, h: Array) -> Array:
    """Apply a homography to points, shape (..., 2)."""
    q = np.concatenate([points, np.ones((*points.shape[:-1], 1))], axis=-1) @ h.T
    return np.asarray(q[..., :2] / q[..., 2:])
