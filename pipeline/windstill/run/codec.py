"""Records as bytes and back: a JSON head and the raw arrays after it. Nothing that is read can run code.

Layout: ``WSR1``, head length (u32), head (JSON, UTF-8), padding to 8 bytes, arrays one after another (each padded to 8
bytes; none that is nought throughout), a checksum of everything before it (8 bytes). Floats read back bit for bit: JSON
uses the shortest digits that do, arrays stay as they are in memory (little-endian).
"""

from __future__ import annotations

import dataclasses
import functools
import json
import struct
import types
import typing
from collections.abc import Callable, Mapping
from datetime import datetime
from typing import Any, Literal, TypeVar, Union

import numpy as np
import xxhash
from numpy.typing import NDArray

T = TypeVar("T")
_Reader = Callable[[Any, memoryview], Any]

_MAGIC = b"WSR1"
_ALIGN = 8
_CHECK_BYTES = 8
_NOUGHT = -1  # in place of where an array begins: it is nought throughout, as maps of what was not looked for are
_AS_IT_IS = frozenset((type(None), bool, int, float, str))
_ARRAY_KINDS = "biuf"  # booleans, integers, floats: never objects


class CodecError(ValueError):
    """Bytes that are no record of the type asked for."""


def dumps(record: Any) -> bytes:
    """Serialise a frozen dataclass, or a tuple, list or dict of them.

    Parameters
    ----------
    record : dataclass instance or container
        Leaves may be None, bool, int, float (NaN and infinities too), str (undecodable bytes in file names as
        surrogate escapes), bytes, datetime, numpy scalars and numeric numpy arrays.

    Raises
    ------
    CodecError
        A leaf of any other kind.
    """
    parts: list[bytes] = []
    head = json.dumps(_pack(record, _Writer(parts)), separators=(",", ":")).encode("ascii")
    lead = _MAGIC + struct.pack("<I", len(head)) + head
    body = b"".join([lead, _padding(len(lead)), *parts])
    return body + _checksum(body)


def loads(data: bytes, form: type[T]) -> T:
    """Read what `dumps` wrote back as `form`.

    Parameters
    ----------
    data : bytes
    form : type
        The dataclass (or ``dict[str, X]``, ``tuple[X, ...]``) that was written.

    Returns
    -------
    form
        Equal to what was written; arrays are writable copies.

    Raises
    ------
    CodecError
        The bytes are cut off, altered, or hold something else.
    """
    body, check = memoryview(data)[:-_CHECK_BYTES], data[-_CHECK_BYTES:]
    if data[:4] != _MAGIC or len(body) < 8 or _checksum(body) != check:
        raise CodecError("not a record of ours, or damaged")
    (size,) = struct.unpack_from("<I", body, 4)
    start = 8 + size + len(_padding(8 + size))
    # A bytearray, because arrays over it can be written to like freshly measured ones.
    arrays = memoryview(bytearray(body[start:]))
    try:
        return typing.cast(T, _unpack(json.loads(bytes(body[8 : 8 + size])), form, arrays))
    except (KeyError, TypeError, ValueError, IndexError) as err:
        raise CodecError(f"no {getattr(form, '__name__', form)}: {err}") from err


class _Writer:
    """Collects the arrays and says where each begins."""

    def __init__(self, parts: list[bytes]) -> None:
        self._parts = parts
        self._at = 0

    def add(self, data: bytes) -> int:
        at = self._at
        padded = data + _padding(len(data))
        self._parts.append(padded)
        self._at += len(padded)
        return at


def _pack(value: Any, writer: _Writer) -> Any:
    if type(value) in _AS_IT_IS:
        return value
    if isinstance(value, str):
        return str(value)
    if isinstance(value, np.bool_):
        return bool(value)
    if isinstance(value, (int, np.integer)):
        return int(value)
    if isinstance(value, (float, np.floating)):
        return float(value)
    if isinstance(value, datetime):
        return value.isoformat()
    if isinstance(value, bytes):
        return [writer.add(value), len(value)]
    if isinstance(value, np.ndarray):
        return _pack_array(value, writer)
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return [_pack(getattr(value, name), writer) for name, _ in _fields(type(value))]
    if isinstance(value, Mapping):
        return [[key, _pack(item, writer)] for key, item in value.items()]
    if isinstance(value, (tuple, list)):
        return [_pack(item, writer) for item in value]
    raise CodecError(f"cannot serialise a {type(value).__name__}")


