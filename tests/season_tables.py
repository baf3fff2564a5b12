"""Made-up seasons: the tables of many reviews, drawn from a known truth."""

from __future__ import annotations

import csv
import itertools
import math
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np

FRAMES = [
    "frame", "files", "captured_at", "camera", "lens", "exposure_s", "f_number", "iso", "focal_mm", "focus_m",
    "bias_ev", "width_px", "height_px", "scene", "set_id", "kind", "view_index", "focus_index", "exposure_index",
    "sharpness", "sharp_area_pct", "noise_sigma", "smear_px", "smear_angle_deg", "shake_px", "clipped_high_pct",
    "clipped_low_pct", "keep", "note",
]  # fmt: skip
SETS = [
    "set_id", "parent_set", "scene", "take", "kind", "frames", "members", "started_at", "duration_s", "shift_px",
    "sway_p95_px", "sway_max_px", "sway_area_pct", "picture_area_pct", "measured_pct", "tolerance_px", "smear_px",
    "coverage_pct", "overlap_pct", "step_ev", "outlook", "reasons", "worst_pair", "base_frame", "keep_frames",
    "advice",
]  # fmt: skip
PAIRS = [
    "set_id", "frame_a", "frame_b", "relation", "shift_x_px", "shift_y_px", "scale", "rotation_deg", "homography",
    "sway_p50_px", "sway_p95_px", "sway_max_px", "relevant_pct", "measured_pct", "sway_area_pct", "worst_x_px",
    "worst_y_px",
]  # fmt: skip


@dataclass(frozen=True)
class Truth:
    """Failure is logistic in log2 of shutter over a half-way shutter that falls as the wind rises."""

    halfway_s: float = 1 / 60
    wind_mps: float = 3.0
    slope_per_stop: float = 2.5
    per_doubling: float = 0.0
    wind_spread: float = 0.6

    def failing(self, shutter_s: float, wind_mps: float) -> float:
        odds = self.slope_per_stop * math.log2(shutter_s / self.halfway_s)
        odds += self.per_doubling * math.log2(wind_mps / self.wind_mps)
        return 1 / (1 + math.exp(-odds))


def write_table(path: Path, columns: list[str], rows: list[dict[str, Any]]) -> None:
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, columns, restval="")
        writer.writeheader()
        writer.writerows(rows)


def make_season(folder: Path, truth: Truth, rng: np.random.Generator, shoots: int = 40, stacks: int = 4) -> Path:
    """Write one review folder per shoot and ``winds.csv``; gives the log."""
    winds = []
    for shoot in range(shoots):
        wind = truth.wind_mps * float(rng.lognormal(0, truth.wind_spread))
        begin = datetime(2026, 5, 1, 20, 0) + timedelta(days=shoot)
        winds.append({"time": (begin + timedelta(minutes=4)).isoformat(), "speed": f"{wind:.3f}"})
        frames: list[dict[str, Any]] = []
        sets: list[dict[str, Any]] = []
        pairs: list[dict[str, Any]] = []
        for n in range(stacks):
            shutter = 2.0 ** (int(rng.integers(-27, -8)) / 3)
            failed = rng.random() < truth.failing(shutter, wind)
            add_set(frames, sets, pairs, n, begin + timedelta(minutes=2 * n), shutter, bool(failed), rng)
        out = folder / f"cliff{shoot:02d}-windstill"
        out.mkdir(parents=True)
        write_table(out / "frames.csv", FRAMES, frames)
        write_table(out / "sets.csv", SETS, sets)
        write_table(out / "pairs.csv", PAIRS, pairs)
    log = folder / "winds.csv"
    write_table(log, ["time", "speed"], winds)
    return log


def add_set(
    frames: list[dict[str, Any]], sets: list[dict[str, Any]], pairs: list[dict[str, Any]], number: int, begin: datetime,
    shutter_s: float, failed: bool, rng: np.random.Generator, *, kind: str = "stack", sway_px: float | None = None,
    outlook: str | None = None, smear_px: float | str = 1.0, shake_px: float | str = 0.2, background_px: float = 0.1,
    coverage_pct: float = 99.0, positions: int = 3,
) -> None:  # fmt: skip
    first = f"100FELLS/THRF{number * 10 + 1:04d}"
    set_id = f"{first}~{kind}"
    names = [f"100FELLS/THRF{number * 10 + 1 + i:04d}" for i in range(positions)]
    sway = sway_px if sway_px is not None else float(rng.uniform(8, 40) if failed else rng.uniform(0.1, 1.8))
    for i, name in enumerate(names):
        frames.append(
            {
                "frame": name, "files": f"{name}.JPG", "captured_at": (begin + timedelta(seconds=6 * i)).isoformat(),
                "camera": "Borean One", "exposure_s": shutter_s, "f_number": 8, "iso": 400, "focal_mm": 24,
                "focus_m": round(0.5 * 1.6**i, 2), "width_px": 6000, "height_px": 4000, "scene": 1, "set_id": set_id,
                "kind": kind, "focus_index": i + 1, "smear_px": smear_px, "shake_px": shake_px, "keep": "yes",
            }
        )  # fmt: skip
    sets.append(
        {
            "set_id": set_id, "parent_set": "", "scene": 1, "take": number + 1, "kind": kind, "frames": positions,
            "members": ";".join(names), "started_at": begin.isoformat(), "sway_max_px": round(sway, 3),
            "picture_area_pct": 5.0 if failed else 0.0, "measured_pct": 90, "tolerance_px": 2, "smear_px": smear_px,
            "coverage_pct": coverage_pct, "outlook": outlook or ("hard" if failed else "clean"),
        }
    )  # fmt: skip
    for a, b in itertools.pairwise(names):
        pairs.append(
            {"set_id": set_id, "frame_a": a, "frame_b": b, "relation": "focus", "sway_p50_px": background_px,
             "sway_max_px": round(sway, 3)}
        )  # fmt: skip
