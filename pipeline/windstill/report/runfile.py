"""run.json: what was run, with which settings, what it cost."""

from __future__ import annotations

import json
import math
from collections import Counter
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import windstill
from windstill.records import Review
from windstill.report.aside import written_aside
from windstill.settings import Settings


def write_run(review: Review, target: Path, settings: Settings) -> None:
    """Write run.json: the run's own record, completed by version, settings and counts where it lacks them."""
    record: dict[str, Any] = {
        "version": windstill.__version__,
        "command": "",
        "settings": settings.model_dump(mode="json"),
        "counts": {},
        **review.run,
    }
    record["counts"] = {**counts(review), **dict(record["counts"] or {})}
    text = json.dumps(_plain(record), indent=2, ensure_ascii=True, allow_nan=False)
    with written_aside(target) as aside:
        aside.write_text(text + "\n", "utf-8")


def counts(review: Review) -> dict[str, Any]:
    """How much there was of everything; outlooks are counted over the sets without a parent."""
    top = list(review.grouping.top_level())
    outlooks = Counter(review.verdicts[s.set_id].outlook for s in top if s.set_id in review.verdicts)
    return {
        "frames": len(review.frames),
        "frames_measured": len(review.scores),
        "sets": len(review.grouping.sets),
        "sets_top_level": len(top),
        "outlooks": dict(sorted(outlooks.items())),
        "problems": len(review.problems),
    }


def _plain(value: Any) -> Any:
    """What JSON can hold: no numpy scalars, no not-a-number."""
    if isinstance(value, Mapping):
        return {str(k): _plain(v) for k, v in value.items()}
    if isinstance(value, list | tuple | set | frozenset):
        return [_plain(v) for v in value]
    if hasattr(value, "item") and not isinstance(value, str | bytes):
        value = value.item()
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    return value if isinstance(value, str | int | bool) or value is None else str(value)
