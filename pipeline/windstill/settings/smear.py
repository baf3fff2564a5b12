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
