"""tiles.parquet read set by set: the sway maps as the review wrote them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq
from numpy.typing import NDArray

from windstill.handover.paths import shown
from windstill.records import decode_name
from windstill.run.errors import ReviewError

_NUMBERS = (
    "x_px", "y_px", "w_px", "sway_x_px", "sway_y_px", "confidence", "relevance", "changed", "sharp_a", "sharp_b",
)  # fmt: skip
Numbers = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class PairTiles:
    """The textured tiles of one pair, every column (n,), in frame a's coordinates; sway is NaN where unmeasured."""

    frame_a: str
    frame_b: str
    x_px: Numbers
    y_px: Numbers
    w_px: Numbers
    sway_x_px: Numbers
    sway_y_px: Numbers
    confidence: Numbers
    relevance: Numbers
    changed: Numbers
    sharp_a: Numbers
    sharp_b: Numbers

    def within(self, width_px: int, height_px: int) -> PairTiles:
        """Without rows that are no tile of a picture of this size: a table can be damaged."""
        there = (self.w_px >= 1) & (self.x_px >= 0) & (self.x_px < width_px)
        there &= (self.y_px >= 0) & (self.y_px < height_px)
        if there.all():
            return self
        return replace(self, **{name: getattr(self, name)[there] for name in _NUMBERS})

    @property
    def sway_px(self) -> Numbers:
        """Length of the sway."""
        return np.hypot(self.sway_x_px, self.sway_y_px)


def tiles_by_set(path: Path) -> Iterator[tuple[str, list[PairTiles]]]:
    """The pairs of one set after the other, holding one set at a time.

    Raises
    ------
    ReviewError
        The file is missing or no table of tiles.
    """
    held: list[pa.Table] = []
    current = ""
    try:
        with pq.ParquetFile(path) as file:
            for batch in file.iter_batches(columns=["set_id", "frame_a", "frame_b", *_NUMBERS]):
                table = pa.Table.from_batches([batch])
                for set_id in pc.unique(table["set_id"]).to_pylist():
                    if set_id != current and held:
                        yield decode_name(current), _pairs(pa.concat_tables(held))
                        held = []
                    current = set_id
                    held.append(table.filter(pc.equal(table["set_id"], set_id)))
            if held:
                yield decode_name(current), _pairs(pa.concat_tables(held))
    except FileNotFoundError as err:
        raise ReviewError(f"{shown(path)}: missing; review the shoot again") from err
    except (OSError, pa.ArrowException, ValueError, KeyError) as err:
        raise ReviewError(f"{shown(path)}: cannot be read; review the shoot again") from err


def _pairs(table: pa.Table) -> list[PairTiles]:
    a, b = (np.asarray(table[name].to_pylist(), object) for name in ("frame_a", "frame_b"))
    numbers = {
        name: np.asarray(table[name].cast(pa.float64()).to_numpy(zero_copy_only=False), np.float64)
        for name in _NUMBERS
    }
    found = []
    for pair in dict.fromkeys(zip(a.tolist(), b.tolist(), strict=True)):
        rows = (a == pair[0]) & (b == pair[1])
        found.append(
            PairTiles(decode_name(pair[0]), decode_name(pair[1]), **{name: v[rows] for name, v in numbers.items()})
        )
    return found
