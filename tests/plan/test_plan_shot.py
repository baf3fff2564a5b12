"""What a photographer relies on in a plan, on requests nobody picked and on ones that are awkward."""

from __future__ import annotations

import itertools
import json
import math
import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from windstill import optics
from windstill.optics.marks import shutter_mark
from windstill.plan import PlanRequest, plan_shot, to_json
from windstill.settings.plan import PlanSettings

requests = st.builds(
    PlanRequest,
    focal_mm=st.sampled_from([14.0, 24.0, 35.0, 85.0]),
    near_m=st.floats(0.3, 4),
    far_m=st.one_of(st.floats(5, 300), st.just(math.inf)),
    apertures=st.sampled_from([(8.0, 8.0), (5.6, 11.0), (2.8, 22.0), (6.7, 6.7)]),
    output=st.sampled_from([optics.OutputSize(), optics.OutputSize("print", 40), optics.OutputSize("screen", 3840)]),
    wind_mps=st.one_of(st.none(), st.floats(0, 10)),
    light_ev100=st.one_of(st.none(), st.floats(-3, 15)),
    bracket_frames=st.sampled_from([1, 2, 3, 5]),
    span_deg=st.one_of(st.none(), st.floats(20, 360)),
    upright=st.booleans(),
    takes=st.integers(1, 3),
    lull_s=st.one_of(st.none(), st.floats(1, 60)),
)


@settings(max_examples=60, deadline=None)
@given(requests)
def test_every_plan_hangs_together(request: PlanRequest) -> None:
    plan = plan_shot(request)
    low, high = request.apertures
    assert low <= plan.stack.f_number <= high
    assert [c.f_number for c in plan.choices if c.chosen] == [plan.stack.f_number]
    effort = plan.effort
    assert effort.frames == effort.views * effort.focus_positions * effort.bracket_frames * effort.takes
    assert effort.light_lost_ev == pytest.approx(effort.seconds / 60 * effort.fading_ev_per_min)
    if plan.exposure is not None and plan.motion is not None:
        assert plan.exposure.smear_px is not None
        faster_than_any = plan.motion.longest_shutter_s < 1 / 8200
        assert plan.exposure.smear_px <= plan.tolerance_px * (1 + 1e-6) or faster_than_any
    if plan.bracket is not None and plan.exposure is not None:
        # Whatever is stepped, shutter or ISO, the exposures lie the asked steps apart, or it is said by how much not.
        levels = [math.log2(f.shutter_s * f.iso) + f.under_ev for f in plan.bracket.frames]
        steps = [b - a for a, b in itertools.pairwise(levels)]
        assert steps == pytest.approx([request.bracket_step_ev] * len(steps), abs=0.34)
    text = json.dumps(to_json(plan), allow_nan=False)
    assert json.loads(text)["effort"]["frames"] == effort.frames


@settings(max_examples=30, deadline=None)
@given(st.floats(0.3, 2), st.sampled_from([14.0, 24.0, 35.0]), st.sampled_from([5.6, 8.0, 11.0]))
def test_with_overlap_nothing_between_the_ends_is_softer_than_allowed(near: float, focal: float, n: float) -> None:
    plan = plan_shot(PlanRequest(focal, near, apertures=(n, n)))
    positions = [p.focus_m for p in plan.stack.positions]
    for i in range(300):
        x = 1 / (1 / near * (1 - i / 300) + 1e-9)
        assert min(optics.blur_disc_mm(focal, n, s, x) for s in positions) <= plan.circle_mm * 1.006


def test_a_larger_output_asks_for_more() -> None:
    full, small = (
        plan_shot(PlanRequest(24, 0.5, apertures=(8, 8), output=size, wind_mps=3, light_ev100=10))
        for size in (optics.OutputSize(), optics.OutputSize("print", 20))
    )
    assert small.tolerance_px == pytest.approx(6)  # .2 mm on 20 cm of 6000 px
    assert small.circle_mm == pytest.approx(0.036)
    assert len(small.stack.positions) < len(full.stack.positions)
    assert small.exposure is not None
    assert full.exposure is not None
    assert small.exposure.iso < full.exposure.iso


def test_more_wind_faster_shutter_more_noise() -> None:
    plans = [plan_shot(PlanRequest(24, 1, apertures=(8, 8), wind_mps=w, light_ev100=13)) for w in (0.0, 1.0, 4.0, 8.0)]
    shutters = [p.exposure.shutter_s for p in plans if p.exposure]
    shares = [p.exposure.snr_share for p in plans if p.exposure]
    assert shutters == sorted(shutters, reverse=True)
    assert shares == sorted(shares, reverse=True)
    assert shutters[0] > 4 * shutters[-1]


def test_still_air_needs_no_iso() -> None:
    plan = plan_shot(PlanRequest(24, 1, wind_mps=0, light_ev100=8))
    assert plan.exposure is not None
    assert plan.exposure.iso == 100
    assert plan.shutters == ()
    assert plan.motion is not None
    assert math.isinf(plan.motion.longest_shutter_s)


