"""Simulating a whole shoot: frames rendered in parallel, truth beside them."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

from windstill.run.pool import Failure, LocalPool
from windstill.simulate.describe import Description, DescriptionError
from windstill.simulate.files import write_derived, write_frame
from windstill.simulate.render import render
from windstill.simulate.sensor import develop
from windstill.simulate.stage import Stage
from windstill.simulate.timeline import Timeline, lay_out
from windstill.simulate.truth import SceneTruth, assemble, dump_truth

_CHUNK = 12
"""Frames of one scene a worker takes at once, so that it paints a scene's textures seldom."""
_TIMEOUT_S = 3600.0
"""Seconds without a rendered chunk before rendering counts as hung; frames of 100 MP with deep blur take minutes."""


class SimulationError(RuntimeError):
    """A shoot that could not be rendered to its end, in plain words."""


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
    SimulationError
        A rendering process was ended, for want of memory as a rule.
    """
    if not description.shots:
        raise DescriptionError(f"{description.name}: the description has no shots")
    if (out / "DCIM").exists():
        raise DescriptionError(f"{out}: already holds a shoot (DCIM); choose another folder or remove it")
    out.mkdir(parents=True, exist_ok=True)
    timeline = lay_out(description)
    jobs = _jobs(timeline)
    parts: list[dict[str, Any]] = []
    done = files = 0
    count = workers if workers is not None else (os.cpu_count() or 1)
    with _runner(min(count, len(jobs)), description, timeline, out) as run:
        for job, (written, part) in run(jobs):
            files += written
            done += len(job.frames)
            if part is not None:
                parts.append(part)
            if progress is not None:
                progress(done, len(timeline.frames))
    truth = assemble(description, timeline, parts)
    truth["derived"] = _write_derived(description, timeline, out)
    path = out / "truth.json"
    dump_truth(truth, path)
    return Simulated(out, len(timeline.frames), files + len(truth["derived"]), path)


@dataclass(frozen=True, slots=True)
class _Job:
    """Some frames of one scene, and whether the truth of the scene is worked out with them."""

    scene: int
    frames: tuple[int, ...]
    truth: bool


def _jobs(timeline: Timeline) -> list[_Job]:
    jobs: list[_Job] = []
    for scene in sorted({f.scene for f in timeline.frames}):
        own = [f.index for f in timeline.frames if f.scene == scene]
        jobs += [_Job(scene, tuple(own[k : k + _CHUNK]), k == 0) for k in range(0, len(own), _CHUNK)]
    return jobs


_Outcome = tuple[int, dict[str, Any] | None]


class _Worker:
    """Renders jobs, keeping the textures of one scene: they are the large thing."""

    def __init__(self, description: Description, timeline: Timeline, out: Path) -> None:
        self._description, self._timeline, self._out = description, timeline, out
        self._stage: tuple[int, Stage] | None = None

    def __call__(self, job: _Job) -> _Outcome:
        if self._stage is None or self._stage[0] != job.scene:
            self._stage = (job.scene, Stage(self._description, self._timeline, job.scene))
        stage = self._stage[1]
        files = 0
        for index in job.frames:
            frame = self._timeline.frames[index]
            files += len(write_frame(self._description, frame, render(stage, frame), self._out).files)
        part = SceneTruth(self._description, self._timeline, stage, job.scene).rows() if job.truth else None
        return files, part


@contextmanager
def _runner(
    count: int, description: Description, timeline: Timeline, out: Path
) -> Iterator[Callable[[list[_Job]], Iterator[tuple[_Job, _Outcome]]]]:
    """Something that runs jobs here or over processes and gives them back as they finish."""
    if count <= 1:
        worker = _Worker(description, timeline, out)
        yield lambda jobs: ((job, worker(job)) for job in jobs)
        return
    with LocalPool(count, _TIMEOUT_S) as pool:

        def run(jobs: list[_Job]) -> Iterator[tuple[_Job, _Outcome]]:
            for job, outcome in pool.run(partial(_work, description, timeline, out), jobs):
                if isinstance(outcome, Failure):
                    raise SimulationError(f"{out}: rendering stopped: {outcome.reason}; take fewer workers")
                yield job, outcome

        yield run


def _write_derived(description: Description, timeline: Timeline, out: Path) -> list[str]:
    names = []
    for derived in description.derived:
        frames = [f for f in timeline.frames if f.shot == derived.after_shot and f.take == 0]
        stage = Stage(description, timeline, frames[0].scene)
        some = frames[:4]
        mean = np.mean([render(stage, f) / stage.gain(f) for f in some], axis=0) * stage.gain(frames[len(frames) // 2])
        picture = develop(mean.astype(np.float32), stage.body(frames[0]), 25.0, np.random.default_rng(0))
        names.append(write_derived(description, derived, frames, picture, out))
    return names


_held: list[_Worker] = []


def _work(description: Description, timeline: Timeline, out: Path, job: _Job) -> _Outcome:
    if not _held:  # a pool, and so its processes, serves one shoot
        _held.append(_Worker(description, timeline, out))
    return _held[0](job)
