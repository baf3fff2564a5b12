"""Shares and their confidence intervals, per shutter step and per condition."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd


@dataclass(frozen=True, slots=True)
class Share:
    """`good` of `of`, and the interval the true share lies in (0..1, Wilson); ``nan`` when there is nothing."""

    good: float
    of: float
    low: float
    high: float

    @property
    def share(self) -> float:
        """Good of all, 0..1."""
        return self.good / self.of if self.of > 0 else math.nan


def wilson(good: float, of: float, level: float) -> Share:
    """Share with its Wilson score interval.

    Parameters
    ----------
    good, of : float
        Successes and trials, 0 <= good <= of; an effective sample size need not be whole.
    level : float
        Confidence level, 0..1.

    Returns
    -------
    Share

    References
    ----------
    E. B. Wilson, J. Am. Stat. Assoc. 22, 1927; recommended for small samples by Brown, Cai & DasGupta, Statistical
    Science 16, 2001. Computed by statsmodels.
    """
    from statsmodels.stats.proportion import proportion_confint

    if of <= 0:
        return Share(0.0, 0.0, math.nan, math.nan)
    low, high = proportion_confint(good, of, alpha=1.0 - level, method="wilson")
    return Share(good, of, max(0.0, float(low)), min(1.0, float(high)))


def by_step(table: pd.DataFrame) -> list[tuple[int, pd.DataFrame]]:
    """The rows of each shutter step, fastest first."""
    return [(round(float(str(step))), part) for step, part in table.groupby("step")]


def sets_per_step(sets: pd.DataFrame, level: float) -> list[tuple[int, Share]]:
    """Sets that held per shutter step, fastest first."""
    known = sets.dropna(subset=["held", "step"])
    return [
        (step, wilson(float(group["held"].sum()), len(group), level)) for step, group in by_step(known)
    ]


@dataclass(frozen=True, slots=True)
class FrameShare:
    """Frames within tolerance at one shutter step; the interval counts frames of one set as partly one gust."""

    step: int
    share: Share
    sets: int


def frames_per_step(frames: pd.DataFrame, level: float) -> list[FrameShare]:
    """Frames whose smear stays within tolerance, per shutter step, fastest first.

    Notes
    -----
    Frames of one set share wind and subject, so they say less than as many frames apart. The number of frames is
    divided by the design effect 1 + (m - 1) rho (Kish, Survey Sampling, 1965), m the frames per set and rho the
    correlation within sets by one-way analysis of variance, before the interval is taken.
    """
    known = frames.dropna(subset=["step", "smear_px", "tolerance_px"])
    rows = []
    for step, group in by_step(known):
        within = (group["smear_px"] <= group["tolerance_px"]).astype(float)
        clusters = group["review"].astype(str) + "\0" + group["root"].astype(str)
        count = len(group) / design_effect(within.to_numpy(), clusters.to_numpy())
        interval = wilson(float(within.mean()) * count, count, level)
        share = Share(float(within.sum()), float(len(group)), interval.low, interval.high)
        rows.append(FrameShare(step, share, int(clusters.nunique())))
    return rows


def design_effect(values: np.ndarray, clusters: np.ndarray) -> float:
    """How many values of a cluster count as one: 1 + (m - 1) rho, at least 1."""
    _, index, sizes = np.unique(clusters, return_inverse=True, return_counts=True)
    n, k = len(values), len(sizes)
    if k < 2 or n == k:
        return float(sizes.mean()) if n > k else 1.0
    means = np.bincount(index, values) / sizes
    between = float((sizes * (means - values.mean()) ** 2).sum()) / (k - 1)
    within = float(((values - means[index]) ** 2).sum()) / (n - k)
    m0 = (n - float((sizes**2).sum()) / n) / (k - 1)
    spread = between + (m0 - 1.0) * within
    rho = 0.0 if spread <= 0 else (between - within) / spread
    return 1.0 + max(0.0, rho) * (m0 - 1.0)
