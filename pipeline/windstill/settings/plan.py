"""Settings of the room `plan`."""

from __future__ import annotations

from pydantic import Field

from windstill.settings.base import Section


class PlanSettings(Section):
    """Habits and working assumptions behind a plan; where there is no source it says so."""

    visible_px: float = Field(
        2.0, gt=0, le=50,
        description="Full-resolution pixels. Blur or movement up to this does not show pixel by pixel.",
    )
    focus_overlap: float = Field(
        0.2, ge=0, lt=1,
        description="Share of a depth of field shared with the next, so that a ring turned by hand leaves no gap. "
        "Common practice, no source.",
    )
    view_overlap: float = Field(
        0.3, ge=0, lt=1,
        description="Share of a view shared with the next. 15 to 40 %, typically 30 %: common practice, no source.",
    )
    sway_cm_per_mps: float = Field(
        0.5, ge=0, le=10,
        description="Centimetres to one side of rest per m/s of wind: 2 cm in a gentle breeze of 4 m/s. A working "
        "assumption without a source; stems differ widely, so what is seen on location overrules it.",
    )
    sway_hz: float = Field(
        1.7, gt=0, le=20,
        description="Swings per second of a flower on its stem (J. Exp. Biol. commentary, 2018: about 1.7, up to 2).",
    )
    fading_ev_per_min: float = Field(
        0.2, ge=0, le=5,
        description="EV of light lost per minute at dusk: some 7 EV in the half hour after sunset at middle latitudes. "
        "From memory; give 0 by day.",
    )
    base_iso: float = Field(100.0, gt=0, description="ISO of least noise.")
    max_iso: float = Field(6400.0, gt=0, description="Highest ISO wanted; a matter of taste, no source.")
    smallest_aperture: float = Field(22.0, gt=0, description="Largest f-number of the lens; f/22 is the usual end.")
    frame_gap_s: float = Field(
        0.5, ge=0, description="Seconds between frames of a bracket fired in one go. Working assumption, no source."
    )
    refocus_s: float = Field(
        5.0, ge=0, description="Seconds to refocus and let the tripod settle. Working assumption, no source."
    )
    turn_s: float = Field(
        10.0, ge=0,
        description="Seconds to turn to the next view and let the tripod settle. Working assumption, no source.",
    )
    most_positions: int = Field(
        30, ge=2,
        description="Focus positions of one view beyond which nobody sets them by hand, and the plan says what to do "
        "instead. Common practice, no source.",
    )
    most_minutes: float = Field(
        15.0, gt=0,
        description="Minutes beyond which light, clouds and weather make the last frame another picture than "
        "the first. Common practice, no source.",
    )
    most_lift_ev: float = Field(
        3.0, ge=0, description="Stops. A frame further under is noise once it is lifted: a matter of taste, no source."
    )
    drift_ev: float = Field(
        1 / 3, gt=0,
        description="EV. Light lost over the set from which the plan asks to correct the exposure on the way: the "
        "smallest step most cameras set.",
    )
