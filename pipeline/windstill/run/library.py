"""For notebooks and scripts: ``windstill.review(folder)``."""

from __future__ import annotations

import weakref
from contextlib import ExitStack
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any

import numpy as np

from windstill.records import FrameScore, Review, SetVerdict, SwayField, decode_name, encode_name
from windstill.run.progress import Progress
from windstill.run.review import Options, reviewed
from windstill.settings import Settings

if TYPE_CHECKING:
    import pandas as pd


class ReviewedShoot:
    """A shoot reviewed, its tables as pandas frames and its maps as arrays.

    Maps are read from the cache when asked for; `close` (or a ``with`` block) lets go of it.

    Attributes
    ----------
    record : Review
        Everything that was found.
    """

    def __init__(self, record: Review, held: ExitStack) -> None:
        self.record = record
        self._release = weakref.finalize(self, held.close)

    def __enter__(self) -> ReviewedShoot:
        return self

    def __exit__(self, kind: type[BaseException] | None, value: BaseException | None, tb: TracebackType | None) -> None:
        self.close()

    def __repr__(self) -> str:
        sets = sum(1 for _ in self.record.grouping.top_level())
        return f"<ReviewedShoot {self.record.root!r}: {len(self.record.frames)} frames, {sets} sets>"

    def close(self) -> None:
        """Let go of the cache; tables made before stay."""
        self._release()

    @property
    def verdicts(self) -> dict[str, SetVerdict]:
        """The judgement of every set, by set id as the tables write it."""
        return {encode_name(set_id): verdict for set_id, verdict in self.record.verdicts.items()}

    def tables(self) -> dict[str, pd.DataFrame]:
        """The tables ``frames``, ``sets``, ``pairs``, ``problems`` and ``tiles``, columns as in the files.

        Returns
        -------
        dict of DataFrame
            Text columns are strings, counts ``Int64``, measures ``float64``; unknown is missing.
        """
        import pandas as pd

        from windstill.report.tables import TABLES
        from windstill.report.tiles import tiles_table

        kinds = {"text": "string", "integer": "Int64", "number": "float64"}
        found = {}
        for name, columns, rows in TABLES:
            listed = [[row.get(column.name) for column in columns] for row in rows(self.record)]
            table = pd.DataFrame(listed, columns=[column.name for column in columns])
            found[name] = table.astype({column.name: kinds[column.type] for column in columns})
        found["tiles"] = tiles_table(self.record).to_pandas()
        return found

    def score(self, frame: str) -> FrameScore:
        """Measures of one frame with its maps (sharpness, smear, brightness, clipping per tile).

        Parameters
        ----------
        frame : str
            Its name as the tables write it.

        Raises
        ------
        KeyError
            There is no such frame, or it could not be decoded.
        """
        return self.record.scores[decode_name(frame)]

    def maps(self, set_id: str) -> dict[tuple[str, str], SwayField]:
        """Sway maps of a set's pairs: arrays per tile, keyed by the pair's frames.

        Parameters
        ----------
        set_id : str
            As the tables write it.

        Raises
        ------
        KeyError
            There is no such set, or it could not be measured.
        """
        measure = self.record.measures[decode_name(set_id)]
        return {(encode_name(p.frame_a), encode_name(p.frame_b)): p.field for p in measure.pairs if p.field is not None}

    def sway_px(self, set_id: str) -> dict[tuple[str, str], np.ndarray[Any, np.dtype[np.float32]]]:
        """Length of the sway per tile, full-resolution pixels, not-a-number where nothing could be measured."""
        lengths = {}
        for pair, field in self.maps(set_id).items():
            length = np.hypot(field.sway_x_px, field.sway_y_px).astype(np.float32)
            lengths[pair] = np.where(field.confidence > 0, length, np.float32(np.nan))
        return lengths


def review(
    shoot: str | Path,
    out: str | Path | None = None,
    settings: Settings | None = None,
    *,
    fresh: bool = False,
    verify: bool = False,
    cache: str | Path | None = None,
    scheduler: str = "",
    progress: Progress | None = None,
) -> ReviewedShoot:
    """Review a shoot folder.

    Parameters
    ----------
    shoot : path
        Folder of the photographs; only ever read.
    out : path, optional
        Folder for report and tables; without it nothing is written.
    settings : Settings, optional
        See `windstill.settings.load_settings`.
    fresh : bool
        Measure everything again.
    verify : bool
        Check every file's content instead of trusting its size and time.
    cache : path, optional
        Folder for measures kept between runs, instead of the user's cache folder.
    scheduler : str, optional
        Address of a dask scheduler to spread the work over.
    progress : Progress, optional
        Told where the run is.

    Returns
    -------
    ReviewedShoot

    Raises
    ------
    ReviewError
        Nothing could be reviewed, or the results cannot be written; the message is one line.

    Examples
    --------
    >>> import windstill
    >>> shoot = windstill.review("sample_data/cliff-thrift")
    >>> shoot.tables()["sets"][["set_id", "outlook", "sway_max_px"]]
    """
    held = ExitStack()
    folder = Path(cache) if cache else None
    options = Options(
        fresh=fresh, verify=verify, cache_folder=folder, scheduler=scheduler, command="windstill.review"
    )
    record = held.enter_context(
        reviewed(Path(shoot), Path(out) if out else None, settings or Settings(), options, progress)
    )
    return ReviewedShoot(record, held)
