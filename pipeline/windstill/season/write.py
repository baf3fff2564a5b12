"""Writing a season: one HTML page and tables, each whole or not at all."""

from __future__ import annotations

import base64
import hashlib
import math
from importlib.resources import files
from itertools import groupby
from pathlib import Path

import pandas as pd
from jinja2 import DictLoader, Environment, StrictUndefined

from windstill.optics.marks import shutter_mark
from windstill.plan.cautions import CAUTIONS
from windstill.report.aside import written_aside
from windstill.report.cells import text_cell
from windstill.season import words
from windstill.season.counting import Share
from windstill.season.figures import against_figure, movement_figure, shares_figure
from windstill.season.learn import Season

PAGE, SETS, SHUTTERS, CONDITIONS, OUTCOMES = (
    "season.html", "season-sets.csv", "shutters.csv", "conditions.csv", "outcomes.csv",
)  # fmt: skip


def write_season(season: Season, out: Path) -> Path:
    """Write the page and the tables into a folder, making it where it is not there.

    `outcomes.csv` keeps whatever was noted in it; the others are replaced.

    Returns
    -------
    Path
        The page.

    Raises
    ------
    OSError
        The folder cannot be written; what was there stays.
    """
    out.mkdir(parents=True, exist_ok=True)
    _table(out / SETS, season.sets.drop(columns=["step"]))
    _table(out / SHUTTERS, shutters_table(season))
    _table(out / CONDITIONS, conditions_table(season))
    _table(out / OUTCOMES, season.outcomes)
    with written_aside(out / PAGE) as aside:
        aside.write_text(render_page(season), "utf-8")
    return out / PAGE


def shutters_table(season: Season) -> pd.DataFrame:
    """Per kind and shutter step: sets, sets that held, their share and its interval; frames within tolerance too."""
    rows = [
        {"what": f"{kind} held", "shutter_s": 2.0**step, "shutter": shutter_mark(2.0**step), **_numbers(share)}
        for kind, steps in (("all sets", season.per_step), *season.per_step_of_kind.items())
        for step, share in steps
    ]
    rows += [
        {
            "what": "frames within tolerance", "shutter_s": 2.0**f.step, "shutter": shutter_mark(2.0**f.step),
            **_numbers(f.share),
        }
        for f in season.frames_step
    ]  # fmt: skip
    return pd.DataFrame(rows, columns=["what", "shutter_s", "shutter", "good", "of", "share", "low", "high"])


def conditions_table(season: Season) -> pd.DataFrame:
    """Per condition: sets, share held, median sway, longest safe shutter, half-way shutter, each with its interval."""
    rows = [
        {
            "condition": c.group, "class": c.name, **_numbers(c.share), "sway_median_px": c.sway_px,
            "safe_shutter_s": math.nan if c.safe_step is None else 2.0**c.safe_step,
            "half_fail_s": c.halfway.shutter_s if c.halfway else math.nan,
            "half_fail_low_s": c.halfway.low_s if c.halfway else math.nan,
            "half_fail_high_s": c.halfway.high_s if c.halfway else math.nan,
        }
        for c in season.conditions
    ]  # fmt: skip
    columns = ["condition", "class", "good", "of", "share", "low", "high", "sway_median_px", "safe_shutter_s"]
    return pd.DataFrame(rows, columns=[*columns, "half_fail_s", "half_fail_low_s", "half_fail_high_s"])


def render_page(season: Season) -> str:
    """The season as one HTML page, complete in itself, without script."""
    folder = files("windstill.season").joinpath("templates")
    style = folder.joinpath("season.css").read_text("utf-8")
    environment = Environment(
        loader=DictLoader({"season": folder.joinpath("season.html.j2").read_text("utf-8")}),
        autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True,
    )  # fmt: skip
    environment.filters.update(
        percent=words.percent, likely=words.likely, shutter=shutter_mark, step=lambda s: shutter_mark(2.0**s)
    )
    digest = base64.b64encode(hashlib.sha256(style.encode("utf-8")).digest()).decode("ascii")
    judged = int(season.sets["held"].notna().sum())
    return environment.get_template("season").render(
        season=season,
        style=style,
        policy=f"default-src 'none'; style-src 'sha256-{digest}'; img-src data:; base-uri 'none'; form-action 'none'",
        judged=judged,
        lost_lines=words.lost_lines(season),
        halfway_line=words.halfway_line(season),
        wind_lines=words.wind_lines(season),
        cause_line=words.cause_line(season),
        background_line=words.background_line(season),
        shares=shares_figure(season),
        movement=movement_figure(season),
        against=against_figure(season),
        condition_groups=[(name, list(rows)) for name, rows in groupby(season.conditions, lambda c: c.group)],
        agreement=_agreement_rows(season),
        outcomes_file=OUTCOMES,
        cautions=CAUTIONS,
    )


def _agreement_rows(season: Season) -> list[tuple[str, list[int]]]:
    from windstill.season.outcomes import OUTCOMES as WENT

    if season.agreement is None:
        return []
    table = season.agreement.table
    looked = [o for o in (*WENT, "unknown") if any(a == o for a, _ in table)]
    return [(o, [table.get((o, went), 0) for went in WENT]) for o in looked]


def _numbers(share: Share) -> dict[str, float]:
    return {"good": share.good, "of": share.of, "share": share.share, "low": share.low, "high": share.high}


def _table(path: Path, table: pd.DataFrame) -> None:
    """Write a table as the contract writes CSV: empty for unknown, no cell a spreadsheet would take for a formula."""
    shown = table.copy()
    for column in shown.columns:
        if not pd.api.types.is_numeric_dtype(shown[column]):
            shown[column] = shown[column].map(lambda v: text_cell(str(v)) if v is not None else "")
        else:
            shown[column] = shown[column].replace([math.inf, -math.inf], math.nan)
    with written_aside(path) as aside:
        shown.to_csv(aside, index=False, encoding="utf-8", float_format="%.6g", lineterminator="\r\n")
