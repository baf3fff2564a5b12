"""Everything a review leaves in its output folder."""

from __future__ import annotations

from pathlib import Path

from windstill.records import Review
from windstill.report.aside import written_aside
from windstill.report.mapfiles import write_maps
from windstill.report.page import render_page
from windstill.report.runfile import write_run
from windstill.report.tables import TABLES, write_csv, write_parquet
from windstill.report.tiles import write_tiles
from windstill.settings import Settings


def write_tables(review: Review, out: Path, settings: Settings) -> None:
    """Write frames.csv, sets.csv, pairs.csv, problems.csv, tiles.parquet and run.json into `out`.

    With ``settings.report.format == "parquet"`` the four tables are written as Parquet besides. Each file is
    written aside and renamed, so that a reader never meets half of one.

    Raises
    ------
    OSError
        The folder cannot be made or written.
    """
    out.mkdir(parents=True, exist_ok=True)
    for name, columns, rows in TABLES:
        write_csv(out / f"{name}.csv", columns, rows(review))
        if settings.report.format == "parquet":
            write_parquet(out / f"{name}.parquet", columns, rows(review))
    write_tiles(review, out / "tiles.parquet")
    write_run(review, out / "run.json", settings)


def write_report(review: Review, out: Path, settings: Settings) -> Path:
    """Write the tables, ``maps/`` and ``report.html`` into `out` and give the report's path.

    Raises
    ------
    OSError
        The folder cannot be made or written.
    """
    write_tables(review, out, settings)
    write_maps(review, out)
    target = out / "report.html"
    with written_aside(target) as aside:
        aside.write_text(render_page(review, settings, out), "utf-8")
    return target
