"""Sets of photographs with a known mover, reviewed by the real rooms: for tests of `advise`."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from layered_scenes import SETTINGS, Kept, disc_blur, landscape, scored, taken, with_mover
from numpy.typing import NDArray

from windstill.advise import Advised, advise
from windstill.assess import judge, measure_set
from windstill.records import CameraData, Frame, FrameScore, FrameSet, Grouping, Kind, Placement, SetAdvice, SetVerdict

AXIS = {"stack": "focus_index", "bracket": "exposure_index", "panorama": "view_index"}


@dataclass(frozen=True)
class Shot:
    """One set: its kind, its pictures, what the camera wrote."""

    kind: Kind
    pictures: Sequence[NDArray[np.uint8]]
    camera: Sequence[CameraData] | None = None
    scene: int = 1
    take: int = 1


@dataclass(frozen=True)
class Shoot:
    """What came of it."""

    advised: Advised
    verdicts: dict[str, SetVerdict]
    grouping: Grouping

    def of(self, index: int) -> SetAdvice:
        return self.advised.sets[self.grouping.sets[index].set_id]

    def keep(self, index: int) -> list[str]:
        return [self.advised.frames[n].keep for n in self.grouping.sets[index].frames]


def shoot(*shots: Shot) -> Shoot:
    """Score, measure, judge and advise."""
    frames: list[Frame] = []
    scores: dict[str, FrameScore] = {}
    lumas: dict[str, NDArray[np.uint8]] = {}
    works: dict[str, NDArray[np.uint8]] = {}
    sets: list[FrameSet] = []
    placements: dict[str, Placement] = {}
    number = 0
    for shot in shots:
        names = []
        for i, picture in enumerate(shot.pictures):
            number += 1
            frame, result = scored(f"100THRFT/THRF{number:04d}", picture)
            if shot.camera is not None:
                frame = replace(frame, camera=shot.camera[i])
            frames.append(frame)
            scores[frame.name] = result.score
            lumas[frame.name], works[frame.name] = picture, result.work
            names.append(frame.name)
        set_id = f"{names[0]}~{shot.kind}"
        sets.append(FrameSet(set_id, None, shot.scene, shot.take, shot.kind, tuple(names), tuple(names)))
        for i, name in enumerate(names, 1):
            index = {AXIS[shot.kind]: i} if shot.kind in AXIS else {}
            placements[name] = Placement(name, set_id, **index)
    grouping = Grouping(tuple(sets), placements)
    by_name = {f.name: f for f in frames}
    measures = {
        s.set_id: measure_set(s, grouping, by_name, scores, Kept(lumas, works), SETTINGS.assess) for s in sets
    }
    verdicts = judge(grouping, measures, frames, SETTINGS.assess)
    advised = advise(frames, scores, grouping, measures, verdicts, SETTINGS.advise)
    return Shoot(advised, verdicts, grouping)


def camera(exposure_s: float = 1 / 60, iso: float = 400, focus_m: float | None = None, **more: Any) -> CameraData:
    """What an invented camera writes; 36 mm over 1200 pixels."""
    written = {"focal_mm": 50.0, "f_number": 8.0, "pixel_pitch_um": 30.0, **more}
    return CameraData(exposure_s=exposure_s, iso=iso, focus_m=focus_m, **written)


def at_places(
    scene: NDArray[np.float32], places: Sequence[float], focus: float, seed: int = 0, noise: float = 1.0
) -> NDArray[np.uint8]:
    """Upright strips of a scene at places on the scale of blur discs (px), photographed with the focus at one."""
    picture = scene.copy()
    edges = np.linspace(0, scene.shape[1], len(places) + 1).astype(int)
    for (left, right), place in zip(itertools.pairwise(edges), places, strict=True):
        disc = abs(place - focus)
        blurred = disc_blur(scene, disc / 2) if disc > 0.5 else scene
        picture[:, left:right] = blurred[:, left:right]
    return taken(picture, noise, seed)


def exposed(scene: NDArray[np.float32], ev: float, seed: int = 0) -> NDArray[np.uint8]:
    """The scene at another exposure, through a tone curve of 2.2."""
    linear = (scene / 255) ** 2.2 * 2**ev
    return taken((255 * np.clip(linear, 0, 1) ** (1 / 2.2)).astype(np.float32), seed=seed)


__all__ = [
    "SETTINGS", "Shoot", "Shot", "at_places", "camera", "disc_blur", "exposed", "landscape", "shoot", "taken",
    "with_mover",
]
