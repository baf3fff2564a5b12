"""Options that several commands take, each described once."""

from __future__ import annotations

from typing import Any

import typer

# typer.Option is typed as the option's value, which differs from command to command: Any serves all of them.
PROFILE: Any = typer.Option(None, "--settings", metavar="PROFILE", help="A TOML file or a profile.")
ENTRIES: Any = typer.Option([], "--set", metavar="SECTION.NAME=VALUE", help="Any one setting; may be repeated.")
FULL_SIZE_TOLERANCE: Any = typer.Option(
    None, "--tolerance", metavar="PX", help="Sway up to this many full-size pixels does not show."
)
GAP: Any = typer.Option(None, "--gap", metavar="SECONDS", help="A pause longer than this ends a set.")
WORKERS: Any = typer.Option(None, "--workers", metavar="N", help="Processes; default one per core.")
CACHE: Any = typer.Option(
    None, "--cache", envvar="WINDSTILL_CACHE", help="Folder for measures kept between runs; safe to delete."
)

FINISHED: Any = typer.Argument(..., metavar="OUT", help="Folder of a finished review.")
ONLY: Any = typer.Option(
    [], "--only", metavar="WORD", help="An outlook, a kind or a set of the review; may be repeated."
)
MOVED: Any = typer.Option(None, "--shoot", help="Where the photographs are, if they have moved.")
HANDOVER_PROFILE: Any = typer.Option(
    None, "--settings", metavar="PROFILE", help="A TOML file; its section handover is used."
)
HANDOVER_ENTRIES: Any = typer.Option(
    [], "--set", metavar="handover.NAME=VALUE", help="Any one setting; may be repeated."
)
