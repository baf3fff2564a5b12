"""The two things a worker does, as pure functions of what they are given: score one frame, measure one set.

They run the same in this process, in a pool's worker or on another machine, and hand back bytes: what is kept for
the next run and what this run uses are then one and the same.
"""

from __future__ import annotations

import os
import traceback
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from windstill.records import Frame, FrameScore, FrameSet, Grouping, Problem
from windstill.run import codec
from windstill.run.errors import ReviewError
from windstill.run.keys import content_digest
from windstill.run.meter import Clock, peak_mb
from windstill.run.scratch import store_plane
from windstill.settings import AssessSettings, ImagingSettings, ScoreSettings


@dataclass(frozen=True, slots=True)
class ScoreTask:
    """Score one frame; its working plane goes to `scratch` if there is one."""

    root: str
    frame: Frame
    imaging: ImagingSettings
    score: ScoreSettings
    scratch: str | None

@dataclass(frozen=True, slots=True)
class HashTask:
    """Hash the content of a frame's file."""

    root: str
    frame: Frame


@dataclass(frozen=True, slots=True)
class MeasureTask:
    """Measure one set; `scores` holds the packed scores of its frames (a frame that has none is left out)."""

    root: str
    node: FrameSet
    grouping: Grouping
    frames: tuple[Frame, ...]
    scores: Mapping[str, bytes]
    imaging: ImagingSettings
    score: ScoreSettings
    assess: AssessSettings
    scratch: str | None

@dataclass(frozen=True, slots=True)
class Done:
    """What came of a task.

    Attributes
    ----------
    data : bytes or None
        The packed record; None when it failed, and then `problem` says why and `detail` holds the traceback.
    digest : str
        Content hash of the file, when one was scored.
    decodes : dict
        Decodes by frame name.
    cpu_s : dict
        Processor seconds by stage.
    plane_bytes : int
        Bytes put into scratch.
    worker : str
        Process that did it.
    peak_mb : float
        The largest resident memory that process has had so far.
    """

    data: bytes | None
    problem: Problem | None = None
    detail: str = ""
    digest: str = ""
    decodes: Mapping[str, int] = field(default_factory=dict)
    cpu_s: Mapping[str, float] = field(default_factory=dict)
    plane_bytes: int = 0
    worker: str = ""
    peak_mb: float = 0.0


UNFORESEEN = (
    "measuring it failed in a way that was not foreseen; a review keeps the details in run.json, please report them"
)


def hash_one(task: HashTask) -> Done:
    """Hash a file's content; an unreadable one has no hash."""
    clock = Clock()
    try:
        digest = content_digest(Path(task.root) / task.frame.pixels_from)
    except OSError:
        digest = ""
    clock.lap("hash")
    return _done(None, digest=digest, cpu_s=clock.spent)


def score_one(task: ScoreTask) -> Done:
    """Decode a frame once, measure it, keep its working plane."""
    from windstill import imaging, score
    from windstill.run.kernels import forgive_full_disks
    from windstill.run.planes import decode_for_work

    forgive_full_disks()
    path = Path(task.root) / task.frame.pixels_from
    clock = Clock()
    stage = "decode"
    try:
        imaging.check_size(path.stat().st_size, task.imaging)  # hashing would read all of it first
        digest = content_digest(path)
        clock.lap("hash")
        decoded = decode_for_work(Path(task.root), task.frame, task.imaging, task.score)
        clock.lap("decode")
        stage = "score"
        scored = score.score_frame(task.frame, decoded, task.score)
        plane_bytes = store_plane(Path(task.scratch), task.frame.name, scored.work) if task.scratch else 0
        data = codec.dumps(scored.score)
        clock.lap("score")
    except Exception as err:
        consequence = "the frame is listed, but takes part in no set's measures"
        problem = Problem(task.frame.pixels_from, stage, one_line(err), consequence)
        return _done(None, problem=problem, detail=detail_of(err), cpu_s=clock.spent)
    return _done(
        data, digest=digest, decodes={task.frame.name: 1}, cpu_s=clock.spent, plane_bytes=plane_bytes
    )


def measure_one(task: MeasureTask) -> Done:
    """Measure the motion of a set."""
    from windstill import assess
    from windstill.run.kernels import forgive_full_disks
    from windstill.run.planes import ScratchPlanes

    forgive_full_disks()
    clock = Clock()
    frames = {frame.name: frame for frame in task.frames}
    scratch = Path(task.scratch) if task.scratch else None
    planes = ScratchPlanes(Path(task.root), scratch, frames, task.imaging, task.score)
    try:
        scores = {name: codec.loads(data, FrameScore) for name, data in task.scores.items()}
        measure = assess.measure_set(task.node, task.grouping, frames, scores, planes, task.assess)
        data = codec.dumps(measure)
    except Exception as err:
        problem = Problem(task.node.set_id, "assess", one_line(err), "the set cannot be judged; its outlook is unknown")
        return _done(None, problem=problem, detail=detail_of(err), decodes=planes.decodes, cpu_s=clock.spent)
    clock.lap("assess")
    return _done(data, decodes=planes.decodes, cpu_s=clock.spent)


def one_line(err: BaseException) -> str:
    """An error as one line of plain words; a library's own never get there, they go to run.json with the traceback."""
    from windstill.imaging import ImagingError
    from windstill.imaging.faults import no_memory

    if isinstance(err, FileNotFoundError):
        return "the file vanished during the run"
    if no_memory(err):
        return "not enough memory; use fewer workers"
    if isinstance(err, OSError) and err.strerror:
        return f"cannot be read ({err.strerror})"
    if isinstance(err, (ImagingError, ReviewError)):
        return " ".join(str(err).split())
    return UNFORESEEN


def detail_of(err: BaseException) -> str:
    """The traceback of what was not foreseen; empty where the one line says all."""
    from windstill.imaging.faults import Unforeseen

    if isinstance(err, Unforeseen) or one_line(err) == UNFORESEEN:
        return "".join(traceback.format_exception(err))
    return ""


def _done(
    data: bytes | None,
    *,
    problem: Problem | None = None,
    detail: str = "",
    digest: str = "",
    decodes: Mapping[str, int] | None = None,
    cpu_s: Mapping[str, float] | None = None,
    plane_bytes: int = 0,
) -> Done:
    return Done(
        data, problem, detail, digest, dict(decodes or {}), dict(cpu_s or {}), plane_bytes, str(os.getpid()), peak_mb()
    )
