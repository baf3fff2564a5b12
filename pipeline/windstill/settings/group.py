"""Settings of the room `group`."""

from __future__ import annotations

from pydantic import Field

from windstill.settings.base import Section


class GroupSettings(Section):
    """How frames are found to belong together."""

    gap_s: float = Field(
        30.0, gt=0, description="Seconds. A pause longer than this, after exposure and write time, ends a set."
    )

    # -- content: is it the same view? -------------------------------------------------------------------------
    content_long_px: int = Field(
        128, ge=64, le=256,
        description="Pixels. Long side of the pictures compared: a defocused frame still resembles its sharp "
        "neighbour at this size, and a reframing of half a percent is still over half a pixel.",
    )
    content_floor_steps: float = Field(
        0.6, gt=0, description="8-bit steps. Local contrast below this is rounding and noise, not structure."
    )
    content_candidates: int = Field(4, ge=1, description="Shifts verified of those the correlation proposes.")
    assumed_focals_mm: tuple[float, ...] = Field(
        (40.0, 24.0), min_length=1,
        description="Millimetres, 35 mm equivalent, tried in turn where the file does not say: longer lenses need "
        "no projection to speak of.",
    )
    lit_fully: float = Field(
        0.3, gt=0, le=1, description="Share of a picture neither white nor black from which its disagreement with "
        "another counts in full: what is left of one that has less is dull with clipping.",
    )
    lit_least: float = Field(
        0.1, ge=0, lt=1, description="Share that must be so in both for the disagreement of such a picture to count at "
        "all; under `lit_fully`.",
    )
    min_support: float = Field(
        0.03, gt=0, description="0..1. Less common structure than this (a black frame) says nothing either way."
    )
    surely_support: float = Field(
        0.15, gt=0, description="0..1. Common structure from which on disagreement counts in full."
    )
    min_overlap: float = Field(
        0.08, gt=0, lt=1, description="Share of the picture. Panorama views overlap 15-50 %; less cannot be told."
    )
    surely_aligned: float = Field(
        0.75, gt=0, le=1, description="Agreement at which no other shift needs to be tried."
    )
    blurred_alike: float = Field(
        0.25, gt=0, lt=1, description="Correlation of softened pictures as they lie that makes a wider search worth it."
    )
    agreement_needed: float = Field(
        0.20, gt=0, le=1, description="Correlation of structure that two views of one place reach on a full overlap."
    )
    agreement_chance: float = Field(
        0.10, ge=0,
        description="Correlation added to what is needed, over the root of the overlap: unrelated pictures reach "
        "this by chance at the best of all shifts.",
    )
    agreement_diagonal: float = Field(
        0.15, ge=0, description="Correlation more for shifts in both directions: panoramas step along one."
    )
    agreement_uneven: float = Field(
        0.05, ge=0, description="Correlation more per EV by which the brightness ratio varies beyond 1 EV."
    )
    agreement_per_nat: float = Field(0.03, gt=0, description="Correlation beyond what is needed per nat of odds.")
    reframe_max: float = Field(
        0.12, gt=0, lt=0.5,
        description="Long sides. Shifts up to this are one view reframed or hand-held; a panorama steps further.",
    )
    surely_overlap: float = Field(
        5.0, gt=0, description="Nats. Odds of an overlap at which matching features is not asked to confirm."
    )
    care_odds: float = Field(
        9.0, ge=0, description="Nats against an overlap at which matching features slowly and carefully is still tried."
    )
    features_min: int = Field(60, ge=8, description="Features. With fewer, finding no match says little.")
    features_per_nat: float = Field(2.0, gt=0, description="Matches beyond what is needed per nat of odds.")
    feature_reach: float = Field(
        0.008, gt=0, description="Long sides. How far a match may be off: blur, parallax and lens distortion."
    )
    features_kept: int = Field(
        256, ge=4,
        description="Frames whose features are kept in memory per stream, up to 60 kB each: finding them takes as "
        "long as grouping five frames.",
    )
    far_exposure_ev: float = Field(
        2.5, gt=0, description="EV. Frames further apart that do not compare are compared by way of earlier ones."
    )
    far_exposure_reach: int = Field(4, ge=1, description="Earlier frames tried for that.")
    ev_min_share: float = Field(
        0.05, gt=0, lt=1, description="Share of pixels clipped in neither frame that a brightness ratio needs."
    )

    # -- focus: where is it sharp? -----------------------------------------------------------------------------
    focus_cells: int = Field(
        40, ge=8, le=80, description="Cells along the long side on which sharpness is compared: two tiles a side."
    )
    dark_luma: float = Field(0.05, ge=0, lt=1, description="0..1. Darker tiles are noise, not detail.")
    burnt_luma: float = Field(0.96, gt=0, le=1, description="0..1. Brighter tiles have lost their detail.")
    clipped_tile: float = Field(0.2, gt=0, le=1, description="Share of a tile clipped beyond which it is left out.")
    focus_min_area: float = Field(
        0.02, gt=0, lt=1, description="Share of the picture that must be comparable before focus is judged."
    )
    focus_floor: float = Field(
        0.10, gt=0, description="Of the strongest sharpness. Softer than this is soft; ratios below it mean nothing."
    )
    focus_step: float = Field(
        0.5, gt=0, description="log2. Sharpness that changes by more (1.4 times) has clearly changed."
    )

    # -- time --------------------------------------------------------------------------------------------------
    pause_ref_s: float = Field(
        3.0, gt=0, description="Seconds. Pauses well under this are the camera's own (writing, mirror, shutter)."
    )
    by_itself_s: float = Field(
        1.0, ge=0, description="Seconds. Where frames are no farther apart and exposure compensation steps, the camera "
        "steps it by itself: common practice, no source."
    )
    pause_nats: float = Field(8.0, ge=0, description="Nats. Cost of a pause of `gap_s` inside a set.")
    rhythm_jitter_s: float = Field(
        0.25, gt=0, description="Seconds by which pauses vary of themselves: a finger, a mirror, a full buffer."
    )
    ev_set_anew: float = Field(
        1.0, gt=0, description="EV. A step from which two frames that stand alone were exposed differently on purpose."
    )
    rhythm_kept: float = Field(
        1.8, ge=1, description="A pause up to this many times the usual one around it keeps the rhythm."
    )
    rhythm_share: float = Field(0.4, ge=0, le=1, description="Share of its cost that a pause in rhythm keeps.")
    rhythm_broken: float = Field(
        4.0, ge=1, description="A pause over this many times the usual one around it breaks the rhythm."
    )
    rhythm_nats: float = Field(1.5, ge=0, description="Nats per e-fold beyond a broken rhythm.")
    steady_nats: float = Field(1.5, ge=0, description="Nats. Cost, in a burst, of a pause that breaks a steady rhythm.")
    steady_pauses: int = Field(4, ge=2, description="Pauses it takes to call a rhythm steady.")
    steady_spread: float = Field(
        1.4, gt=1, description="Ratio of the upper to the lower quartile of pauses up to which a rhythm is steady."
    )

    # -- exposure ----------------------------------------------------------------------------------------------
    ev_same: float = Field(
        0.2, gt=0, description="EV. Less is one exposure: cameras step by at least a third."
    )
    ev_same_seen: float = Field(0.35, gt=0, description="EV. The same where only pictures tell: light flickers.")
    ev_unsaid: float = Field(
        1.2, gt=0, description="EV. A step this large in the picture is believed against equal camera data."
    )
    drift_max_ev: float = Field(
        1.1, gt=0, description="EV. Automatic exposure follows falling light by steps up to this between frames."
    )
    drift_share: float = Field(
        0.35, gt=0, lt=1, description="Share of the written step that must show in the picture, else light drifted."
    )
    bracket_step_min_ev: float = Field(0.3, gt=0, description="EV. The smallest step cameras bracket by.")
    bracket_step_seen_ev: float = Field(
        0.5, gt=0, description="EV. The smallest step believed from pictures alone: light and tone curves vary."
    )
    bracket_of_sets_ev: float = Field(
        0.6, gt=0, description="EV. The smallest step between stacks or panoramas that are one bracket."
    )
    bracket_longest: int = Field(15, ge=2, description="Frames. No bracket is longer.")
    unstepped_nats: float = Field(7.0, ge=0, description="Nats. Cost of two equal exposures in a bracket.")
    uneven_nats_per_ev: float = Field(4.0, ge=0, description="Nats per EV where exposure should hold.")
    uneven_cap_nats: float = Field(9.0, ge=0, description="Nats. The most an exposure step costs there.")
    even_count_nats: float = Field(0.7, ge=0, description="Nats. Cost of a bracket not of 3, 5, 7 or 9.")
    uneven_step_nats: float = Field(1.0, ge=0, description="Nats. Cost of exposures unevenly stepped by the pictures.")
    uneven_written_nats: float = Field(4.0, ge=0, description="Nats. The same by camera data.")
    pattern_nats: float = Field(
        2.0, ge=0, description="Nats. Gain of a bracket that repeats the one just before: the setting stays on."
    )
    panorama_ev_share: float = Field(0.3, ge=0, le=1, description="Share of the cost of an exposure step in panoramas.")

    # -- focus -------------------------------------------------------------------------------------------------
    focus_trade: float = Field(
        0.05, gt=0, description="Share of the picture that must gain and as much that must lose for even odds."
    )
    one_sided_share: float = Field(
        0.25, ge=0, le=1, description="Weight of gain or loss alone: shake and haze also take sharpness everywhere."
    )
    focus_coherent_step: float = Field(
        0.06, gt=0, description="log2. Change of a neighbourhood's sharpness below this is not looked at."
    )
    focus_coherent_area: float = Field(
        0.12, gt=0, description="Share of the comparable area changed coherently for even odds."
    )
    focus_apart: float = Field(
        0.2, gt=0,
        description="log2. Mean change of sharpness, its common part removed, for even odds: wind, water and noise "
        "reach 0.1, exposure steps up to 1 EV 0.15, a lens turned from near to far 0.4 and more.",
    )
    focus_apart_nats: float = Field(3.0, ge=0, description="Nats per doubling of that.")
    focus_light_kept: float = Field(
        0.03, gt=0,
        description="log2. A cell whose brightness changed by more than the rest of the picture shows another thing: "
        "clouds change by 0.05 in a second, still ground by 0.005.",
    )
    focus_coherent_shift: float = Field(
        0.004, gt=0,
        description="Long sides. A reframing of a fifth of a cell moves texture across cells and feigns such changes.",
    )
    still_shift: float = Field(
        0.008, gt=0, description="Long sides. From a tripod, hardly more between frames; else scale says nothing."
    )
    still_turn_deg: float = Field(0.08, gt=0, description="Degrees. The same for roll.")
    breathing_zoom: float = Field(
        0.0008, gt=0, description="log scale for even odds of a focus change: three times what registration scatters."
    )
    breathing_looked_at: float = Field(
        0.0002, gt=0, description="log scale from which on it is measured again where the picture kept its light."
    )
    breathing_kept_share: float = Field(
        0.2, gt=0, lt=1, description="Share of the picture that must have kept its light for that."
    )
    breathing_unsure: float = Field(
        0.03, ge=0, description="log scale that a full lack of agreement could feign; clipped skies pull the scale."
    )
    breathing_moved: float = Field(
        0.5, ge=0, description="log scale per long side, or radian, by which the camera moved: it also tips to and fro."
    )
    breathing_loose: float = Field(
        2.5, ge=0, description="The same of a camera taken up or held by hand: it may go a good way to and fro."
    )
    breathing_nats: float = Field(4.0, ge=0, description="Nats. The most that a change of scale says for focus.")
    focus_nats: float = Field(2.0, gt=0, description="Nats per doubling of the traded area.")
    focus_for_nats: float = Field(5.0, gt=0, description="Nats. The most that pictures say for a focus change.")
    focus_against_nats: float = Field(3.0, gt=0, description="Nats. The most that pictures say against one.")
    focus_written_dpt: float = Field(
        0.004, gt=0, description="Dioptres. Changes of written focus below this are rounding of far distances."
    )
    focus_written_nats: float = Field(5.0, gt=0, description="Nats. What a change of written focus says.")
    focus_written_same_nats: float = Field(2.0, ge=0, description="Nats. What an equal written focus says against.")
    focus_blind_ev: float = Field(1.0, gt=0, description="EV. Beyond this, sharpness changes with exposure itself.")
    blinded_share: float = Field(0.15, ge=0, le=1, description="Share of focus evidence kept beyond that.")
    focus_twice_nats: float = Field(
        2.5, ge=0, description="Nats. The most that a position photographed twice costs within a stack."
    )
    focus_turn_nats: float = Field(3.0, ge=0, description="Nats. Cost of focus turning back within a stack.")
    panorama_focus_nats: float = Field(2.5, ge=0, description="Nats. The most a focus change costs in a panorama.")
    panorama_blur_nats: float = Field(
        0.8, ge=0, description="Nats. The same by sharpness alone: corners are softer, edges bent."
    )
    return_nats: float = Field(4.0, ge=0, description="Nats. Cost of going back to a place already taken.")

    return_share: float = Field(
        0.6, gt=0, le=1, description="Of the last focus step. Nearer than this to an earlier position is a return."
    )
    lookback_frames: int = Field(24, ge=2, description="Frames looked back over for a return or a new row.")
    lookback_views: int = Field(8, ge=1, description="Earlier views compared for a return or a new row.")
    rows_ahead: int = Field(2, ge=0, description="Views after the first of a new row that may prove it one.")
    lookback_odds: float = Field(
        2.0, ge=0, description="Nats. Odds needed there: several views are tried, one may fit by chance."
    )

    # -- view --------------------------------------------------------------------------------------------------
    shift_floor: float = Field(0.002, gt=0, description="Long sides. Settling of a tripod head, not a reframing.")
    reframe_usual: float = Field(3.0, ge=1, description="Times the usual shift that still needs no explanation.")
    reframe_nats: float = Field(2.0, ge=0, description="Nats per e-fold of a shift beyond the usual.")
    reframe_cap_nats: float = Field(5.0, ge=0, description="Nats. The most a reframing costs.")
    panorama_step_min: float = Field(
        0.25, gt=0, lt=1, description="Long sides. Panorama views step by more; half-way between is undecided."
    )
    step_evenness: float = Field(
        0.04, gt=0, description="Long sides. Steps of a panorama that differ by less are one turn repeated."
    )
    step_odds: float = Field(
        9.0, ge=0, description="Nats against an overlap that an even step can still outweigh."
    )
    view_other_nats: float = Field(14.0, ge=0, description="Nats. Cost of another view inside a set.")
    view_unknown_nats: float = Field(0.8, ge=0, description="Nats. Cost of not being able to compare.")
    row_nats: float = Field(2.0, ge=0, description="Nats. Cost of a new row in a panorama.")
    view_turn_nats: float = Field(0.5, ge=0, description="Nats. Cost of a panorama turning.")
    clash_nats: float = Field(14.0, ge=0, description="Nats. Cost of another lens, focal length or size.")

    # -- sets --------------------------------------------------------------------------------------------------
    set_nats: float = Field(
        4.0, gt=0, description="Nats. Cost of one more set; weaker evidence than this does not cut."
    )
    burst_prior_nats: float = Field(0.5, ge=0, description="Nats. Bursts are rarer than merges.")
    stray_nats: float = Field(2.0, ge=0, description="Nats. Cost of a frame that interrupts a set.")
    strays_skipped: int = Field(2, ge=0, le=4, description="Frames in a row that may interrupt a set.")
    hopeless_nats: float = Field(30.0, gt=0, description="Nats. A link that costs more is not tried.")
    sequence_nats: float = Field(8.0, ge=0, description="Nats. What a written sequence (DNG) says.")
    maker_nats: float = Field(2.5, ge=0, description="Nats. What a maker's mark says.")
    name_nats: float = Field(1.2, ge=0, description="Nats. What names say where nothing else does.")
    unlike_nats: float = Field(8.0, ge=0, description="Nats. Cost of members that are built differently.")
    doubt_nats: float = Field(2.0, ge=0, description="Nats. Margin under which a frame is marked near a boundary.")
    levels_max: int = Field(4, ge=1, le=6, description="Levels of nesting looked for.")
    pairs_tried: int = Field(3, ge=1, description="Pairs of frames compared between two sets.")
    surroundings: int = Field(6, ge=1, description="Links either side that say what pause and shift are usual.")
    pictures_kept: int = Field(1024, ge=16, description="Comparison pictures kept in memory per stream, 60 kB each.")
    pictures_ready: int = Field(
        32, ge=8, description="Of those, how many keep what was worked out for registration, half a megabyte each."
    )

    # -- scenes ------------------------------------------------------------------------------------------------
    scene_overlap: float = Field(0.5, gt=0, le=1, description="Share of the picture one scene's sets share.")
    scene_focal_ratio: float = Field(1.15, gt=1, description="Ratio of focal lengths within one scene.")
    scene_views: int = Field(9, ge=1, description="Views of a panorama that are compared, from its middle outwards.")
    scenes_recent: int = Field(3, ge=0, description="Scenes seen last that every set is compared with.")
    scene_likeness: float = Field(
        0.25, ge=0, lt=1,
        description="Correlation of coarse spectra that a scene before the last needs to be compared at all: of one "
        "scene they reach 0.9 as a rule, of two 0.3, and so do two views that share little over half.",
    )
    scenes_alike: int = Field(2, ge=0, description="Further scenes, by resemblance, that it is compared with.")
