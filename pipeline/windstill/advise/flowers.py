"""Per region that moved: which frame of the set holds it best, to retouch the merge from."""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import cv2
import numpy as np

from windstill.advise.service import bare_weight
from windstill.advise.standing import Standing
from windstill.assess.places import place_of
from windstill.records import TakeFrom
from windstill.settings import AdviseSettings

_REGIONS = 3  # more places than this are no retouching any more
_RELEVANT = 0.5  # contract


def take_from(standing: Standing, keep: Sequence[str], settings: AdviseSettings) -> tuple[TakeFrom, ...]:
    """The largest regions that sway in a merge of the frames kept, each with the one of these to take it from.

    Notes
    -----
    The frame is the sharpest there (stacks, bursts), or the one exposed best there (brackets), marked down by smear:
    a merge shows one frame's bloom or it shows it twice.
    """
    measure = standing.measure
    names = [n for n in measure.frames if n in keep and n in standing.scores and n in standing.to_first]
    if len(names) < 2 or measure.kind == "panorama":
        return ()
    moved = np.zeros(standing.grid.shape, bool)
    for a, b in itertools.pairwise(names):
        if measure.kind != "burst":
            moved |= standing.moving(a, b, names)
    for pair in measure.pairs:
        if pair.field is None or pair.frame_a not in names or pair.frame_b not in names:
            continue
        f = pair.field
        length = np.hypot(f.sway_x_px, f.sway_y_px)
        here = (length > standing.tolerance_px) & (f.confidence >= settings.trusted_confidence)
        here &= f.textured & (f.relevance >= _RELEVANT)
        if here.shape == moved.shape and (pair.sway_max_px or 0.0) > standing.tolerance_px:
            moved |= here
    joined = cv2.morphologyEx(moved.astype(np.uint8), cv2.MORPH_CLOSE, np.ones((3, 3), np.uint8))
    count, labels, stats, _ = cv2.connectedComponentsWithStats(joined, connectivity=8)
    largest = sorted(range(1, count), key=lambda i: -int(stats[i, cv2.CC_STAT_AREA]))
    found: dict[str, TakeFrom] = {}
    for label in largest[:_REGIONS]:
        region = labels == label
        if int(stats[label, cv2.CC_STAT_AREA]) < 2:
            continue
        best = max(names, key=lambda n: (_worth(n, region, standing), -names.index(n)))
        found.setdefault(place_of(region), TakeFrom(place_of(region), best))
    return tuple(found.values())


def _worth(name: str, region: np.ndarray[tuple[int, ...], np.dtype[np.bool_]], standing: Standing) -> float:
    sharp = np.nan_to_num(standing.carried(name, "sharp"))[region].mean()
    if standing.measure.kind == "bracket":
        sharp = bare_weight(name, standing)[region].mean()
    smear = np.nan_to_num(standing.carried(name, "smear_px"))[region].mean()
    return float(sharp / (1 + smear / standing.tolerance_px))
