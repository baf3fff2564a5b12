"""A folder of photographs becomes a review: the stages in order, each taking what the one before gave."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from windstill.memory import uncollected
from windstill.records import (
    Frame,
    FrameAdvice,
    FrameScore,
    Grouping,
    Problem,
    Review,
    ScannedShoot,
    SetAdvice,
    SetMeasure,
    SetVerdict,
    encode_name,
)
from windstill.run import codec, outputs
from windstill.run.budget import scratch_bytes, workers_for
from windstill.run.cache import Cache
from windstill.run.errors import ReviewError
from windstill.run.keys import key_of, section_values, versions
from windstill.run.ledger import Ledger
from windstill.run.listing import listing_digest
from windstill.run.lock import FolderLock
from windstill.run.places import cache_folder, check_out, make_out, shoot_folder
from windstill.run.pool import LocalPool
from windstill.run.progress import Progress, Silent
from windstill.run.scratch import make_scratch, remove_scratch
from windstill.run.shelf import Shelf
from windstill.run.stages import Spreader, Stages
from windstill.settings import Settings

if TYPE_CHECKING:
    from windstill.group import Overrides

OVERRIDES_FILE = "sets.toml"
_HARMLESS = "counted once"  # what `scan` says of a byte-identical copy
_ROOMS = ("scan", "imaging", "score", "group", "assess", "advise")


@dataclass(frozen=True, slots=True)
class Outcome:
    """A review as it is kept: the small records whole, scores and measures by their cache keys."""

    scanned: ScannedShoot
    grouping: Grouping
    score_keys: dict[str, str]
    measure_keys: dict[str, str]
    verdicts: dict[str, SetVerdict]
    advice: dict[str, SetAdvice]
    frame_advice: dict[str, FrameAdvice]
    problems: tuple[Problem, ...]
    order: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Options:
    """How a review is run; nothing here changes a number in the tables.

    Attributes
    ----------
    fresh : bool
        Measure everything again.
    verify : bool
        Hash every file's content instead of trusting its size and time.
    cache_folder : Path or None
        Where measures are kept between runs; None for the user's cache folder.
    scheduler : str
        Address of a dask scheduler; empty for this machine.
    command : str
        The command line, for run.json.
    """

    fresh: bool = False
    verify: bool = False
    cache_folder: Path | None = None
    scheduler: str = ""
    command: str = ""


@contextmanager
def reviewed(
    shoot: Path,
    out: Path | None,
    settings: Settings,
    options: Options = Options(),
    progress: Progress | None = None,
) -> Iterator[Review]:
    """Review a shoot folder; the review's scores and measures can be read while the `with` block runs.

    Parameters
    ----------
    shoot : Path
        Folder of the photographs; only ever read.
    out : Path or None
        Folder for the report and tables, created when missing; None writes nothing.
    settings : Settings
    options : Options
    progress : Progress, optional
        Told where the run is.

    Raises
    ------
    ReviewError
        Nothing could be reviewed, or the results cannot be written; the message is one line.
    """
    progress = progress or Silent()
    shoot = shoot_folder(shoot)
    ledger = Ledger()
    folder = cache_folder(options.cache_folder, shoot)
    with Cache(folder, settings.run.cache_mb) as cache:
        with ExitStack() as stack:
            lock = None
            if out is not None:
                out = check_out(out, shoot)
                make_out(out)
                lock = stack.enter_context(FolderLock(out))
            listing = listing_digest(shoot)
            overrides = _overrides(out)
            key = _outcome_key(shoot, listing, settings, overrides)
            outcome = None if options.fresh or options.verify else _recalled(cache, key)
            if outcome is None:
                outcome = _work_out(shoot, listing, folder, settings, options, cache, ledger, progress, overrides)
                if _settled(outcome):
                    cache.put(key, codec.dumps(outcome))
            else:
                ledger.reused.update(scores=len(outcome.score_keys), sets=len(outcome.measure_keys))
            review = _review(outcome, cache)
            # Where the originals are, for the commands that come after; paths stand in run.json and nowhere else.
            review.run.update(command=options.command, shoot=encode_name(str(shoot)))
            if out is not None and lock is not None:
                outputs.write(review, out, settings, cache, key, ledger, lock, progress, options.fresh)
            else:
                review.run.update(ledger.record(len(review.frames)))
            if cache.trouble:
                progress.note(cache.trouble)
        yield review


def _work_out(
    shoot: Path,
    listing: str,
    folder: Path,
    settings: Settings,
    options: Options,
    cache: Cache,
    ledger: Ledger,
    progress: Progress,
    overrides: Overrides | None,
) -> Outcome:
    """Everything from the files to the advice; workers and their planes are gone when it returns."""
    with ExitStack() as stack:
        scratch = _scratch(stack, folder, progress)
        stages = Stages(
            root=shoot, settings=settings, cache=cache,
            spread=_spreader(stack, shoot, scratch, settings, options, progress),
            scratch=scratch, scratch_limit=scratch_bytes(scratch, settings.run) if scratch else 0,
            ledger=ledger, progress=progress, fresh=options.fresh, verify=options.verify,
            overrides=overrides,
        )  # fmt: skip
        return _through(stages, shoot, listing, settings)


def _through(stages: Stages, shoot: Path, listing: str, settings: Settings) -> Outcome:
    """The stages in order."""
    with uncollected():
        from windstill import assess
        from windstill.advise import advise

    scanned = stages.scan(listing)
    if not scanned.frames:
        raise ReviewError(_nothing_found(shoot, scanned))
    problems = list(scanned.problems)
    scores, score_keys = stages.score(scanned.frames, problems)
    if not score_keys:
        raise ReviewError(_nothing_read(shoot, problems))
    if stages.overrides is not None:
        problems += [
            Problem(OVERRIDES_FILE, "group", f"{encode_name(name)} is no frame of this shoot", "not obeyed there")
            for name in stages.overrides.unknown(scanned.frames)
        ]
    grouping = _grouped(stages, scanned, scores, score_keys)
    measures, measure_keys = stages.measure(scanned.frames, scores, score_keys, grouping, problems)
    with stages.ledger.stage("advise"):
        stages.progress.stage("advise", 0)
        verdicts = assess.judge(grouping, measures, scanned.frames, settings.assess)
        advised = advise(scanned.frames, scores, grouping, measures, verdicts, settings.advise)
    return Outcome(
        scanned, grouping, score_keys, measure_keys, dict(verdicts), dict(advised.sets), dict(advised.frames),
        _sorted_problems(problems), tuple(advised.order),
    )  # fmt: skip


def _spreader(
    stack: ExitStack, shoot: Path, scratch: Path | None, settings: Settings, options: Options, progress: Progress
) -> Callable[[Sequence[Frame]], Spreader]:
    """Starts the workers when the first task is handed out, not before: a rerun may need none."""
    started: list[Spreader] = []

    def spread(frames: Sequence[Frame]) -> Spreader:
        if started:
            return started[0]
        pool: Any
        if options.scheduler:
            from windstill.run.cluster import ClusterPool

            pool = ClusterPool(options.scheduler, shoot, scratch, settings.run.item_timeout_s, progress)
        else:
            pool = LocalPool(workers_for(frames, settings.run), settings.run.item_timeout_s)
        started.append(stack.enter_context(pool))
        return started[0]

    return spread


def _scratch(stack: ExitStack, folder: Path, progress: Progress) -> Path | None:
    for parent in (folder / "scratch", Path(tempfile.gettempdir()) / "windstill-scratch"):
        try:
            scratch = make_scratch(parent)
        except OSError:
            continue
        stack.callback(remove_scratch, scratch)
        return scratch
    progress.note("no folder for temporary files can be written to; frames of sets are decoded twice")
    return None


def _review(outcome: Outcome, cache: Cache) -> Review:
    return Review(
        root=outcome.scanned.root,
        frames=outcome.scanned.frames,
        scores=Shelf(cache, outcome.score_keys, FrameScore),
        grouping=outcome.grouping,
        measures=Shelf(cache, outcome.measure_keys, SetMeasure),
        verdicts=outcome.verdicts,
        advice=outcome.advice,
        frame_advice=outcome.frame_advice,
        problems=outcome.problems,
        order=outcome.order,
        run={},
    )


def _grouped(
    stages: Stages, scanned: ScannedShoot, scores: Shelf[FrameScore], score_keys: Mapping[str, str]
) -> Grouping:
    """The sets; decisions of the photographer that contradict each other are wrong usage."""
    from windstill.group import OverridesError

    try:
        return stages.group(scanned.frames, scores, score_keys)
    except OverridesError as err:
        raise ReviewError(str(err), 2) from err


def _overrides(out: Path | None) -> Overrides | None:
    """What the photographer decided about the sets, from the file beside the tables; None where there is none."""
    if out is None or not (out / OVERRIDES_FILE).exists():
        return None
    from windstill.group import OverridesError, load_overrides

    try:
        return load_overrides(out / OVERRIDES_FILE)
    except OverridesError as err:
        raise ReviewError(str(err), 2) from err


def _outcome_key(shoot: Path, listing: str, settings: Settings, overrides: Overrides | None) -> str:
    sections = {name: section_values(getattr(settings, name)) for name in _ROOMS}
    decided = () if overrides is None else (repr(overrides),)
    return key_of("outcome", str(shoot), listing, sections, versions(_ROOMS), *decided)


def _recalled(cache: Cache, key: str) -> Outcome | None:
    data = cache.get(key)
    if data is None:
        return None
    try:
        outcome = codec.loads(data, Outcome)
    except codec.CodecError:
        return None
    keys = {*outcome.score_keys.values(), *outcome.measure_keys.values()}
    return outcome if keys <= cache.present([key, *keys]) else None


def _settled(outcome: Outcome) -> bool:
    """Whether a rerun can only find the same: a file that could not be read may be readable next time."""
    return all(problem.consequence == _HARMLESS for problem in outcome.problems)


def _sorted_problems(problems: Sequence[Problem]) -> tuple[Problem, ...]:
    """Problems in an order that does not depend on which worker was quicker."""
    return tuple(sorted(problems, key=lambda p: (p.file, p.stage, p.problem)))


def _nothing_found(shoot: Path, scanned: ScannedShoot) -> str:
    if scanned.problems:
        first = scanned.problems[0]
        more = f" (and {len(scanned.problems) - 1} more like it)" if len(scanned.problems) > 1 else ""
        return f"{shoot}: nothing could be reviewed; {first.file or '.'}: {first.problem}{more}"
    if scanned.files_seen:
        return f"{shoot}: no photographs among its {scanned.files_seen} files; give the folder they are in"
    return f"{shoot}: no photographs here; give the folder they are in"


def _nothing_read(shoot: Path, problems: Sequence[Problem]) -> str:
    if not shoot.is_dir():
        return f"{shoot}: the folder disappeared during the run; connect the card or disk and run again"
    first = problems[-1]
    return f"{shoot}: none of its photographs could be read; {first.file}: {first.problem}"
