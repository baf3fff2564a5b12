"""The frames of a set to merge: the fewest that still cover what the whole set covers, and the stillest of those."""

from __future__ import annotations

import itertools
import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from windstill.advise.service import coverage, service
from windstill.advise.standing import Standing
from windstill.assess.statistics import robust_maximum
from windstill.optics.exposure import recorded_level
from windstill.records import FloatMap, Frame, FrameScore, SetMeasure
from windstill.settings import AdviseSettings

Tiles = dict[str, NDArray[np.bool_]]
Shares = dict[str, FloatMap]  # of each tile that a frame covers, 0..1
_MANY = 24  # stillest frames of a burst that are tried as the one the others agree with
_ALL_WAYS = 9  # frames of a set up to which every choice of them is looked at: half a thousand
_SPECKLE = 2  # tiles: so few more that sway are no reason to serve less
_PAYS = 0.5  # share of the sway that must go for places to be taken from frames that hold them less well
LONG_BURST = 200
"""Frames. Longer bursts are not compared frame by frame: maps of all of them would fill the memory."""


@dataclass(frozen=True, slots=True)
class Chosen:
    """Frames to merge, and why the others are left out.

    Attributes
    ----------
    keep : tuple of str
        In the order of the measure's frames.
    swayed : tuple of str
        Left out because the subject moved in them and others serve their part.
    smeared : tuple of str
        Left out because others hold their part with less smear.
    doubles : tuple of str
        Left out because others serve all they hold.
    unseen : tuple of str
        Left out of a burst because they could not be laid over the frame the others agree with.
    moved_px : float
        Largest sway left between neighbours of those kept.
    base : str or None
        The frame of a burst the others agree with best.
    best_pct : mapping by frame name
        Of what the set shows, where the frame is as good as any, percent; empty for bursts and panoramas.
    """

    keep: tuple[str, ...]
    swayed: tuple[str, ...] = ()
    smeared: tuple[str, ...] = ()
    doubles: tuple[str, ...] = ()
    unseen: tuple[str, ...] = ()
    moved_px: float = 0.0
    base: str | None = None
    best_pct: Mapping[str, float] = field(default_factory=dict)


def choose(standing: Standing, frames: Mapping[str, Frame], settings: AdviseSettings) -> Chosen:
    """Choose among the frames of one set's measure (one per member).

    Parameters
    ----------
    standing : Standing
    frames : mapping by name
    settings : AdviseSettings

    Notes
    -----
    First those frames are found that cover with the least sway between them; then those of them are given up, one at a
    time, that bring nothing of their own, where it costs no sway; and both again, as long as any is. For less sway a
    place may be lost, a double loses speckle at most. Of many frames the best choice of all is not searched for.
    """
    names = [n for n in standing.measure.frames if n in standing.scores]
    if len(names) < 2 or standing.measure.kind in ("panorama", "single"):
        return Chosen(tuple(names))
    served = service(standing, settings)
    if standing.measure.kind == "burst":
        return _burst(names, standing, settings)
    whole = int((_counts(names, served) > 0).sum())
    if whole == 0:
        return Chosen(tuple(names))
    levels = _levels(names, frames, standing)
    covered = coverage(standing, served, settings)
    least = (1 - settings.drop_loses_pct / 100) * _covered_by(names, covered)
    kept, swayed, spare = list(names), list[str](), list[str]()
    given_up = -1
    while given_up < len(swayed) + len(spare):
        given_up = len(swayed) + len(spare)
        kept, moved = _without_sway(kept, (served, covered), least, standing, settings)
        swayed += moved
        # Once a double is gone, the frame before it may be one that sways and is not needed.
        if _is_told(standing):
            kept, doubles = _without_doubles(kept, (served, covered), least, levels, standing, settings)
            spare += doubles
    smeared = tuple(n for n in spare if _smeared(n, kept, standing.scores, standing.tolerance_px))
    left = max((standing.moved(a, b, kept).largest_px for a, b in itertools.pairwise(kept)), default=0.0)
    best = {n: 100 * float(served[n].sum()) / whole for n in names}
    alike = tuple(n for n in spare if n not in smeared)
    return Chosen(tuple(kept), tuple(swayed), smeared, alike, moved_px=left, best_pct=best)


