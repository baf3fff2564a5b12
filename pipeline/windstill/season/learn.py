"""From review folders to what they say together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from windstill.season.advice import Advice, advise_shutter
from windstill.season.cause import Cause, background_share, causes_per_step
from windstill.season.conditions import Condition, conditions, halfway_of, longest_safe
from windstill.season.counting import FrameShare, Share, frames_per_step, sets_per_step
from windstill.season.halfway import HalfWay
from windstill.season.merged import FAILED, merged_sets, single_frames
from windstill.season.outcomes import Agreement, compare, merge_outcomes, read_outcomes
from windstill.season.reading import NotThereError, SeasonError, read_reviews
from windstill.season.together import WindCurve, fit_with_wind
from windstill.season.windlog import join_wind, read_wind_log
from windstill.settings.season import SeasonSettings


@dataclass(frozen=True, slots=True, eq=False)
class Season:
    """Everything the page and the tables are made from. Steps are log2 of seconds."""

    settings: SeasonSettings
    reviews: tuple[str, ...]
    sets: pd.DataFrame
    frames: pd.DataFrame
    per_step: tuple[tuple[int, Share], ...]
    per_step_of_kind: dict[str, tuple[tuple[int, Share], ...]]
    frames_step: tuple[FrameShare, ...]
    causes: tuple[Cause, ...]
    background: Share
    halfway: HalfWay | None
    wind_curve: WindCurve | None
    safe: tuple[int, Share] | None
    conditions: tuple[Condition, ...]
    advice: Advice | None
    outcomes: pd.DataFrame
    agreement: Agreement | None
    unknown: int
    spoiled_otherwise: int
    problems: tuple[str, ...]


def learn(
    past: Sequence[Path],
    settings: SeasonSettings | None = None,
    *,
    wind_log: Path | None = None,
    outcomes: Path | None = None,
    here: Path | None = None,
) -> Season:
    """Learn from past reviews.

    Parameters
    ----------
    past : sequence of Path
        Review folders, or shoot folders with a review in its default place.
    settings : SeasonSettings, optional
    wind_log : Path, optional
        CSV of times and speeds (`season.windlog.read_wind_log`).
    outcomes : Path, optional
        Table in which the photographer noted how merges went; read where it exists.
    here : Path, optional
        Folder in which default reviews are looked for; the current one when left out.

    Returns
    -------
    Season

    Raises
    ------
    SeasonError
        No review could be read, the wind log or the noted outcomes cannot be read.
    NotThereError
        No folder named is there, or the wind log is not.
    """
    settings = settings or SeasonSettings()
    reviews, problems = read_reviews(past, here or Path.cwd())
    if not reviews:
        error = SeasonError if any(p.exists() for p in past) else NotThereError
        raise error(problems[0] if problems else "name at least one review folder")
    sets, frames = merged_sets(reviews), single_frames(reviews)
    if wind_log is not None:
        sets = join_wind(sets, read_wind_log(wind_log), settings.wind_join_s)
        if len(sets) and not sets["wind_mps"].notna().any():
            problems.append(f"{wind_log}: no set began within {settings.wind_join_s / 60:g} min of a logged wind")
    noted, odd = read_outcomes(outcomes) if outcomes is not None else (merge_outcomes(sets[:0], sets[:0]), [])
    table = merge_outcomes(sets, noted)
    halfway = halfway_of(sets, settings)
    failed = sets["outlook"].isin(FAILED)
    return Season(
        settings=settings,
        reviews=tuple(r.name for r in reviews),
        sets=sets,
        frames=frames,
        per_step=tuple(sets_per_step(sets, settings.level)),
        per_step_of_kind={
            str(kind): tuple(sets_per_step(part, settings.level)) for kind, part in sets.groupby("kind")
        },
        frames_step=tuple(frames_per_step(frames, settings.level)),
        causes=tuple(causes_per_step(frames, settings.shake_part)),
        background=background_share(sets, settings.level),
        halfway=halfway,
        wind_curve=fit_with_wind(sets, settings),
        safe=longest_safe(sets, settings),
        conditions=tuple(conditions(sets, settings)),
        advice=advise_shutter(sets, halfway, settings),
        outcomes=table,
        agreement=compare(sets, table, reviews, settings),
        unknown=int((sets["outlook"] == "unknown").sum()),
        spoiled_otherwise=int((failed & sets["held"].isna()).sum()),
        problems=(*problems, *odd),
    )
