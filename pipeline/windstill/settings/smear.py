"""Settings of the smear estimates: blind on one frame (`score`), relative to a sharper one (`assess`)."""

from __future__ import annotations

from pydantic import Field

from windstill.settings.base import Section


class RelativeSmearSettings(Section):
    """How one frame's smear is measured against a sharper frame of the same view."""

    model_error: float = Field(
        0.0007,
        gt=0,
        description="Share of a window's variance. Fits better than this are not told apart: tone curves, compression "
        "and interpolation leave about as much even where the motion is exactly right.",
    )
    independent_samples: float = Field(
        30.0,
        gt=0,
        description="Count. Samples of a window taken as independent when fits are compared: fewer than there are, "
        "since what the model leaves is correlated.",
    )
    improvement_alone: float = Field(
        2.5,
        gt=1,
        description="Ratio. Smear is believed on one tile alone when it leaves this many times less unexplained than "
        "defocus alone does. Real defocus (depth within a window, discs cut by the lens) reaches 2.",
    )
    improvement_supported: float = Field(
        1.7,
        gt=1,
        description="Ratio. The same where a neighbouring tile shows a like motion; below it no smear is reported.",
    )
    poor_fit: float = Field(
        0.25,
        gt=0,
        lt=1,
        description="Share of a window's variance left unexplained at which confidence is halved: what is seen there "
        "is not the same thing smeared.",
    )



class BlindSmearSettings(Section):
    """How smear is read off one frame by itself."""

    crisp_steepness: float = Field(
        2.4,
        gt=1,
        lt=4,
        description="Ratio. Mean squared differences of pixels two steps apart to one step: below this the direction "
        "is too crisp to be smeared. 2 is a picture of edges, 4 a perfectly smooth one.",
    )
    smooth_steepness: float = Field(
        3.2, gt=1, lt=4, description="Ratio. The same for a window: above this the direction may be smeared."
    )
    least_contrast: float = Field(
        0.2,
        ge=0,
        description="Difference of that ratio along the smear and in the crispest direction. Without it the window is "
        "defocused alike in all directions.",
    )
    still_confidence: float = Field(
        0.6, ge=0, le=1, description="Confidence, that a tile crisp in all directions is not smeared."
    )
    window_share: float = Field(
        0.5, gt=0, le=1, description="Share of a window's tiles that must be usable for its spectrum to be taken."
    )
    first_windows: int = Field(
        64, ge=1, description="Count. Windows looked at over the frame before it is left or searched closely."
    )
    most_windows: int = Field(
        200, ge=1, description="Count. Windows looked at when smear was seen; bounds the cost."
    )
    least_company: int = Field(
        1, ge=0, description="Count. Other places of the frame that must have moved in the same direction."
    )
    same_direction_deg: float = Field(
        12.0, gt=0, lt=90, description="Degrees. Directions this near are one."
    )
    hint_score: float = Field(
        8.0,
        gt=0,
        description="Standard deviations of one frequency's log power. A single window that looks this much like a "
        "smear is searched around; sharp and defocused pictures reach it now and then.",
    )
    claim_score: float = Field(
        11.0,
        gt=0,
        description="The same, summed over neighbouring windows: reported. Sharp and defocused pictures hardly "
        "reach it.",
    )
    local_score: float = Field(
        18.0,
        gt=0,
        description="The same for one place by itself: of the hundreds tried some look like a smear by chance.",
    )
    beyond_fades_score: float = Field(
        8.0,
        gt=0,
        description="The same, of what is left of a peak when the nearest softness without zeros is taken out: waves "
        "and clouds soft along one direction seldom keep as much.",
    )
    beyond_fades_sure: float = Field(
        12.0,
        gt=0,
        description="The same, reached by the clearest of the places that moved in one direction, and half as much "
        "again by a whole frame: smears mostly keep more.",
    )
    claim_depth: float = Field(
        0.19,
        gt=0,
        lt=1,
        description="Share of the depth a perfect smear's zeros would have. Periodic textures score on slight dips.",
    )
    trusted: float = Field(0.5, gt=0, le=1, description="Confidence from which a tile counts in the frame's figures.")
    shake_share: float = Field(
        0.7, gt=0.5, le=1, description="Share of known tiles that must move alike for it to be the camera's doing."
    )
    shake_seen: float = Field(
        0.5, gt=0, le=1, description="Share of the textured tiles that must be seen to be smeared for it to be the "
        "camera's doing."
    )
    still_known: float = Field(
        0.75, gt=0, le=1, description="Share of the textured tiles that must be known to be still before a frame "
        "counts as not smeared: blooms are a small part of a picture, and may lie on the others."
    )
    shake_known: float = Field(
        0.25, gt=0, le=1, description="Share of the textured tiles that must be known before anything is said of shake."
    )