def test_too_dark_for_the_wind_says_what_to_do_instead() -> None:
    plan = plan_shot(PlanRequest(24, 0.6, apertures=(16, 16), wind_mps=4, light_ev100=6))
    assert plan.exposure is not None
    assert plan.exposure.under_ev > 1
    said = " ".join(plan.remarks)
    assert "under" in said
    assert "lull" in said
    opened = plan_shot(PlanRequest(24, 0.6, apertures=(2.8, 16), wind_mps=4, light_ev100=7.5))
    assert opened.exposure is not None
    assert opened.exposure.under_ev == 0
    assert "ISO 6400" in opened.stack.why


def test_bracket_whose_bright_frame_would_smear() -> None:
    plan = plan_shot(PlanRequest(24, 1, apertures=(8, 8), wind_mps=2, light_ev100=12, bracket_frames=3, lull_s=0.5))
    bracket = plan.bracket
    assert bracket is not None
    assert bracket.by_shutter_holds is False
    assert bracket.fits_lull is False
    brightest = bracket.frames[-1]
    assert brightest.smear_px is not None
    assert brightest.smear_px <= plan.tolerance_px
    assert plan.exposure is not None
    assert brightest.iso == pytest.approx(plan.exposure.iso * 4, rel=0.01)
    assert any("+2 EV" in r and shutter_mark(brightest.shutter_s) in r for r in plan.remarks)


def test_no_frame_of_a_bracket_is_advised_that_only_repeats_another() -> None:
    # At the highest ISO already, a brighter frame held against the wind would be the middle one over again.
    plan = plan_shot(PlanRequest(35, 0.8, apertures=(8, 8), sway_cm=1.5, light_ev100=9, bracket_frames=3))
    assert plan.bracket is not None
    _, middle, brightest = plan.bracket.frames
    assert (brightest.shutter_s, brightest.iso) == (middle.shutter_s, middle.iso)
    said = next(r for r in plan.remarks if "Stepping the shutter" in r)
    assert "repeats the 0 EV frame" in said
    assert f"set {shutter_mark(brightest.shutter_s)}" not in said


def test_time_and_light_of_a_nested_set() -> None:
    habits = PlanSettings(refocus_s=4, turn_s=10, frame_gap_s=1)
    plan = plan_shot(
        PlanRequest(24, 0.5, apertures=(8, 8), circle_mm=0.03, focus_overlap=0, bracket_frames=3, span_deg=100,
                    upright=True, fading_ev_per_min=0.3),
        habits,
    )  # fmt: skip
    # 3 views of 3 positions of 3 frames: per view 3 x 2 gaps and 2 refocusings; twice turned and set back.
    assert plan.effort.frames == 27
    assert plan.effort.seconds == pytest.approx(3 * (3 * 2 * 1 + 2 * 4) + 2 * (10 + 4))
    assert plan.effort.light_lost_ev == pytest.approx(0.3 * plan.effort.seconds / 60)
    assert any("light falls" in r for r in plan.remarks) == (plan.effort.light_lost_ev >= 1 / 3)


def test_what_the_camera_already_holds_needs_no_stack() -> None:
    plan = plan_shot(PlanRequest(16, 3, apertures=(8, 8), circle_mm=0.03))
    assert len(plan.stack.positions) == 1
    assert any("no stack" in r for r in plan.remarks)
    assert plan.single.by_tables.step_back_m == 0


def test_stepping_back_shows_its_price() -> None:
    single = plan_shot(PlanRequest(24, 0.5)).single
    assert not single.here.holds
    assert single.strict.holds
    assert single.strict.blur_px <= 2.0 * 1.02
    assert single.strict.foreground_scale < single.by_tables.foreground_scale < 1


def test_a_close_long_lens_is_told_when_positions_lie_too_far_apart() -> None:
    near_life_size = plan_shot(PlanRequest(100, 0.35, 0.5, apertures=(8, 8), focus_overlap=0))
    assert near_life_size.stack.defocus_px > 2.06
    assert any("more overlap" in r for r in near_life_size.remarks)


def test_subject_farther_in_the_scene_is_served_by_its_own_focus() -> None:
    plan = plan_shot(PlanRequest(24, 0.5, apertures=(8, 8), wind_mps=3, subject_m=1.2))
    assert plan.motion is not None
    best = plan.stack.positions[plan.motion.one_focus - 1]
    assert best.near_m <= 1.2 <= best.far_m


