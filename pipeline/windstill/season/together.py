"""Shutter and wind together: how the half-way shutter falls as the wind rises."""

from __future__ import annotations

import math
import warnings
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.optimize import brentq, minimize
from scipy.special import expit, log_expit
from scipy.stats import norm

from windstill.season.halfway import allowed_drop
from windstill.settings.season import SeasonSettings

Floats = NDArray[np.float64]
# Stops from the half-way shutter within which the ends of its interval are looked for.
_REACH = 8.0


@dataclass(frozen=True, slots=True, eq=False)
class WindCurve:
    """log-odds of failure = constant + per_stop log2 t + per_doubling log2 wind, with the sets it was fitted on.

    `log_shutter`, `log_wind` (log2) and `failed` (1 or 0) have one value per set.
    """

    constant: float
    per_stop: float
    per_doubling: float
    level: float
    log_shutter: Floats
    log_wind: Floats
    failed: Floats

    def halfway_s(self, wind_mps: float) -> tuple[float, float, float]:
        """Shutter at which half of the sets fail in a wind, and its interval, seconds.

        The interval is that of the profile likelihood: the shutters that, called half-way, leave the sets likely enough
        whatever the two slopes. An end not found within 8 stops is 0 or ``inf``.
        """
        w = math.log2(wind_mps)
        centre = -(self.constant + self.per_doubling * w) / self.per_stop
        failing = expit(self.constant + self.per_stop * self.log_shutter + self.per_doubling * self.log_wind)
        cut = self._height(centre, w) - allowed_drop(failing, 3, self.level)

        def above(x: float) -> float:
            return self._height(x, w) - cut

        low, high = centre - _REACH, centre + _REACH
        from_x = brentq(above, low, centre, xtol=1e-3) if above(low) < 0 else -math.inf
        to_x = brentq(above, centre, high, xtol=1e-3) if above(high) < 0 else math.inf
        return 2.0**centre, 2.0**from_x, 2.0**to_x

    def _height(self, halfway: float, wind: float) -> float:
        """Largest log-likelihood, over both slopes, with the half-way shutter at a wind held (all log2)."""
        sign = 2.0 * self.failed - 1.0
        z = np.column_stack([self.log_shutter - halfway, self.log_wind - wind]) * sign[:, None]

        def cost(slopes: Floats) -> tuple[float, Floats]:
            reach = z @ slopes
            return -float(log_expit(reach).sum()), -(expit(-reach) @ z)

        found = minimize(cost, np.array([self.per_stop, self.per_doubling]), jac=True, method="BFGS")
        return -float(found.fun)


def fit_with_wind(sets: pd.DataFrame, settings: SeasonSettings) -> WindCurve | None:
    """Logistic regression of failure on log2 shutter and log2 wind (statsmodels).

    ``None`` where there are too few sets with known wind, where the fit does not settle (complete separation), or where
    either slope could be zero at the level asked.
    """
    from statsmodels.genmod.families import Binomial
    from statsmodels.genmod.generalized_linear_model import GLM

    known = sets.dropna(subset=["held", "shutter_s", "wind_mps"])
    known = known[known["wind_mps"] > 0]
    failed = 1.0 - known["held"].to_numpy(dtype=float)
    if min(failed.sum(), len(failed) - failed.sum()) < settings.joint_least_each:
        return None
    log_shutter, log_wind = (np.log2(known[name].to_numpy(dtype=float)) for name in ("shutter_s", "wind_mps"))
    logs = np.column_stack([np.ones(len(known)), log_shutter, log_wind])
    if np.linalg.matrix_rank(logs) < 3:
        return None
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            fitted = GLM(failed, logs, family=Binomial()).fit(maxiter=100)
        except (ValueError, np.linalg.LinAlgError):
            return None
    values, spreads = np.asarray(fitted.params, float), np.asarray(fitted.bse, float)
    needed = float(norm.ppf((1.0 + settings.level) / 2.0))
    if not (fitted.converged and np.isfinite(spreads).all() and (values[1:] > needed * spreads[1:]).all()):
        return None
    constant, per_stop, per_doubling = (float(v) for v in values)
    return WindCurve(constant, per_stop, per_doubling, settings.level, log_shutter, log_wind, failed)
