"""Cut a stream of frames, or of sets, into sets at least cost.

Dynamic programming over the stream: the best way to have everything up to j cut into sets is a best way up to some
earlier place and one more set. Sets of like steps (stacks, panoramas, bursts) grow link by link, so their cost needs
no memory of their length; brackets are short and are tried whole, because an exposure must not occur twice in one.
Cost and time grow with the number of frames.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from windstill.group.costs import IMPOSSIBLE, StepCosts, step_costs
from windstill.group.links import Link
from windstill.records import Kind
from windstill.settings.group import GroupSettings


@dataclass(frozen=True, slots=True)
class Piece:
    """One set found: places in the stream, its kind, and the least margin (nats) of its links."""

    members: tuple[int, ...]
    kind: Kind


@dataclass(frozen=True, slots=True)
class _Back:
    """The chain of an open set: this place, the places skipped before it, and the rest of the chain."""

    place: int
    skipped: tuple[int, ...]
    rest: _Back | None
    before: _Closed | None


@dataclass(frozen=True, slots=True)
class _Closed:
    """Everything up to a place cut into sets."""

    cost: float
    kind: Kind
    chain: _Back
    pattern: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class _Open:
    """A set that may go on: cost so far, its chain, and where it began."""

    cost: float
    chain: _Back
    began: int


_Key = tuple[Kind, int, str]
_MOVED = "moved"
_GROWING: tuple[Kind, ...] = ("stack", "panorama", "burst")


def parse(
    count: int,
    links: Mapping[tuple[int, int], Link],
    settings: GroupSettings,
    *,
    level: int,
    may: Sequence[frozenset[Kind]] | None = None,
    walls: frozenset[int] = frozenset(),
) -> list[Piece]:
    """Cut places 0..count-1 into sets.

    Parameters
    ----------
    links : mapping
        (i, j) to evidence, for all neighbours and for some further pairs across strays.
    level : int
        1 for frames, 2 and up for sets.
    may : sequence of frozensets, optional
        Kinds each place may be a member of; default all.
    walls : frozenset of int
        Places before which a set must end.

    Returns
    -------
    list of Piece
        In order of first member; every place in exactly one.
    """
    closed: list[_Closed] = []
    brackets: list[list[_Closed]] = []
    opened: list[dict[_Key, _Open]] = []
    steps = {key: step_costs(link, settings, level) for key, link in links.items()}
    for j in range(count):
        before = closed[j - 1] if j else None
        base = before.cost if before else 0.0
        single = _Closed(base + settings.set_nats, "single", _Back(j, (), None, before))
        here: dict[_Key, _Open] = {}
        best = single
        for back in range(1, settings.strays_skipped + 2):
            i = j - back
            if i < 0 or any(w in walls for w in range(i + 1, j + 1)) or (i, j) not in steps:
                if i >= 0 and any(w in walls for w in range(i + 1, j + 1)):
                    break
                continue
            skipped = tuple(range(i + 1, j))
            toll = len(skipped) * (settings.set_nats + settings.stray_nats)
            _grow(here, i, j, skipped, toll, steps[i, j], closed, opened, settings, level, may)
        for (kind, _, way), state in here.items():
            # Sets of one focus are takes, unless focus moves somewhere among them.
            unmoved = level > 1 and kind == "stack" and way != _MOVED
            if state.cost < best.cost and not unmoved:
                best = _Closed(state.cost, kind, state.chain)
        found = _brackets_ending(j, links, steps, closed, brackets, settings, level, may, walls)
        for candidate in found:
            if candidate.cost < best.cost:
                best = candidate
        closed.append(best)
        brackets.append(found)
        opened.append(here)
    return _pieces(closed)


def _grow(
    here: dict[_Key, _Open],
    i: int,
    j: int,
    skipped: tuple[int, ...],
    toll: float,
    step: StepCosts,
    closed: list[_Closed],
    opened: list[dict[_Key, _Open]],
    settings: GroupSettings,
    level: int,
    may: Sequence[frozenset[Kind]] | None,
) -> None:
    """Lengthen every set open at i, or start one there, by j."""
    before = closed[i - 1] if i else None
    base = before.cost if before else 0.0
    start = _Back(i, (), None, before)
    for kind in _GROWING:
        if level > 1 and kind == "burst":
            continue
        if may is not None and not (kind in may[i] and kind in may[j]):
            continue
        cost = toll + float(getattr(step, kind))
        turn = step.focus_turn if kind == "stack" else 0
        way = step.view_turn if kind == "panorama" else ""
        if kind == "stack" and step.focus_moved:
            way = _MOVED
        back, back_cost = -1, 0.0
        if kind == "stack":
            back, back_cost = step.focus_back, step.focus_back_cost
        elif kind == "panorama":
            back, back_cost = step.view_back, step.view_back_cost
        if cost >= settings.hopeless_nats:
            continue
        begun = base + settings.set_nats + _prior(kind, settings) + cost
        _keep(here, (kind, turn, way), _Open(begun, _Back(j, skipped, start, before), i))
        for (open_kind, open_turn, open_way), state in opened[i].items():
            if open_kind != kind:
                continue
            bend = back_cost if back >= state.began else 0.0
            if turn and open_turn and turn != open_turn:
                bend += settings.focus_turn_nats
            if kind == "panorama" and way and open_way and way != open_way:
                bend += settings.view_turn_nats
            longer = _Open(state.cost + cost + bend, _Back(j, skipped, state.chain, state.chain.before), state.began)
            _keep(here, (kind, turn or open_turn, way or open_way), longer)


def _prior(kind: Kind, settings: GroupSettings) -> float:
    return settings.burst_prior_nats if kind == "burst" else 0.0


def _keep(here: dict[_Key, _Open], key: _Key, state: _Open) -> None:
    if key not in here or state.cost < here[key].cost:
        here[key] = state


def _brackets_ending(
    j: int,
    links: Mapping[tuple[int, int], Link],
    steps: Mapping[tuple[int, int], StepCosts],
    closed: list[_Closed],
    brackets: list[list[_Closed]],
    settings: GroupSettings,
    level: int,
    may: Sequence[frozenset[Kind]] | None,
    walls: frozenset[int],
) -> list[_Closed]:
    """Every bracket that ends at j, whole."""
    found: list[_Closed] = []
    levels = [0.0]  # from the last member backwards, relative to it
    members: list[int] = [j]
    skips: list[tuple[int, ...]] = [()]
    cost, k = 0.0, j
    nominal = True
    while len(members) < settings.bracket_longest:
        i = k - 1
        skipped: tuple[int, ...] = ()
        if i >= 0 and (i, k) in links and links[i, k].content.view == "other":
            stray = settings.set_nats + settings.stray_nats
            for back in range(2, settings.strays_skipped + 2):
                if (k - back, k) in links:
                    if steps[k - back, k].bracket + (back - 1) * stray < steps[i, k].bracket:
                        i, skipped = k - back, tuple(range(k - back + 1, k))
                    break
        if i < 0 or any(w in walls for w in range(i + 1, k + 1)):
            break
        if may is not None and not ("bracket" in may[i] and "bracket" in may[k]):
            break
        link = links[i, k]
        cost += steps[i, k].bracket + len(skipped) * (settings.set_nats + settings.stray_nats)
        nominal = nominal and link.ev_nominal is not None
        levels.append(levels[-1] - (link.ev or 0.0))
        tolerance = settings.ev_same if nominal else settings.ev_same_seen
        if cost > settings.hopeless_nats or any(abs(levels[-1] - e) < tolerance for e in levels[:-1]):
            break
        skips[-1] = skipped
        members.append(i)
        skips.append(())
        k = i
        before = closed[i - 1] if i else None
        pattern = tuple(e - levels[-1] for e in reversed(levels))
        total = cost + settings.set_nats + _shape_cost(pattern, nominal, settings)
        start = before.cost if before else 0.0
        chain_before = before
        for earlier in brackets[i - 1] if i else []:
            if _alike(earlier.pattern, pattern, tolerance) and earlier.cost - settings.pattern_nats < start:
                start, chain_before = earlier.cost - settings.pattern_nats, earlier
        chain: _Back | None = None
        for place, jumped in zip(reversed(members), reversed(skips), strict=True):
            chain = _Back(place, jumped, chain, chain_before)
        assert chain is not None
        found.append(_Closed(start + total, "bracket", chain, pattern))
    return found


def _shape_cost(pattern: tuple[float, ...], nominal: bool, settings: GroupSettings) -> float:
    """Brackets have few, odd, evenly stepped exposures, more often than not; written steps are hardly ever uneven."""
    cost = 0.0 if len(pattern) in (3, 5, 7, 9) else settings.even_count_nats
    ordered = sorted(pattern)
    gaps = [b - a for a, b in itertools.pairwise(ordered)]
    mean = sum(gaps) / len(gaps)
    spread = max(abs(g - mean) for g in gaps) / mean
    return cost + (settings.uneven_written_nats if nominal else settings.uneven_step_nats) * min(spread, 1.0)


def _alike(p: tuple[float, ...], q: tuple[float, ...], tolerance: float) -> bool:
    return len(p) == len(q) and all(abs(a - b) <= 1.5 * tolerance for a, b in zip(p, q, strict=True))


def _pieces(closed: list[_Closed]) -> list[Piece]:
    pieces: list[Piece] = []
    node = closed[-1] if closed else None
    while node is not None:
        members: list[int] = []
        strays: list[int] = []
        link: _Back | None = node.chain
        before: _Closed | None = None
        while link is not None:
            members.append(link.place)
            strays.extend(link.skipped)
            before = link.before
            link = link.rest
        pieces.append(Piece(tuple(sorted(members)), node.kind))
        pieces.extend(Piece((s,), "single") for s in strays)
        node = before
    return sorted(pieces, key=lambda p: p.members[0])


__all__ = ["IMPOSSIBLE", "Piece", "parse"]