@pytest.mark.parametrize(
    "request_",
    [
        PlanRequest(100, 0.3, 0.45, wind_mps=4, light_ev100=9),
        PlanRequest(100, 0.3),
        PlanRequest(400, 20, 200, light_ev100=12),
        PlanRequest(85, 1.2, apertures=(4, 22)),
    ],
)
def test_what_to_do_instead_is_itself_a_set_that_can_be_shot(request_: PlanRequest) -> None:
    plan = plan_shot(request_)
    assert plan.too_much is not None
    most = PlanSettings().most_positions
    assert f"{len(plan.stack.positions)} focus positions" in plan.too_much.why
    counts = [int(n) for way in plan.too_much.instead for n in re.findall(r"(\d+) positions", way)]
    assert counts
    assert all(1 < n <= most for n in counts)
    for way in plan.too_much.instead:
        if found := re.match(r"Let what lies behind .*: (\d+) positions at f/(\S+) hold (\S+) m to (\S+) m", way):
            count, n, near, far = (float(v) for v in found.groups())
            nearer = plan_shot(PlanRequest(request_.focal_mm, near, far, apertures=(n, n)))
            assert len(nearer.stack.positions) == pytest.approx(count, abs=1)


def test_a_long_set_says_what_each_part_costs() -> None:
    plan = plan_shot(PlanRequest(24, 0.5, light_ev100=3, bracket_frames=5, span_deg=180, takes=2))
    assert plan.too_much is not None
    said = " ".join(plan.too_much.instead)
    assert "One take: 200 frames" in said
    assert "Without the bracket: 80 frames" in said


def test_a_frame_hopelessly_dark_is_not_told_to_be_lifted() -> None:
    plan = plan_shot(PlanRequest(24, 0.6, wind_mps=8, light_ev100=-2, bracket_frames=3))
    assert plan.exposure is not None
    assert plan.exposure.too_dark
    said = " ".join(plan.remarks)
    assert "Too dark to hold this wind" in said
    assert "lift it later" not in said
    assert "Stepping the shutter" not in said
    dim = plan_shot(PlanRequest(24, 0.6, apertures=(16, 16), wind_mps=4, light_ev100=10))
    assert dim.exposure is not None
    assert 0 < dim.exposure.under_ev <= 3
    assert "lift it later" in " ".join(dim.remarks)


def test_by_night_a_set_that_takes_hours_is_told_what_a_higher_iso_takes() -> None:
    plan = plan_shot(PlanRequest(24, 1, light_ev100=-6))
    assert plan.effort.light_lost_ev == 0, "the light no longer falls"
    assert plan.too_much is not None
    assert any(way.startswith("At ISO 6400: ") and "signal to noise" in way for way in plan.too_much.instead)
    assert plan_shot(PlanRequest(24, 1, light_ev100=4)).effort.light_lost_ev > 0


def test_close_up_the_scale_of_a_lens_reads_more_than_its_focal_length_more() -> None:
    # computed: a thin lens of 100 mm draws what is 300 mm away at 1 / (1 / 100 - 1 / 300) = 150 mm
    assert any("to 15 (near) cm more" in r for r in plan_shot(PlanRequest(100, 0.3, 0.45)).remarks)
    assert any("about 2 cm more" in r for r in plan_shot(PlanRequest(24, 1)).remarks)


@pytest.mark.parametrize(
    ("request_", "says"),
    [
        (PlanRequest(0, 1), "focal length"),
        (PlanRequest(24, 0.02), "nearest distance"),
        (PlanRequest(24, 3, 2), "must be beyond the nearest"),
        (PlanRequest(24, 1, apertures=(11, 5.6)), "from wide to narrow"),
        (PlanRequest(24, 1, apertures=(0.1, 0.1)), "between f/0.7 and f/64"),
        (PlanRequest(24, 1, wind_mps=-1), "wind"),
        (PlanRequest(24, 1, wind_mps=math.nan), "wind"),
        (PlanRequest(24, 1, sway_cm=math.inf), "sway"),
        (PlanRequest(24, 1, light_ev100=99), "between EV -20 and 25"),
        (PlanRequest(24, 1, bracket_frames=0), "bracket frames must be 1 to 15"),
        (PlanRequest(24, 1, takes=0), "takes"),
        (PlanRequest(24, 1, span_deg=400), "at most 360"),
        (PlanRequest(24, 1, span_deg=0), "span"),
        (PlanRequest(24, 1, focus_overlap=1.0), "overlap of focus positions"),
        (PlanRequest(24, 1, view_overlap=-0.1, span_deg=90), "overlap of views"),
        (PlanRequest(24, 1, scene_ev=14), "both the range"),
        (PlanRequest(24, 1, subject_m=math.inf), "moving subject"),
        (PlanRequest(24, 1, circle_mm=0), "circle of confusion"),
        (PlanRequest(24, 1, pixels=(0, 0)), "pixels"),
        (PlanRequest(24, 1, lull_s=0), "lull"),
        (PlanRequest(600, 0.65, circle_mm=0.001), "cannot be meant"),
    ],
)
def test_what_cannot_be_is_said_in_one_line(request_: PlanRequest, says: str) -> None:
    with pytest.raises(ValueError, match=says) as caught:
        plan_shot(request_)
    assert "\n" not in str(caught.value)
