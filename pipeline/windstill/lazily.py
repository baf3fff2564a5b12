"""Names of a package that are loaded on first use: a command waits only for the libraries it works with."""

from __future__ import annotations

import sys
from collections.abc import Callable, Mapping
from importlib import import_module
from typing import Any


def loaded_on_use(package: str, where: Mapping[str, str]) -> Callable[[str], Any]:
    """The ``__getattr__`` of a package (PEP 562).

    Parameters
    ----------
    package : str
        Its full name.
    where : mapping
        Module below the package by the name it gives; no name may be that of a module of the package, which importing
        the module would put in its place.
    """

    def find(name: str) -> Any:
        if name not in where:
            raise AttributeError(f"module {package!r} has no attribute {name!r}")
        value = getattr(import_module(f"{package}.{where[name]}"), name)
        setattr(sys.modules[package], name, value)
        return value

    return find
