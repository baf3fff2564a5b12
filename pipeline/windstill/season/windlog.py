"""A wind log (CSV of time and speed), joined to the sets by time."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from windstill.season.merged import wall_clock
from windstill.season.reading import NotThereError, SeasonError

# No gust near the ground was ever so fast (from memory): what is, a broken logger wrote.
_MOST_MPS = 150.0


def read_wind_log(path: Path) -> pd.DataFrame:
    """Times and speeds of a log.

    Parameters
    ----------
    path : Path
        CSV with a header row; the column whose name begins with ``time`` (else the first) holds ISO 8601 times, the one
        whose name begins with ``speed`` or ``wind`` (else the second) speeds in m/s.

    Returns
    -------
    pandas.DataFrame
        Columns `at` (wall clock) and `mps`, in order of time.

    Raises
    ------
    SeasonError
        The log cannot be read or holds no usable row.
    NotThereError
        It is not there.
    """
    try:
        table = pd.read_csv(path, dtype=str, keep_default_na=False, encoding="utf-8-sig", skipinitialspace=True)
    except FileNotFoundError as err:
        raise NotThereError(f"{path}: no such file; give the CSV the wind was logged in") from err
    except (OSError, UnicodeDecodeError, pd.errors.ParserError, pd.errors.EmptyDataError) as err:
        reason = err.strerror if isinstance(err, OSError) and err.strerror else "not a CSV table"
        raise SeasonError(f"{path}: cannot be read as a wind log ({reason})") from err
    if table.shape[1] < 2:
        raise SeasonError(f"{path}: a wind log needs a column of times and one of speeds in m/s")
    names = [str(c).strip().lower() for c in table.columns]
    when = next((i for i, n in enumerate(names) if n.startswith("time")), 0)
    speed = next((i for i, n in enumerate(names) if n.startswith(("speed", "wind"))), 1 if when == 0 else 0)
    log = pd.DataFrame(
        {"at": wall_clock(table.iloc[:, when]), "mps": pd.to_numeric(table.iloc[:, speed], errors="coerce")}
    )
    log = log.dropna()
    log = log[log["mps"].between(0, _MOST_MPS)].sort_values("at")
    if log.empty:
        raise SeasonError(f"{path}: no row with a time (2026-06-01T20:15:00) and a speed in m/s")
    return log


def join_wind(sets: pd.DataFrame, log: pd.DataFrame, within_s: float) -> pd.DataFrame:
    """Sets with `wind_mps` taken from the log row nearest in time, at most `within_s` seconds away.

    Both clocks are taken as the local clock on the wall; offsets are dropped.
    """
    at = wall_clock(sets["started_at"])
    asked = pd.DataFrame({"at": at, "row": range(len(sets))}).dropna().sort_values("at")
    if asked.empty:
        return sets
    unit = "datetime64[us]"
    joined = pd.merge_asof(
        asked.astype({"at": unit}), log.astype({"at": unit}), on="at", direction="nearest",
        tolerance=pd.Timedelta(seconds=within_s),
    )  # fmt: skip
    wind = sets["wind_mps"].to_numpy(dtype=float, copy=True)
    wind[joined["row"].to_numpy()] = joined["mps"].to_numpy()
    return sets.assign(wind_mps=wind)
