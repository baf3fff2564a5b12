"""What the season says, in sentences."""

from __future__ import annotations

import math

from windstill.optics.marks import shutter_mark
from windstill.season.counting import Share
from windstill.season.learn import Season

_PLURAL = {"bracket": "brackets", "stack": "stacks", "panorama": "panoramas", "burst": "bursts"}


def percent(share: float) -> str:
    """``"58 %"``; empty where there is nothing."""
    return "" if math.isnan(share) else f"{share * 100:.0f} %"


def likely(share: Share) -> str:
    """The interval in words."""
    return f"{percent(share.low)} to {percent(share.high)}"


def lost_lines(season: Season) -> list[str]:
    """One sentence per kind: how many sets movement left hard or lost at each shutter step."""
    said = []
    for kind, steps in season.per_step_of_kind.items():
        if not steps:
            continue
        parts = []
        for step, share in reversed(steps):
            small = ", a small sample" if share.of < season.settings.small else ""
            failed = Share(share.of - share.good, share.of, 1 - share.high, 1 - share.low)
            counted = f"{failed.good:.0f} of {failed.of:.0f} at {shutter_mark(2.0**step)}"
            parts.append(f"{counted} (likely {likely(failed)}{small})")
        sets = _PLURAL.get(kind, kind).capitalize()
        said.append(f"{sets} that movement left hard or lost: {'; '.join(parts)}.")
    return said


def halfway_line(season: Season) -> str:
    """The half-way shutter, or why there is none."""
    found, needed = season.halfway, season.settings
    if found is not None:
        ends = (
            shutter_mark(found.low_s) if found.low_s > 0 else "not bounded",
            shutter_mark(found.high_s) if math.isfinite(found.high_s) else "not bounded",
        )
        return (
            f"Half of the sets fail at {_fine(found.shutter_s)} (likely {ends[0]} to {ends[1]}; {found.sets} sets, "
            f"{found.failed} failed)."
        )
    known = season.sets.dropna(subset=["held", "step"])
    failed = int((known["held"] == 0).sum())
    least = needed.fit_least_sets
    if len(known) < least or min(failed, len(known) - failed) < needed.fit_least_each:
        return (
            f"Too few sets for a half-way shutter: {len(known)} with {failed} failed; it takes {least}, with "
            f"{needed.fit_least_each} failed and as many held."
        )
    if known["step"].nunique() < needed.fit_least_steps:
        return f"Shutters were too alike for a half-way shutter: it takes {needed.fit_least_steps} different steps."
    return (
        "Failures do not grow with the shutter here: what moves between frames decides, and a shorter one is no cure."
    )


def wind_lines(season: Season) -> list[str]:
    """Half-way shutter in each wind of the scale that occurred, from shutter and wind fitted together."""
    from windstill.optics import BEAUFORT

    curve = season.wind_curve
    if curve is None:
        return []
    speeds = season.sets["wind_mps"].dropna()
    said = []
    for step in BEAUFORT[1:]:
        if speeds.between(step.low_mps, step.high_mps + 0.05).any():
            middle, low, high = curve.halfway_s(step.middle_mps)
            ends = f"{_fine(low)} to {_fine(high)}"
            said.append(f"Beaufort {step.force}, {step.name}: half fail at {_fine(middle)} (likely {ends}).")
    return said


def cause_line(season: Season) -> str:
    """Wind or shake, over all shutters."""
    total = {name: sum(getattr(c, name) for c in season.causes) for name in ("wind", "shake", "both", "unclear")}
    smeared, measured = sum(total.values()), sum(c.frames for c in season.causes)
    if measured == 0:
        return "Smear could be measured in no frame of these sets, so wind and shake cannot be told apart."
    if smeared == 0:
        return f"Frames smeared beyond tolerance: none of {measured} whose smear could be measured."
    return (
        f"Of {smeared} smeared frames, {total['wind']} were the wind (the background is sharp), {total['shake']} the "
        f"camera's shake, {total['both']} both, and {total['unclear']} cannot be told."
    )


def background_line(season: Season) -> str:
    """How often most of the picture moved."""
    share = season.background
    if share.of == 0:
        return ""
    if share.good == 0:
        failed = "the one failed set" if share.of == 1 else f"all {share.of:.0f} failed sets"
        return f"In {failed} most of the picture stood still: not the tripod, but the subject moved."
    return (
        f"In {share.good:.0f} of {share.of:.0f} failed sets most of the picture moved as well, not the subject alone: "
        "the tripod, a nudge, or parallax."
    )


def _fine(seconds: float) -> str:
    """A time that need not be a mark of the camera: ``"1/87 s"``, ``"1.4 s"``."""
    if seconds >= 0.4:
        return f"{seconds:.2g} s"
    return f"1/{1 / seconds:.0f} s"
