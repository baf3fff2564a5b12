"""`windstill settings`."""

from __future__ import annotations

from pathlib import Path

import typer

from windstill.run.errors import ReviewError
from windstill.run.places import USAGE, check_out

_EXAMPLES = """Examples:

windstill settings ~/reviews/thrift ~/reviews/heather --out ~/reviews/season

windstill settings ~/reviews/* --wind-log winds.csv

A wind log is a CSV of times and speeds in m/s: time,speed and then 2026-06-01T20:15:00,3.4

Exit status: 0 done; 1 nothing could be read or written; 2 wrong usage, or nothing there."""


def add_settings_command(app: typer.Typer) -> None:
    """Add the command."""

    @app.command("settings", epilog=_EXAMPLES)
    def settings_command(
        past: list[Path] = typer.Argument(..., metavar="PAST...", help="Folders of reviews or of their shoots."),
        out: Path = typer.Option(
            Path("windstill-season"), "--out", help="Folder for season.html and tables; outcomes noted there are kept."
        ),
        wind_log: Path | None = typer.Option(None, "--wind-log", metavar="CSV", help="Logged wind, joined by time."),
        profile: str | None = typer.Option(
            None, "--settings", metavar="PROFILE", help="A TOML file; its section season is used."
        ),
        entries: list[str] = typer.Option(
            [], "--set", metavar="season.NAME=VALUE", help="Any one setting; may be repeated."
        ),
    ) -> int:
        """Learn from past reviews: which shutter times held, in which conditions, and what safer ones cost."""
        from windstill.cli.review import current_folder, settings_from
        from windstill.season import learn, write_season
        from windstill.season.reading import NotThereError, SeasonError, shoots_of
        from windstill.season.write import OUTCOMES

        settings = settings_from(profile, entries, {}).season
        try:
            for shoot in shoots_of(past, current_folder()):
                check_out(out, shoot)
            season = learn(past, settings, wind_log=wind_log, outcomes=out / OUTCOMES)
            page = write_season(season, out)
        except ModuleNotFoundError as err:
            name = (err.name or "a library").split(".")[0]
            raise ReviewError(f"windstill settings needs {name}: pip install 'windstill[season]'") from err
        except SeasonError as err:
            raise ReviewError(str(err), USAGE if isinstance(err, NotThereError) else 1) from err
        from windstill.cli.guard import printable, say
        from windstill.plan.words import plural
        from windstill.season.words import halfway_line, lost_lines

        for problem in season.problems:
            say(problem, 0)
        judged = int(season.sets["held"].notna().sum())
        print(f"{plural(len(season.reviews), 'review')}, {plural(len(season.sets), 'set')}, {judged} judged")
        for line in (*lost_lines(season), halfway_line(season), *(season.advice.lines if season.advice else ())):
            print(printable(line))
        print(f"page: {printable(str(page))}")
        return 0
