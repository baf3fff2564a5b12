"""The smallest subset of a set's frames that still covers what the whole set covered."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from windstill.records import FrameScore, FrameSet, SetMeasure
from windstill.settings import AdviseSettings


def smallest_subset(
    node: FrameSet, measure: SetMeasure, scores: Mapping[str, FrameScore], settings: AdviseSettings
) -> tuple[str, ...]:
    """Frames to keep, in capture order.

    Parameters
    ----------
    node : FrameSet
        A set whose members are frames.
    measure : SetMeasure

    Returns
    -------
    tuple of str
        All frames of a bracket, panorama or burst that bring something; of a stack the frames that serve some
        part of the picture. A frame that serves less than `drop_below_gain_pct` is dropped.
    """
    coverage = measure.coverage
    readable = [n for n in node.frames if n in scores]
    if node.kind == "burst":
        return tuple(n for n in readable if not _smeared(n, readable, scores)) or tuple(readable)
    if coverage is None or node.kind == "panorama":
        return tuple(readable)
    counted = np.bincount(coverage.best[coverage.best >= 0].ravel(), minlength=len(measure.frames))
    share = 100 * counted / coverage.best.size
    keep = {name for name, pct in zip(measure.frames, share, strict=True) if pct >= settings.drop_below_gain_pct}
    if not keep:
        return tuple(readable)
    return tuple(n for n in node.frames if n in keep)


def _smeared(name: str, all_names: list[str], scores: Mapping[str, FrameScore]) -> bool:
    """Whether a burst frame is clearly softer than the burst's better half."""
    sharpness = [scores[n].sharpness for n in all_names]
    return scores[name].sharpness < 0.8 * float(np.median(sharpness))
