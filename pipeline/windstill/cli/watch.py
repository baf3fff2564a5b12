"""`windstill watch`."""

from __future__ import annotations

import shlex
import signal
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from threading import Event
from types import FrameType
from typing import TYPE_CHECKING

import typer

from windstill.cli import common
from windstill.plan.cautions import CAUTIONS
from windstill.run.errors import ReviewError

if TYPE_CHECKING:
    from windstill.settings import Settings

_ENDING = (signal.SIGINT, signal.SIGTERM)
_EXAMPLES = f"""Examples:

windstill watch FOLDER

windstill watch FOLDER --out REVIEW --gap 20

Exit status, after Ctrl-C and the report: 0 no set hard or lost; 3 one is; 1 nothing could be reviewed; 2 wrong usage.

{" ".join(CAUTIONS)}"""


def add_watch_command(app: typer.Typer) -> None:
    """Add the command."""

    @app.command(epilog=_EXAMPLES)
    def watch(
        folder: Path = typer.Argument(..., help="Folder photographs arrive in, by tether or copy. Only read."),
        out: Path | None = typer.Option(
            None, "--out", help="Folder for the report when it ends. Default: FOLDER's name with -windstill, here."
        ),
        tolerance: float | None = common.FULL_SIZE_TOLERANCE,
        gap: float | None = common.GAP,
        profile: str | None = common.PROFILE,
        entries: list[str] = common.ENTRIES,
        workers: int | None = common.WORKERS,
        cache: Path | None = common.CACHE,
    ) -> int:
        """Say of each set, as soon as it is complete, whether to reshoot; Ctrl-C ends with a full report."""
        from windstill.cli.review import settings_from

        settings = settings_from(
            profile, entries, {"assess": {"tolerance_px": tolerance}, "group": {"gap_s": gap},
                               "run": {"workers": workers}},
        )  # fmt: skip
        return run_watch(folder, out, settings, cache)


def run_watch(folder: Path, out: Path | None, settings: Settings, cache: Path | None) -> int:
    """Watch until told to stop, then review what is there."""
    from windstill.cli.field import columns, print_wrapped
    from windstill.cli.guard import printable
    from windstill.cli.review import current_folder
    from windstill.field import Check, FieldDesk, set_lines, watch_folder
    from windstill.run import default_out
    from windstill.run.places import cache_folder, check_out, shoot_folder

    root = shoot_folder(folder)
    kept = cache_folder(cache, root)
    target = check_out(out or default_out(root, current_folder()), root)
    width = columns()

    def note(line: str) -> None:
        print_wrapped(line, width)
        sys.stdout.flush()

    def complete(check: Check) -> None:
        for line in reversed(set_lines(check, settings.assess)):
            for row in line.text(width).splitlines():
                print(printable(row), flush=True)

    note(f"watching {folder}; a line per set, from previews; Ctrl-C ends with a report")
    with asked_to_stop() as stop, FieldDesk(settings, kept) as desk:
        watch_folder(root, desk, stop, complete, note)
    if not root.is_dir():
        raise ReviewError(f"{folder}: gone, so there is no report; when it is back: windstill review {folder}")
    note("reviewing in full; Ctrl-C again leaves it")
    return _review(root, target, settings, cache)


@contextmanager
def asked_to_stop() -> Iterator[Event]:
    """An event that the first Ctrl-C (or a request of the system to end) sets; a second one ends as usual."""
    stop = Event()
    before = {number: signal.getsignal(number) for number in _ENDING}

    def ask(number: int, frame: FrameType | None) -> None:
        usual = before[signal.Signals(number)]
        if stop.is_set() and callable(usual):
            usual(number, frame)
        stop.set()

    for number in _ENDING:
        signal.signal(number, ask)
    try:
        yield stop
    finally:
        for number, usual in before.items():
            signal.signal(number, usual)


def _review(root: Path, out: Path, settings: Settings, cache: Path | None) -> int:
    from windstill.cli.field import HARD_OR_LOST
    from windstill.cli.progress import shown_progress
    from windstill.cli.summary import print_summary
    from windstill.run import Options, reviewed

    options = Options(cache_folder=cache, command=shlex.join(["windstill", *sys.argv[1:]]))
    with shown_progress() as progress, reviewed(root, out, settings, options, progress) as review:
        progress.finish()
        print_summary(review, out)
        outlooks = {review.verdicts[node.set_id].outlook for node in review.grouping.top_level()}
    return HARD_OR_LOST if outlooks & {"hard", "lost"} else 0
