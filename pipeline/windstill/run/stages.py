"""The stages of a review, each taking what the one before gave. Nothing here measures; it looks up or hands out."""

from __future__ import annotations

import contextlib
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol, TypeVar

from windstill.records import Frame, FrameScore, FrameSet, Grouping, Problem, ScannedShoot, SetMeasure
from windstill.run import codec
from windstill.run.cache import Cache
from windstill.run.keys import frame_facts, key_of, measure_key, score_key, section_values, versions
from windstill.run.ledger import Ledger
from windstill.run.pool import Failure
from windstill.run.progress import Progress
from windstill.run.scratch import drop_plane
from windstill.run.shelf import Shelf
from windstill.run.tasks import Done, HashTask, MeasureTask, ScoreTask, hash_one, measure_one, score_one
from windstill.settings import Settings

if TYPE_CHECKING:
    from windstill.group import Overrides

T = TypeVar("T")


class Spreader(Protocol):
    """Runs a function over tasks somewhere (this machine's cores, a cluster), results as they are ready."""

    def run(self, function: Callable[[Any], Any], tasks: Any) -> Iterator[tuple[Any, Any]]:
        """Pairs of task and result or `Failure`."""


@dataclass(frozen=True, slots=True)
class Reading:
    """How frames are read.

    Attributes
    ----------
    score, measure : callable
        What a worker does; by default on one full decode per frame.
    digest : callable, optional
        Names a frame's content without reading it whole (shoot folder, frame); by default files are hashed, and
        the hashes kept.
    """

    score: Callable[[ScoreTask], Done] = score_one
    measure: Callable[[MeasureTask], Done] = measure_one
    digest: Callable[[Path, Frame], str] | None = None


