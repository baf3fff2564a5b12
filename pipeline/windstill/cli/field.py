"""`windstill field`."""

from __future__ import annotations

import shutil
from collections import Counter
from pathlib import Path
from typing import TYPE_CHECKING

import typer

from windstill.cli import common
from windstill.memory import uncollected
from windstill.plan.cautions import CAUTIONS
from windstill.plan.words import plural
from windstill.settings import SettingsError

if TYPE_CHECKING:
    from windstill.field import Check
    from windstill.settings import Settings

HARD_OR_LOST = 3
NOTHING_READ = 1
BEFORE_GOING_BACK = "Before going back: tide, edges, lightning (see --help)."
_PIPE_COLUMNS = 100
_LEAST_COLUMNS = 40
_EXAMPLES = f"""Examples:

windstill field CARD

windstill field CARD --latest 20min --why

windstill field CARD --latest all --tolerance 3

Exit status: 0 nothing hard or lost seen; 3 a set is hard or lost; 1 nothing could be read; 2 wrong usage.

{" ".join(CAUTIONS)}"""


def add_field_command(app: typer.Typer) -> None:
    """Add the command."""

    @app.command(epilog=_EXAMPLES)
    def field(
        card: Path = typer.Argument(..., help="The card, or any folder of photographs. Only read."),
        latest: str | None = typer.Option(
            None, "--latest", metavar="N|TIME|all",
            help="How much to look at: newest sets (6), the last of the shooting (20min, 2h), or all. Default: 6.",
        ),
        why: bool = typer.Option(False, "--why", help="Under each set that is not clean, what to do about it."),
        tolerance: float | None = common.FULL_SIZE_TOLERANCE,
        gap: float | None = common.GAP,
        profile: str | None = common.PROFILE,
        entries: list[str] = common.ENTRIES,
        workers: int | None = common.WORKERS,
        cache: Path | None = common.CACHE,
        timing: bool = typer.Option(False, "--timing", help="Print what it cost."),
    ) -> int:
        """Seconds after shooting: the newest sets from the previews in their files. Reshoot, or go on?"""
        from windstill.cli.review import settings_from

        settings = settings_from(
            profile, entries, {"assess": {"tolerance_px": tolerance}, "group": {"gap_s": gap},
                               "run": {"workers": workers}},
        )  # fmt: skip
        return run_field(card, latest, settings, cache, why, timing)


def run_field(card: Path, latest: str | None, settings: Settings, cache: Path | None, why: bool, timing: bool) -> int:
    """Check, say it, give the exit status."""
    from windstill.cli.guard import say
    from windstill.cli.progress import shown_progress
    from windstill.field import FieldDesk, Latest, quick_check
    from windstill.run.places import cache_folder, shoot_folder

    try:
        wanted = Latest(sets=settings.field.latest_sets) if latest is None else Latest.from_words(latest)
    except ValueError as err:
        raise SettingsError(str(err)) from err
    root = shoot_folder(card)
    kept = cache_folder(cache, root)
    # A check is over in seconds.
    with uncollected(), shown_progress() as progress, FieldDesk(settings, kept, progress) as desk:
        check = quick_check(root, desk, wanted, why=why)
        progress.finish()
        if not len(check.scores):
            first = next(iter(check.problems), None)
            why_not = f"; {first.file}: {first.problem}" if first else ""
            return say(f"{card}: no photograph could be read here{why_not}", NOTHING_READ)
        bad = print_check(check, settings, columns(), why)
        if timing:
            spent = check.ledger.cpu_s
            print("processor seconds: " + ", ".join(f"{name} {value:.2f}" for name, value in spent.items()))
        return HARD_OR_LOST if bad else 0


def print_check(check: Check, settings: Settings, width: int, why: bool) -> bool:
    """Lines, then what was looked at and what it cannot show; whether a set is hard or lost."""
    from windstill.cli.guard import printable
    from windstill.field.lines import cannot_tell, count_actions, name_columns, set_lines

    lines = set_lines(check, settings.assess)
    for line in lines:
        for row in line.text(width, name_columns(lines)).splitlines():
            print(printable(row))
        if why and line.outlook != "clean" and line.advice:
            print_wrapped(line.advice, width, "        ")
    counts = count_actions(lines)
    said = ", ".join(f"{number} {action}" for action, number in counts.items() if number) or "no sets yet"
    earlier = f"; {plural(check.earlier, 'earlier frame')} not looked at" if check.earlier else ""
    print_wrapped(f"{said}{earlier}", width)
    print_wrapped(read_from(check), width)
    if limits := cannot_tell(check, settings.field.smear):
        print_wrapped(limits, width)
    if counts["reshoot"]:
        print_wrapped(BEFORE_GOING_BACK, width)
    return any(line.bad for line in lines)


def read_from(check: Check) -> str:
    """How the frames were read, and which were not."""
    from windstill.field.read import PREVIEW

    how = Counter(
        "previews" if check.scores[name].decoder.startswith(PREVIEW) else "pictures decoded small"
        for name in check.scores
    )  # fmt: skip
    parts = [f"{plural(number, 'frame')} from {way}" for way, number in sorted(how.items(), reverse=True)]
    text = "Read: " + ", ".join(parts) + "."
    if check.problems:
        first = check.problems[0]
        number = len({problem.file for problem in check.problems})
        text += f" Not used: {number}, such as {first.file.rsplit('/', 1)[-1]}: {first.problem}."
    return text


def print_wrapped(text: str, width: int, indent: str = "") -> None:
    """Print a sentence within the terminal's width."""
    import textwrap

    from windstill.cli.guard import printable

    for row in textwrap.wrap(printable(text), width, initial_indent=indent, subsequent_indent=indent):
        print(row)


def columns() -> int:
    """Columns to write for: the terminal's (or `COLUMNS`); a pipe gets a wide line."""
    return max(shutil.get_terminal_size(fallback=(_PIPE_COLUMNS, 24)).columns, _LEAST_COLUMNS)
