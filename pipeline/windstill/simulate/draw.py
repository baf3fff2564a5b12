"""Random shoots: every description drawn is another evening, for measuring without over-fitting.

Everything varies: place, focal length, aperture, ISO up to 6400, exposure steps, nesting, wind from none to strong,
sizes of what moves, texture, noise, camera movement, what the files say about themselves.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from windstill.records import Kind
from windstill.simulate.describe import Description, parse_description

KIND_SHARES: dict[Kind, float] = {"bracket": 0.30, "stack": 0.30, "panorama": 0.18, "burst": 0.10, "single": 0.12}
_LOOKS = ("sea-cliff", "meadow", "moor", "shore", "wood")
_MAKERS = (
    ("Halden", "Halden V2", "Skerry 24-105 mm f/2.8"), ("Orrin", "Orrin Field 45", "Orrin Wide 14-35"),
    ("Tarn & Wick", "TW-7", "Wick 20-70 f/4"), ("Brae", "Brae One", "Brae Prime Set"),
)
_FOLDERS = ("CLIFF", "FELLS", "BRAES", "TARNS", "SHORE", "MOORS")
_PREFIXES = ("THRF", "BRAE", "TARN", "DSK_", "GULL", "FERN")
_REFERENCE_PX = 10.0
"""Pixels at 6000. Amplitude of a scene's blooms at the reference wind; the wind of each set scales it."""


@dataclass(frozen=True, slots=True)
class Leanings:
    """What a random shoot should hold.

    Attributes
    ----------
    kinds : tuple of kinds, optional
        Only top-level sets of these kinds.
    nesting : bool
        Sets of sets occur.
    oddities : bool
        Strays, test frames, aborted sets, second bodies, rolling counters, missing times and the like occur.
    camera_data : bool, optional
        False: files without any; True: always with; None: mostly with.
    calm : bool, optional
        True: nothing moves in any set; False: wind in every set; None: both.
    """

    kinds: tuple[Kind, ...] | None = None
    nesting: bool = True
    oddities: bool = True
    camera_data: bool | None = None
    calm: bool | None = None


def random_description(
    n_sets: int, seed: int, *, width_px: int = 1800, leanings: Leanings | None = None, quick: bool = False
) -> Description:
    """Draw a shoot.

    Parameters
    ----------
    n_sets : int
        Top-level sets, stray and test frames included.
    seed : int
        The same seed draws the same shoot.
    width_px : int
        Long side of the pictures.
    leanings : Leanings, optional
        What it should hold; everything by default.
    quick : bool
        Plain scenes that render in tens of milliseconds at 480 to 640 px, for grouping.

    Returns
    -------
    Description
    """
    return _Draw(n_sets, seed, width_px, leanings or Leanings(), quick).description()