def _pack_array(array: NDArray[Any], writer: _Writer) -> list[Any]:
    if array.dtype.kind not in _ARRAY_KINDS:
        raise CodecError(f"cannot serialise an array of {array.dtype}")
    plain = np.ascontiguousarray(array.astype(array.dtype.newbyteorder("<"), copy=False))
    if not plain.view(np.uint8).any():
        return [_NOUGHT, plain.dtype.str, list(array.shape)]
    return [writer.add(plain.tobytes()), plain.dtype.str, list(array.shape)]


def _unpack(value: Any, form: Any, arrays: memoryview) -> Any:
    return _reader(form)(value, arrays)


@functools.cache
def _reader(form: Any) -> _Reader:
    """What reads one form; found once, because records of one kind come by the hundred."""
    form = getattr(form, "__value__", form)  # a name given by `type`, as numpy's NDArray is from 2.5 on
    origin = typing.get_origin(form)
    if origin is Union or origin is types.UnionType:
        return _optional_reader(form)
    if origin is Literal:
        allowed = typing.get_args(form)
        return lambda value, _: _one_of(value, allowed)
    if origin is np.ndarray or form is np.ndarray:
        return _unpack_array
    if origin in (tuple, list):
        return _sequence_reader(form, origin)
    if origin in (dict, Mapping) or (isinstance(origin, type) and issubclass(origin, Mapping)):
        inner = _reader(typing.get_args(form)[1])
        return lambda value, arrays: {str(key): inner(item, arrays) for key, item in value}
    if dataclasses.is_dataclass(form):
        return functools.partial(_unpack_record, form=form)
    if form in _LEAVES:
        return _LEAVES[form]
    raise CodecError(f"cannot read a {form}")


def _unpack_record(value: Any, arrays: memoryview, form: Any) -> Any:
    readers = _readers(form)
    if len(value) != len(readers):
        raise ValueError("fields differ")
    return form(**{name: read(item, arrays) for item, (name, read) in zip(value, readers, strict=True)})


@functools.cache
def _readers(record: Any) -> tuple[tuple[str, _Reader], ...]:
    return tuple((name, _reader(kind)) for name, kind in _fields(record))


def _optional_reader(form: Any) -> _Reader:
    kinds = typing.get_args(form)
    others = [kind for kind in kinds if kind is not type(None)]
    if len(others) != 1:
        raise CodecError(f"cannot tell apart the kinds of {form}")
    read = _reader(others[0])
    if len(kinds) == len(others):
        return read
    return lambda value, arrays: None if value is None else read(value, arrays)


def _sequence_reader(form: Any, origin: Any) -> _Reader:
    kinds = typing.get_args(form)
    if origin is list or (len(kinds) == 2 and kinds[1] is Ellipsis):
        read = _reader(kinds[0])
        return lambda value, arrays: origin([read(item, arrays) for item in value])
    each = tuple(map(_reader, kinds))
    return lambda value, arrays: tuple(read(item, arrays) for item, read in zip(value, each, strict=True))


def _exactly(kind: type[Any]) -> _Reader:
    def read(value: Any, _: memoryview) -> Any:
        if type(value) is not kind:
            raise ValueError(f"{value!r} is no {kind.__name__}")
        return value

    return read


def _unpack_bytes(value: Any, arrays: memoryview) -> bytes:
    at, size = value
    return bytes(arrays[at : at + size])


_LEAVES: dict[Any, _Reader] = {
    bytes: _unpack_bytes, datetime: lambda value, _: datetime.fromisoformat(value),
    float: lambda value, _: float(value), int: _exactly(int), str: _exactly(str), bool: _exactly(bool),
}  # fmt: skip


def _unpack_array(value: Any, arrays: memoryview) -> NDArray[Any]:
    at, name, shape = value
    kind = np.dtype(name)
    if kind.kind not in _ARRAY_KINDS:
        raise ValueError(f"array of {kind}")
    if at == _NOUGHT:
        return np.zeros(shape, kind)
    count = int(np.prod(shape, dtype=np.int64))
    found: NDArray[Any] = np.frombuffer(arrays, dtype=kind, count=count, offset=at)
    return found.reshape(shape)


def _one_of(value: Any, allowed: tuple[Any, ...]) -> Any:
    if value not in allowed:
        raise ValueError(f"{value!r} is none of {allowed}")
    return value


@functools.cache
def _fields(record: Any) -> tuple[tuple[str, Any], ...]:
    hints = typing.get_type_hints(record)
    return tuple((field.name, hints[field.name]) for field in dataclasses.fields(record))


def _padding(size: int) -> bytes:
    return b"\0" * (-size % _ALIGN)


def _checksum(data: bytes | memoryview) -> bytes:
    return xxhash.xxh3_64_digest(data)  # finds damage; whoever may write here could change more than this
