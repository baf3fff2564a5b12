"""Settings of the room `field`."""

from __future__ import annotations

from pydantic import Field

from windstill.settings.base import Section


class FieldSettings(Section):
    """The quick check on location: how much it looks at, and how hard."""

    latest_sets: int = Field(
        6, ge=1, description="Sets. The newest ones are looked at unless more is asked for: the scene at hand."
    )
    working_long_px: int = Field(
        2100, ge=256,
        description="Pixels. The picture is halved until its long side fits: 1500 for 24 megapixels, 2064 for 45, "
        "about what cameras embed as a preview.",
    )
    align_windows: int = Field(
        80, ge=40, description="Windows matched per level to align two frames: enough for a tenth of a preview pixel."
    )
    align_sure_share: float = Field(
        0.3, gt=0, le=1,
        description="Share of windows in agreement from which no other start is tried within a view: frames "
        "from one tripod start aligned, and the other starts cost as much as the rest of the check.",
    )
    views_sure_share: float = Field(
        0.4, gt=0, le=1, description="Share of windows in agreement from which no other start is tried between views. "
        "By chance a tenth to a fifth agree; wind takes the better half of some overlaps.",
    )
    align_enough_share: float = Field(
        0.25, ge=0, le=1, description="Share of a preview's pixel: `AssessSettings.align_enough_px`. A whole pixel is "
        "the least motion told. This and the next five hold where that is more than the tolerance.",
    )
    laid_enough_px: float = Field(
        0.2, ge=0, description="Preview pixels: `AssessSettings.laid_enough_px`. On a tripod frames lie as close, and "
        "warping one costs as much as a third of its decode.",
    )
    lens_enough_px: float = Field(
        0.2, ge=0, description="Preview pixels: `AssessSettings.lens_enough_px`. A bend that leaves this much in the "
        "median leaves three to four times as much in the corners: less than a pixel, the least that is told.",
    )
    align_quick_features_px: int = Field(
        400, ge=0, description="Pixels: `AssessSettings.align_quick_features_px`. With the features a review takes, "
        "two views took as long as a dozen other frames.",
    )
    match_enough_px: float = Field(
        0.25, gt=0, le=0.25, description="Preview pixels: `AssessSettings.match_enough_px`. Motion under a whole pixel "
        "is not told anyway, and most tiles that stood still are seen to at the first look.",
    )
    align_match_px: float = Field(
        0.1, gt=0, le=0.25, description="Preview pixels: `AssessSettings.align_match_px`, and, between views, where "
        "what is left tells parallax, `AssessSettings.match_enough_px`.",
    )
    rest_steps: int = Field(
        4, ge=1, description="Count: `AssessSettings.rest_steps`. Windows that need more are those too plain to be led "
        "anywhere, and were not believed after ten.",
    )
    sway_halved: int = Field(
        1, ge=0, le=4, description="Count. How often a preview is halved before tiles are matched: `AssessSettings."
        "sway_halved`, but between views, where what is left tells parallax. A tenth of a halved preview's pixel is "
        "a fifth of a whole one's: of 169 ruined sets 142 were found, with whole ones 137, at as many false alarms.",
    )
    least_half_window: int = Field(
        6, ge=4, description="Pixels of a halved preview: `AssessSettings.least_half_window`. By less, a few windows "
        "in calm sets matched far off.",
    )
    error_half_px: float = Field(
        0.5, gt=0, description="Preview pixels: `AssessSettings.error_half_px`, in step with the whole pixel from "
        "which motion is told.",
    )
    match_passes: int = Field(
        2, ge=0, description="Count: `AssessSettings.match_passes`; none in brackets and bursts, alike "
        "in focus. What is out of focus by more is matched on a coarser level; the room more passes need loses tiles "
        "at the picture's edge.",
    )
    search_halved: int = Field(
        1, ge=0, le=4, description="Count. How often a preview is halved to be searched: `AssessSettings."
        "search_finest_px`. Searching the preview itself costs ten times as much as once halved.",
    )
    search_far_corners: bool = Field(
        False, description="`AssessSettings.search_far_corners`. Of 124 simulated sets none was measured otherwise for "
        "want of them. Near a tile they are needed: a tenth of what moved was missed without.",
    )
    sharp_disc_px: float = Field(
        3.0, gt=0,
        description="Preview pixels, diameter. Blur discs up to this are taken as sharp: a preview's own softness "
        "hides smaller ones.",
    )
    coverage_margin_pct: float = Field(
        6.0, ge=0, le=80,
        description="Percent. A stack is lost by its coverage only where previews show it by so much lower than "
        "`AssessSettings.lost_coverage_pct`: they came out up to 8 lower than the files did.",
    )
    smear: bool = Field(
        False,
        description="Look for smear in each frame by itself. On previews only smear of some 14 pixels and more (at 24 "
        "megapixels) is found, and preparing for it costs more than checking a dozen sets.",
    )
    smear_px: float = Field(
        3.5, gt=0, description="Preview pixels. Smear shorter than this is not told from softness, and not reported."
    )
    alone_frames: int = Field(
        24, ge=0,
        description="Frames. Up to so many are checked in one process: starting others costs as much as they save.",
    )
    settle_s: float = Field(
        1.0, ge=0,
        description="Seconds. A file whose size and time have stood still this long may be complete; it then still has "
        "to decode. Tethering and copying programs write in chunks well under a second apart.",
    )
    wake_s: float = Field(
        0.5, gt=0, le=60, description="Seconds between looks at the folder when the system reports no change."
    )
    decode_patience_s: float = Field(
        30.0, ge=0,
        description="Seconds. A file that stands still but does not decode for this long is reported as damaged; "
        "until then it may still be arriving.",
    )
    takes_back_min: float = Field(
        60.0, ge=0,
        description="Minutes before the newest frame. So far back a watch looks for an earlier take that holds "
        "before it says to reshoot; later the light is another anyway.",
    )
