"""TOML as users write it, or as somebody's file claims to be."""

from __future__ import annotations

import tomllib
from typing import Any


def read_toml(text: str) -> dict[str, Any]:
    """Values of a TOML document.

    Raises
    ------
    tomllib.TOMLDecodeError
        It is none; also where the parser itself would fail in another way.
    """
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        raise
    except RecursionError:
        raise tomllib.TOMLDecodeError("lists or tables within each other without end") from None
    except ValueError:
        raise tomllib.TOMLDecodeError("a number of thousands of digits") from None