@dataclass(slots=True)
class Stages:
    """What the stages of one run share.

    Attributes
    ----------
    scratch : Path or None
        Folder for working planes.
    scratch_limit : int
        Bytes of planes it may hold.
    fresh : bool
        Measure again what the cache holds.
    verify : bool
        Hash every file's content instead of trusting size and time.
    reading : Reading
        How frames are read.
    overrides : Overrides or None
        What the photographer decided about the sets.
    """

    root: Path
    settings: Settings
    cache: Cache
    spread: Callable[[Sequence[Frame]], Spreader]
    scratch: Path | None
    scratch_limit: int
    ledger: Ledger
    progress: Progress
    fresh: bool = False
    verify: bool = False
    reading: Reading = Reading()
    overrides: Overrides | None = None
    _planes: dict[str, int] = field(default_factory=dict)
    _plane_bytes: int = 0

    # scan

    def scan(self, listing: str) -> ScannedShoot:
        """Find the frames, or recall them when nothing in the folder has changed."""
        self.progress.stage("scan", 0)
        key = key_of("scan", str(self.root), listing, section_values(self.settings.scan), versions(("scan", "optics")))
        with self.ledger.stage("scan"):
            # Verifying mistrusts the very sizes and times that would allow recalling it.
            recall = not self.verify
            return self._recalled(key, ScannedShoot, self._scanned, recall)

    def _scanned(self) -> ScannedShoot:
        """The folder has changed; of files that have not, what their headers say is remembered."""
        from windstill.scan import ReadBefore, scan_again

        key = key_of("headers", str(self.root), section_values(self.settings.scan), versions(("scan", "optics")))
        data = None if self.fresh or self.verify else self.cache.get(key)
        before = ReadBefore()
        if data is not None:
            with contextlib.suppress(codec.CodecError):
                before = codec.loads(data, ReadBefore)
        scanned, read = scan_again(self.root, self.settings.scan, before)
        if read != before:
            self.cache.put(key, codec.dumps(read))
        return scanned

    # score

    def score(self, frames: Sequence[Frame], problems: list[Problem]) -> tuple[Shelf[FrameScore], dict[str, str]]:
        """Score the frames that have not been scored before; gives scores and their cache keys, by frame name."""
        with self.ledger.stage("score"):
            digests = self._digests(frames)
            keys = {f.name: score_key(f, digests[f.name], self.settings) for f in frames if f.name in digests}
            known = set() if self.fresh else self.cache.present(keys.values())
            todo = [frame for frame in frames if keys.get(frame.name) not in known]
            self.ledger.reused["scores"] += len(frames) - len(todo)
            self.progress.stage("score", len(frames))
            self.progress.step(len(frames) - len(todo))
            keys = {name: key for name, key in keys.items() if key in known}
            for frame, done in self._spread_scores(todo):
                if (key := self._keep_score(frame, done, problems)) is not None:
                    keys[frame.name] = key
                self.progress.step()
            ordered = {frame.name: keys[frame.name] for frame in frames if frame.name in keys}
            return Shelf(self.cache, ordered, FrameScore), ordered

    def _keep_score(self, frame: Frame, done: Done | Failure, problems: list[Problem]) -> str | None:
        """Put a score into the cache; its key, or None when there is none."""
        if isinstance(done, Failure):
            problems.append(Problem(frame.pixels_from, "decode", done.reason, LEFT_OUT))
            return None
        self.ledger.note(done)
        if done.data is None:
            problems.extend([done.problem] if done.problem else [])
            return None
        key = score_key(frame, done.digest, self.settings)
        self.cache.put(key, done.data)
        if self.reading.digest is None:
            self.cache.note_digests([(self.root / frame.pixels_from, frame.pixels_file, done.digest)])
        self.ledger.measured["scores"] += 1
        self._bound_planes(frame.name, done.plane_bytes)
        return key

    def _digests(self, frames: Sequence[Frame]) -> dict[str, str]:
        """Content hashes as far as they can save a decode: from the cache, or hashed where size alone is known."""
        if self.fresh:
            return {}
        if self.reading.digest is not None:
            return {frame.name: self.reading.digest(self.root, frame) for frame in frames}
        found: dict[str, str] = {}
        hash_these = []
        for frame in frames:
            file = frame.pixels_file
            digest = None if self.verify else self.cache.digest_of(self.root / file.path, file)
            if digest is not None:
                found[frame.name] = digest
            elif file.size_bytes <= self.settings.imaging.max_file_bytes and self.cache.knows_size(file.size_bytes):
                hash_these.append(HashTask(str(self.root), frame))
        if hash_these:
            notes = []
            for task, done in self.spread(frames).run(hash_one, hash_these):
                if isinstance(done, Failure) or not done.digest:
                    continue  # scoring will meet the same file and say what is wrong with it
                self.ledger.note(done)
                found[task.frame.name] = done.digest
                notes.append((self.root / task.frame.pixels_from, task.frame.pixels_file, done.digest))
            self.cache.note_digests(notes)
        return found

    def _spread_scores(self, frames: Sequence[Frame]) -> Iterator[tuple[Frame, Done | Failure]]:
        if not frames:
            return
        scratch = str(self.scratch) if self.scratch else None
        tasks = (ScoreTask(str(self.root), f, self.settings.imaging, self.settings.score, scratch) for f in frames)
        for task, done in self.spread(frames).run(self.reading.score, tasks):
            yield task.frame, done

    def _bound_planes(self, name: str, size: int) -> None:
        """Keep the planes under their limit; the oldest go, and are decoded again if asked for."""
        if self.scratch is None or not size:
            return
        self._planes[name] = size
        self._plane_bytes += size
        while self._plane_bytes > self.scratch_limit and self._planes:
            self._drop_plane(next(iter(self._planes)))

    def _drop_plane(self, name: str) -> None:
        if self.scratch is not None:
            drop_plane(self.scratch, name)
            self._plane_bytes -= self._planes.pop(name, 0)

    # group

    def group(self, frames: Sequence[Frame], scores: Shelf[FrameScore], keys: Mapping[str, str]) -> Grouping:
        """Find what belongs together."""
        def grouped() -> Grouping:
            from windstill.group import group_frames  # its libraries take long to load, for results kept already
            from windstill.run.kernels import forgive_full_disks

            forgive_full_disks()
            return group_frames(frames, scores, self.settings.group, self.overrides)

        self.progress.stage("group", 0)
        key = key_of(
            "group", [frame_facts(frame) for frame in frames], dict(keys), section_values(self.settings.group),
            versions(("group", "score", "imaging")), *(() if self.overrides is None else (repr(self.overrides),)),
        )  # fmt: skip
        with self.ledger.stage("group"):
            return self._recalled(key, Grouping, grouped)

    # assess

    def measure(
        self,
        frames: Sequence[Frame],
        scores: Shelf[FrameScore],
        score_keys: Mapping[str, str],
        grouping: Grouping,
        problems: list[Problem],
    ) -> tuple[Shelf[SetMeasure], dict[str, str]]:
        """Measure the sets that have not been measured before; gives measures and their cache keys, by set id."""
        with self.ledger.stage("assess"):
            by_name = {frame.name: frame for frame in frames}
            families = _families(grouping)
            keys: dict[str, str] = {}
            for node in grouping.sets:
                members = [by_name[name] for name in node.frames]
                keys[node.set_id] = measure_key(node, families[node.set_id], members, score_keys, self.settings)
            known = set() if self.fresh else self.cache.present(keys.values())
            # The longest first: one begun last would keep a single worker busy while the others wait.
            todo = sorted((s for s in grouping.sets if keys[s.set_id] not in known), key=lambda s: -len(s.frames))
            self.ledger.reused["sets"] += len(grouping.sets) - len(todo)
            self.progress.stage("assess", len(grouping.sets))
            self.progress.step(len(grouping.sets) - len(todo))
            failed = set()
            waiting = Counter(name for node in todo for name in node.frames)
            self._drop_unneeded(waiting)
            for node, done in self._spread_measures(todo, families, by_name, scores):
                waiting.subtract(node.frames)
                self._drop_unneeded(waiting, node.frames)
                if not self._keep_measure(node, keys[node.set_id], done, problems):
                    failed.add(node.set_id)
                self.progress.step()
            kept = {name: key for name, key in keys.items() if name not in failed}
            return Shelf(self.cache, kept, SetMeasure), kept

    def _keep_measure(self, node: FrameSet, key: str, done: Done | Failure, problems: list[Problem]) -> bool:
        """Put a set's measures into the cache; whether there were any."""
        if isinstance(done, Failure):
            problems.append(Problem(node.set_id, "assess", done.reason, NOT_JUDGED))
            return False
        self.ledger.note(done)
        if done.data is None:
            problems.extend([done.problem] if done.problem else [])
            return False
        self.cache.put(key, done.data)
        self.ledger.measured["sets"] += 1
        return True

    def _spread_measures(
        self,
        nodes: Sequence[FrameSet],
        families: Mapping[str, Grouping],
        by_name: Mapping[str, Frame],
        scores: Shelf[FrameScore],
    ) -> Iterator[tuple[FrameSet, Done | Failure]]:
        if not nodes:
            return
        settings = self.settings
        scratch = str(self.scratch) if self.scratch else None
        tasks = (
            MeasureTask(
                str(self.root), node, families[node.set_id], tuple(by_name[name] for name in node.frames),
                {name: scores.packed(name) for name in node.frames if name in scores},
                settings.imaging, settings.score, settings.assess, scratch,
            )
            for node in nodes
        )  # fmt: skip
        for task, done in self.spread(list(by_name.values())).run(self.reading.measure, tasks):
            yield task.node, done

    def _drop_unneeded(self, waiting: Mapping[str, int], names: Sequence[str] | None = None) -> None:
        """Delete planes no set still to be measured asks for."""
        if self.scratch is None:
            return
        for name in list(self._planes) if names is None else names:
            if waiting.get(name, 0) <= 0:
                self._drop_plane(name)

    def _recalled(self, key: str, kind: type[T], make: Callable[[], T], recall: bool = True) -> T:
        data = self.cache.get(key) if recall and not self.fresh else None
        if data is not None:
            try:
                return codec.loads(data, kind)
            except codec.CodecError:
                pass
        made = make()
        packed = codec.dumps(made)
        self.cache.put(key, packed)
        # Read back, so that what was made now and what is recalled later are the same to the last bit.
        return codec.loads(packed, kind)


LEFT_OUT = "the frame is listed, but takes part in no set's measures"
NOT_JUDGED = "the set cannot be judged; its outlook is unknown"


def _families(grouping: Grouping) -> dict[str, Grouping]:
    """For every set, the grouping cut down to it and the sets below it: all that measuring it may look at."""
    children: dict[str | None, list[FrameSet]] = {}
    for node in grouping.sets:
        children.setdefault(node.parent_set, []).append(node)
    families = {}
    for node in grouping.sets:
        below = [node]
        for member in below:
            below += children.get(member.set_id, [])
        placements = {name: grouping.placements[name] for name in node.frames if name in grouping.placements}
        families[node.set_id] = Grouping(tuple(below), placements)
    return families
