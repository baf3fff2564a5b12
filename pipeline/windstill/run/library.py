"""For notebooks and scripts: ``windstill.review(folder)``."""

from __future__ import annotations

import weakref
from contextlib import ExitStack
from functools import cached_property
from io import BytesIO
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from windstill.records import (
    CoverageMeasure,
    FloatMap,
    FrameScore,
    Review,
    SetVerdict,
    SwayField,
    decode_name,
    encode_name,
)
from windstill.run.errors import ReviewError
from windstill.run.maps import SwayMap, sway_map
from windstill.run.progress import Progress
from windstill.run.review import Options, reviewed
from windstill.settings import ImagingSettings, Settings

if TYPE_CHECKING:
    import pandas as pd


class ReviewedShoot:
    """A shoot reviewed, its tables as pandas frames and its maps as arrays.

    Maps are read from the cache when asked for; `close` (or a ``with`` block) lets go of it. Frames, sets and files
    are named as the tables name them, percent-encoded where that is needed.

    Attributes
    ----------
    record : Review
        Everything that was found, under the real names.
    """

    def __init__(self, record: Review, held: ExitStack, imaging: ImagingSettings | None = None) -> None:
        self.record = record
        self._release = weakref.finalize(self, held.close)
        self._imaging = imaging or ImagingSettings()

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
        """The judgement of every set, by set id."""
        return {encode_name(set_id): verdict for set_id, verdict in self.record.verdicts.items()}

    @cached_property
    def frames(self) -> pd.DataFrame:
        """One row per exposure, in capture order; columns as in frames.csv."""
        return self._table("frames")

    @cached_property
    def sets(self) -> pd.DataFrame:
        """One row per set at every level; columns as in sets.csv."""
        return self._table("sets")

    @cached_property
    def pairs(self) -> pd.DataFrame:
        """One row per judged pair; columns as in pairs.csv."""
        return self._table("pairs")

    @cached_property
    def problems(self) -> pd.DataFrame:
        """One row per file that could not be used as it is; columns as in problems.csv."""
        return self._table("problems")

    @cached_property
    def tiles(self) -> pd.DataFrame:
        """One row per pair and textured tile; columns as in tiles.parquet."""
        from windstill.report.tiles import tiles_table

        table: pd.DataFrame = tiles_table(self.record).to_pandas()
        return table

    def tables(self) -> dict[str, pd.DataFrame]:
        """The tables ``frames``, ``sets``, ``pairs``, ``problems`` and ``tiles``, columns as in the files.

        Returns
        -------
        dict of DataFrame
            Text columns are strings, counts ``Int64``, measures ``float64``; unknown is missing.
        """
        return {name: getattr(self, name) for name in ("frames", "sets", "pairs", "problems", "tiles")}

    def _table(self, wanted: str) -> pd.DataFrame:
        import pandas as pd

        from windstill.report.tables import TABLES

        kinds = {"text": "string", "integer": "Int64", "number": "float64"}
        columns, rows = next((columns, rows) for name, columns, rows in TABLES if name == wanted)
        listed = [[row.get(column.name) for column in columns] for row in rows(self.record)]
        table = pd.DataFrame(listed, columns=[column.name for column in columns])
        return table.astype({column.name: kinds[column.type] for column in columns})

    def score(self, frame: str) -> FrameScore:
        """Measures of one frame with its maps (sharpness, smear, brightness, clipping per tile).

        Raises
        ------
        KeyError
            There is no such frame, or it could not be decoded.
        """
        return self.record.scores[decode_name(frame)]

    def maps(self, set_id: str) -> dict[tuple[str, str], SwayField]:
        """Everything measured per tile of a set's pairs, keyed by the pair's frames.

        Raises
        ------
        KeyError
            There is no such set, or it could not be measured.
        """
        measure = self.record.measures[decode_name(set_id)]
        return {(encode_name(p.frame_a), encode_name(p.frame_b)): p.field for p in measure.pairs if p.field is not None}

    def sway_maps(self, set_id: str) -> dict[tuple[str, str], SwayMap]:
        """Sway maps of a set's pairs in picture coordinates, keyed by the pair's frames.

        Raises
        ------
        KeyError
            There is no such set, or it could not be measured.

        Examples
        --------
        >>> for (a, b), found in shoot.sway_maps(set_id).items():
        ...     plt.imshow(found.length_px, extent=found.extent)
        """
        return {pair: sway_map(*pair, field) for pair, field in self.maps(set_id).items()}

    def sway_px(self, set_id: str) -> dict[tuple[str, str], FloatMap]:
        """Length of the sway per tile, full-resolution pixels, not-a-number where nothing could be measured."""
        return {pair: found.length_px for pair, found in self.sway_maps(set_id).items()}

    def smear_px(self, frame: str) -> FloatMap:
        """Smear per tile as one frame shows it by itself, full-resolution pixels; not-a-number where nothing tells.

        What a crisper frame of the same view tells besides is in ``maps(set_id)[pair].smear``.

        Raises
        ------
        KeyError
            There is no such frame, or it could not be decoded.
        """
        score = self.score(frame)
        return np.where(score.smear_confidence > 0, score.smear_px, np.float32(np.nan)).astype(np.float32)

    def coverage(self, set_id: str) -> CoverageMeasure | None:
        """Which frame of a set serves each tile best, how well, and what none serves; None for a single frame.

        Raises
        ------
        KeyError
            There is no such set, or it could not be measured.
        """
        return self.record.measures[decode_name(set_id)].coverage

    def thumbnail(self, frame: str) -> NDArray[np.uint8]:
        """Small upright picture of a frame, uint8 RGB (H, W, 3), long side at most 480 pixels; nothing is decoded anew.

        Raises
        ------
        KeyError
            There is no such frame, or it could not be decoded.
        """
        from PIL import Image

        return np.asarray(Image.open(BytesIO(self.score(frame).thumbnail_jpeg)).convert("RGB"))

    def picture(self, frame: str) -> NDArray[np.uint8]:
        """A frame's upright picture at full resolution, uint8 RGB (H, W, 3), read from its file.

        Raises
        ------
        KeyError
            There is no such frame.
        ReviewError
            Its file is gone or cannot be decoded; the message is one line.
        """
        from windstill.imaging import ImagingError, decode_rgb

        name = decode_name(frame)
        found = next((f for f in self.record.frames if f.name == name), None)
        if found is None:
            raise KeyError(frame)
        path = Path(self.record.root) / found.pixels_from
        try:
            return decode_rgb(path, found.camera.orientation, self._imaging)
        except (ImagingError, OSError) as err:
            raise ReviewError(f"{path}: {err}") from err

    def extent(self, frame: str) -> tuple[float, float, float, float]:
        """Left, right, bottom, top of a frame's picture in picture coordinates, for ``imshow(extent=...)``.

        Raises
        ------
        KeyError
            There is no such frame, or it could not be decoded.
        """
        score = self.score(frame)
        return -0.5, score.width_px - 0.5, score.height_px - 0.5, -0.5


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
    >>> shoot.sets[["set_id", "outlook", "sway_max_px"]]
    """
    held = ExitStack()
    folder = Path(cache) if cache else None
    options = Options(
        fresh=fresh, verify=verify, cache_folder=folder, scheduler=scheduler, command="windstill.review"
    )
    settings = settings or Settings()
    record = held.enter_context(reviewed(Path(shoot), Path(out) if out else None, settings, options, progress))
    return ReviewedShoot(record, held, settings.imaging)
