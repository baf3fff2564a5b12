"""Pictures with known movement, made from library photographs: for tests of `assess` alone."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray
from sklearn.datasets import load_sample_image

from windstill.assess import measure_set
from windstill.assess.judge import judge
from windstill.imaging import Decoded, Region
from windstill.records import Frame, FrameSet, Grouping, Kind, Placement, SetMeasure, SetVerdict, ShootFile
from windstill.score import Scored, score_frame
from windstill.settings import AssessSettings, Settings

SETTINGS = Settings()
Picture = NDArray[np.float32]


def landscape(width: int = 1500, seed: int = 0, photograph: str = "china.jpg") -> Picture:
    """A library photograph enlarged, with fine detail added, 8-bit range as float."""
    rng = np.random.default_rng(seed)
    grey = cv2.cvtColor(load_sample_image(photograph), cv2.COLOR_RGB2GRAY).astype(np.float32)
    factor = width / grey.shape[1]
    big = cv2.resize(grey, None, fx=factor, fy=factor, interpolation=cv2.INTER_CUBIC)
    grain = cv2.GaussianBlur(rng.normal(0, 20, big.shape).astype(np.float32), (0, 0), 1.2)
    return np.clip(0.9 * big + 2 * grain + 8, 5, 245).astype(np.float32)


def seen_from(scene: NDArray[np.float32], px: float) -> NDArray[np.float32]:
    """The scene as ground of boulders and hollows, seen from further along: the nearest of it shifts by `px`."""
    height, width = scene.shape
    ys, xs = np.mgrid[:height, :width].astype(np.float32)
    relief = cv2.GaussianBlur(np.random.default_rng(3).normal(size=scene.shape), (0, 0), 90)
    nearness = (relief - relief.min()) / np.ptp(relief)
    shifted = cv2.remap(scene, (xs - px * nearness).astype(np.float32), ys, cv2.INTER_CUBIC)
    return np.clip(shifted, 0, 255).astype(np.float32)


def with_mover(scene: Picture, x: float, y: float, radius: float, dx: float, dy: float) -> Picture:
    """Lay a textured disc, cut from elsewhere in the scene, at (x + dx, y + dy)."""
    reach = radius + abs(dx) + abs(dy) + 5  # holds the disc where it was and where it went
    left, top = (max(int(at - reach), 0) for at in (x, y))
    box = np.s_[top : int(y + reach) + 1, left : int(x + reach) + 1]
    height, width = scene[box].shape
    ys, xs = np.mgrid[top : top + height, left : left + width].astype(np.float32)
    cover = np.clip(radius + 0.5 - np.hypot(xs - x - dx, ys - y - dy), 0, 1)
    texture = np.ascontiguousarray(np.roll(scene[::-1], 211, axis=1)[box])
    matrix = np.array([[1, 0, dx], [0, 1, dy]], np.float32)
    moved = cv2.warpAffine(texture, matrix, (width, height), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT)
    picture = scene.copy()
    picture[box] = scene[box] * (1 - cover) + moved * cover
    return picture


def disc_blur(scene: Picture, radius: float) -> Picture:
    """Defocus by a disc."""
    reach = int(radius) + 2
    ys, xs = np.mgrid[-reach : reach + 1, -reach : reach + 1]
    kernel = np.clip(radius + 0.5 - np.hypot(xs, ys), 0, 1)
    return cv2.filter2D(scene, -1, (kernel / kernel.sum()).astype(np.float32), borderType=cv2.BORDER_REFLECT)


def taken(picture: Picture, noise: float = 1.5, seed: int = 0) -> NDArray[np.uint8]:
    """What the camera records: noise, rounding, clipping."""
    rng = np.random.default_rng(seed)
    return np.clip(picture + rng.normal(0, noise, picture.shape), 0, 255).astype(np.uint8)


def scored(name: str, luma: NDArray[np.uint8]) -> tuple[Frame, Scored]:
    """A frame and its measures, straight from pixels."""
    height, width = luma.shape
    small = cv2.resize(luma, (min(width, 1024), max(round(height * min(width, 1024) / width), 1)))
    decoded = Decoded(
        luma=luma,
        colour_small=np.repeat(small[..., None], 3, axis=2),
        clip_high=luma[::4, ::4] >= 254,
        clip_low=luma[::4, ::4] <= 1,
        bits=8,
        decoder="test",
        width_px=width,
        height_px=height,
    )
    frame = Frame(name, (ShootFile(f"{name}.JPG", "image", 1, 1),), f"{name}.JPG", width, height)
    return frame, score_frame(frame, decoded, SETTINGS.score)


class Kept:
    """The planes of a few frames, in memory."""

    def __init__(self, lumas: dict[str, NDArray[np.uint8]], works: dict[str, NDArray[np.uint8]]) -> None:
        self.lumas, self.works = lumas, works

    def work(self, name: str) -> NDArray[np.uint8]:
        return self.works[name]

    def colour(self, name: str, region: Region) -> NDArray[np.uint8]:
        left, top, width, height = region
        return np.repeat(self.lumas[name][top : top + height, left : left + width, None], 3, axis=2)


def assess_pictures(
    kind: Kind, lumas: list[NDArray[np.uint8]], settings: AssessSettings = SETTINGS.assess
) -> tuple[SetMeasure, SetVerdict]:
    """Measure and judge pictures as one set of a kind, in the order given."""
    names = [f"TEST{i + 1:04d}" for i in range(len(lumas))]
    made = {n: scored(n, luma) for n, luma in zip(names, lumas, strict=True)}
    node = FrameSet(f"{names[0]}~{kind}", None, 1, 1, kind, tuple(names), tuple(names))
    index = {"stack": "focus_index", "bracket": "exposure_index", "panorama": "view_index"}.get(kind)
    placements = {
        n: Placement(n, node.set_id, **({index: i + 1} if index else {})) for i, n in enumerate(names)
    }
    grouping = Grouping((node,), placements)
    frames = {n: m[0] for n, m in made.items()}
    scores = {n: m[1].score for n, m in made.items()}
    planes = Kept(dict(zip(names, lumas, strict=True)), {n: m[1].work for n, m in made.items()})
    measure = measure_set(node, grouping, frames, scores, planes, settings)
    verdict = judge(grouping, {node.set_id: measure}, list(frames.values()), settings)[node.set_id]
    return measure, verdict
