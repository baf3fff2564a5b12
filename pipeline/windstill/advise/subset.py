"""The frames of a set to merge: the fewest that still cover what the whole set covers, and the stillest of those."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from windstill.advise.service import service
from windstill.advise.standing import Standing
from windstill.optics.exposure import recorded_level
from windstill.records import Frame, FrameScore
from windstill.settings import AdviseSettings

Tiles = dict[str, NDArray[np.bool_]]
_MANY = 64  # base frames of a long burst that are tried


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
    moved_px : float
        Largest sway left between neighbours of those kept.
    base : str or None
        The frame of a burst the others agree with best.
    """

    keep: tuple[str, ...]
    swayed: tuple[str, ...] = ()
    smeared: tuple[str, ...] = ()
    doubles: tuple[str, ...] = ()
    moved_px: float = 0.0
    base: str | None = None


def choose(standing: Standing, frames: Mapping[str, Frame], settings: AdviseSettings) -> Chosen:
    """Choose among the frames of one set's measure (one per member).

    Parameters
    ----------
    standing : Standing
    frames : mapping by name
    settings : AdviseSettings

    Notes
    -----
    First frames are given up one at a time as long as that lessens the sway between those left and they go on
    covering; then those that bring nothing of their own, where it costs no sway. Greedy: the best subset of
    all is not searched for.
    """
    names = [n for n in standing.measure.frames if n in standing.scores]
    if len(names) < 2 or standing.measure.kind in ("panorama", "single"):
        return Chosen(tuple(names))
    served = service(standing, settings)
    if standing.measure.kind == "burst":
        return _burst(names, standing, settings)
    whole = _covered(names, served)
    if whole == 0:
        return Chosen(tuple(names))
    levels = _levels(names, frames, standing)
    kept, swayed = _without_sway(names, served, whole, standing, settings)
    kept, spare = _without_doubles(kept, served, whole, levels, standing, settings)
    smeared = tuple(n for n in spare if _smeared(n, kept, standing.scores, standing.tolerance_px))
    doubles = tuple(n for n in spare if n not in smeared)
    left = max((standing.moved(a, b).largest_px for a, b in itertools.pairwise(kept)), default=0.0)
    return Chosen(tuple(kept), tuple(swayed), smeared, doubles, left)


def _covered(names: Sequence[str], served: Tiles) -> int:
    return int(np.logical_or.reduce([served[n] for n in names]).sum()) if names else 0


def _covers(names: Sequence[str], served: Tiles, whole: int, settings: AdviseSettings) -> bool:
    return bool(names) and _covered(names, served) >= whole * (1 - settings.drop_loses_pct / 100)


def _harm(names: Sequence[str], standing: Standing) -> int:
    """Tiles above tolerance where the merge of these frames blends neighbours."""
    return sum(standing.moved(a, b).tiles for a, b in itertools.pairwise(names))


def _without_sway(
    names: Sequence[str], served: Tiles, whole: int, standing: Standing, settings: AdviseSettings
) -> tuple[list[str], list[str]]:
    kept, dropped = list(names), []
    harm = _harm(kept, standing)
    while harm > 0 and len(kept) > 1:
        ways = []
        for name in kept:
            rest = [n for n in kept if n != name]
            if _covers(rest, served, whole, settings):
                ways.append((_harm(rest, standing), _motion(name, standing), name))
        if not ways:
            break
        # The least sway left; of equals the frame that moved most is given up.
        least, _, name = min(ways, key=lambda way: (way[0], -way[1]))
        if least >= harm:
            break
        kept.remove(name)
        dropped.append(name)
        harm = least
    return kept, dropped


def _motion(name: str, standing: Standing) -> float:
    """How unquiet a frame is: its smear and its mean sway against its neighbours."""
    sways = [p.sway_p95_px or 0.0 for p in standing.measure.pairs if name in (p.frame_a, p.frame_b)]
    return (standing.scores[name].frame_smear_px or 0.0) + (float(np.mean(sways)) if sways else 0.0)


def _without_doubles(
    names: list[str], served: Tiles, whole: int, levels: Mapping[str, float], standing: Standing,
    settings: AdviseSettings,
) -> tuple[list[str], list[str]]:
    kept, dropped = list(names), []
    harm = _harm(kept, standing)
    while len(kept) > 1:
        ways = []
        for name in kept:
            rest = [n for n in kept if n != name]
            if not _covers(rest, served, whole, settings) or not _steps_blend(rest, names, levels, settings):
                continue
            if _harm(rest, standing) <= harm and _known(name, kept, standing, settings):
                others = np.logical_or.reduce([served[n] for n in rest])
                ways.append((int((served[name] & ~others).sum()), int(served[name].sum()), name))
        if not ways:
            break
        name = min(ways)[-1]
        kept.remove(name)
        dropped.append(name)
        harm = _harm(kept, standing)
    return kept, dropped


def _known(name: str, names: Sequence[str], standing: Standing, settings: AdviseSettings) -> bool:
    """Whether the two frames that become neighbours without `name` were seen to be still against each other."""
    at = list(names).index(name)
    if at in (0, len(names) - 1):
        return True
    return standing.moved(names[at - 1], names[at + 1]).measured >= settings.seen_still_share


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
    """The largest group of frames still against one of them; of equals, that around the stillest."""
    sharpness = {n: standing.scores[n].sharpness for n in names}
    clear = settings.burst_sharpness_share * float(np.median(list(sharpness.values())))
    smeared = [n for n in names if sharpness[n] < clear]
    sound = [n for n in names if n not in smeared] or list(names)
    bases = sorted(sound, key=lambda n: (_motion(n, standing), names.index(n)))[:_MANY]

    def still(base: str) -> list[str]:
        return [n for n in sound if n == base or standing.moved(base, n).largest_px <= standing.tolerance_px]

    groups = {base: still(base) for base in bases}
    base = max(bases, key=lambda b: (len(groups[b]), -bases.index(b)))
    keep = groups[base]
    swayed = tuple(n for n in sound if n not in keep)
    left = max((standing.moved(base, n).largest_px for n in keep if n != base), default=0.0)
    return Chosen(tuple(keep), swayed, tuple(n for n in smeared if n not in keep), (), left, base)
