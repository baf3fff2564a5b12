"""The Beaufort scale: wind told by words and by metres per second."""

from __future__ import annotations

import re
from dataclasses import dataclass

from windstill.optics.checks import not_negative


@dataclass(frozen=True, slots=True)
class Beaufort:
    """One step of the scale: its number, name, what land shows, and its speeds in m/s (10 m above open ground)."""

    force: int
    name: str
    signs: str
    low_mps: float
    high_mps: float

    @property
    def middle_mps(self) -> float:
        """Middle of the step's speeds."""
        return (self.low_mps + self.high_mps) / 2.0


# WMO Guide to Instruments and Methods of Observation, and the Met Office's table; speeds in m/s.
BEAUFORT: tuple[Beaufort, ...] = (
    Beaufort(0, "calm", "smoke rises straight up", 0.0, 0.2),
    Beaufort(1, "light air", "smoke drifts, vanes do not turn", 0.3, 1.5),
    Beaufort(2, "light breeze", "felt on the face, leaves rustle", 1.6, 3.3),
    Beaufort(3, "gentle breeze", "leaves and small twigs move all the time", 3.4, 5.4),
    Beaufort(4, "moderate breeze", "small branches move, dust lifts", 5.5, 7.9),
    Beaufort(5, "fresh breeze", "small trees in leaf sway", 8.0, 10.7),
    Beaufort(6, "strong breeze", "large branches move, wires whistle", 10.8, 13.8),
)


def beaufort_speed_mps(force: float) -> float:
    """Wind speed of a Beaufort number, v = 0.836 B^1.5.

    Parameters
    ----------
    force : float
        Beaufort number, 0 to 12.

    Returns
    -------
    float
        Metres per second, 10 m above open ground.

    Raises
    ------
    ValueError
        The number is out of range.

    Notes
    -----
    The empirical relation of the scale; the coefficient is from memory.
    """
    if not 0 <= force <= 12:
        raise ValueError(f"Beaufort number must be 0 to 12, not {force:g}")
    return float(0.836 * force**1.5)


def beaufort_at(speed_mps: float) -> Beaufort:
    """Step of the scale a wind speed falls in; speeds above the table give its last step.

    Parameters
    ----------
    speed_mps : float
        Metres per second, 0 or more.

    Raises
    ------
    ValueError
        The speed is negative or not a number.
    """
    not_negative("wind speed", speed_mps, "m/s")
    # The table is printed to .1 m/s; a speed between two steps belongs to the nearer edge.
    return next((step for step in BEAUFORT if speed_mps < step.high_mps + 0.05), BEAUFORT[-1])


def beaufort_from_words(words: str) -> Beaufort:
    """Step of the scale named by its name, its signs, or its number.

    Parameters
    ----------
    words : str
        ``"gentle breeze"``, ``"gentle"``, ``"leaves rustle"``, ``"Beaufort 3"``, ``"force 3"``, ``"B3"``; case and
        punctuation do not matter.

    Raises
    ------
    ValueError
        No step, or more than one, answers to the words.
    """
    said = " ".join(re.findall(r"[a-z0-9]+", words.lower()))
    numbered = re.fullmatch(r"(?:beaufort|force|bft|b)? ?(\d+)", said)
    if numbered:
        force = int(numbered.group(1))
        if force < len(BEAUFORT):
            return BEAUFORT[force]
        raise ValueError(f"wind {words!r}: give Beaufort 0 to {len(BEAUFORT) - 1}; nothing is sharp in more")
    by_name = [step for step in BEAUFORT if said == step.name]
    if said and not by_name:
        wanted = set(said.split())
        by_name = [step for step in BEAUFORT if wanted <= set(re.findall(r"[a-z]+", f"{step.name} {step.signs}"))]
    if len(by_name) == 1:
        return by_name[0]
    names = ", ".join(f"{step.force} {step.name}" for step in BEAUFORT)
    fault = "could be several steps" if by_name else "is no step of the scale"
    raise ValueError(f"wind {words!r} {fault}: give m/s, or one of {names}")
