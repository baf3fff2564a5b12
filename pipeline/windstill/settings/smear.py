"""Settings of the smear estimates: blind on one frame (`score`), relative to a sharper one (`assess`)."""

from __future__ import annotations

from pydantic import Field

from windstill.settings.base import Section


class RelativeSmearSettings(Section):
    """How one frame's smear is measured against a sharper frame of the same view."""

    model_error: float = Field(
        0.003,
        gt=0,
        description="Share of a window's variance. Fits better than this are not told apart: tone curves, compression "
        "and interpolation leave about as much even where the motion is exactly right.",
    )
    independent_samples: float = Field(
        60.0,
        gt=0,
        description="Count. Samples of a window taken as independent when fits are compared: fewer than there are, "
        "since what the model leaves is correlated.",
    )
    evidence: float = Field(
        3.0,
        gt=0,
        description="Natural log of odds. Smear is reported instead of defocus alone only when it is this much "
        "likelier (20 to 1).",
    )
    poor_fit: float = Field(
        0.25,
        gt=0,
        lt=1,
        description="Share of a window's variance left unexplained at which confidence is halved: what is seen there "
        "is not the same thing smeared.",
    )
