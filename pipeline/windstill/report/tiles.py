"""tiles.parquet: the sway maps as numbers, one row per pair and textured tile."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from numpy.typing import NDArray

from windstill.records import PairMeasure, Review, encode_name
from windstill.report.aside import written_aside
from windstill.report.tables import all_pairs

SCHEMA = pa.schema(
    [(name, pa.string()) for name in ("set_id", "frame_a", "frame_b")]
    + [(name, pa.int32()) for name in ("x_px", "y_px", "w_px", "h_px")]
    + [
        (name, pa.float32())
        for name in ("sway_x_px", "sway_y_px", "confidence", "relevance", "changed", "sharp_a", "sharp_b")
    ]
)
# Rows held before they are written: keeps memory flat on long shoots and row groups large enough to read fast.
_ROWS_PER_GROUP = 250_000
_REPEATED = [f.name for f in SCHEMA if not pa.types.is_floating(f.type)]
_MEASURED = [f.name for f in SCHEMA if pa.types.is_floating(f.type)]


def write_tiles(review: Review, target: Path) -> None:
    """Write tiles.parquet; sway is null where nothing could be measured."""
    # Measures never repeat: a dictionary of them costs three times the time and half as much space again.
    form: dict[str, Any] = {"use_dictionary": _REPEATED, "use_byte_stream_split": _MEASURED, "compression": "zstd"}
    with written_aside(target) as aside, pq.ParquetWriter(aside, SCHEMA, **form) as writer:
        held: list[pa.RecordBatch] = []
        rows = 0
        for batch in _batches(review):
            held.append(batch)
            rows += batch.num_rows
            if rows >= _ROWS_PER_GROUP:
                writer.write_table(pa.Table.from_batches(held, SCHEMA))
                held, rows = [], 0
        if held:
            writer.write_table(pa.Table.from_batches(held, SCHEMA))


def tiles_table(review: Review) -> pa.Table:
    """The same rows as one table in memory."""
    return pa.Table.from_batches(list(_batches(review)), SCHEMA)


def _batches(review: Review) -> Iterator[pa.RecordBatch]:
    for pair in all_pairs(review):
        if pair.field is not None and pair.field.textured.any():
            yield _batch(pair)


def _batch(pair: PairMeasure) -> pa.RecordBatch:
    field = pair.field
    assert field is not None
    row, col = np.nonzero(field.textured)
    side = field.grid.tile_px
    confidence = field.confidence[row, col].astype(np.float32)
    columns: list[pa.Array] = [
        _repeated(encode_name(name), row.size) for name in (pair.set_id, pair.frame_a, pair.frame_b)
    ]
    columns += [_column(values.astype(np.int32)) for values in (col * side, row * side)]
    columns += [_column(np.full(row.size, side, np.int32))] * 2
    for sway in (field.sway_x_px, field.sway_y_px):
        values = sway[row, col].astype(np.float32)
        columns.append(_column(values, known=(confidence > 0) & np.isfinite(values)))
    columns.append(_column(confidence))
    for plane in (field.relevance, field.changed, field.sharp_a, field.sharp_b):
        values = plane[row, col].astype(np.float32)
        columns.append(_column(values, known=np.isfinite(values)))
    return pa.RecordBatch.from_arrays(columns, schema=SCHEMA)


def _column(values: NDArray[Any], known: NDArray[np.bool_] | None = None) -> pa.Array:
    """An array of 32-bit numbers, null where they are not known.

    From its buffers, as below: `pyarrow.array` loads pandas first, which costs more than writing the table.
    """
    form = pa.int32() if values.dtype == np.int32 else pa.float32()
    valid = None if known is None or known.all() else pa.py_buffer(np.packbits(known, bitorder="little"))
    return pa.Array.from_buffers(form, values.size, [valid, pa.py_buffer(np.ascontiguousarray(values))])


def _repeated(text: str, count: int) -> pa.Array:
    data = text.encode("utf-8")
    ends = np.arange(count + 1, dtype=np.int32) * len(data)
    return pa.Array.from_buffers(pa.string(), count, [None, pa.py_buffer(ends), pa.py_buffer(data * count)])
