"""The answers of the first screen: what merges, what does not and why, the best of each scene."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence

from windstill.records import FrameSet, Kind, Outlook, SetAdvice
from windstill.report import words
from windstill.report.shoot import Shoot
from windstill.report.views import SetCard

MERGES = ("clean", "touch-up")
_ALL_BUT_ALL_PCT = 99.5  # from here the merge is better in what rounds to nothing


def headlines(
    tally: Mapping[str, int], singles: int, smeared: int, problems: int, ways_out: int = 0
) -> tuple[str, str]:
    """The first sentences of the report: what merges, what does not, and for how many of these there is a way out."""
    total, good = sum(tally.values()), sum(tally.get(o, 0) for o in MERGES)
    one = total == 1
    if total == 0:
        headline = "There is nothing to merge here."
    elif good == total:
        headline = "The one set will merge." if one else f"All {total} sets will merge."
    elif good == 0:
        headline = "The one set will not merge." if one else f"None of the {total} sets will merge."
    else:
        headline = f"{good} of {total} sets will merge."
    parts = []
    retouch = tally.get("touch-up", 0)
    if retouch:
        parts.append("with small retouching" if retouch == good else f"{retouch} of them with small retouching")
    for outlook, does in (("hard", "would take hours"), ("lost", None), ("unknown", "cannot be judged")):
        count = tally.get(outlook, 0)
        if count:
            parts.append(f"{count} {does or ('is lost' if count == 1 else 'are lost')}")
    sentences = [_sentence(_listed(parts))]
    if ways_out:
        failing = sum(tally.get(o, 0) for o in ("hard", "lost", "unknown"))
        some = f"the place of {'one' if ways_out == 1 else ways_out} of them"
        which = "its place" if failing == 1 else "their place" if ways_out == failing else some
        sentences.append(f"Another take, or fewer frames, can take {which}.")
    extra = []
    if singles:
        which = "" if not smeared else ", smeared" if singles == 1 else f", {smeared} of them smeared"
        extra.append(words.counted(singles, "single frame") + which)
    if problems:
        extra.append(f"{words.counted(problems, 'problem')} with files")
    sentences.append(_sentence(f"besides: {_listed(extra)}") if extra else "")
    return headline, " ".join(filter(None, sentences))


def _listed(parts: Sequence[str]) -> str:
    return parts[0] if len(parts) == 1 else f"{', '.join(parts[:-1])} and {parts[-1]}" if parts else ""


def _sentence(text: str) -> str:
    return f"{text[0].upper()}{text[1:]}." if text else ""


def tally(cards: Iterable[SetCard]) -> Counter[str]:
    """How many sets have which outlook."""
    return Counter(c.outlook for c in cards if c.all_in_one)


def by_order(order: Iterable[str], cards: Mapping[str, SetCard]) -> list[SetCard]:
    """Sets, the easiest good picture first; those the order leaves out follow as shot."""
    ids = dict.fromkeys([*(i for i in order if i in cards), *cards])
    return [cards[i] for i in ids]


def troubled(cards: Iterable[SetCard]) -> list[SetCard]:
    """Sets that will not merge as they are: lost first, then hard, then unknown, each as shot."""
    rank = {"lost": 0, "hard": 1}
    bad = [c for c in cards if c.judged and c.outlook not in MERGES]
    return sorted(bad, key=lambda c: (rank.get(c.outlook, 2), c.number))


def way_out(shoot: Shoot, node: FrameSet) -> str:
    """What merges in place of a top-level set that does not; empty where there is nothing, or no need."""
    review = shoot.review
    verdict, advice = review.verdicts.get(node.set_id), review.advice.get(node.set_id)
    if verdict is None or advice is None or verdict.outlook in MERGES or node.kind == "single":
        return ""
    for other in review.grouping.top_level():
        if (other.scene, other.kind) != (node.scene, node.kind) or other.set_id == node.set_id:
            continue
        theirs, said = review.verdicts.get(other.set_id), review.advice.get(other.set_id)
        if said is not None and said.best_take and theirs is not None and theirs.outlook in MERGES:
            return f"take {other.take} merges"
    if not (advice.holds_without and advice.left_out):
        return ""
    if len(advice.keep_frames) == 1:
        return f"{words.short_name(advice.keep_frames[0])} alone will do"
    return f"merges without {words.counted(len(advice.left_out), 'frame')}"


def shoots_again(outlook: Outlook, advice: SetAdvice | None) -> bool:
    """Whether a set's advice is field work: not where another take is merged instead, nor where eyes must tell."""
    return outlook in ("hard", "lost") and advice is not None and bool(advice.advice) and advice.best_take is not False


def best_of(
    shoot: Shoot, nodes: Sequence[FrameSet], cards: Mapping[str, SetCard], rank: Mapping[str, int]
) -> tuple[SetCard | None, str]:
    """The best set of a scene and a word on it: easiest outlook, then the advised take, then the order of work."""
    merges = [n for n in nodes if n.kind != "single"]
    if not merges:
        return (cards[nodes[0].set_id], "single frame") if nodes else (None, "")

    def key(node: FrameSet) -> tuple[int, bool, int]:
        advice = shoot.review.advice.get(node.set_id)
        outlook = words.OUTLOOK_RANK[cards[node.set_id].outlook]
        return outlook, not (advice and advice.best_take), rank.get(node.set_id, len(rank))

    node = min(merges, key=key)
    card = cards[node.set_id]
    if card.outlook == "lost" and card.single_way_out:
        return card, card.single_way_out
    return card, f"take {card.take} of {card.takes}, {card.kind_words}" if card.takes > 1 else card.kind_words


def single_way_out(advice: SetAdvice | None, kind: Kind) -> str:
    """The one frame that serves without a merge."""
    if advice is None or not advice.single_frame:
        return ""
    share = ""
    if advice.single_frame_pct is not None:
        held = words.percent(advice.single_frame_pct)
        share = f" exposes {held} well" if kind == "bracket" else f" holds {held} sharp"
        if advice.single_frame_best_pct is not None and advice.single_frame_best_pct < _ALL_BUT_ALL_PCT:
            more = f"{100 - advice.single_frame_best_pct:.0f} %"
            share += f"; the merge exposes {more} better" if kind == "bracket" else f"; the merge is sharper in {more}"
    return f"{words.short_name(advice.single_frame)} alone{share}"
