"""Watching a folder that photographs arrive in: a line when a set is complete."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from pathlib import Path
from threading import Event

import watchfiles

from windstill.field.arrivals import Arrivals, Stat, listing
from windstill.field.check import Check, FieldDesk, quick_check
from windstill.field.latest import EVERYTHING, Latest, stretches
from windstill.field.lines import ACTIONS, better_take
from windstill.records import Frame, FrameSet, Grouping
from windstill.run.errors import ReviewError

_DEBOUNCE_MS = 200


class Watcher:
    """What has arrived, what of it was spoken of.

    Parameters
    ----------
    root : Path
        The folder; only ever read.
    desk : FieldDesk
    complete : callable
        Given the check of every set that became complete, oldest first.
    note : callable
        Given one line for the user.
    """

    def __init__(
        self, root: Path, desk: FieldDesk, complete: Callable[[Check], None], note: Callable[[str], None]
    ) -> None:
        self._root = root
        self._desk = desk
        self._settings = desk.settings
        self._complete = complete
        self._note = note
        self._arrivals = Arrivals(self._settings.field.settle_s)
        self._looked: frozenset[tuple[str, Stat]] = frozenset()
        self._done: set[Stat] = set()
        self._spoken: list[frozenset[Stat]] = []
        self._unreadable: dict[str, tuple[Stat, float]] = {}
        self._told: set[tuple[str, Stat]] = set()
        self._open = False

    def begin(self, now_s: float) -> int:
        """Take what lies there already as seen; gives the number of its photographs.

        Raises
        ------
        FileNotFoundError
            The folder is gone.
        """
        found = listing(self._root, self._settings.scan)
        self._arrivals.look(found, now_s, settled=True)
        self._looked = self._arrivals.all_still(now_s)
        self._done.update(found.values())
        return len(found)

    def tick(self, now_s: float, ending: bool = False) -> None:
        """Look at the folder and speak of what became complete.

        Parameters
        ----------
        now_s : float
            A clock that never goes back.
        ending : bool
            Nothing more will come: the last set is complete as it is.

        Raises
        ------
        FileNotFoundError
            The folder is gone.
        """
        self._arrivals.look(listing(self._root, self._settings.scan), now_s)
        still = self._arrivals.all_still(now_s)
        paused = ending or self._arrivals.quiet_s(now_s) > self._settings.group.gap_s
        self._tell_unreadable(now_s)
        if still == self._looked and not (paused and self._open):
            return
        self._looked = still
        self._open = not paused
        while (check := self._check(paused)) is not None:
            failed = {p.file: self._stat(check, p.file) for p in check.problems if p.stage in ("decode", "score")}
            if not failed:
                self._speak(check, paused)
                return
            # Perhaps still arriving: looked at again when it changes, and until then as if it were not there.
            self._unreadable.update({path: (stat, now_s) for path, stat in failed.items()})

    def _check(self, paused: bool) -> Check | None:
        found: list[Frame] = []
        latest = self._arrivals.latest({path for path, _ in self._looked})

        def choose(grouping: Grouping) -> Sequence[FrameSet]:
            tops = list(grouping.top_level())
            if paused:
                return tops
            # Another frame may follow the newest; where files come in another order, what came last.
            came_last = {frame.name for frame in found if latest.intersection(file.path for file in frame.files)}
            growing = [node for node in tops if came_last.intersection(node.frames)][-1:]
            return [node for node in tops[:-1] if node not in growing]

        def select(frames: Sequence[Frame]) -> Sequence[Frame]:
            found.clear()
            whole = [frame for frame in frames if self._is_whole(frame)]
            for run in stretches(whole, self._settings.group.gap_s):
                if any(_stat(frame) not in self._done for frame in run):
                    found.extend(run)
            return found

        check = quick_check(self._root, self._desk, EVERYTHING, select, choose)
        return check if found else None

    def _is_whole(self, frame: Frame) -> bool:
        files = [(file.path, (file.size_bytes, file.mtime_ns)) for file in frame.files if file.role in ("image", "raw")]
        if not all(file in self._looked for file in files):
            return False
        return not any(self._unreadable.get(path, (None,))[0] == stat for path, stat in files)

    def _speak(self, check: Check, paused: bool) -> None:
        stats = {frame.name: _stat(frame) for frame in check.frames}
        fresh = []
        for node in check.grouping.top_level():
            made_of = frozenset(stats[name] for name in node.frames)
            # Renamed files and sets that lost a frame were spoken of already; one that gained a frame was not.
            if made_of <= self._done or any(made_of <= spoken for spoken in self._spoken):
                continue
            self._spoken.append(made_of)
            fresh.append(node.set_id)
        if paused:
            self._done.update(stats.values())
        if fresh:
            self._complete(self._beside_earlier_takes(check, fresh).only(fresh))

    def _beside_earlier_takes(self, check: Check, fresh: Sequence[str]) -> Check:
        """The check together with earlier takes, where a set will not merge: one that holds spares a reshoot."""
        bad = {
            name for name, node in check.grouping.by_id().items()
            if name in fresh and ACTIONS[check.verdicts[name].outlook] == "reshoot" and not better_take(node, check)
        }  # fmt: skip
        if not bad:
            return check

        def choose(grouping: Grouping) -> Sequence[FrameSet]:
            tops = list(grouping.top_level())
            scenes = {(node.scene, node.kind) for node in tops if node.set_id in bad}
            last = max((at for at, node in enumerate(tops) if node.set_id in fresh), default=-1)
            # What comes after may still grow.
            return [n for n in tops[: last + 1] if n.set_id in fresh or (n.scene, n.kind) in scenes]

        recent = Latest(minutes=self._settings.field.takes_back_min)
        both = quick_check(self._root, self._desk, recent, lambda frames: [*filter(self._is_whole, frames)], choose)
        return both if {*fresh} <= {*both.grouping.by_id()} else check

    def _tell_unreadable(self, now_s: float) -> None:
        patience = self._settings.field.decode_patience_s
        for path, (stat, since) in self._unreadable.items():
            if now_s - since >= patience and (path, stat) in self._looked and (path, stat) not in self._told:
                self._told.add((path, stat))
                self._note(f"{path}: cannot be read; damaged, or its copying was broken off")

    @staticmethod
    def _stat(check: Check, path: str) -> Stat:
        return next(_stat(frame) for frame in check.frames if frame.pixels_from == path)


def watch_folder(
    root: Path,
    desk: FieldDesk,
    stop: Event,
    complete: Callable[[Check], None],
    note: Callable[[str], None],
) -> None:
    """Watch a folder until told to stop.

    Parameters
    ----------
    root : Path
        The folder; only ever read. It may go and come back.
    desk : FieldDesk
    stop : Event
        Set when the watch is to end; the last set is then spoken of.
    complete, note : callable
        As for `Watcher`.
    """
    watcher = Watcher(root, desk, complete, note)
    begun = watcher.begin(time.monotonic())
    note(f"{begun or 'no'} photograph{'' if begun == 1 else 's'} there already")
    wake_s = desk.settings.field.wake_s
    there = True
    while not stop.is_set():
        try:
            watcher.tick(time.monotonic())
            if not there:
                note("the folder is back")
            there = True
            _until_gone(root, wake_s, stop, watcher)
        except ReviewError as err:
            note(str(err))
        except OSError:  # from the library, too, when the folder goes in the middle of a look
            if root.is_dir():
                stop.wait(wake_s)
                continue
            if there:
                note("the folder is gone (card taken out?); waiting for it, Ctrl-C ends")
            there = False
            stop.wait(wake_s)
    with suppress(OSError, ReviewError):
        watcher.tick(time.monotonic(), ending=True)


def _until_gone(root: Path, wake_s: float, stop: Event, watcher: Watcher) -> None:
    """Look whenever the system reports a change, and every `wake_s` seconds: not every file system reports."""
    changes = watchfiles.watch(
        root, watch_filter=None, debounce=_DEBOUNCE_MS, rust_timeout=round(1000 * wake_s), yield_on_timeout=True,
        stop_event=stop, raise_interrupt=False, ignore_permission_denied=True,
    )  # fmt: skip
    for _ in changes:
        if stop.is_set():
            return
        watcher.tick(time.monotonic())


def _stat(frame: Frame) -> Stat:
    file = frame.pixels_file
    return file.size_bytes, file.mtime_ns
