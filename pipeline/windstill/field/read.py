"""Reading a frame for the quick check: its embedded preview, or the picture decoded small."""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from windstill import imaging, score
from windstill.imaging import Decoded, Region
from windstill.records import Frame, FrameScore, Kind, Problem
from windstill.run import codec
from windstill.run.keys import room_version
from windstill.run.meter import Clock, peak_mb
from windstill.run.scratch import load_plane, store_plane
from windstill.run.stages import LEFT_OUT, NOT_JUDGED
from windstill.run.tasks import Done, MeasureTask, ScoreTask, detail_of, one_line
from windstill.score.tiles import reduction_for
from windstill.settings import ImagingSettings, ScoreSettings

PREVIEW = "embedded preview"
_COLOUR_LONG_PX = 64  # colour is not shown by the check
_TURBO_REDUCTIONS = (1, 2, 4, 8)


def read_quick(path: Path, frame: Frame, imaging_settings: ImagingSettings, settings: ScoreSettings) -> Decoded:
    """A frame's picture at the size the check works on, by the cheapest way there is.

    Parameters
    ----------
    path : Path
        Opened for reading only.
    frame : Frame
    settings : ScoreSettings
        `working_long_px` says how large.

    Returns
    -------
    Decoded
        `luma` has exactly the working size; `luma_scale` still tells what was read from the file, in pixels of it
        per full-resolution pixel; `colour_small` is coarse.

    Raises
    ------
    ImagingError
        The file cannot be used.
    """
    long_px = max(frame.width_px, frame.height_px)
    if not long_px:
        known = imaging.probe(path, imaging_settings)
        long_px = max(known.width_px, known.height_px)
    reduction = reduction_for(long_px, settings)
    enough = max(long_px // reduction, 64)
    wanted = imaging_settings.model_copy(update={"preview_enough_px": enough})
    turn = frame.camera.orientation
    shown = imaging.preview(path, turn, wanted, allow_scaled=True, small_long_px=_COLOUR_LONG_PX)
    if shown is None:
        shown = imaging.decode(path, turn, wanted, reduction=reduction if reduction in _TURBO_REDUCTIONS else 1)
    return _fitted(shown, reduction_for(max(shown.width_px, shown.height_px), settings))


@dataclass(frozen=True, slots=True)
class Coarser:
    """How previews are matched whose pixels are coarser than the tolerance; see `FieldSettings` for each."""

    align_enough_share: float
    laid_enough_px: float
    lens_enough_px: float
    align_quick_features_px: int
    match_enough_px: float
    align_match_px: float
    rest_steps: int
    sway_halved: int
    least_half_window: int
    error_half_px: float
    match_passes: int
    search_halved: int
    search_far_corners: bool

    def settings(self, kind: Kind, pixel: float, reduction: int) -> dict[str, float]:
        """The settings of `assess` to change, by a set's kind and a preview's pixel in full-resolution pixels."""
        changed = {
            "align_enough_px": self.align_enough_share * pixel,
            "laid_enough_px": self.laid_enough_px * pixel,
            "lens_enough_px": self.lens_enough_px * pixel,
            "align_quick_features_px": self.align_quick_features_px,
            "match_passes": 0 if kind in ("bracket", "burst") else self.match_passes,
            "search_finest_px": float(reduction << self.search_halved),
            "search_far_corners": self.search_far_corners,
            "shared_focus_share": 1.0,  # what a merge of some of a stack's frames blends is looked at at home
        }
        if kind == "panorama":  # what is left between views tells parallax, which takes more care
            return changed | {"match_enough_px": self.align_match_px, "align_match_px": self.align_match_px}
        return changed | {
            "match_enough_px": self.match_enough_px,
            "align_match_px": self.align_match_px,
            "rest_steps": self.rest_steps,
            "sway_halved": self.sway_halved,
            "least_half_window": self.least_half_window,
            "error_half_px": self.error_half_px * pixel,
            "cloud_span": 1.0,  # on halved previews the rim of a soft head is not seen to be held
        }


@dataclass(frozen=True, slots=True)
class QuickReading:
    """What workers do in a quick check, in place of `windstill.run.tasks`' functions on full decodes.

    Attributes
    ----------
    sharp_disc_px : float
        Preview pixels; see `FieldSettings.sharp_disc_px`.
    views_windows, views_sure_share
        `AssessSettings.align_max_windows` and `align_sure_share` between views, which do not start aligned.
    coarser : Coarser
    """

    sharp_disc_px: float
    views_windows: int
    views_sure_share: float
    coarser: Coarser

    def digest(self, root: Path, frame: Frame) -> str:
        """What stands for a frame's content: its file's path, size and time, since hashing means reading it whole."""
        file = frame.pixels_file
        where = os.fsencode(root / file.path).hex()
        return f"{room_version('field')} {self} {file.size_bytes} {file.mtime_ns} {where}"

    def score(self, task: ScoreTask) -> Done:
        """Score a frame on what `read_quick` gives."""
        root = Path(task.root)
        clock = Clock()
        stage = "decode"
        try:
            read = read_quick(root / task.frame.pixels_from, task.frame, task.imaging, task.score)
            clock.lap("decode")
            stage = "score"
            scored = score.score_frame(task.frame, read, task.score)
            kept = replace(scored.score, read_px=1 / read.luma_scale)
            plane_bytes = store_plane(Path(task.scratch), task.frame.name, scored.work) if task.scratch else 0
            data = codec.dumps(kept)
            clock.lap("score")
        except Exception as err:
            problem = Problem(task.frame.pixels_from, stage, one_line(err), LEFT_OUT)
            return _done(clock, None, problem=problem, detail=detail_of(err))
        digest = self.digest(root, task.frame)
        return _done(clock, data, digest=digest, decodes={task.frame.name: 1}, plane_bytes=plane_bytes)

    def measure(self, task: MeasureTask) -> Done:
        """Measure a set on previews; thresholds a preview cannot meet are set to what it can."""
        from windstill import assess

        clock = Clock()
        planes = QuickPlanes(task)
        settings = task.assess
        try:
            scores = {name: codec.loads(data, FrameScore) for name, data in task.scores.items()}
            pixel = max((resolution_px(s) for s in scores.values()), default=1.0)
            update: dict[str, float] = {"served_disc_px": max(settings.served_disc_px, self.sharp_disc_px * pixel)}
            if pixel > settings.tolerance_px:
                reduction = max(score.reduction for score in scores.values())
                update |= self.coarser.settings(task.node.kind, pixel, reduction)
            if task.node.kind == "panorama":
                update |= {"align_max_windows": self.views_windows, "align_sure_share": self.views_sure_share}
            settings = settings.model_copy(update=update)
            measure = assess.measure_set(task.node, task.grouping, planes.frames, scores, planes, settings)
            data = codec.dumps(measure)
        except Exception as err:
            problem = Problem(task.node.set_id, "assess", one_line(err), NOT_JUDGED)
            return _done(clock, None, problem=problem, detail=detail_of(err), decodes=planes.decodes)
        clock.lap("assess")
        return _done(clock, data, decodes=planes.decodes)


def resolution_px(found: FrameScore) -> float:
    """Full-resolution pixels per pixel the check has to tell things apart by, at least 1."""
    return max(found.read_px, float(found.reduction), 1.0)


class QuickPlanes:
    """A `windstill.assess.PlaneSource` of previews: never decodes a picture at full size.

    Attributes
    ----------
    frames : dict
        Frame by name.
    decodes : Counter
        Previews read again here, by frame name.
    """

    def __init__(self, task: MeasureTask) -> None:
        self._task = task
        self.frames = {frame.name: frame for frame in task.frames}
        self.decodes: Counter[str] = Counter()

    def work(self, name: str) -> NDArray[np.uint8]:
        """Working plane of a frame, read again where it is no longer kept."""
        scratch = Path(self._task.scratch) if self._task.scratch else None
        if scratch is not None and (kept := load_plane(scratch, name)) is not None:
            return kept
        frame = self.frames[name]
        self.decodes[name] += 1
        path = Path(self._task.root) / frame.pixels_from
        return read_quick(path, frame, self._task.imaging, self._task.score).luma

    def colour(self, name: str, region: Region) -> NDArray[np.uint8]:
        """Not in previews: `FieldDesk` has no crops cut."""
        raise NotImplementedError


def _fitted(shown: Decoded, reduction: int) -> Decoded:
    size = max(shown.width_px // reduction, 1), max(shown.height_px // reduction, 1)
    luma = shown.luma
    if luma.shape != size[::-1]:
        shrinks = luma.shape[1] >= 2 * size[0]
        luma = np.asarray(cv2.resize(luma, size, interpolation=cv2.INTER_AREA if shrinks else cv2.INTER_LINEAR))
    step = max(max(shown.colour_small.shape[:2]) // _COLOUR_LONG_PX, 1)
    colour = np.ascontiguousarray(shown.colour_small[::step, ::step])
    return replace(shown, luma=luma, colour_small=colour)


def _done(
    clock: Clock,
    data: bytes | None,
    *,
    problem: Problem | None = None,
    detail: str = "",
    digest: str = "",
    decodes: Mapping[str, int] | None = None,
    plane_bytes: int = 0,
) -> Done:
    return Done(
        data, problem, detail, digest, dict(decodes or {}), clock.spent, plane_bytes, str(os.getpid()), peak_mb()
    )
