"""Looking further back than the neighbour: does a frame return to where the set has been?

A stack that jumps back to its first focus position, or a panorama that shows its first view again, has begun anew;
a view that meets no neighbour but an earlier one begins a new row. The window looked back over is bounded, so the
time taken grows with the number of frames.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from windstill.group.costs import focus_odds, view_turn
from windstill.group.links import Gallery, Link
from windstill.settings.group import GroupSettings

Links = dict[tuple[int, int], Link]


def with_returns(gallery: Gallery, stands: Sequence[int], links: Mapping[tuple[int, int], Link]) -> Links:
    """Add to the links between neighbours whether they return, and whether they begin a row.

    Parameters
    ----------
    stands : sequence of int
        For each thing linked (frame or set), the frame that stands for it.
    """
    settings = gallery.settings
    result = dict(links)
    segments = [0]  # which unbroken stretch of one view each thing is in
    levels = [_level(gallery, stands, 0, 0.0, Link()) if stands else 0.0]  # recorded level along the stretch, EV
    zooms = [0.0]  # scale along the stretch, log
    first = 0  # where the present run of work began
    chain = 0  # where the present chain of views that meet began
    heading = ""
    for j in range(1, len(stands)):
        link = links[j - 1, j]
        if link.clash >= 1 or (link.idle_s is not None and link.idle_s > settings.gap_s):
            first, chain, heading = j, j, ""
        same = link.content.view == "same"
        segments.append(segments[-1] + (0 if same else 1))
        levels.append(_level(gallery, stands, j, levels[-1], link))
        zooms.append(zooms[-1] + (link.content.zoom if same else 0.0))
        if first == j:
            continue
        if same and focus_odds(link, settings) > 0:
            strength, place = _focus_return(gallery, stands, j, first, segments, levels, zooms, settings)
            result[j - 1, j] = replace(link, focus_return=strength, focus_back=place)
            continue
        turn = view_turn(link)
        doubtful = link.content.view == "overlap" and link.content.odds < settings.lookback_odds
        # Only where views already step on can one go back or begin a row.
        if heading and (link.content.view == "other" or doubtful or (turn and turn != heading)):
            place, row = _view_return(gallery, stands, j, chain, segments, settings)
            if doubtful and place >= 0:
                # A view seen before is not the next one, however evenly it seems to step on.
                seen = replace(link.content, view="other", odds=-settings.step_odds, overlap=0.0)
                link, turn = replace(link, content=seen), ""
            row = row or _row_ahead(gallery, stands, j, chain, links)
            row = row and link.content.view == "other"
            result[j - 1, j] = replace(link, view_return=float(place >= 0), view_back=place, row=row)
            if link.content.view == "other" and not row:
                chain, heading = j, ""
        elif link.content.view == "other":
            chain, heading = j, ""
        heading = turn or heading
    return result


def _row_ahead(
    gallery: Gallery, stands: Sequence[int], j: int, first: int, links: Mapping[tuple[int, int], Link]
) -> bool:
    """Whether the views that follow j overlap those before it: the first of a row may hold little but sky."""
    settings = gallery.settings
    for m in range(j + 1, min(j + 1 + settings.rows_ahead, len(stands))):
        link = links[m - 1, m]
        if link.content.view != "overlap" or (link.idle_s is not None and link.idle_s > settings.gap_s):
            return False
        for k in range(j - 1, max(first, j - settings.lookback_views) - 1, -1):
            seen = gallery.compare(stands[k], stands[m])
            if seen.view in ("same", "overlap") and seen.odds > settings.lookback_odds:
                return seen.view == "overlap"
    return False


def _level(gallery: Gallery, stands: Sequence[int], j: int, before: float, link: Link) -> float:
    known = gallery.level_ev(stands[j])
    return known if known is not None else before + (link.ev or 0.0)


def _focus_return(
    gallery: Gallery, stands: Sequence[int], j: int, first: int, segments: list[int], levels: list[float],
    zooms: list[float], settings: GroupSettings,
) -> tuple[float, int]:
    """How much nearer j's focus is to an earlier frame's than to the one just before, 0..1, and that frame's place."""
    earlier = [
        k for k in range(max(first, j - settings.lookback_frames), j - 1)
        if segments[k] == segments[j] and abs(levels[k] - levels[j]) < settings.ev_same
    ]
    if not earlier:
        return 0.0, -1
    strength = np.zeros(len(earlier))
    written = [gallery.dioptres(stands[k]) for k in (*earlier, j - 1, j)]
    if all(z is not None for z in written):
        strength = _nearness(np.array(written, np.float64), settings)
    else:
        distances = gallery.focus_distances(stands[j], [stands[k] for k in (*earlier, j - 1)])
        if distances is not None and distances[-1] > 0:
            strength = np.clip(1 - distances[:-1] / (settings.return_share * distances[-1]), 0.0, 1.0)
        if abs(zooms[j] - zooms[j - 1]) > 2 * settings.breathing_zoom:
            strength = np.maximum(strength, _nearness(np.array([zooms[k] for k in (*earlier, j - 1, j)]), settings))
    back = np.flatnonzero(strength > 0.5 * strength.max()) if strength.max() > 0 else np.array([], np.intp)
    return (float(strength.max()), earlier[int(back[-1])]) if back.size else (0.0, -1)


def _nearness(places: NDArray[np.float64], settings: GroupSettings) -> NDArray[np.float64]:
    """How near the last place is to each but the last two, against its step from the one before it, 0..1."""
    step = abs(places[-1] - places[-2])
    if step <= 0:
        return np.zeros(len(places) - 2)
    near = 1 - np.abs(places[:-2] - places[-1]) / (settings.return_share * step)
    return np.asarray(np.clip(near, 0.0, 1.0), np.float64)


def _view_return(
    gallery: Gallery, stands: Sequence[int], j: int, first: int, segments: list[int], settings: GroupSettings
) -> tuple[int, bool]:
    """(place of an earlier frame that shows j's view, else -1; whether j overlaps an earlier view)."""
    seen: dict[int, int] = {}
    for k in range(j - 2, max(first, j - settings.lookback_frames) - 1, -1):
        if segments[k] != segments[j - 1] and segments[k] not in seen:
            seen[segments[k]] = k
            if len(seen) >= settings.lookback_views:
                break
    beside = False
    for k in seen.values():
        link = gallery.compare(stands[k], stands[j])
        if link.view == "same" and link.odds > settings.lookback_odds:
            return k, True
        beside = beside or (link.view == "overlap" and link.odds > settings.lookback_odds)
    return -1, beside
