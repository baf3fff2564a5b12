"""Settings of the room `advise`."""

from __future__ import annotations

from pydantic import Field

from windstill.settings.base import Section


class AdviseSettings(Section):
    """What is kept and recommended."""

    drop_loses_pct: float = Field(
        0.5, ge=0, le=50, description="Percent of what the set covers. Frames are left out as long as no more is lost."
    )
    avoided_share: float = Field(
        5 / 6000, gt=0, description="Share of the long side. Frames are left out for more sway than this, where others "
        "cover their part, even if the tolerance is larger: it shows once a small picture fills the screen.",
    )
    as_sharp_share: float = Field(
        0.82, gt=0, le=1, description="Share of the sharpest frame's detail from which another serves a tile as well: "
        "its disc is then about two working pixels, which still counts as sharp.",
    )
    drawn_on_weight: float = Field(
        0.25, gt=0, le=1, description="Blend weight 0..1 from which an exposure serves a tile by itself: displayed "
        "brightness 0.17 to 0.83, inside the contract's limit of 0.2.",
    )
    as_exposed_share: float = Field(
        0.85, gt=0, le=1, description="Share of the largest blend weight from which a frame serves a dark or bright "
        "tile that none exposes well.",
    )
    well_exposed_weight: float = Field(
        0.2, gt=0, le=1, description="Blend weight 0..1 up to which a tile counts as well exposed (contract). Where a "
        "frame reaches it, those that do not cannot stand in for it.",
    )
    seen_still_share: float = Field(
        0.6, ge=0, le=1, description="Share of a new blend's detail that must have been measured before a frame "
        "between is given up as a double.",
    )
    smear_times: float = Field(
        2.0, ge=1, description="Times the least smear of the tile. A frame smeared by more leaves it to the others."
    )
    trusted_confidence: float = Field(
        0.5, gt=0, le=1, description="Confidence 0..1 from which sway and smear of a tile count (contract)."
    )
    widest_step_ev: float = Field(
        2.1, gt=0, description="EV. Exposures farther apart blend with noise and halos: common practice, no source."
    )
    same_level_ev: float = Field(
        0.4, gt=0, description="EV. Exposures closer than this are the same one twice: steps are thirds at least."
    )
    burst_sharpness_share: float = Field(
        0.8, gt=0, lt=1, description="Share of the burst's median sharpness under which a frame is smeared or shaken."
    )
    tie_px: float = Field(
        0.3, ge=0, description="Full-resolution pixels. Takes whose sway differs by less are equally still: about the "
        "error of a measured sway.",
    )
    tie_area_pct: float = Field(
        0.2, ge=0, description="Percent of the picture. Takes whose area to retouch differs by less are equal."
    )
    complete_share: float = Field(
        0.75, gt=0, le=1, description="Share of the largest take's frames under which a take was broken off."
    )
    sharp_alone_pct: float = Field(
        1.0, ge=0, description="Percent of the picture. A single frame that holds less sharp is no way out."
    )
    highest_iso: float = Field(
        6400, gt=0, description="ISO beyond which noise costs more than waiting for a lull: common practice, no source."
    )
    borrow_shift_pct: float = Field(
        3.0, ge=0, description="Percent of the long side. A frame of another take farther out of place is not offered."
    )
    borrow_light_ev: float = Field(
        0.7, ge=0, description="EV. A frame of another take taken in more different light is not offered."
    )
