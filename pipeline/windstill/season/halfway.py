"""The shutter at which half of the sets fail: a logistic curve over log2 of the exposure time."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq, minimize_scalar
from scipy.special import expit, log_expit
from scipy.stats import chi2
from scipy.stats import t as student

Floats = NDArray[np.float64]

# Steepest curve considered, per stop: from 12 % to 88 % failure within a fifth of a stop is as good as a step.
_STEEPEST = 20.0
# The half-way shutter is looked for this many stops beyond the shutters used.
_BEYOND = 4.0
_GRID = 41


@dataclass(frozen=True, slots=True)
class HalfWay:
    """Shutter at which half of the sets fail, seconds, with its interval (an end may be 0 or ``inf``: not bounded).

    `slope_per_stop` is the curve's slope in log-odds per stop; `p_value` that of shutter not mattering at all.
    """

    shutter_s: float
    low_s: float
    high_s: float
    slope_per_stop: float
    p_value: float
    sets: int
    failed: int

    def failing(self, shutter_s: float) -> float:
        """Share expected to fail at a shutter time, 0..1."""
        return float(expit(self.slope_per_stop * math.log2(shutter_s / self.shutter_s)))


def allowed_drop(failing: Floats, parameters: int, level: float) -> float:
    """How far the log-likelihood may fall within the interval.

    Half the squared Student quantile, in place of chi-squared's: only sets near the half-way shutter tell where it is,
    and they are few. Each counts 4 p (1 - p), p the share expected to fail at its shutter (`failing`, 0..1); the
    degrees of freedom are their sum less the parameters fitted. A working choice; the tests hold the coverage to it.
    """
    telling = float((4.0 * failing * (1.0 - failing)).sum())
    return float(student.ppf((1.0 + level) / 2.0, max(3.0, telling - parameters))) ** 2 / 2.0


def fit_halfway(shutter_s: Floats, failed: Floats, level: float) -> HalfWay | None:
    """Fit P(fail) = 1 / (1 + exp(-b (log2 t - log2 t50))), b >= 0.

    Parameters
    ----------
    shutter_s : ndarray, shape (n,)
        Exposure times, seconds, above 0.
    failed : ndarray, shape (n,)
        1 where the set failed, 0 where it held.
    level : float
        Confidence level of the interval.

    Returns
    -------
    HalfWay or None
        ``None`` where failure does not grow with the shutter at that level of confidence: then the shutter did not
        decide, and no shutter is the half-way one.

    Notes
    -----
    Maximum likelihood; the interval is that of the profile likelihood (`allowed_drop`), which stays honest where few
    sets make the usual plus-minus one lie, and where a step separates failed from held completely.
    """
    x = np.log2(np.asarray(shutter_s, dtype=float))
    sign = np.where(np.asarray(failed, dtype=float) > 0.5, 1.0, -1.0)
    share = float((sign > 0).mean())
    flat = len(x) * (share * math.log(share) + (1 - share) * math.log(1 - share)) if 0 < share < 1 else 0.0
    if flat == 0.0:
        return None

    def profile(centre: float) -> tuple[float, float]:
        """Best log-likelihood with the half-way point held, and its slope."""
        away = sign * (x - centre)
        found = minimize_scalar(
            lambda b: -float(log_expit(b * away).sum()),
            bounds=(0.0, _STEEPEST), method="bounded", options={"xatol": 1e-5},
        )
        return -float(found.fun), float(found.x)

    low, high = float(x.min()) - _BEYOND, float(x.max()) + _BEYOND
    grid = np.linspace(low, high, _GRID)
    heights = np.array([profile(c)[0] for c in grid])
    top = int(heights.argmax())
    found = minimize_scalar(
        lambda c: -profile(c)[0], bounds=(grid[max(top - 1, 0)], grid[min(top + 1, _GRID - 1)]), method="bounded",
        options={"xatol": 1e-4},
    )  # fmt: skip
    best, best_height = float(found.x), -float(found.fun)
    p_value = float(chi2.sf(2.0 * max(0.0, best_height - flat), 1))
    if p_value > 1.0 - level:
        return None
    # Where a step separates failed from held, every point between them is as likely; its middle is the estimate.
    plateau = grid[heights > best_height - 1e-3]
    if len(plateau) > 1 and profile(best)[1] > _STEEPEST * 0.9:
        best = float((plateau.min() + plateau.max()) / 2.0)
    cut = best_height - allowed_drop(expit(profile(best)[1] * (x - best)), 2, level)

    def above(centre: float) -> float:
        return profile(centre)[0] - cut

    from_x = brentq(above, low, best, xtol=1e-3) if above(low) < 0 else -math.inf
    to_x = brentq(above, best, high, xtol=1e-3) if above(high) < 0 else math.inf
    return HalfWay(
        shutter_s=2.0**best, low_s=2.0**from_x, high_s=2.0**to_x, slope_per_stop=max(profile(best)[1], 1e-6),
        p_value=p_value, sets=len(x), failed=int((sign > 0).sum()),
    )  # fmt: skip
