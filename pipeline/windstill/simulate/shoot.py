"""Simulating a whole shoot: frames rendered in parallel, truth beside them."""

from __future__ import annotations

import os
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

from windstill.simulate.describe import Description, DescriptionError
from windstill.simulate.files import write_derived, write_frame
from windstill.simulate.render import render
from windstill.simulate.sensor import develop
from windstill.simulate.stage import Stage
from windstill.simulate.timeline import Timeline, lay_out
from windstill.simulate.truth import Truth, dump_truth

_CHUNK = 12
"""Frames of one scene a worker takes at once, so that it paints a scene's textures seldom."""


@dataclass(frozen=True, slots=True)
class Simulated:
    """Where the shoot lies and how much was written."""

    out: Path
    frames: int
    files: int
    truth: Path


def simulate(
    description: Description, out: Path, *, workers: int | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> Simulated:
    """Render a shoot into ``out/DCIM`` and what is true of it into ``out/truth.json``.

    Parameters
    ----------
    description : Description
    out : Path
        Folder to write to; it is made, and must hold no ``DCIM`` yet.
    workers : int, optional
        Processes; one per core by default, 1 renders in this process. The files are the same bytes for any number.
    progress : callable, optional
        Called with (frames done, frames altogether).

    Raises
    ------
    DescriptionError
        The description holds no shots, or `out` already holds a shoot.
    """
    if not description.shots:
        raise DescriptionError(f"{description.name}: the description has no shots")
    if (out / "DCIM").exists():
        raise DescriptionError(f"{out}: already holds a shoot (DCIM); choose another folder or remove it")
    out.mkdir(parents=True, exist_ok=True)
    timeline = lay_out(description)
    jobs = _jobs(timeline)
    done = files = 0
    count = workers if workers is not None else (os.cpu_count() or 1)
    if count <= 1 or len(jobs) == 1:
        stages: dict[int, Stage] = {}
        for job in jobs:
            scene = timeline.frames[job[0]].scene
            stage = stages.setdefault(scene, Stage(description, timeline, scene))
            files += _render_job(description, timeline, stage, job, out)
            done += len(job)
            if progress is not None:
                progress(done, len(timeline.frames))
    else:
        stages = {}
        with ProcessPoolExecutor(count, initializer=_start, initargs=(description, timeline, out)) as pool:
            waiting = {pool.submit(_work, job): job for job in jobs}
            for finished in as_completed(waiting):
                files += finished.result()
                done += len(waiting[finished])
                if progress is not None:
                    progress(done, len(timeline.frames))
    for frame in timeline.frames:
        stages.setdefault(frame.scene, Stage(description, timeline, frame.scene))
    truth = Truth(description, timeline, stages).build()
    truth["derived"] = _write_derived(description, timeline, stages, out)
    path = out / "truth.json"
    dump_truth(truth, path)
    return Simulated(out, len(timeline.frames), files + len(truth["derived"]), path)


def _jobs(timeline: Timeline) -> list[list[int]]:
    jobs: list[list[int]] = []
    for scene in sorted({f.scene for f in timeline.frames}):
        own = [f.index for f in timeline.frames if f.scene == scene]
        jobs += [own[k : k + _CHUNK] for k in range(0, len(own), _CHUNK)]
    return jobs


def _render_job(description: Description, timeline: Timeline, stage: Stage, job: list[int], out: Path) -> int:
    files = 0
    for index in job:
        frame = timeline.frames[index]
        files += len(write_frame(description, frame, render(stage, frame), out).files)
    return files


def _write_derived(description: Description, timeline: Timeline, stages: dict[int, Stage], out: Path) -> list[str]:
    names = []
    for derived in description.derived:
        frames = [f for f in timeline.frames if f.shot == derived.after_shot and f.take == 0]
        stage = stages[frames[0].scene]
        some = frames[: 4 if len(frames) > 4 else len(frames)]
        mean = np.mean([render(stage, f) / stage.gain(f) for f in some], axis=0) * stage.gain(frames[len(frames) // 2])
        picture = develop(mean.astype(np.float32), stage.body(frames[0]), 25.0, np.random.default_rng(0))
        names.append(write_derived(description, derived, frames, picture, out))
    return names


_held: dict[str, object] = {}


def _start(description: Description, timeline: Timeline, out: Path) -> None:
    cv2.setNumThreads(1)
    _held.update(description=description, timeline=timeline, out=out)


def _work(job: list[int]) -> int:
    description, timeline, out = _held["description"], _held["timeline"], _held["out"]
    assert isinstance(description, Description) and isinstance(timeline, Timeline) and isinstance(out, Path)
    scene = timeline.frames[job[0]].scene
    if _held.get("scene") != scene:
        # One scene's textures at a time: they are the large thing.
        _held.update(scene=scene, stage=Stage(description, timeline, scene))
    stage = _held["stage"]
    assert isinstance(stage, Stage)
    return _render_job(description, timeline, stage, job, out)
