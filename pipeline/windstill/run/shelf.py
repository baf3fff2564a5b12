"""Records looked up by name, read from the cache only when asked for: a shoot of any length in bounded memory."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Iterator, Mapping
from typing import Generic, TypeVar

from windstill.run import codec
from windstill.run.cache import Cache
from windstill.run.errors import DamagedMeasuresError, ReviewError

T = TypeVar("T")

_HELD_BYTES = 128_000_000  # a few hundred frames: more than the frames any set compares at once


class Shelf(Mapping[str, T], Generic[T]):
    """A mapping from names to records of one kind.

    Parameters
    ----------
    cache : Cache
        Holds the records.
    keys : Mapping
        Cache key by name.
    kind : type
        The record.

    Raises
    ------
    ReviewError
        On reading a record whose entry has been deleted meanwhile or is damaged.
    """

    def __init__(self, cache: Cache, keys: Mapping[str, str], kind: type[T]) -> None:
        self._cache = cache
        self._keys = dict(keys)
        self._kind = kind
        self._held: OrderedDict[str, tuple[int, T]] = OrderedDict()
        self._bytes = 0

    def __getitem__(self, name: str) -> T:
        if name in self._held:
            self._held.move_to_end(name)
            return self._held[name][1]
        data = self.packed(name)
        try:
            record = codec.loads(data, self._kind)
        except codec.CodecError as err:
            self._cache.forget(self._keys[name])
            raise DamagedMeasuresError(
                f"the kept measures of {name} are damaged; run again, they are measured anew"
            ) from err
        self._held[name] = (len(data), record)
        self._bytes += len(data)
        while self._bytes > _HELD_BYTES and len(self._held) > 1:
            _, (size, _) = self._held.popitem(last=False)
            self._bytes -= size
        return record

    def packed(self, name: str) -> bytes:
        """The record as bytes, for handing to a worker."""
        data = self._cache.get(self._keys[name])
        if data is None:
            raise ReviewError(f"the kept measures of {name} are gone (was the cache deleted?); run again")
        return data

    def __iter__(self) -> Iterator[str]:
        return iter(self._keys)

    def __len__(self) -> int:
        return len(self._keys)

    def __contains__(self, name: object) -> bool:
        return name in self._keys
