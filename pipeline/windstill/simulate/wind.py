"""Wind at a place and how stems answer: gusts shared by all, each bloom with its own phase.

A stem answers the gusts with a lean downwind and swings at its own frequency, about 1.4 to 2 Hz (flowers on stems
sway at about 1.7 Hz, up to 2 Hz: J. Exp. Biol. commentary, 2018). Everything is a function of true time, so that sway
between frames and smear within one come from the same motion.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from windstill.simulate.describe import Wind

Array = NDArray[np.float64]
REFERENCE_MS = 4.0
"""Metres a second. Wind at which the amplitudes of the description hold (Beaufort 3: leaves in constant motion)."""
REFERENCE_STEM_M = 0.15
REFERENCE_SWAY_M = 0.02
"""Metres. Amplitude of a head on a stem of `REFERENCE_STEM_M`; 2 cm is the worked example of the checks."""
_LEAN = 0.4
"""Steady lean to amplitude of swing, at the strength of a full gust."""


class Gusts:
    """Strength of the wind over time, 0 in a lull to 1.7 in a gust, 1 on average.

    Parameters
    ----------
    wind : Wind
        Speed, gustiness and the time from gust to gust.
    seed : int
        Of this scene's weather.
    """

    def __init__(self, wind: Wind, seed: int) -> None:
        rng = np.random.default_rng([seed, 0x57494E44])
        n = 14
        self._rate = 2 * np.pi / wind.lull_s * np.exp(rng.normal(0.0, 0.45, n))
        self._phase = rng.uniform(0, 2 * np.pi, n)
        self._weight = 1.4 / np.sqrt(n)
        self._gustiness = wind.gustiness

    def strength(self, t: Array) -> Array:
        """Strength at times `t` in seconds, any shape."""
        wave = self._weight * np.cos(t[..., None] * self._rate + self._phase).sum(-1)
        gust = np.exp(0.9 * self._gustiness * wave - 0.4 * self._gustiness**2)
        lull = 1 / (1 + np.exp(-3.0 * (wave + 0.6)))
        return np.asarray(np.minimum(gust * (1 - self._gustiness * (1 - lull)), 1.7))

    def next_lull(self, t: float, span_s: float = 30.0) -> float:
        """Time of the weakest half second within `span_s`."""
        times = t + np.arange(0, span_s, 0.1)
        calm = np.convolve(self.strength(times), np.ones(8) / 8, mode="valid")
        return float(times[int(np.argmin(calm))])


def amplitude_m(stem_m: float, sway_m: float | None, speed_ms: float) -> float:
    """Amplitude of a head: force goes with the square of the speed, and longer stems give way more."""
    reference = sway_m if sway_m is not None else REFERENCE_SWAY_M * (stem_m / REFERENCE_STEM_M) ** 1.5
    return min(reference * (speed_ms / REFERENCE_MS) ** 2, 0.6 * stem_m)


def sway_m(t: Array, gusts: Gusts, amplitude: float, frequency_hz: float, phase: float, delay_s: float) -> Array:
    """Displacement of a head downwind at times `t`, metres."""
    if amplitude == 0.0:
        return np.zeros_like(t)
    g = gusts.strength(t - delay_s)
    w = 2 * np.pi * frequency_hz
    swing = 0.8 * np.sin(w * t + phase) + 0.2 * np.sin(1.37 * w * t + 2.3 * phase)
    return np.asarray(amplitude * g * (swing + _LEAN * g))
