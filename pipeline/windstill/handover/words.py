"""What a sidecar says of an exposure: three keywords with a prefix of our own, and a rating only as asked."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from windstill.handover.packet import Words
from windstill.handover.runfolder import USAGE, FinishedReview, SetRow
from windstill.records import OUTLOOKS, encode_name
from windstill.run.errors import ReviewError

PREFIX = "windstill:"
_KINDS_OF_WORD = tuple(f"{PREFIX}{what}:" for what in ("outlook", "set", "keep"))
_KEEP = ("yes", "no", "spare")
LEAST, MOST = -1.0, 5.0


@dataclass(frozen=True, slots=True)
class Said:
    """The words of one exposure."""

    frame: str
    files: tuple[str, ...]
    words: Words


def is_ours(word: str) -> bool:
    """Whether a keyword was written by us."""
    return word.startswith(_KINDS_OF_WORD)


def rating_map(given: Sequence[str], settings: Mapping[str, float]) -> dict[str, float]:
    """The mapping the photographer states: outlooks and keep words to ratings, the command line before the settings.

    Parameters
    ----------
    given : sequence of str
        ``clean=4``, ``keep:no=-1``.

    Raises
    ------
    ReviewError
        A word that is none of ours, or a rating outside -1..5.
    """
    found: dict[str, float] = dict(settings)
    for text in given:
        word, equals, number = text.partition("=")
        try:
            found[word.strip()] = float(number) if equals else float("nan")
        except ValueError:
            found[word.strip()] = float("nan")
    known = (*OUTLOOKS, *(f"keep:{word}" for word in _KEEP))
    for word, rating in found.items():
        if word not in known:
            raise ReviewError(f"rating {word}: no word of ours (there are: {', '.join(known)})", USAGE)
        if not (rating == LEAST or 0 <= rating <= MOST):
            raise ReviewError(f"rating {word}: give a number from 0 to 5, or -1 for rejected, as in {word}=3", USAGE)
    return found


def words_of(review: FinishedReview, ratings: Mapping[str, float]) -> list[Said]:
    """The words of every exposure that belongs to a set, in capture order.

    Outlook and set are those of the outermost set: the picture the exposure was made for. Of a rating by outlook and
    one by keep, the one by keep holds.
    """
    rows = review.by_set()
    found = []
    for frame in review.frames:
        row = rows.get(frame.set_id)
        if row is None:
            continue
        top = _outermost(row, rows)
        keywords = [f"{PREFIX}outlook:{top.outlook}", f"{PREFIX}set:{encode_name(top.set_id)}"]
        if frame.keep:
            keywords.append(f"{PREFIX}keep:{frame.keep}")
        rating = ratings.get(f"keep:{frame.keep}", ratings.get(top.outlook))
        found.append(Said(frame.name, frame.files, Words(tuple(keywords), rating)))
    return found


def _outermost(row: SetRow, rows: Mapping[str, SetRow]) -> SetRow:
    seen = {row.set_id}
    while row.parent_set in rows and row.parent_set not in seen:
        row = rows[row.parent_set]
        seen.add(row.set_id)
    return row