class _Draw:
    def __init__(self, n_sets: int, seed: int, width_px: int, leanings: Leanings, quick: bool) -> None:
        self.rng = np.random.default_rng([seed, 0xD2A3])
        self.seed, self.n_sets, self.width_px, self.quick, self.lean = seed, n_sets, width_px, quick, leanings
        self.scenes: list[dict[str, Any]] = []
        self.shots: list[dict[str, Any]] = []
        odd = leanings.oddities
        data = leanings.camera_data
        self.data = data if data is not None else not (odd and self._chance(0.08))
        self.sensor_mm = float(self.rng.choice([36.0, 36.0, 36.0, 23.5, 43.8]))
        self.sets = 0

    def _chance(self, p: float) -> bool:
        return bool(self.rng.random() < p)

    def _between(self, low: float, high: float) -> float:
        return float(self.rng.uniform(low, high))

    def _log(self, low: float, high: float) -> float:
        return float(math.exp(self.rng.uniform(math.log(low), math.log(high))))

    def _pick(self, *values: Any) -> Any:
        return values[int(self.rng.integers(len(values)))]

    def description(self) -> Description:
        while self.sets < self.n_sets:
            self._add()
        odd = self.lean.oddities
        minutes = max(1.0, 1.2 * len(self.shots))
        bodies = self._bodies(odd)
        values: dict[str, Any] = {
            "name": f"random-{self.seed}", "about": "Drawn at random.", "seed": self.seed, "width_px": self.width_px,
            "aspect": self._pick(1.5, 1.5, 1.5, 4 / 3), "light_ev": self._between(3.0, 12.0),
            "light_fall_ev_min": self._between(0.0, 2.5) / minutes if self._chance(0.7) else 0.0,
            "bodies": bodies, "files": self._files(odd), "scenes": self.scenes, "shots": self.shots,
        }
        return parse_description(values, f"random shoot {self.seed}")

    def _bodies(self, odd: bool) -> list[dict[str, Any]]:
        maker, model, lens = self._pick(*_MAKERS)
        number = int(self.rng.integers(1, 9000))
        if odd and self._chance(0.25):
            number = 9999 - int(self.rng.integers(0, 12))
        body: dict[str, Any] = {
            "maker": maker, "model": model, "lens": lens, "serial": f"{int(self.rng.integers(10**6)):06d}",
            "sensor_mm": self.sensor_mm, "full_well_e": self._log(18_000, 70_000), "read_noise_e": self._log(1.5, 6.0),
            "prefix": self._pick(*_PREFIXES), "folder": self._pick(*_FOLDERS), "first_number": number,
            "vignetting_ev": self._between(0, 1.2) if self._chance(0.5) else 0.0,
            "distortion": self._between(-0.008, 0.008) if self._chance(0.4) else 0.0,
        }
        if odd and self._chance(0.2):
            body["frames_per_folder"] = int(self.rng.integers(5, 60))
        return [body]

    def _files(self, odd: bool) -> dict[str, Any]:
        if not self.data:
            return {
                "camera_data": False, "names": "scan", "quality": int(self.rng.integers(80, 97)),
                "format": "jpeg", "thumbnail": False,
            }
        return {
            "quality": int(self.rng.integers(82, 97)), "subseconds": not (odd and self._chance(0.2)),
            "utc_offset": self._chance(0.7), "focus_distance": self._chance(0.5), "marks": self._chance(0.3),
            "preview_px": 0 if self.quick else self.width_px // 3,
        }

    # -- scenes ---------------------------------------------------------------------------------------------------

    def _scene(self, kind: Kind) -> str:
        rng = self.rng
        focal35 = self._log(16, 85) if kind != "panorama" else self._log(18, 60)
        focal = focal35 * self.sensor_mm / 36
        near = max(0.3, focal35 / 24 * self._log(0.45, 1.1))
        look = self._pick(*_LOOKS)
        height = near * self._between(0.45, 0.8) * min(1.0, 30 / focal35)
        name = f"place-{len(self.scenes) + 1}"
        scene: dict[str, Any] = {
            "name": name, "look": look, "seed": int(rng.integers(1 << 30)), "focal_mm": round(focal, 1),
            "upright": self._chance(0.25), "camera_height_m": height, "nearest_m": near,
            "pitch_deg": self._between(-9, -1) * min(1.0, 26 / focal35), "contrast": self._log(0.45, 1.4),
            "sky_ev": self._between(0.5, 3.5), "clouds": self._between(0, 0.9), "waves": self._chance(0.8),
            "cloud_memory_s": self._pick(0.0, 0.0, self._log(8, 90)),
            "cards": int(rng.integers(3, 5)) if self.quick else int(rng.integers(5, 10)),
            "wind": {"speed_ms": 4.0, "gustiness": self._between(0.2, 0.9), "lull_s": self._log(3, 12)},
        }
        if not self._chance(0.08):
            groups = 1 if self.quick else int(rng.integers(1, 4))
            # A panorama spreads them over all its views.
            spread = 3 if kind == "panorama" and not self.quick else 1
            scene["blooms"] = [self._blooms(near, focal, spread) for _ in range(groups)]
        # Drawn apart, so that whatever else a seed draws does not hang on it.
        sky = np.random.default_rng([scene["seed"], 1])
        if sky.random() < 0.5 and not scene["cloud_memory_s"]:
            speed = float(np.exp(sky.uniform(np.log(0.5), np.log(30))))
            scene["cloud_drift_px_s"] = round(speed * float(sky.choice([-1, 1])), 2)
        self.scenes.append(scene)
        return name

    def _blooms(self, near: float, focal: float, spread: int) -> dict[str, Any]:
        rng = self.rng
        kind = self._pick("thrift", "thrift", "daisy", "seed-head", "leaf", "bush")
        pitch = self.sensor_mm / 6000
        low, high = near * 0.9, near * self._log(1.3, 5)
        middle = 2 / (1 / low + 1 / high)
        # Heads of 0.07 to 1.4 % of the picture, bushes of up to 12 %.
        size_px = self._log(150, 650) if kind != "bush" else self._log(600, 1800)
        head = size_px * pitch * middle / focal
        count = int(rng.integers(2, 9)) if self.quick else int(rng.integers(3, 34))
        if kind == "bush":
            count = int(rng.integers(1, 5))
        count *= spread
        stem = near * self._between(0.25, 0.55) * 24 / max(24.0, focal)
        return {
            "kind": kind, "count": count, "near_m": low, "far_m": high, "head_mm": (head * 800, head * 1250),
            "stem_mm": (stem * 700, stem * 1200), "sway_mm": 1000 * _REFERENCE_PX * pitch * middle / focal,
            "frequency_hz": (1.2, 2.0), "clump": self._pick(1.0, 1.0, 4.0, 8.0),
        }

    # -- sets -----------------------------------------------------------------------------------------------------

    def _wind(self) -> float:
        """Wind of one set: sway amplitude goes with its square."""
        calm = self.lean.calm
        if calm is True or (calm is None and self._chance(0.42)):
            return 0.0
        low, high = self._pick((0.15, 0.9), (0.9, 3.0), (3.0, 10.0), (10.0, 26.0))
        return 4.0 * math.sqrt(self._log(low, high) / _REFERENCE_PX)

    def _shot(self, scene: str) -> dict[str, Any]:
        """What every set has."""
        return {
            "scene": scene, "f_number": self._pick(5.6, 8, 8, 11, 11, 13, 16), "iso": round(self._log(100, 6400)),
            "compensation_ev": self._between(-1, 1), "pause_s": self._log(35, 400), "interval_s": self._log(0.25, 2.0),
            "wind_ms": self._wind(), "shift_px": self._log(0.1, 1.5), "roll_deg": self._pick(0.0, 0.0, 0.01, 0.03),
            "sink_px": self._pick(0.0, 0.0, self._between(-8, 8)), "focus_m": self._near(scene) * self._log(1.2, 4),
            "settle_px": self._pick(0.0, 0.0, self._log(0.3, 3)), "longest_s": self._log(0.2, 3.0),
        }

    def _near(self, scene: str) -> float:
        return float(next(s["nearest_m"] for s in self.scenes if s["name"] == scene))

    def _add(self) -> None:
        shares = KIND_SHARES if self.lean.kinds is None else {k: KIND_SHARES[k] for k in self.lean.kinds}
        kinds = list(shares)
        weights = np.array([shares[k] for k in kinds])
        kind = kinds[int(self.rng.choice(len(kinds), p=weights / weights.sum()))]
        scene = self._scene(kind)
        shot = self._shot(scene)
        make = {"bracket": self._bracket, "stack": self._stack, "panorama": self._panorama, "burst": self._burst}
        if kind in make:
            make[kind](shot)
        odd = self.lean.oddities
        room = self.n_sets - self.sets
        before: list[dict[str, Any]] = []
        singles = self.lean.kinds is None or "single" in self.lean.kinds
        if odd and singles and self.data and room > 1 and kind in ("bracket", "stack") and self._chance(0.10):
            before.append({**self._bare(shot), "role": "test", "pause_s": shot["pause_s"]})
            shot["pause_s"] = self._between(9, 25)
            room -= 1
        if odd and self.data and room > 1 and kind not in ("single", "burst") and self._chance(0.10):
            aborted = {**shot, "abort_after": int(self.rng.integers(2, 4)), "takes": 1}
            if math.prod(self._lengths(shot)) > aborted["abort_after"]:
                before.append(aborted)
                shot["pause_s"] = self._between(6, 30)
                room -= 1
        if odd and self._chance(0.10):
            shot["shake_px"] = self._log(0.4, 8.0)
        if odd and kind in ("bracket", "burst", "panorama") and self._chance(0.04):
            shot["handheld"] = True
        takes = 1
        if kind != "single" and self.data and room > 1 and self._chance(0.25):
            takes = min(room, int(self.rng.integers(2, 4)))
        for k in range(takes):
            one = dict(shot)
            if k:
                one["pause_s"] = self._between(5, 40) + 3 * shot["interval_s"]
                one["wind_ms"] = self._wind()
            one["reframe_deg"] = self._pick(0.0, 0.03, 0.15) if takes > 1 else 0.0
            before.append(one)
        if odd and singles and room - takes > 0 and self.data and self._chance(0.08):
            before.append(self._stray())
        self.shots += before
        self.sets += len(before)

    def _lengths(self, shot: dict[str, Any]) -> list[int]:
        lengths = {
            "view": shot.get("views", {}).get("count", 1) * shot.get("views", {}).get("rows", 1),
            "focus": shot.get("focus", {}).get("count", 1), "repeat": shot.get("repeats", 1),
            "exposure": len(shot.get("exposures", {}).get("steps_ev", (0,))),
        }
        return [lengths[a] for a in shot.get("order", ())]

    def _bare(self, shot: dict[str, Any]) -> dict[str, Any]:
        return {k: v for k, v in shot.items() if k not in ("order", "views", "focus", "exposures", "repeats", "takes")}

    def _stray(self) -> dict[str, Any]:
        name = f"stray-{len(self.scenes) + 1}"
        self.scenes.append({
            "name": name, "look": "ground", "seed": int(self.rng.integers(1 << 30)), "focal_mm": 24.0,
            "pitch_deg": -2.0, "camera_height_m": 1.5, "nearest_m": 1.2,
        })
        return {
            "scene": name, "role": "stray", "pause_s": self._log(8, 120), "focus_m": 1.5, "iso": 400, "wind_ms": 0.0,
        }

    def _bracket(self, shot: dict[str, Any]) -> None:
        shot["order"] = ["exposure"]
        shot["exposures"] = self._exposures()
        if self.lean.nesting and self._chance(0.12):
            shot["order"] = ["exposure", "focus"]
            shot["focus"] = self._focus(shot, 4)
            shot["exposures"] = self._exposures(3)

    def _stack(self, shot: dict[str, Any]) -> None:
        shot["order"] = ["focus"]
        shot["focus"] = self._focus(shot, 9)
        if shot["focus"]["by_hand"]:
            shot["focus_pause_s"] = self._log(1.5, 6)
        if self.lean.nesting and self._chance(0.3):
            shot["order"] = ["focus", "exposure"]
            shot["exposures"] = self._exposures(3)

    def _panorama(self, shot: dict[str, Any]) -> None:
        shot["order"] = ["view"]
        shot["views"] = {
            "count": int(self.rng.integers(2, 6)), "overlap_pct": self._between(22, 50),
            "direction": self._pick("right", "right", "left"), "rows": 2 if self._chance(0.12) else 1,
            "pivot_offset_mm": self._pick(0.0, 0.0, self._between(-30, 60)),
        }
        shot["view_pause_s"] = self._log(1.5, 6)
        if self._chance(0.15):
            shot["views"]["ev_drift"] = [float(v) for v in np.cumsum(self.rng.choice([0, 1 / 3, -1 / 3, 2 / 3], 5))]
        if self.lean.nesting and self._chance(0.45):
            inner = self._pick(["exposure"], ["focus"], ["focus", "exposure"])
            shot["order"] = ["view", *inner]
            shot["views"]["count"] = min(shot["views"]["count"], 3)
            shot["views"]["rows"] = 1
            shot["exposures"] = self._exposures(3)
            shot["focus"] = self._focus(shot, 4)
            shot["views"].pop("ev_drift", None)

    def _burst(self, shot: dict[str, Any]) -> None:
        shot["order"] = ["repeat"]
        shot["repeats"] = int(self.rng.integers(3, 11))
        shot["wait_for_lull"] = self._chance(0.3)

    def _exposures(self, most: int = 9) -> dict[str, Any]:
        count = min(most, self._pick(2, 3, 3, 3, 5, 5, 7, 9))
        step = self._pick(2 / 3, 1.0, 1.0, 4 / 3, 2.0, 2.0, 3.0)
        if count >= 7:
            step = min(step, 1.0)
        elif count == 5:
            step = min(step, 2.0)
        levels = [round(step * (k - (count - 1) // 2), 4) for k in range(count)]
        order = self._pick("up", "zero first", "zero first", "down")
        if order == "zero first":
            levels.sort(key=lambda v: (abs(v), v))
        elif order == "down":
            levels.reverse()
        return {"steps_ev": levels, "by": self._pick("shutter", "shutter", "shutter", "shutter", "iso", "aperture")}

    def _focus(self, shot: dict[str, Any], most: int) -> dict[str, Any]:
        near = self._near(shot["scene"])
        by_hand = self._chance(0.25)
        focus: dict[str, Any] = {
            "near_m": near * self._between(0.95, 1.25), "far_m": near * self._log(5, 40),
            "count": int(self.rng.integers(2, most + 1)), "order": self._pick("near-far", "near-far", "far-near"),
            "by_hand": by_hand,
        }
        if self.lean.oddities and self._chance(0.12):
            # Stopped too early: what is behind stays blurred.
            focus["far_m"] = focus["near_m"] * self._between(1.2, 1.8)
            shot["f_number"] = self._pick(2.8, 4, 5.6)
        if self.lean.oddities and self._chance(0.06):
            focus["repeat_position"] = int(self.rng.integers(1, focus["count"] + 1))
        return focus
