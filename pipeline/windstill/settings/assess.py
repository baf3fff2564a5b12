"""Settings of the room `assess`."""

from __future__ import annotations

from typing import ClassVar

from pydantic import Field

from windstill.settings.base import Section
from windstill.settings.smear import RelativeSmearSettings


class AssessSettings(Section):
    """How motion is measured and judged. The outlook's definitions are those of the contract."""

    JUDGING: ClassVar[frozenset[str]] = frozenset(
        {
            "tolerance_px", "output_long_px", "touch_up_area_pct", "touch_up_times_tolerance", "lost_area_pct",
            "lost_coverage_pct", "lost_smear_times_tolerance", "least_measured_pct",
        }
    )

    tolerance_px: float = Field(
        2.0, gt=0, description="Full-resolution pixels. Sway up to this does not show at full size."
    )
    output_long_px: float = Field(
        0.0, ge=0, description="Pixels. Long side of the intended picture; the tolerance grows as the picture shrinks. "
        "0 = full size.",
    )
    touch_up_area_pct: float = Field(
        1.0, ge=0, description="Percent of the picture. Up to this much sway above tolerance is small retouching."
    )
    touch_up_times_tolerance: float = Field(
        5.0, ge=1, description="Times the tolerance. Above this even a small place needs redrawing, not retouching."
    )
    lost_area_pct: float = Field(
        10.0, gt=0, description="Percent of the picture. More sway than this is not worth an evening."
    )
    lost_coverage_pct: float = Field(
        80.0, ge=0, le=100, description="Percent. Less of the textured picture served by any frame: reshoot."
    )
    lost_smear_times_tolerance: float = Field(
        4.0, gt=0, description="Times the tolerance. Smear of a moved subject that no frame holds better."
    )
    least_measured_pct: float = Field(
        20.0, ge=0, le=100, description="Percent of the relevant area. Measured less than this, the outlook is unknown."
    )
    measured_confidence: float = Field(
        0.5, gt=0, le=1, description="Confidence 0..1 from which a tile counts as measured (contract)."
    )
    relevant_from: float = Field(
        0.5, gt=0, le=1, description="Relevance 0..1 from which a tile counts as relevant (contract)."
    )
    search_px: float = Field(
        64.0, gt=0, description="Full-resolution pixels at 6000 px width, scaled. Farthest displacement looked for."
    )
    match_enough_px: float = Field(
        0.01, gt=0, le=0.25, description="Pixels of a level. A window led by less in a step has found its place; the "
        "next step would be a tenth as long.",
    )
    align_match_px: float = Field(
        0.01, gt=0, le=0.25, description="Pixels of a level. As `match_enough_px`, for the windows frames are lined up "
        "by: what they all leave does not average out.",
    )
    rest_steps: int = Field(
        10, ge=1, description="Count. Steps a window is led from rest at most; each is shorter than the last, where "
        "there is anything to be led by.",
    )
    sway_halved: int = Field(
        0, ge=0, le=4, description="Count. How often the working planes are halved before tiles are matched: each time "
        "at a quarter of the cost for a pixel, and half as finely."
    )
    least_half_window: int = Field(
        8, ge=4, description="Pixels of a level. Half the side of the smallest window that is matched: smaller ones "
        "hold too little to be told apart by."
    )
    match_passes: int = Field(
        4, ge=0, description="Count. Smoothing passes the sharper of two windows gets at most, to be as soft as the "
        "other; four make up for a disc of about six pixels of a level.",
    )
    align_min_windows: int = Field(
        10, ge=4, description="Windows. Fewer in agreement and the camera mapping counts as failed."
    )
    align_max_windows: int = Field(
        320, ge=40, description="Windows matched per level: enough for a hundredth of a pixel in shift."
    )
    align_min_correlation: float = Field(
        0.6, gt=0, lt=1, description="Correlation from which a window takes part in the alignment."
    )
    align_min_share: float = Field(
        0.12, gt=0, lt=1, description="Share of comparable windows that must agree: fewer may agree by chance."
    )
    align_sure_share: float = Field(
        0.6, gt=0, le=1, description="Share of comparable windows in agreement from which no other start is tried."
    )
    align_rest_share: float = Field(
        0.08, gt=0, lt=1, description="Share of the windows lying where they lay, against the mapping most agree on, "
        "from which the camera stood still and the many were moved by wind. By chance it is one in a hundred."
    )
    align_enough_px: float = Field(
        0.0, ge=0, description="Full-resolution pixels. Once a tenth of a level's pixel is no more than this, finer "
        "levels are not lined up by; 0 = all are.",
    )
    laid_enough_px: float = Field(
        0.0, ge=0, description="Full-resolution pixels. Frames that lie on each other this closely, corners included, "
        "are compared as they are.",
    )
    lens_enough_px: float = Field(
        0.0, ge=0, description="Full-resolution pixels. Views left no further apart than this, in the median, are not "
        "asked whether their lens bends; noise leaves a quarter of a pixel at 24 megapixels anyway.",
    )
    align_quick_features_px: int = Field(
        0, ge=0, description="Pixels. Long side up to which a level is first looked on for simple features that two "
        "frames share; those that tell more of a place, for ten times the work, are looked for between views alone, "
        "where these do not do. 0 = never.",
    )
    overlap_least_tiles: int = Field(
        20, ge=1, description="Count. Textured tiles of a panorama's overlap from which it is asked whether they match."
    )
    overlap_alike: float = Field(
        0.75, gt=0, lt=1, description="Share of a tile's variance that both views show, from which it matches."
    )
    overlap_least_share: float = Field(
        0.3, gt=0, lt=1, description="Share of those tiles that must match; fewer, and the views were laid over each "
        "other wrongly. At a wrong place a sixth do by chance, in a right one most, waves and wind left aside."
    )
    align_max_residual_px: float = Field(
        1.0, gt=0, description="Full-resolution pixels at 3000 px width, scaled. Larger disagreement: the camera "
        "moved sideways; of one view, if neighbours share half of it. Between views, if parallax bears it out, else "
        "the mapping failed.",
    )
    align_failed_times: float = Field(
        3.0, ge=1, description="Times that: mapping failed."
    )
    shared_detail: float = Field(
        0.5, gt=0, lt=1, description="Share of the sharper frame's contrast the blurrier must hold on a level to be "
        "matched there: at half, the detail of a defocus disc is still well short of its first zero.",
    )
    shared_focus_share: float = Field(
        0.5, gt=0, le=1, description="Share of the sharpest frame's detail that one of a stack's pair must hold for "
        "its sway to be measured, though only the sharpest blends: sway across a frame left out is added up from it.",
    )
    rest_explains: float = Field(
        0.8, gt=0, le=1, description="Noise-free correlation from which a tile at rest needs no search."
    )
    search_finest_px: float = Field(
        0.0, ge=0, description="Full-resolution pixels per pixel of a level. A tile's surroundings are searched on no "
        "finer one; what is found is followed down to the finest all the same.",
    )
    search_far_corners: bool = Field(
        True, description="Look far around a tile from its corners as well as from its centre, not only near it."
    )
    search_min_correlation: float = Field(
        0.6, gt=0, lt=1, description="Correlation at low resolution from which a place is worth following up."
    )
    search_gain: float = Field(
        0.08, ge=0, description="Correlation a displacement must gain over what was known before it is believed."
    )
    changed_below: float = Field(
        0.45, ge=0, lt=1, description="Noise-free correlation under which a tile changed rather than moved."
    )
    matched_above: float = Field(
        0.8, gt=0, le=1, description="Noise-free correlation from which a match is taken at its word."
    )
    found_from: float = Field(
        0.75, ge=0, lt=1, description="Noise-free correlation under which a displacement found by looking around is "
        "not believed: the best of thousands of places reaches this in mere grass or waves.",
    )
    found_sure: float = Field(
        0.92, gt=0, le=1, description="Noise-free correlation from which such a displacement is sure."
    )
    chance_believed: float = Field(
        0.1, gt=0, description="Places unrelated detail is expected to match as well, at which a match is half "
        "believed.",
    )
    model_samples: float = Field(
        1.0, gt=0, description="Independent samples in a window as far as misfit beyond noise goes: about one, since "
        "unlike blur or a nearer edge bends the whole window's match.",
    )
    equal_blur_samples: float = Field(
        6.0, ge=1, description="Times as many independent samples where both frames are equally blurred."
    )
    coarse_from_px: float = Field(
        3.0, gt=0, description="Full-resolution pixels. Displacements from this length may be taken from a lower "
        "resolution when the full one does not recognise the mover (smeared, half hidden).",
    )
    edge_below: float = Field(
        0.03, ge=0, lt=1, description="Ratio of the gradient tensor's eigenvalues under which a tile shows an edge and "
        "nothing else; movement along it is then not claimed.",
    )
    both_ways_from: float = Field(
        0.4, gt=0, lt=1, description="Ratio of those eigenvalues from which a tile's detail runs both ways."
    )
    edge_claims_px: float = Field(
        0.7, ge=0, description="Full-resolution pixels. A bare edge that moved across itself by more than this, with "
        "no neighbour to tell how far along, is not counted as measured.",
    )
    error_half_share: float = Field(
        0.2, ge=0, lt=1, description="Share of a displacement that its expected error may reach to the same effect."
    )
    error_half_px: float = Field(
        1.0, gt=0, description="Full-resolution pixels. Expected error that halves the confidence of a displacement."
    )
    seen_from_steps: float = Field(
        2.5, gt=0, description="8-bit steps, root mean square over a tile, beyond noise. A tile that differs by less "
        "from what stands in its place in the other frame is not seen to have moved: about one percent in brightness, "
        "which rounding, compression and the fall-off of light come to as well.",
    )
    changed_from_share: float = Field(
        0.5, gt=0, lt=1, description="Share of the squared difference from rest that a displacement leaves, at which "
        "it counts half: movers keep under a fifth of it (smeared ones under a half), waves most.",
    )
    served_disc_px: float = Field(
        3.0, gt=0, description="Full-resolution pixels, diameter. Blur discs up to this are sharp at full size."
    )
    served_disc_share: float = Field(
        0.03 / 36, gt=0, description="Share of the long side, the same for large pictures: the usual circle of "
        "confusion of 0.03 mm on 36 mm.",
    )
    gap_from_share: float = Field(
        0.6, gt=0, lt=1, description="Probability. A tile more likely than this out of focus in every frame is a gap: "
        "surer than even, since a gap named wrongly costs trust.",
    )
    gap_from_share_unwritten: float = Field(
        0.8, gt=0, lt=1, description="The same where no focus distances are written and their steps are learnt."
    )
    gap_sure_share: float = Field(
        0.33, ge=0, le=1, description="Share of what is missed that lies in such gaps for a stack to be lost by it: "
        "with less, how much is missed counts as unknown.",
    )
    scale_unsure: float = Field(
        1.25, ge=1, description="Times by which the scale of blur may be off where no focus distances are written: a "
        "stack is lost by what is sharp in no frame only if it still is on a scale smaller by so much."
    )
    reach_from_share: float = Field(
        0.8, gt=0, lt=1, description="Probability. A tile likelier than this within the limit of sharpness is held by "
        "the frame: surer than even, since frames are given up on it.",
    )
    gap_least_pct: float = Field(
        4.0, ge=0, description="Percent of the textured picture. Smaller ones go unnamed: drifting clouds and things "
        "that moved feign up to this much.",
    )
    gap_least_picture_pct: float = Field(
        1.0, ge=0, description="Percent of the picture, plain parts counted. Smaller gaps of a focus stack go unnamed: "
        "as large a place as small retouching mends.",
    )
    missing_step_times: float = Field(
        1.6, gt=1, description="Times the usual step of a bracket. A wider step has a frame missing."
    )
    missing_step_least_ev: float = Field(
        2.7, gt=0, description="EV. A step up to this blends well whatever the others are: common practice, no source."
    )
    seam_detail_pct: float = Field(
        3.0, ge=0, description="Percent of a seam's overlap with detail. Less leaves nothing to join by."
    )
    drift_pct: float = Field(
        20.0, gt=0, description="Percent of the picture's height. Views that climb or sink by more in all cost a crop."
    )
    tilt_deg: float = Field(
        10.0, gt=0, description="Degrees between neighbouring views. More costs a crop; a few come of turning a camera "
        "that looks a little up or down, and do no harm.",
    )
    coverage_least_told: float = Field(
        0.1, ge=0, lt=1, description="Share of a stack's textured picture that must tell where it is in focus, for "
        "coverage to be said at all: noise hides it, and frames focused alike do not show it.",
    )
    coverage_told_pct: float = Field(
        75.0, ge=0, le=100, description="Percent of a stack's textured picture. Where less tells whether it is "
        "sharp, because noise hides it, the reasons say so in place of a coverage that would flatter.",
    )
    coverage_detail_steps: float = Field(
        2.0, gt=0, description="8-bit steps per pixel, root mean square gradient in the sharpest frame. Fainter detail "
        "cannot be told sharp from soft, and counts neither as covered nor as a gap.",
    )
    drowned_times_noise: float = Field(
        3.0, gt=0, description="Times the noise. Brightness under this is lost in the dark."
    )
    clipped_share: float = Field(
        0.5, gt=0, le=1, description="Share of a tile's pixels clipped in either frame from which it is not measured."
    )
    least_overlap_pct: float = Field(
        12.0, gt=0, le=100, description="Percent of a view. Common practice is 15 to 40, typically 30; under this a "
        "seam has too little to hold on to.",
    )
    parallax_least_px: float = Field(
        1.5, gt=0, description="Full-resolution pixels. Shifts between views from which parallax is looked for; what a "
        "good mapping leaves on far things is well under half of it.",
    )
    parallax_apart_tiles: int = Field(
        8, ge=2, description="Tiles. Places at least this far apart (a tenth of the picture) are hardly of one head."
    )
    parallax_places: int = Field(
        4, ge=2, description="Count of such places that must have shifted: heads on four stems go one way by chance "
        "once in eight times, and they do not take the ground along.",
    )
    parallax_off_px: float = Field(
        0.7, gt=0, description="Full-resolution pixels off its epipolar line up to which a place counts as on it."
    )
    parallax_off_share: float = Field(
        0.15, gt=0, lt=1, description="The same as a share of the shift: eight degrees."
    )
    parallax_lines_share: float = Field(
        0.8, gt=0, le=1, description="Share of the shifted tiles that must lie on the lines; the rest is sway."
    )
    parallax_still_share: float = Field(
        0.4, ge=0, lt=1, description="Share of still tiles below shifted ones up to which near and far keep their "
        "order, as parallax wants: the ground came along with most of what stands behind it.",
    )
    parallax_one_way_share: float = Field(
        0.9, gt=0.5, le=1, description="Share that must have shifted one way where what is nearer stood still or "
        "shows no detail.",
    )
    parallax_row_share: float = Field(
        0.1, ge=0, lt=1, description="Share of still tiles beside shifted ones, in their rows, up to which ground "
        "shifted, not heads before it."
    )
    parallax_row_alike: float = Field(
        0.7, gt=0.5, le=1, description="Share of the shifted tiles that must have shifted as most of their row did."
    )
    parallax_reach_tiles: int = Field(
        6, ge=2, description="Tiles to every side that share a view's parallax: a sixth of the picture, not one head."
    )
    parallax_agree: float = Field(
        0.6, gt=0.5, le=1, description="Share of them that must move alike for it to be the camera's doing."
    )
    passing_least_pct: float = Field(
        0.3, gt=0, description="Percent of what both frames show. A smaller piece of sky or water that moves on is "
        "not looked for.",
    )
    sky_fineness: float = Field(
        5.0, gt=1, description="Ratio, as `fineness` of tiles: detail up to this is soft as clouds are; blooms in "
        "focus are two to four times as fine.",
    )
    sky_share: float = Field(
        0.8, gt=0.5, le=1, description="Share of a piece of sky that must be soft, and of what lies above its lowest "
        "parts that must belong to it; of a piece of water that must lie under one line and move alike.",
    )
    sky_span: float = Field(
        0.5, gt=0, le=1, description="Share of the picture's width over which sky or water that moves on must reach."
    )
    cloud_span: float = Field(
        0.15, gt=0, le=1, description="Share of the picture's width from which one cloud in a plain sky tells that the "
        "sky moves on."
    )
    water_line_share: float = Field(
        0.6, gt=0.5, le=1, description="Share of its width in which water that moves on must begin at its line."
    )
    water_least_height: float = Field(
        0.06, gt=0, lt=1, description="Share of the picture's height from which on such a piece may be water."
    )
    smear_from_correlation: float = Field(
        0.97, gt=0, lt=1, description="Correlation. Tiles more alike than this show the same smear, or none."
    )
    smear_tiles: int = Field(
        160, ge=0, description="Count. Tiles of a pair whose smear is measured, the least alike first; bounds the cost."
    )
    smear_first_tiles: int = Field(
        24, ge=1, description="Count. Tiles of these looked at first; the others only when one of them may be smeared: "
        "a mover on a tenth of them is missed once in twenty pairs."
    )
    smear_follow_tiles: int = Field(
        640, ge=0, description="Count. Further tiles of a pair to which smear is followed from those where it is known."
    )
    smear_in_focus_share: float = Field(
        0.3, gt=0, le=1, description="Share of the sharper frame's sharpness from which a tile of a pair that differs "
        "in focus may tell smear: motion softens detail one way, defocus all ways and sooner.",
    )
    smear_moved_share: float = Field(
        0.35, ge=0, description="Share of a smear by which something within two tiles of it moved, for it to be "
        "believed of a pair that differs in focus.",
    )
    smear_patch_windows: float = Field(
        3.0, gt=0, description="Times the area of a window. A patch smeared alike is believed from this on without "
        "such a move.",
    )
    smear: RelativeSmearSettings = Field(default_factory=RelativeSmearSettings)
    crops_from_px: float = Field(
        1.5, ge=0, description="Full-resolution pixels. Sway from which the worst place is shown at 100 % (a second "
        "decode of two frames).",
    )
    crop_px: int = Field(320, ge=64, le=1024, description="Pixels. Side of the 100 % crops.")
