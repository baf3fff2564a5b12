"""Wind or shake: a frame's smear against what its still background shows."""

from __future__ import annotations

import math
from dataclasses import dataclass

import pandas as pd

from windstill.season.counting import Share, by_step, wilson


@dataclass(frozen=True, slots=True)
class Cause:
    """Frames of one shutter step by what smeared them beyond tolerance. `unclear` frames have no measure of shake."""

    step: int
    frames: int
    within: int
    wind: int
    shake: int
    both: int
    unclear: int


def causes_per_step(frames: pd.DataFrame, shake_part: float) -> list[Cause]:
    """Count causes per shutter step, fastest first.

    The camera's shake smears everything alike and is measured on all of the frame (`shake_px`); the wind smears the
    subject alone. Where both move, directions differ at random and lengths add as squares, so the subject's own part
    is sqrt(smear^2 - shake^2). A frame within tolerance counts as `within`; else the cause is the part beyond
    tolerance, or beyond `shake_part` of the whole for shake.

    Parameters
    ----------
    frames : pandas.DataFrame
        As `season.merged.single_frames` gives it.
    shake_part : float
        Share of a frame's smear from which shake is named as a cause, 0..1.
    """
    known = frames.dropna(subset=["step", "smear_px", "tolerance_px"])
    rows = []
    for step, group in by_step(known):
        counts = dict.fromkeys(("within", "wind", "shake", "both", "unclear"), 0)
        for smear, shake, tolerance in zip(group["smear_px"], group["shake_px"], group["tolerance_px"], strict=True):
            counts[cause_of(float(smear), float(shake), float(tolerance), shake_part)] += 1
        rows.append(Cause(step, len(group), **counts))
    return rows


def cause_of(smear_px: float, shake_px: float, tolerance_px: float, shake_part: float) -> str:
    """``within``, ``wind``, ``shake``, ``both`` or ``unclear`` (smeared, shake unknown)."""
    if max(smear_px, 0.0 if math.isnan(shake_px) else shake_px) <= tolerance_px:
        return "within"
    if math.isnan(shake_px):
        return "unclear"
    own = math.sqrt(max(0.0, smear_px**2 - shake_px**2))
    shaken = shake_px > tolerance_px or shake_px > shake_part * smear_px
    if shaken and own > tolerance_px:
        return "both"
    return "shake" if shaken else "wind"


def background_share(sets: pd.DataFrame, level: float) -> Share:
    """Failed sets in which most of the judged area moved beyond tolerance: camera or parallax rather than wind."""
    failed = sets[(sets["held"] == 0) & sets["background_px"].notna()]
    moved = failed["background_px"] > failed["tolerance_px"]
    return wilson(float(moved.sum()), len(failed), level)