def _is_told(standing: Standing) -> bool:
    """Whether it is known what a set covers: of a stack of which it is not, nobody can say that fewer will do.

    Of two frames one holds by itself what the other shows, or does not.
    """
    measure = standing.measure
    told = measure.coverage is None or measure.coverage.coverage_pct is not None
    return told or measure.kind != "stack" or len(measure.frames) == 2


def _counts(names: Sequence[str], served: Tiles) -> NDArray[np.int32]:
    """How many of the frames serve each tile."""
    return np.asarray(np.sum([served[n] for n in names], axis=0), np.int32)


def _spares(name: str, counts: NDArray[np.int32], served: Tiles, whole: int, settings: AdviseSettings) -> bool:
    """Whether the frames counted go on serving without this one."""
    left = int(((counts - served[name]) > 0).sum())
    return left > 0 and left >= whole * (1 - settings.drop_loses_pct / 100)


def _covered_by(names: Sequence[str], covered: Shares) -> float:
    """Tiles that some frames cover together."""
    return float(np.max([covered[n] for n in names], axis=0).sum())


def _dispensable(names: Sequence[str], covered: Shares, least: float) -> list[str]:
    """The frames each of which may be left out, by itself, with as many tiles still covered by the others."""
    if len(names) < 2:
        return []
    shares = np.stack([covered[n] for n in names])
    second, best = np.sort(shares, axis=0)[-2:]
    left = best.sum() - np.where(shares == best, best - second, 0).sum(axis=(1, 2))
    return [n for n, rest in zip(names, left, strict=True) if rest > 0 and rest >= least]


def _holds_a_place(alone: NDArray[np.bool_]) -> bool:
    """Whether tiles that one frame alone holds lie together: the nearest flower, say, which is no speckle.

    Few tiles of the picture, yet what the frame was taken for; where nothing sways, keeping it costs nothing.
    """
    return robust_maximum(alone.astype(np.float32), alone, float(alone.size)) is not None


