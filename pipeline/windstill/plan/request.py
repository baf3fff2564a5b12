"""What the photographer says about the shot."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from windstill.optics import OutputSize
from windstill.optics.checks import near_before_far, not_negative, positive, share_below_one


@dataclass(frozen=True, slots=True)
class PlanRequest:
    """A shot to be planned. ``None`` means not said: the plan then leaves out what hangs on it, or takes a habit
    from `PlanSettings`.

    Attributes
    ----------
    focal_mm : float
        Focal length, millimetres.
    near_m, far_m : float
        Nearest and farthest thing to be sharp, metres from the lens; `far_m` may be ``inf``.
    sensor_mm : (float, float)
        Long and short side of the sensor, millimetres.
    pixels : (int, int)
        Long and short side of the picture, pixels.
    upright : bool
        The camera stands upright (portrait) when turned for a panorama.
    apertures : (float, float)
        Widest and narrowest aperture to choose from, as f-numbers; equal for one aperture.
    output : OutputSize
        What the picture is made for.
    circle_mm, tolerance_px : float or None
        Circle of confusion at the sensor and motion tolerance in full-resolution pixels; the output decides when not
        said.
    focus_overlap, view_overlap : float or None
        Shares, 0 to under 1.
    wind_mps : float or None
        Wind, metres per second, as told by the Beaufort scale or a forecast.
    sway_cm : float or None
        Sway of the stems to one side as seen, centimetres; overrules what the wind would suggest.
    subject_m : float or None
        Distance of what the wind moves, metres; the nearest distance when not said.
    light_ev100 : float or None
        Light of the scene, EV at ISO 100.
    fading_ev_per_min : float or None
        Light lost, EV per minute.
    bracket_frames : int
        Frames per exposure bracket, 1 for none; raised where `scene_ev` asks for more.
    bracket_step_ev : float
        Step of the bracket, EV.
    scene_ev, sensor_ev : float or None
        Range of the scene and range one frame holds, EV; with both the number of bracket frames is worked out.
    span_deg : float or None
        Angle the finished panorama shows; ``None`` for a single view.
    takes : int
        Times the whole set is shot.
    lull_s : float or None
        Seconds a lull in the wind lasts.
    title : str
        What the shot is, for the heading.
    """

    focal_mm: float
    near_m: float
    far_m: float = math.inf
    sensor_mm: tuple[float, float] = (36.0, 24.0)
    pixels: tuple[int, int] = (6000, 4000)
    upright: bool = False
    apertures: tuple[float, float] = (5.6, 16.0)
    output: OutputSize = field(default_factory=OutputSize)
    circle_mm: float | None = None
    tolerance_px: float | None = None
    focus_overlap: float | None = None
    view_overlap: float | None = None
    wind_mps: float | None = None
    sway_cm: float | None = None
    subject_m: float | None = None
    light_ev100: float | None = None
    fading_ev_per_min: float | None = None
    bracket_frames: int = 1
    bracket_step_ev: float = 2.0
    scene_ev: float | None = None
    sensor_ev: float | None = None
    span_deg: float | None = None
    takes: int = 1
    lull_s: float | None = None
    title: str = ""

    def check(self) -> None:
        """Raise `ValueError`, one clear line, for the first value that cannot be."""
        positive("focal length", self.focal_mm, "mm")
        near_before_far(self.near_m, self.far_m, self.focal_mm)
        for side in self.sensor_mm:
            positive("sensor side", side, "mm")
        for count in self.pixels:
            positive("pixels along a side", count)
        low, high = self.apertures
        positive("aperture", low)
        positive("aperture", high)
        if high < low:
            raise ValueError(f"aperture range runs from wide to narrow, like 5.6-11, not {low:g}-{high:g}")
        if not 0.7 <= low <= high <= 64:
            raise ValueError(f"aperture must lie between f/0.7 and f/64, not {low:g}-{high:g}")
        for name, value, unit in (
            ("circle of confusion", self.circle_mm, "mm"),
            ("tolerance", self.tolerance_px, "px"),
            ("bracket step", self.bracket_step_ev, "EV"),
            ("range of the scene", self.scene_ev, "EV"),
            ("range of the sensor", self.sensor_ev, "EV"),
            ("lull", self.lull_s, "s"),
        ):
            if value is not None:
                positive(name, value, unit)
        for name, value, unit in (
            ("wind", self.wind_mps, "m/s"),
            ("sway of the stems", self.sway_cm, "cm"),
            ("fading light", self.fading_ev_per_min, "EV per minute"),
        ):
            if value is not None:
                not_negative(name, value, unit)
        for share_of, share in (("focus positions", self.focus_overlap), ("views", self.view_overlap)):
            if share is not None:
                share_below_one(f"overlap of {share_of}", share)
        if self.subject_m is not None and not (self.focal_mm < self.subject_m * 1000 < math.inf):
            raise ValueError(f"distance of the moving subject must be a number of metres, not {self.subject_m:g}")
        if self.light_ev100 is not None and not -20 <= self.light_ev100 <= 25:
            raise ValueError(f"light must lie between EV -20 and 25, not {self.light_ev100:g}")
        if (self.scene_ev is None) != (self.sensor_ev is None):
            raise ValueError("the number of bracket frames needs both the range of the scene and that of the sensor")
        for name, frames, most in (("bracket frames", self.bracket_frames, 15), ("takes", self.takes, 100)):
            if not 1 <= frames <= most:
                raise ValueError(f"{name} must be 1 to {most}, not {frames}")
