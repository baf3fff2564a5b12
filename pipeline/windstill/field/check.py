"""The quick check of a card or folder: scan, score, group and assess on previews, and advise where asked to."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field, replace
from pathlib import Path
from types import TracebackType
from typing import Any

import cv2

from windstill.field.latest import EVERYTHING, Latest, stretches, within
from windstill.field.limits import floor_px, seen
from windstill.field.read import Coarser, QuickReading
from windstill.memory import keep_freed
from windstill.records import (
    Frame,
    FrameScore,
    FrameSet,
    Grouping,
    Problem,
    SetAdvice,
    SetMeasure,
    SetVerdict,
)
from windstill.run.budget import scratch_bytes, workers_for
from windstill.run.cache import Cache, default_cache_folder
from windstill.run.errors import DamagedMeasuresError
from windstill.run.ledger import Ledger
from windstill.run.listing import listing_digest
from windstill.run.pool import LocalPool
from windstill.run.progress import Progress, Silent
from windstill.run.scratch import drop_plane, make_scratch, planes_in_memory, remove_scratch
from windstill.run.shelf import Shelf
from windstill.run.stages import Reading, Spreader, Stages
from windstill.settings import Settings

_NO_CROPS_PX = 1e9  # sway from which crops are cut: never
_NO_WINDOW = 2.0  # share of a window's tiles that must be usable for it to be looked at for smear: none has so many


@dataclass(frozen=True, slots=True, eq=False)
class Check:
    """What the previews show.

    Attributes
    ----------
    frames : tuple of Frame
        Frames looked at, in capture order.
    earlier : int
        Frames of the folder not looked at.
    grouping : Grouping
        The sets looked at.
    measures : mapping by set id
        What the previews can tell; see `windstill.field.limits`.
    floors_px : mapping by set id
        Full-resolution pixels below which motion is not seen.
    problems : tuple of Problem
        Of the frames looked at.
    advice : mapping by set id
        Of sets that are not `clean`, and those below them, where it was asked for.
    others : tuple of FrameSet
        Top-level sets judged as well, of which nothing is to be said: another take of a scene may hold.
    """

    frames: tuple[Frame, ...]
    earlier: int
    scores: Mapping[str, FrameScore]
    grouping: Grouping
    measures: dict[str, SetMeasure]
    verdicts: dict[str, SetVerdict]
    advice: dict[str, SetAdvice]
    floors_px: dict[str, int]
    problems: tuple[Problem, ...]
    ledger: Ledger = field(default_factory=Ledger)
    others: tuple[FrameSet, ...] = ()

    def only(self, tops: Collection[str]) -> Check:
        """The check cut down to some of its top-level sets."""
        others = tuple(node for node in self.grouping.top_level() if node.set_id not in tops)
        return replace(self, grouping=_only(self.grouping, set(tops)), others=(*self.others, *others))


class FieldDesk:
    """What checks of one session share: cache, workers, scratch folder. None of it lies in the folder checked.

    Parameters
    ----------
    settings : Settings
        The user's; thresholds that previews cannot meet are replaced.
    cache_folder : Path, optional
        Where measures are kept between runs; by default where a review keeps its own.
    """

    def __init__(self, settings: Settings, cache_folder: Path | None = None, progress: Progress | None = None) -> None:
        self.settings = for_previews(settings)
        own = settings.field
        coarser = Coarser(
            own.align_enough_share, own.laid_enough_px, own.lens_enough_px, own.align_quick_features_px,
            own.match_enough_px, own.align_match_px, own.rest_steps, own.sway_halved, own.least_half_window,
            own.error_half_px, own.match_passes, own.search_halved, own.search_far_corners,
        )  # fmt: skip
        quick = QuickReading(own.sharp_disc_px, settings.assess.align_max_windows, own.views_sure_share, coarser)
        self._reading = Reading(quick.score, quick.measure, quick.digest)
        self.progress = progress or Silent()
        self._folder = cache_folder or default_cache_folder()
        self._stack = ExitStack()
        self._pool: Spreader | None = None
        self.cache: Cache
        self._scratch: Path | None = None

    def __enter__(self) -> FieldDesk:
        self.cache = self._stack.enter_context(Cache(self._folder, self.settings.run.cache_mb))
        for parent in (self._folder / "scratch", Path(tempfile.gettempdir()) / "windstill-scratch"):
            try:
                self._scratch = make_scratch(parent)
            except OSError:
                continue
            self._stack.callback(remove_scratch, self._scratch)
            break
        return self

    def __exit__(self, kind: type[BaseException] | None, value: BaseException | None, tb: TracebackType | None) -> None:
        self._stack.__exit__(kind, value, tb)

    def stages(self, root: Path) -> Stages:
        """The stages of one check."""
        limit = scratch_bytes(self._scratch, self.settings.run) if self._scratch else 0
        return Stages(
            root=root, settings=self.settings, cache=self.cache, spread=self._spread, scratch=self._scratch,
            scratch_limit=limit, ledger=Ledger(), progress=self.progress, reading=self._reading,
        )  # fmt: skip

    def tidy(self, frames: Iterable[str]) -> None:
        """Forget the working planes of frames whose sets are judged: a watch may go on all day."""
        if self._scratch is not None:
            for name in frames:
                drop_plane(self._scratch, name)

    def _spread(self, frames: Sequence[Frame]) -> Spreader:
        if self._pool is None and len(frames) <= self.settings.field.alone_frames:
            return _Here()
        if self._pool is None:
            pool = LocalPool(workers_for(frames, self.settings.run), self.settings.run.item_timeout_s)
            self._pool = self._stack.enter_context(pool)
        return self._pool


class _Here:
    """Work done in this process, one task after the other."""

    def run(self, function: Callable[[Any], Any], tasks: Iterable[Any]) -> Iterator[tuple[Any, Any]]:
        """Pairs of task and result."""
        cv2.setNumThreads(1)  # as in workers: the same numbers, and less of the battery
        keep_freed()
        for task in tasks:
            with planes_in_memory():
                done = function(task)
            yield task, done


def for_previews(settings: Settings) -> Settings:
    """Settings of a review, with what the quick check does otherwise."""
    own = settings.field
    score: dict[str, Any] = {"working_long_px": own.working_long_px, "coarse_from_half": True}
    assess: dict[str, Any] = {
        "crops_from_px": _NO_CROPS_PX,
        "align_max_windows": own.align_windows,
        "align_sure_share": own.align_sure_share,
    }
    if not own.smear:
        score["smear"] = settings.score.smear.model_copy(update={"window_share": _NO_WINDOW})
        assess["smear_tiles"] = 0
    known = type(settings.assess).model_fields
    return settings.model_copy(
        update={
            "score": settings.score.model_copy(update=score),
            "assess": settings.assess.model_copy(update={k: v for k, v in assess.items() if k in known}),
        }
    )


def quick_check(
    root: Path,
    desk: FieldDesk,
    latest: Latest = EVERYTHING,
    select: Callable[[Sequence[Frame]], Sequence[Frame]] = tuple,
    choose: Callable[[Grouping], Sequence[FrameSet]] | None = None,
    *,
    why: bool = False,
) -> Check:
    """Check the newest sets of a folder.

    Parameters
    ----------
    root : Path
        A card or folder; only ever read.
    desk : FieldDesk
    latest : Latest
    select : callable
        Which of the frames found may be looked at at all.
    choose : callable, optional
        Which of the top-level sets found to judge; by default those of `latest`.
    why : bool
        Work out `Check.advice` as well, which takes longer than judging.

    Returns
    -------
    Check
        Empty where no frame can be read.

    Raises
    ------
    OSError
        The folder is gone.
    """
    damaged: set[str] = set()
    while True:
        try:
            return _checked(root, desk, latest, select, choose, why)
        except DamagedMeasuresError as err:
            # Nothing long to be done again, and a watch has nobody to run it again: at once, unless it did not help.
            if str(err) in damaged:
                raise
            damaged.add(str(err))


def _checked(
    root: Path,
    desk: FieldDesk,
    latest: Latest,
    select: Callable[[Sequence[Frame]], Sequence[Frame]],
    choose: Callable[[Grouping], Sequence[FrameSet]] | None,
    why: bool,
) -> Check:
    stages = desk.stages(root)
    settings = desk.settings
    scanned = stages.scan(listing_digest(root))
    runs = stretches(select(scanned.frames), settings.group.gap_s)
    if latest.minutes is not None:
        runs = within(runs, latest.minutes)
    take = len(runs) if latest.sets is None else min(latest.sets, len(runs))
    problems: list[Problem] = []
    while True:
        frames = [frame for stretch in runs[len(runs) - take :] for frame in stretch]
        problems.clear()
        scores, keys = stages.score(frames, problems)
        grouping = stages.group(frames, scores, keys) if keys else Grouping(())
        if take == len(runs) or latest.sets is None or _merged(grouping) >= latest.sets:
            break
        # A stretch may hold a single frame, and no set: look further back.
        take = min(2 * take, len(runs))
    chosen = choose(grouping) if choose is not None else _newest(grouping, latest.sets)
    part = _only(grouping, {node.set_id for node in chosen})
    measures, _ = stages.measure(frames, scores, keys, part, problems)
    desk.tidy(name for node in part.sets for name in node.frames)
    earlier = len(scanned.frames) - len(frames)
    return _judged(stages, frames, earlier, scores, part, measures, scanned.problems, problems, why)


def _judged(
    stages: Stages,
    frames: Sequence[Frame],
    earlier: int,
    scores: Shelf[FrameScore],
    grouping: Grouping,
    measures: Mapping[str, SetMeasure],
    found: Sequence[Problem],
    problems: Sequence[Problem],
    why: bool,
) -> Check:
    from windstill.assess import judge

    settings = stages.settings
    floors = {name: floor_px(measure, scores) for name, measure in measures.items()}
    clear = {name: seen(measure, floors[name], settings) for name, measure in measures.items()}
    verdicts = dict(judge(grouping, clear, frames, settings.assess))
    advice: dict[str, SetAdvice] = {}
    if why:
        from windstill.advise import advise_sets

        # Nothing is advised of what will merge: which of its frames to keep is for a review to say.
        troubled = {node.set_id for node in grouping.top_level() if verdicts[node.set_id].outlook != "clean"}
        advice = advise_sets(frames, scores, grouping, clear, verdicts, settings.advise, troubled)
    names = {file.path for frame in frames for file in frame.files}
    unread = tuple(problem for problem in found if problem.file not in names)
    return Check(
        tuple(frames), earlier, scores, grouping, clear, verdicts, advice, floors,
        (*unread, *problems), stages.ledger,
    )  # fmt: skip


def _merged(grouping: Grouping) -> int:
    """Top-level sets of more than one frame."""
    return sum(node.kind != "single" for node in grouping.top_level())


def _newest(grouping: Grouping, count: int | None) -> list[FrameSet]:
    """The newest top-level sets up to `count` of more than one frame, with single frames between them."""
    chosen: list[FrameSet] = []
    merged = 0
    for node in reversed(list(grouping.top_level())):
        if node.kind != "single":
            if merged == count:
                break
            merged += 1
        chosen.append(node)
    return chosen


def _only(grouping: Grouping, tops: set[str]) -> Grouping:
    """The grouping cut down to some top-level sets and those below them."""
    kept = set(tops)
    nodes = []
    for node in grouping.sets:  # parents come before children
        if node.set_id in kept or node.parent_set in kept:
            kept.add(node.set_id)
            nodes.append(node)
    frames = {name for node in nodes for name in node.frames}
    placements = {name: place for name, place in grouping.placements.items() if name in frames}
    return Grouping(tuple(nodes), placements)
