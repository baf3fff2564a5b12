"""Plots of the accuracy bench, small PNG files beside the report."""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from pathlib import Path

import matplotlib

matplotlib.use("Agg")
import matplotlib.pyplot as plt
import numpy as np
import pandas as pd

Pictures = dict[str, list[tuple[str, str]]]


def plots(t: Mapping[str, pd.DataFrame], folder: Path) -> Pictures:
    """Draw all plots; gives (file name, alternative text) by section of the report."""
    made: Pictures = {}
    for section, name, alt, draw in (
        ("Sway per region", "accuracy-sway.png", "Sway found against true sway, by region", _sway),
        ("Sway per region", "accuracy-confidence.png", "Error by confidence", _confidence),
        ("Calm, ruined, outlook", "accuracy-roc.png", "ROC of ruined against calm sets", _roc),
        ("Smear", "accuracy-smear.png", "Smear found against true smear, by frame", _smear),
    ):
        figure, axes = plt.subplots(figsize=(4.6, 3.6), layout="constrained")
        draw(axes, t)
        figure.savefig(folder / name, dpi=100)
        plt.close(figure)
        made.setdefault(section, []).append((name, alt))
    return made


def _sway(axes: plt.Axes, t: Mapping[str, pd.DataFrame]) -> None:
    r = t["regions"]
    r = r[r["relevant"] & r["moving"] & (r["measured"] > 0)]
    for crisp, colour, label in (("smeared", "#c97b3c", "smeared"), ("faint", "#8a8f98", "faintly smeared"),
                                 ("crisp", "#2f6f8f", "crisp")):  # fmt: skip
        own = r[r["crisp"] == crisp]
        axes.plot(np.maximum(own["true"], 0.02), np.maximum(own["found"], 0.02), ".", ms=3, color=colour, label=label)
    axes.plot([0.02, 60], [0.02, 60], color="black", lw=0.6)
    axes.set(xscale="log", yscale="log", xlabel="true sway, px", ylabel="found, px")
    axes.legend(fontsize=8)


def _confidence(axes: plt.Axes, t: Mapping[str, pd.DataFrame]) -> None:
    r = t["regions"]
    r = r[r["moving"] & (r["confidence"] > 0) & r["error"].notna()]
    edges = np.array([0.01, 0.2, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.97, 1.001])
    middle = (edges[:-1] + edges[1:]) / 2
    for q, style in ((0.5, "-"), (0.9, "--")):
        values = [
            r[(r["confidence"] >= low) & (r["confidence"] < high)]["error"].quantile(q)
            for low, high in itertools.pairwise(edges)
        ]
        axes.plot(middle, values, style, marker="o", ms=3, color="#2f6f8f", label=f"{q:.0%} quantile")
    axes.set(yscale="log", xlabel="confidence", ylabel="error, px")
    axes.legend(fontsize=8)


def _roc(axes: plt.Axes, t: Mapping[str, pd.DataFrame]) -> None:
    from sklearn.metrics import roc_curve

    s = t["sets"]
    s = s[s["exact"] & s["has_pairs"]]
    s = s[s["calm"].astype(bool) | s["ruined"].astype(bool)]
    truth = s["ruined"].astype(bool)
    for column, label, colour in (
        ("tool_sway_max_px", "sway_max_px", "#2f6f8f"), ("flow_p95", "plain flow", "#c97b3c"),
        ("difference", "plain difference", "#8a8f98"),
    ):  # fmt: skip
        if truth.nunique() == 2:
            false, true, _ = roc_curve(truth, s[column].astype(float).fillna(0))
            axes.plot(false, true, color=colour, label=label)
    axes.plot([0, 1], [0, 1], color="black", lw=0.4)
    axes.set(xlabel="calm sets flagged", ylabel="ruined sets found")
    axes.legend(fontsize=8)


def _smear(axes: plt.Axes, t: Mapping[str, pd.DataFrame]) -> None:
    f = t["smear"]
    axes.plot(np.maximum(f["true"], 0.05), f["found"].astype(float).fillna(0).clip(lower=0.05), ".", ms=3,
              color="#2f6f8f")  # fmt: skip
    axes.plot([0.05, 60], [0.05, 60], color="black", lw=0.6)
    axes.set(xscale="log", yscale="log", xlabel="true smear, px", ylabel="reported (none = 0.05), px")
