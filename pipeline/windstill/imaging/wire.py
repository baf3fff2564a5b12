"""How the separate decoding process and its caller talk: a line of JSON, then the arrays' bytes.

Nothing is unpickled: what comes back was made while a hostile file was open.
"""

from __future__ import annotations

import json
from typing import IO, Any

import numpy as np
from numpy.typing import NDArray

Message = tuple[dict[str, Any], dict[str, NDArray[Any]]]
_DTYPES = {"uint8": np.uint8, "bool": np.bool_}


class Broken(Exception):
    """The other side is gone, or says nothing that can be understood."""


def send(stream: IO[bytes], message: dict[str, Any], arrays: dict[str, NDArray[Any]] | None = None) -> None:
    """Write one message; `arrays` hold uint8 or bool."""
    laid = {name: np.ascontiguousarray(array) for name, array in (arrays or {}).items()}
    shapes = {name: [array.dtype.name, *array.shape] for name, array in laid.items()}
    stream.write(json.dumps({"message": message, "arrays": shapes}).encode() + b"\n")
    for array in laid.values():
        stream.write(array.data.cast("B") if array.size else b"")
    stream.flush()


def receive(stream: IO[bytes]) -> Message:
    """Read one message.

    Raises
    ------
    Broken
        End of stream, or no message.
    """
    line = stream.readline()
    if not line.endswith(b"\n"):
        raise Broken
    try:
        told = json.loads(line)
        message: dict[str, Any] = told["message"]
        arrays = {}
        for name, (dtype, *shape) in told["arrays"].items():
            array = np.empty(shape, _DTYPES[dtype])
            if array.size:
                _fill(stream, array)
            arrays[name] = array
    except (ValueError, KeyError, TypeError) as err:
        raise Broken from err
    return message, arrays


def _fill(stream: IO[bytes], array: NDArray[Any]) -> None:
    view = array.data.cast("B")
    done = 0
    while done < len(view):
        count = stream.readinto(view[done:])  # type: ignore[attr-defined]
        if not count:
            raise Broken
        done += count
