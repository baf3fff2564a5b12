"""What is kept between runs reads back exactly, and nothing else reads at all."""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, timezone
from typing import Any, Literal

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from windstill.records import CameraData, Frame, FrameSet, Grouping, Placement, ShootFile, TileGrid
from windstill.run.codec import CodecError, dumps, loads


@dataclass(frozen=True)
class Leaves:
    number: float
    maybe: float | None
    whole: int
    yes: bool
    text: str
    raw: bytes
    when: datetime | None
    kind: Literal["a", "b"]
    pair: tuple[str, int]
    many: tuple[float, ...]
    by_name: dict[str, tuple[int, ...]]


@dataclass(frozen=True, eq=False)
class Arrays:
    grid: TileGrid
    values: np.ndarray[Any, np.dtype[np.float32]]
    marks: np.ndarray[Any, np.dtype[np.bool_]]


TEXT = st.text(st.characters(exclude_categories=())) | st.binary(max_size=8).map(
    lambda raw: raw.decode("utf-8", "surrogateescape")
)
FLOATS = st.floats(allow_nan=False)


@settings(max_examples=200, deadline=None)
@given(
    st.builds(
        Leaves,
        number=FLOATS, maybe=st.none() | FLOATS, whole=st.integers(), yes=st.booleans(), text=TEXT,
        raw=st.binary(max_size=40),
        when=st.none() | st.datetimes(timezones=st.none() | st.just(UTC) | st.just(timezone(timedelta(hours=-3.5)))),
        kind=st.sampled_from(["a", "b"]), pair=st.tuples(TEXT, st.integers()),
        many=st.lists(FLOATS, max_size=4).map(tuple),
        by_name=st.dictionaries(TEXT, st.lists(st.integers(), max_size=3).map(tuple), max_size=3),
    )
)  # fmt: skip
def test_every_leaf_reads_back_equal(record: Leaves) -> None:
    assert loads(dumps(record), Leaves) == record


def test_arrays_read_back_bit_for_bit_and_writable() -> None:
    values = np.array([[0.1, math.nan], [math.inf, -0.0]], np.float32)
    record = Arrays(TileGrid(8, 2, 2), values, np.array([[True, False], [False, True]]))
    back = loads(dumps(record), Arrays)
    assert back.grid == record.grid
    assert back.values.tobytes() == values.tobytes()
    assert back.marks.dtype == np.bool_
    assert (back.marks == record.marks).all()
    back.values[0, 0] = 5  # later rooms may work in place, as they may on a fresh array


def test_not_a_number_and_infinity_survive() -> None:
    frame = Frame("a", (ShootFile("a.jpg", "image", 1, 2),), "a.jpg", 3, 4, CameraData(focus_m=math.inf))
    assert loads(dumps(frame), Frame) == frame


def test_names_that_are_not_text_survive() -> None:
    name = b"caf\xe9.jpg".decode("utf-8", "surrogateescape")
    grouping = Grouping(
        (FrameSet(f"{name}~single", None, 1, 1, "single", (name,), (name,)),), {name: Placement(name, f"{name}~single")}
    )
    assert loads(dumps(grouping), Grouping) == grouping


def test_numbers_of_numpy_become_plain_ones() -> None:
    plain = Placement("a", "a~single", view_index=3)
    numpy_like = dataclasses.replace(plain, view_index=np.int64(3), near_boundary=np.bool_(False))
    assert dumps(numpy_like) == dumps(plain)


@pytest.mark.parametrize("cut", range(1, 60, 7))
def test_a_record_cut_off_is_refused(cut: int) -> None:
    data = dumps(Placement("a", "a~single"))
    with pytest.raises(CodecError):
        loads(data[:-cut], Placement)


def test_a_changed_bit_is_refused() -> None:
    data = bytearray(dumps(Placement("a", "a~single")))
    for at in range(len(data)):
        data[at] ^= 4
        with pytest.raises(CodecError):
            loads(bytes(data), Placement)
        data[at] ^= 4


def test_another_kind_of_record_is_refused() -> None:
    with pytest.raises(CodecError):
        loads(dumps(TileGrid(1, 2, 3)), Placement)


def test_objects_are_never_written() -> None:
    with pytest.raises(CodecError):
        dumps(Arrays(TileGrid(1, 1, 1), np.array([object()]), np.array([True])))
    with pytest.raises(CodecError):
        dumps((object(),))
