"""Imported once by the process that workers are forked from: what every worker would prepare for itself is then shared.

Compiled kernels are loaded (on a new machine: compiled) and tables are built by scoring and measuring two small
pictures. Nothing depends on it but time.
"""

from __future__ import annotations

import contextlib

import cv2
import numpy as np
from numpy.typing import NDArray

from windstill import assess, score
from windstill.imaging import Decoded, Region
from windstill.records import Frame, FrameSet, Grouping, Placement, ShootFile
from windstill.run.kernels import forgive_full_disks
from windstill.settings import Settings

_WIDTH, _HEIGHT = 608, 416
_NAMES = ("a", "b")


class _Planes:
    def __init__(self, planes: dict[str, NDArray[np.uint8]]) -> None:
        self._planes = planes

    def work(self, name: str) -> NDArray[np.uint8]:
        return self._planes[name]

    def colour(self, name: str, region: Region) -> NDArray[np.uint8]:
        raise NotImplementedError  # nothing moves, so no crops are cut


def _pictures() -> dict[str, Decoded]:
    """Two frames of one scene, one of them smeared in part."""
    rng = np.random.default_rng(7)
    scene = np.full((_HEIGHT, _WIDTH), 120, np.float32)
    detail = rng.standard_normal((250, 300), np.float32) * 120  # plain elsewhere: few tiles are enough
    scene[80:330, 150:450] += cv2.GaussianBlur(detail, (0, 0), 1.2)
    smeared = scene.copy()
    smeared[200:216, 300:316] = cv2.blur(scene[200:216, 300:316], (9, 1))
    none = np.zeros(((_HEIGHT + 3) // 4, (_WIDTH + 3) // 4), np.bool_)
    pictures = {}
    for name, shown in zip(_NAMES, (scene, smeared), strict=True):
        noisy = shown + rng.standard_normal(scene.shape, np.float32) * np.float32(1.5)
        luma = np.clip(noisy, 0, 255).astype(np.uint8)
        pictures[name] = Decoded(luma, np.repeat(luma[..., None], 3, axis=2), none, none, 8, "", _WIDTH, _HEIGHT)
    return pictures


def warm_up() -> None:
    """Score two pictures and measure them as a burst."""
    forgive_full_disks()
    settings = Settings()
    file = ShootFile("a", "image", 0, 0)
    frames = {name: Frame(name, (file,), "a", _WIDTH, _HEIGHT) for name in _NAMES}
    scored = {name: score.score_frame(frames[name], shown, settings.score) for name, shown in _pictures().items()}
    node = FrameSet("a~burst", None, 1, 1, "burst", _NAMES, _NAMES)
    grouping = Grouping((node,), {name: Placement(name, node.set_id) for name in _NAMES})
    scores = {name: found.score for name, found in scored.items()}
    planes = {name: found.work for name, found in scored.items()}
    for plane in planes.values():
        plane.setflags(write=False)  # as those mapped from scratch are: kernels are told apart by it
    assess.measure_set(node, grouping, frames, scores, _Planes(planes), settings.assess)


_threads = cv2.getNumThreads()
cv2.setNumThreads(1)  # threads of OpenCV would not survive the fork
with contextlib.suppress(Exception):  # a worker that is not warm is slower, nothing else
    warm_up()
cv2.setNumThreads(_threads)  # a caller's script may have its own idea
