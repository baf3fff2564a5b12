"""The measures behind a finished review: from the cache, or measured again where that has been emptied."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any

from pydantic import BaseModel

from windstill.handover.runfolder import FinishedReview
from windstill.records import Review
from windstill.run.errors import ReviewError
from windstill.run.progress import Progress
from windstill.run.review import Options, reviewed
from windstill.settings import Settings


def _known(values: Mapping[str, Any], section: type[BaseModel]) -> dict[str, Any]:
    """The settings this version knows: a review made by another one may name others."""
    found = {}
    for name, field in section.model_fields.items():
        if name in values:
            inner = field.annotation
            nested = isinstance(inner, type) and issubclass(inner, BaseModel)
            found[name] = _known(values[name], inner) if nested else values[name]  # type: ignore[arg-type]
    return found


@contextmanager
def measures_of(
    review: FinishedReview, shoot: Path, cache: Path | None, progress: Progress
) -> Iterator[tuple[Review | None, str]]:
    """The review with its measures while the `with` block runs.

    Parameters
    ----------
    review : FinishedReview
    shoot : Path
        The shoot folder.
    cache : Path or None
        Where measures are kept; None for the user's cache folder.

    Yields
    ------
    record : Review or None
        None where it cannot be had, or tells of other sets than the run folder.
    why : str
        One line on why not; empty otherwise.
    """
    try:
        settings = Settings.model_validate(_known(review.run["settings"], Settings))
    except (KeyError, TypeError, ValueError):
        yield None, "its run.json does not hold the settings it was made with; review the shoot again"
        return
    options = Options(cache_folder=cache, command="windstill masks")
    with ExitStack() as stack:
        try:
            record = stack.enter_context(reviewed(shoot, None, settings, options, progress))
        except ReviewError as err:
            yield None, str(err)
            return
        if {node.set_id for node in record.grouping.sets} != {row.set_id for row in review.sets}:
            yield None, "the photographs have changed since the review; review them again"
            return
        yield record, ""
