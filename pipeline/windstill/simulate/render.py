"""One frame in linear light: layers and blooms from far to near, each blurred by its own distance."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numba import njit
from numpy.typing import NDArray

from windstill.simulate.blooms import Bloom
from windstill.simulate.layers import GAMMA, Layer
from windstill.simulate.lens import Blur, corner_light
from windstill.simulate.stage import Stage
from windstill.simulate.timeline import Exposure

Floats = NDArray[np.float32]
_STRIP_ROWS = 1024
"""Rows rendered at once: bounds memory, not the result."""
_SMALL_PX = 1000
"""Pixels. Pictures with a shorter long side are rendered quickly."""
_SAME_PX = 0.005
"""Pixels. Parallax smaller than this is not traced."""
_VOID = 0.04
"""Linear light where no layer is: never seen in a whole scene."""
_CODE = (np.arange(256) / 255.0) ** GAMMA
_STEM = (0.085, 0.115, 0.045)
"""Linear colour of stems."""


@dataclass(frozen=True, slots=True)
class _Patch:
    """A bloom as it stands in the frame: premultiplied RGBA at whole pixels."""

    x: int
    y: int
    rgba: Floats


def render(stage: Stage, frame: Exposure) -> Floats:
    """Render one frame.

    Returns
    -------
    float32 array, shape (height, width, 3)
        Linear signal without noise, 1 at clipping (values above are kept), upright.
    """
    path = _shake_path(stage, frame)
    blurs: dict[float, Blur] = {}

    def blur_at(distance: float) -> Blur:
        disc = round(stage.blur_px(frame, distance), 2)
        if disc not in blurs:
            blurs[disc] = Blur(disc, stage.airy_px(frame), path)
        return blurs[disc]

    patches = [(b, _bloom_patches(stage, frame, b, path)) for b in stage.blooms]
    items: list[tuple[float, int, Layer | list[_Patch]]] = [(-la.distance_m, 0, la) for la in stage.layers]
    items += [(-b.distance_m, 1, p) for b, p in patches if p]
    items.sort(key=lambda item: item[:2])
    textures = {id(la): la.at_time(_wave_times(stage, frame, la)) for la in stage.layers}
    out = np.empty((stage.height, stage.width, 3), np.float32)
    reach = max((blur_at(la.distance_m).reach_px for la in stage.layers), default=0)
    halo = min(-(-reach // 64) * 64, stage.height)
    for top in range(0, stage.height, _STRIP_ROWS):
        bottom = min(top + _STRIP_ROWS, stage.height)
        first, last = max(0, top - halo), min(stage.height, bottom + halo)
        canvas = _strip(stage, frame, first, last, items, textures, blur_at)
        out[top:bottom] = canvas[top - first : bottom - first]
    out *= np.float32(stage.gain(frame))
    _vignette(out, stage.body(frame).vignetting_ev)
    return out


def _shake_path(stage: Stage, frame: Exposure) -> NDArray[np.float64] | None:
    if frame.shake_rad == 0 and frame.settle_rad == 0:
        return None
    count = int(np.clip(frame.exposure_s * 240, 33, 1025))
    path = stage.shake(frame, stage.times(frame, count))
    return path if float(np.ptp(path, axis=0).max()) > 0.02 else None


def _wave_times(stage: Stage, frame: Exposure, layer: Layer) -> NDArray[np.float64]:
    if layer.waves is None:
        return np.array([frame.t_s])
    count = int(np.clip(math.ceil(frame.exposure_s / layer.waves.memory_s * 4), 1, 12))
    return stage.times(frame, count)


def _strip(stage: Stage, frame: Exposure, first: int, last: int, items, textures, blur_at) -> Floats:  # type: ignore[no-untyped-def]
    camera = stage.camera(frame)
    canvas = np.full((last - first, stage.width, 3), _VOID, np.float32)
    shared = camera.surface(first, last - first, math.inf)
    for _, _, item in items:
        if isinstance(item, Layer):
            _lay(canvas, stage, frame, item, textures[id(item)], first, shared, blur_at(item.distance_m))
        else:
            for patch in item:
                y0, y1 = max(patch.y, first), min(patch.y + patch.rgba.shape[0], last)
                x0, x1 = max(patch.x, 0), min(patch.x + patch.rgba.shape[1], stage.width)
                if y0 < y1 and x0 < x1:
                    part = patch.rgba[y0 - patch.y : y1 - patch.y, x0 - patch.x : x1 - patch.x]
                    _over(canvas[y0 - first : y1 - first, x0:x1], part)
    return canvas


def _lay(
    canvas: Floats, stage: Stage, frame: Exposure, layer: Layer, texture: NDArray[np.uint8], first: int,
    shared: tuple[Floats, ...], blur: Blur,
) -> None:
    """Put one layer over the canvas, whose top row is the picture's row `first`.

    `shared` is (u, v) of the canvas on things at infinity, which serves for all layers unless the camera stands aside.
    """
    u, v = shared
    top, bottom = layer.v_range
    aside = math.hypot(*frame.at) / layer.distance_m
    reach = (blur.reach_px + 2) / stage.focal_px + 1.5 * aside
    coarse = v[:, :: max(1, v.shape[1] // 48)]
    rows = np.flatnonzero((coarse.max(axis=1) >= top - reach) & (coarse.min(axis=1) <= bottom + reach))
    if rows.size == 0:
        return
    a, b = int(rows[0]), int(rows[-1]) + 1
    u, v = u[a:b], v[a:b]
    if aside * stage.focal_px > _SAME_PX:
        u, v = stage.camera(frame).surface(first + a, b - a, layer.distance_m)
    shift = layer.u0 + layer.drift_u_s * (frame.t_s + frame.exposure_s / 2 - stage.frames[0].t_s)
    mx = (u - np.float32(shift)) * np.float32(layer.scale)
    my = (v - np.float32(layer.v0)) * np.float32(layer.scale)
    # Cubic sampling keeps the finest detail; where blur follows, or the picture is small, linear does as well.
    fine = blur.reach_px <= 3 and stage.description.width_px > _SMALL_PX
    how = cv2.INTER_CUBIC if fine else cv2.INTER_LINEAR
    edge = cv2.BORDER_REFLECT_101 if layer.drift_u_s else cv2.BORDER_REPLICATE
    code = cv2.remap(texture, mx, my, how, borderMode=edge)
    colour = np.empty(code.shape, np.float32)
    _decode(code, layer.lut, colour)
    _over(canvas[a:b], blur(colour))


@njit(cache=True, nogil=True)
def _decode(code, lut, out):  # type: ignore[no-untyped-def]
    for y in range(code.shape[0]):
        for x in range(code.shape[1]):
            alpha = np.float32(code[y, x, 3]) * np.float32(1.0 / 255.0)
            for ch in range(3):
                out[y, x, ch] = lut[code[y, x, ch]] * alpha
            out[y, x, 3] = alpha


@njit(cache=True, nogil=True)
def _over(canvas, patch):  # type: ignore[no-untyped-def]
    for y in range(canvas.shape[0]):
        for x in range(canvas.shape[1]):
            rest = np.float32(1.0) - patch[y, x, 3]
            for ch in range(3):
                canvas[y, x, ch] = canvas[y, x, ch] * rest + patch[y, x, ch]


def _bloom_patches(stage: Stage, frame: Exposure, bloom: Bloom, shake: NDArray[np.float64] | None) -> list[_Patch]:
    path = stage.head_path(bloom, frame)
    mean = path.mean
    if not stage.near_picture(mean):
        return []
    disc = round(stage.blur_px(frame, bloom.distance_m), 2)
    airy = stage.airy_px(frame)
    blur = Blur(disc, airy, path.at)
    camera = stage.camera(frame)
    sprite = stage.sprites[bloom.index]
    h, w = sprite.shape[:2]
    reach_u, reach_v = (w / 2 + 1) / stage.scale, (h / 2 + 1) / stage.scale
    card = camera.card(bloom.u, bloom.v, bloom.distance_m)
    # Where the card stands at rest; the wind and shake carry all of it by as much as its middle.
    rest = card.project(np.zeros(1), np.zeros(1))[0]
    corners = card.project(np.array([-1, 1, -1, 1]) * reach_u, np.array([-1, -1, 1, 1]) * reach_v) - rest
    if not np.all(np.isfinite(corners)):
        return []
    margin = blur.reach_px + 2
    # A card seen nearly edge-on beside the camera reaches far; only what can spill into the picture is drawn.
    beyond = math.ceil(margin)
    least, most = (-beyond, -beyond), (stage.width + beyond, stage.height + beyond)
    lo = np.floor(np.clip(mean + corners.min(axis=0) - margin, least, most)).astype(int)
    size = (np.ceil(np.clip(mean + corners.max(axis=0) + margin, least, most)).astype(int) - lo + 1).tolist()
    patches: list[_Patch] = []
    if bloom.kind not in ("disc", "bush"):
        patches += _stem_patch(stage, frame, bloom, disc, airy, shake, path.extent()[0] > 0.5)
    if lo[0] >= stage.width or lo[1] >= stage.height or lo[0] + size[0] <= 0 or lo[1] + size[1] <= 0:
        return patches
    # Sampled through maps: they keep places to a hundredth of a pixel, which warps by a matrix do not.
    to_rest = rest - mean + lo
    du, dv = card.places(np.arange(size[0])[None, :] + to_rest[0], np.arange(size[1])[:, None] + to_rest[1])
    mx = (du * stage.scale + w // 2).astype(np.float32)
    my = (dv * stage.scale + h // 2).astype(np.float32)
    code = cv2.remap(sprite, mx, my, cv2.INTER_CUBIC, borderMode=cv2.BORDER_CONSTANT)
    colour = np.empty(code.shape, np.float32)
    _decode(code, _CODE.astype(np.float32), colour)
    patches.append(_Patch(int(lo[0]), int(lo[1]), blur(colour)))
    return patches


def _stem_patch(
    stage: Stage, frame: Exposure, bloom: Bloom, disc: float, airy: float, shake: NDArray[np.float64] | None,
    moving: bool,
) -> list[_Patch]:
    """The stem, drawn at several moments of the exposure and averaged."""
    most = 4 if stage.description.width_px <= _SMALL_PX else 12
    count = int(np.clip(stage.samples(bloom, frame) // 3, 1, most)) if moving else 1
    times = stage.times(frame, count)
    sway = stage.bloom_sway_m(bloom, frame, times)
    camera = stage.camera(frame)
    lines = camera.project(stage.points(bloom, sway[:, None], np.linspace(0, 1, 9)[None, :]))
    if not np.all(np.isfinite(lines)):
        return []
    width = 0.0022 / bloom.distance_m * stage.focal_px
    blur = Blur(disc, airy, shake)
    margin = blur.reach_px + width + 3
    lo = np.floor(lines.min(axis=(0, 1)) - margin).astype(int)
    hi = np.ceil(lines.max(axis=(0, 1)) + margin).astype(int)
    lo, hi = np.maximum(lo, -int(margin)), np.minimum(hi, [stage.width + int(margin), stage.height + int(margin)])
    w, h = int(hi[0] - lo[0]), int(hi[1] - lo[1])
    if w <= 0 or h <= 0:
        return []
    up = 2 if width < 6 else 1
    total = np.zeros((h * up, w * up), np.float32)
    for line in lines:
        one = np.zeros((h * up, w * up), np.uint8)
        points = np.round(((line - lo + 0.5) * up - 0.5) * 16).astype(np.int32)
        cv2.polylines(one, [points], False, 255, max(1, round(width * up)), cv2.LINE_AA, 4)
        total += one
    alpha = total / np.float32(255 * len(lines))
    if up > 1:
        alpha = cv2.resize(alpha, (w, h), interpolation=cv2.INTER_AREA)
    if width < 1:
        alpha *= np.float32(width)
    tone = 0.7 + 0.6 * ((bloom.seed % 97) / 97)
    rgba = np.dstack([alpha * np.float32(c * tone) for c in _STEM] + [alpha])
    return [_Patch(int(lo[0]), int(lo[1]), blur(rgba))]


def _vignette(picture: Floats, ev: float) -> None:
    if ev == 0:
        return
    h, w = picture.shape[:2]
    for row in range(h):
        picture[row] *= corner_light(np.arange(w), row, (w, h), ev).astype(np.float32)[:, None]