def _harm(names: Sequence[str], standing: Standing) -> int:
    """Tiles above tolerance where the merge of these frames blends neighbours.

    Where something moves in the set, what was not measured is taken to move as well: it may have been left unmeasured
    because the frames now left out held it. Where the blend is faint a tile counts half: choices would be preferred
    that are still only because next to nothing is drawn from one of two frames that differ much.
    """
    moved = [standing.moved(a, b, names) for a, b in itertools.pairwise(names)]
    return sum(m.tiles + m.doubtful + m.faint // 2 for m in moved)


def _unrest(names: Sequence[str], standing: Standing) -> int:
    """Tiles with more sway than is accepted where stillness costs nothing."""
    return sum(standing.moved(a, b, names).avoidable for a, b in itertools.pairwise(names))


def _without_sway(
    names: list[str], tiles: tuple[Tiles, Shares], least: float, standing: Standing, settings: AdviseSettings
) -> tuple[list[str], list[str]]:
    """Of the frames that still cover `least` tiles, those with the least sway between them; of equals those that serve
    most.

    `tiles`: what each frame serves, and what it covers at all. Places are left to frames that hold them less well where
    at least half of the sway goes: a picture that has to be mended all the same is not made softer as well.
    """
    if _harm(names, standing) == 0:
        return names, []
    served, covered = tiles
    few = len(names) <= _ALL_WAYS
    ways = _all_ways(names, covered, least) if few else _one_by_one(names, covered, least, standing)
    serves = [int((_counts(way, served) > 0).sum()) for way in ways]
    harms = [_harm(way, standing) for way in ways]
    enough = serves[0] * (1 - settings.drop_loses_pct / 100)  # the first way is all of them
    as_well = [k for k, serve in enumerate(serves) if serve >= enough]
    pays = min(harms) <= _PAYS * min(harms[k] for k in as_well)
    open_ = range(len(ways)) if pays else as_well
    stillest = min(harms[k] for k in open_)
    # What brings no sway is not given up for it.
    ranks = [(-serves[k], -len(ways[k]), k) for k in open_ if harms[k] <= stillest + _SPECKLE]
    kept = ways[min(ranks)[-1]]
    return kept, [n for n in names if n not in kept]


def _all_ways(names: Sequence[str], covered: Shares, least: float) -> list[list[str]]:
    """All of them, and every choice of fewer that still covers."""
    ways = [list(names)]
    for count in range(len(names) - 1, 0, -1):
        for way in itertools.combinations(names, count):
            if _covered_by(way, covered) >= least:
                ways.append(list(way))
    return ways


def _one_by_one(
    names: Sequence[str], covered: Shares, least: float, standing: Standing
) -> list[list[str]]:
    """What is left after every frame given up, each time the one without which least sways, until the rest covers not.

    Past choices that sway more as well: two frames may have to go before it lessens.
    """
    ways, kept = [list(names)], list(names)
    motion = _motions(standing.measure, standing.scores)
    while True:
        spare = _dispensable(kept, covered, least)
        if not spare:
            return ways
        rest = {name: [n for n in kept if n != name] for name in spare}
        # Of equals the frame that moved most is given up.
        kept = rest[min(spare, key=lambda name: (_harm(rest[name], standing), -motion[name]))]
        ways.append(kept)


def _motions(measure: SetMeasure, scores: Mapping[str, FrameScore]) -> dict[str, float]:
    """How unquiet each frame is: its smear and its mean sway against its neighbours."""
    sways: dict[str, list[float]] = {n: [] for n in measure.frames}
    for pair in measure.pairs:
        for name in (pair.frame_a, pair.frame_b):
            sways.setdefault(name, []).append(pair.sway_p95_px or 0.0)
    return {
        n: (scores[n].frame_smear_px or 0.0) + (float(np.mean(values)) if values else 0.0)
        for n, values in sways.items() if n in scores
    }  # fmt: skip


def _without_doubles(
    names: list[str], tiles: tuple[Tiles, Shares], least: float, levels: Mapping[str, float], standing: Standing,
    settings: AdviseSettings,
) -> tuple[list[str], list[str]]:
    """`tiles`: what each frame serves, of which what is kept must not lose more, and what it covers at all."""
    kept, dropped = list(names), []
    served, covered = tiles
    left = int((_counts(kept, served) > 0).sum())
    harm = _harm(kept, standing)
    while len(kept) > 1:
        ways = []
        counts, all_counts = _counts(kept, served), np.sum([covered[n] > 0 for n in kept], axis=0)
        for name in _dispensable(kept, covered, least):
            rest = [n for n in kept if n != name]
            if not _spares(name, counts, served, left, settings) or not _steps_blend(rest, names, levels, settings):
                continue
            if _holds_a_place((covered[name] > 0) & (all_counts == 1)):
                continue
            if _harm(rest, standing) <= harm and _known(name, kept, standing, settings):
                alone = int((served[name] & (counts == 1)).sum())
                ways.append((_unrest(rest, standing), alone, int(served[name].sum()), name))
        if not ways:
            break
        name = min(ways)[-1]
        kept.remove(name)
        dropped.append(name)
        harm = _harm(kept, standing)
    return kept, dropped


def _known(name: str, names: Sequence[str], standing: Standing, settings: AdviseSettings) -> bool:
    """Whether enough is known of the sway between the two frames that become neighbours without `name`."""
    at = list(names).index(name)
    if at in (0, len(names) - 1):
        return True
    rest = [n for n in names if n != name]
    return standing.seen_still(names[at - 1], names[at + 1], rest) >= settings.seen_still_share


def _steps_blend(
    rest: Sequence[str], before: Sequence[str], levels: Mapping[str, float], settings: AdviseSettings
) -> bool:
    """Whether the exposures left stand no farther apart than blends well, or than they did, and none is lost."""
    if not levels:
        return True
    if len(rest) < 2:
        return abs(levels[before[0]] - levels[before[-1]]) < settings.same_level_ev
    steps = np.abs(np.diff([levels[n] for n in rest]))
    old = np.abs(np.diff([levels[n] for n in before]))
    ends = max(abs(levels[rest[0]] - levels[before[0]]), abs(levels[rest[-1]] - levels[before[-1]]))
    return float(steps.max()) <= max(settings.widest_step_ev, float(old.max())) and ends < settings.same_level_ev


def _levels(names: Sequence[str], frames: Mapping[str, Frame], standing: Standing) -> dict[str, float]:
    """Recorded level of a bracket's frames; empty for other kinds and where settings are not written.

    Without settings brightness stands in: displayed through a tone curve of about 2.2.
    """
    if standing.measure.kind != "bracket":
        return {}
    found = {}
    for name in names:
        camera = frames[name].camera
        if camera.exposure_s and camera.f_number and camera.iso:
            found[name] = recorded_level(camera.exposure_s, camera.f_number, camera.iso)
        else:
            found[name] = float(2.2 * np.log2(max(float(standing.scores[name].luma.mean()), 1 / 255)))
    return found


def _smeared(name: str, kept: Sequence[str], scores: Mapping[str, FrameScore], tolerance_px: float) -> bool:
    own = scores[name].frame_smear_px or 0.0
    return own > tolerance_px and own > 2 * max((scores[n].frame_smear_px or 0.0 for n in kept), default=0.0)


def _burst(names: list[str], standing: Standing, settings: AdviseSettings) -> Chosen:
    """The largest group of frames seen to be still against one of them; of equals, that around the stillest.

    Frames that could not be laid over it are no part of the group: averaging them in might double the subject.
    """
    smears = _smears(names, standing.measure)
    melted = {n for n in names if smears[n] > settings.smear_times * standing.tolerance_px}
    smeared, sound, bases = _sound(names, standing.measure, standing.scores, settings, melted)

    def seen(base: str) -> list[str]:
        return [n for n in sound if n == base or standing.moved(base, n).measured > 0]

    def still(base: str) -> list[str]:
        return [n for n in seen(base) if n == base or standing.moved(base, n).largest_px <= standing.tolerance_px]

    groups = {base: still(base) for base in bases[:_MANY]}
    base = max(groups, key=lambda b: (len(groups[b]), -bases.index(b)))
    keep, compared = groups[base], seen(base)
    swayed = tuple(n for n in compared if n not in keep)
    unseen = tuple(n for n in sound if n not in compared)
    left = max((standing.moved(base, n).largest_px for n in keep if n != base), default=0.0)
    return Chosen(tuple(keep), swayed, tuple(n for n in smeared if n not in keep), (), unseen, left, base)


def choose_long_burst(measure: SetMeasure, scores: Mapping[str, FrameScore], settings: AdviseSettings) -> Chosen:
    """Frames of a burst of hundreds: its sharp ones, which are alternatives rather than one merge."""
    names = [n for n in measure.frames if n in scores]
    smeared, sound, bases = _sound(names, measure, scores, settings)
    return Chosen(tuple(sound), smeared=tuple(smeared), moved_px=math.inf, base=bases[0])


def _smears(names: Sequence[str], measure: SetMeasure) -> dict[str, float]:
    """Smear of each frame beyond the crispest's, full-resolution pixels, as far as neighbours tell of each other.

    Of two that are smeared alike, neither tells: both are what the one before them was.
    """
    total = {names[0]: 0.0}
    for pair in measure.pairs:
        step = (pair.smear_b_px or 0.0) - (pair.smear_a_px or 0.0)
        if pair.frame_a in total:
            total.setdefault(pair.frame_b, total[pair.frame_a] + step)
    least = min(total.values())
    return {n: total.get(n, least) - least for n in names}


def _sound(
    names: Sequence[str],
    measure: SetMeasure,
    scores: Mapping[str, FrameScore],
    settings: AdviseSettings,
    melted: Collection[str] = (),
) -> tuple[list[str], list[str], list[str]]:
    """Frames clearly softer than the burst's better half or known to melt, the others, and these by stillness."""
    sharpness = {n: scores[n].sharpness for n in names}
    clear = settings.burst_sharpness_share * float(np.median(list(sharpness.values())))
    soft = {n for n in names if sharpness[n] < clear or n in melted}
    sound = [n for n in names if n not in soft] or list(names)
    motion = _motions(measure, scores)
    return [n for n in names if n in soft and n not in sound], sound, sorted(sound, key=lambda n: motion[n])
