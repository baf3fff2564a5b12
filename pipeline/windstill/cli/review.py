"""`windstill review`."""

from __future__ import annotations

import re
import shlex
import sys
from pathlib import Path
from typing import Any

import typer

from windstill.cli import common
from windstill.run.errors import ReviewError
from windstill.settings import Settings, SettingsError, assignments, find_profile, load_settings, profile_names

_SIZE = re.compile(r"(\d+(?:\.\d+)?)\s*(k|m|g|t)?i?b?", re.IGNORECASE)
_UNIT_MB = {None: 1.0, "k": 1e-3, "m": 1.0, "g": 1e3, "t": 1e6}
_EXAMPLES = """Examples:

windstill review SHOOT

windstill review SHOOT --out REVIEW --tolerance 3 --strict

windstill review SHOOT --out REVIEW --settings film-scans --format parquet

windstill review SHOOT --out REVIEW --set group.gap_s=60 --workers 2 --memory 1GB --timing

Exit status: 0 reviewed; 1 nothing could be reviewed or written, or with --strict any problem; 2 wrong usage."""


def add_review_command(app: typer.Typer) -> None:
    """Add the command."""

    @app.command(epilog=_EXAMPLES)
    def review(
        shoot: Path = typer.Argument(..., help="Folder of the photographs, with all folders below it. Only read."),
        out: Path | None = typer.Option(
            None, "--out", help="Folder for the report and tables. Default: SHOOT's name with -windstill, here."
        ),
        profile: str | None = typer.Option(
            None, "--settings", metavar="PROFILE",
            help=f"A TOML file, or one of the profiles that come along: {', '.join(profile_names())}.",
        ),
        entries: list[str] = common.ENTRIES,
        tolerance: float | None = typer.Option(
            None, "--tolerance", metavar="PX", help="Sway up to this many pixels does not show."
        ),
        gap: float | None = common.GAP,
        table_format: str | None = typer.Option(
            None, "--format", metavar="csv|parquet", help="parquet writes the tables as Parquet as well as CSV."
        ),
        strict: bool = typer.Option(False, "--strict", help="Exit with 1 if any file had a problem."),
        fresh: bool = typer.Option(False, "--fresh", help="Measure everything again, whatever is kept."),
        verify: bool = typer.Option(
            False, "--verify", help="Check the content of every file instead of trusting its size and time."
        ),
        workers: int | None = common.WORKERS,
        memory: str | None = typer.Option(
            None, "--memory", metavar="SIZE", help="Memory for all processes together, such as 1500MB or 2GB."
        ),
        scheduler: str = typer.Option(
            "", "--scheduler", metavar="ADDRESS", help="Spread the work over a dask cluster, such as tcp://10.0.0.5:8786."
        ),
        cache: Path | None = common.CACHE,
        timing: bool = typer.Option(False, "--timing", help="Print where the time went."),
    ) -> int:
        """Review a shoot: which frames belong together, what moved, and which sets will merge."""
        settings = settings_from(
            profile, entries,
            {
                "assess": {"tolerance_px": tolerance},
                "group": {"gap_s": gap},
                "report": {"format": table_format},
                "run": {"workers": workers, "memory_mb": megabytes(memory)},
            },
        )  # fmt: skip
        return run_review(shoot, out, settings, strict, fresh, verify, cache, timing, scheduler)


def run_review(
    shoot: Path,
    out: Path | None,
    settings: Settings,
    strict: bool = False,
    fresh: bool = False,
    verify: bool = False,
    cache: Path | None = None,
    timing: bool = False,
    scheduler: str = "",
) -> int:
    """Review, report on screen, give the exit status."""
    from windstill.cli.progress import shown_progress
    from windstill.cli.summary import print_summary, print_timing
    from windstill.run import Options, default_out, reviewed
    from windstill.run.places import shoot_folder

    shoot = shoot_folder(shoot)
    out = out or default_out(shoot, current_folder())
    command = shlex.join(["windstill", *sys.argv[1:]])
    options = Options(fresh=fresh, verify=verify, cache_folder=cache, scheduler=scheduler, command=command)
    with shown_progress() as progress, reviewed(shoot, out, settings, options, progress) as review:
        progress.finish()
        print_summary(review, out)
        if timing:
            print_timing(review)
        return 1 if strict and review.problems else 0


def settings_from(profile: str | None, entries: list[str], options: dict[str, dict[str, Any]]) -> Settings:
    """Profile, then single settings, then options, each over the one before.

    Raises
    ------
    SettingsError
        One of them cannot be used.
    """
    try:
        path = find_profile(profile) if profile is not None else None
        given = assignments(entries)
    except ValueError as err:
        raise SettingsError(str(err)) from err
    for section, values in options.items():
        given.setdefault(section, {}).update({name: value for name, value in values.items() if value is not None})
    return load_settings(path, given)


def megabytes(text: str | None) -> int | None:
    """``1500``, ``1500MB``, ``1.5 GB`` in megabytes.

    Raises
    ------
    SettingsError
        Not a size.
    """
    if text is None:
        return None
    match = _SIZE.fullmatch(text.strip())
    if match is None:
        raise SettingsError(f"--memory {text}: give a size such as 1500MB or 2GB")
    unit = match.group(2)
    return max(1, round(float(match.group(1)) * _UNIT_MB[unit.lower() if unit else None]))


def current_folder() -> Path:
    """Where the command was called.

    Raises
    ------
    ReviewError
        It has been removed meanwhile.
    """
    try:
        return Path.cwd()
    except OSError as err:
        raise ReviewError("the current folder is gone; change to another, or give --out", 2) from err
