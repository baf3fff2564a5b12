"""A plan as plain data for JSON."""

from __future__ import annotations

import dataclasses
import math
from typing import Any

from windstill.plan.result import Plan


def to_json(plan: Plan) -> dict[str, Any]:
    """The plan as dicts, lists, numbers and strings; field names carry the units.

    Infinity becomes the string ``"infinity"``, since JSON has no number for it; unknown parts are ``None``.

    Parameters
    ----------
    plan : Plan

    Returns
    -------
    dict
        Ready for `json.dumps(..., allow_nan=False)`.
    """
    plain: dict[str, Any] = _plain(plan)
    return plain


def _plain(value: Any) -> Any:
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {f.name: _plain(getattr(value, f.name)) for f in dataclasses.fields(value)}
    if isinstance(value, tuple | list):
        return [_plain(v) for v in value]
    if isinstance(value, float) and math.isinf(value):
        return "infinity"
    return value
