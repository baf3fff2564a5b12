"""The plan: frozen records, units in the field names; ``_px`` are pixels of the full-resolution picture."""

from __future__ import annotations

from dataclasses import dataclass

from windstill.plan.request import PlanRequest


@dataclass(frozen=True, slots=True)
class FocusPosition:
    """One focus position and the distances within the circle of confusion around it, metres."""

    index: int
    focus_m: float
    near_m: float
    far_m: float


@dataclass(frozen=True, slots=True)
class ApertureChoice:
    """What one aperture would cost: a row of the table of choices.

    `defocus_px` is the worst defocus left between positions, `airy_px` the diffraction spot, `blur_px` both together.
    `shutter_s`, `iso` and `under_ev` are ``None`` where the light is not known; `under_ev` is what the highest ISO
    still lacks.
    """

    f_number: float
    focus_count: int
    defocus_px: float
    airy_px: float
    blur_px: float
    infinity_near_limit_m: float
    shutter_s: float | None
    iso: float | None
    noise_stops: float | None
    under_ev: float | None
    set_seconds: float
    chosen: bool


@dataclass(frozen=True, slots=True)
class StackPlan:
    """Focus positions at the chosen aperture.

    `balanced_f_number` is the aperture where diffraction and defocus share the blur allowed equally, so that a
    position covers the most depth.
    """

    f_number: float
    why: str
    balanced_f_number: float
    overlap: float
    positions: tuple[FocusPosition, ...]
    defocus_px: float
    airy_px: float
    blur_px: float


@dataclass(frozen=True, slots=True)
class OneFrame:
    """A single frame in place of the stack.

    `step_back_m` is the way back from the planned place (0 = from here), `nearest_m` the nearest distance then, and
    `foreground_scale` how large the nearest thing is drawn against before. `blur_px` joins defocus at both ends and
    diffraction; `holds` says whether it stays within what just shows. `print_cm` is the long side of a print up to
    which it would not show.
    """

    f_number: float
    focus_m: float
    step_back_m: float
    nearest_m: float
    foreground_scale: float
    defocus_px: float
    airy_px: float
    blur_px: float
    holds: bool
    print_cm: float


@dataclass(frozen=True, slots=True)
class SinglePlan:
    """Ways to do with one frame.

    `spread_mm` is the focus spread at the sensor and `balanced_f_number` its optimum. `here` stays in place,
    `strict` steps back until defocus and diffraction together do not show, `by_tables` steps back until defocus alone
    does not, as depth-of-field tables count.
    """

    spread_mm: float
    balanced_f_number: float
    here: OneFrame
    strict: OneFrame
    by_tables: OneFrame


@dataclass(frozen=True, slots=True)
class MotionPlan:
    """What the wind does to the picture and the exposure time that holds it.

    `longest_shutter_s` is ``inf`` when nothing moves too far; `shutter_s` is the camera's mark at or under it.
    `between_frames_px` is what two frames typically differ by (root mean square), `between_frames_most_px` the most.
    `still_cm` is the sway under which frames agree within the tolerance, whatever the shutter. `one_focus` is the
    1-based focus position that serves the moving subject best.
    """

    subject_m: float
    wind_mps: float | None
    beaufort: int | None
    wind_name: str
    sway_cm: float
    sway_hz: float
    peak_speed_mps: float
    longest_shutter_s: float
    shutter_s: float | None
    between_frames_px: float
    between_frames_most_px: float
    still_cm: float
    still_wind_mps: float | None
    one_focus: int


@dataclass(frozen=True, slots=True)
class ExposurePlan:
    """Setting of the middle exposure. `snr_share` is the photon signal-to-noise against the base ISO's, 0..1.

    `under_ev` is how far the frame is under at the highest ISO; `shutter_at_base_iso_s` what still air would allow;
    `smear_px` at the planned setting. `too_dark`: further under than lifting the frame later mends.
    """

    light_ev100: float
    f_number: float
    shutter_s: float
    iso: float
    noise_stops: float
    snr_share: float
    under_ev: float
    shutter_at_base_iso_s: float
    smear_px: float | None
    too_dark: bool


@dataclass(frozen=True, slots=True)
class ShutterChoice:
    """One shutter time in this wind: its smear, what it costs, and the print up to which the smear would not show."""

    shutter_s: float
    smear_px: float
    print_cm: float
    iso: float | None
    snr_share: float | None
    under_ev: float | None


@dataclass(frozen=True, slots=True)
class BracketFrame:
    """One exposure of the bracket: shutter stepped first, ISO raised where the shutter would smear."""

    offset_ev: float
    shutter_s: float
    iso: float
    under_ev: float
    smear_px: float | None


@dataclass(frozen=True, slots=True)
class BracketPlan:
    """The bracket at one focus position.

    `by_shutter_holds` says whether stepping the shutter alone keeps every frame within the longest shutter;
    `fits_lull` whether the whole bracket is over within the lull (``None`` where no lull was given).
    """

    step_ev: float
    frames: tuple[BracketFrame, ...]
    longest_by_shutter_s: float | None
    by_shutter_holds: bool | None
    seconds: float
    light_lost_ev: float
    fits_lull: bool | None


@dataclass(frozen=True, slots=True)
class PanoramaPlan:
    """Views of the panorama; `field_of_view_deg` along the turn."""

    span_deg: float
    field_of_view_deg: float
    overlap: float
    step_deg: float
    views: int


@dataclass(frozen=True, slots=True)
class Effort:
    """What the whole set takes. `exposures_known` is False when the light is not known and seconds leave them out."""

    views: int
    focus_positions: int
    bracket_frames: int
    takes: int
    frames: int
    seconds: float
    exposures_known: bool
    light_lost_ev: float
    fading_ev_per_min: float

    @property
    def light_falls(self) -> bool:
        """Whether the light falls by what one decimal shows."""
        return self.light_lost_ev >= 0.05

    @property
    def ends_dark(self) -> bool:
        """Whether no light worth a picture is left at the end: some 7 EV go in the half hour after sunset."""
        return self.light_lost_ev > 7


@dataclass(frozen=True, slots=True)
class TooMuch:
    """Why the set would not be shot as planned, and what to do instead, in words."""

    why: str
    instead: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Plan:
    """A planned shot. Parts whose input was not given are ``None``; so is `too_much` of a set that can be shot."""

    request: PlanRequest
    pitch_um: float
    visible_px: float
    circle_mm: float
    tolerance_px: float
    field_of_view_deg: tuple[float, float]
    stack: StackPlan
    choices: tuple[ApertureChoice, ...]
    single: SinglePlan
    motion: MotionPlan | None
    shutters: tuple[ShutterChoice, ...]
    exposure: ExposurePlan | None
    bracket: BracketPlan | None
    panorama: PanoramaPlan | None
    effort: Effort
    too_much: TooMuch | None
    remarks: tuple[str, ...]
    assumptions: tuple[str, ...]
    cautions: tuple[str, ...]
