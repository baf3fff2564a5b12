"""Settings of the room `season`."""

from __future__ import annotations

from pydantic import Field

from windstill.settings.base import Section


class SeasonSettings(Section):
    """How past reviews are counted, and how little is too little to say anything."""

    level: float = Field(0.95, gt=0.5, lt=1, description="Confidence level of every interval.")
    small: int = Field(
        10, ge=1, description="Sets. Fewer are marked as a small sample: their 95 % interval spans half the scale."
    )
    fit_least_sets: int = Field(
        20, ge=6, description="Sets. A curve of failure against shutter is fitted from this many on."
    )
    fit_least_each: int = Field(
        5, ge=2, description="Sets. Needed this many that failed and that held: 5 to 10 per slope, a rule of thumb."
    )
    fit_least_steps: int = Field(3, ge=2, description="Shutter steps the sets must spread over for a fit.")
    joint_least_each: int = Field(
        10, ge=3, description="Sets that failed and that held, for a fit of shutter and wind together (two slopes)."
    )
    safe_share: float = Field(
        0.9, gt=0.5, lt=1, description="Share of sets that must hold for a shutter to be called safe; a taste."
    )
    safe_least: int = Field(5, ge=1, description="Sets. A shutter is called safe from this many on.")
    wind_join_s: float = Field(
        900.0, gt=0, description="Seconds. A set takes the wind logged nearest in time, at most this far away."
    )
    shake_part: float = Field(
        0.5, gt=0, lt=1,
        description="Share. Shake that makes up more than this of a frame's smear counts as its cause.",
    )
    outcome_least: int = Field(
        10, ge=2, description="Outcomes noted by hand from which a better tolerance is proposed."
    )
    usual_least: int = Field(3, ge=1, description="Sets of one condition from which a row is shown for it.")
