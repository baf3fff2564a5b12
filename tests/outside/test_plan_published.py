"""The plan's numbers against computed and published values; each value is recomputed here, never by the plan."""

from __future__ import annotations

import math

import pytest

from windstill.optics import beaufort_from_words
from windstill.plan import CAUTIONS, PlanRequest, plan_shot


def positions_of(request: PlanRequest) -> list[float]:
    return [p.focus_m for p in plan_shot(request).stack.positions]


@pytest.mark.parametrize(
    ("circle", "expected"),
    # Computed: 24 mm f/8, .5 m to infinity, touching.
    [(0.030, [0.6, 1.0, 3.0]), (0.012, [0.545, 0.667, 0.857, 1.2, 2.0, 6.0])],
)
def test_focus_positions_of_a_wide_lens(circle: float, expected: list[float]) -> None:
    found = positions_of(PlanRequest(24, 0.5, apertures=(8, 8), circle_mm=circle, focus_overlap=0))
    assert found == pytest.approx(expected, abs=0.0006)


def test_focus_positions_of_a_long_lens() -> None:
    # Computed: 100 mm f/8 c=.020, 1-5 m: 25.
    assert len(positions_of(PlanRequest(100, 1, 5, apertures=(8, 8), circle_mm=0.020, focus_overlap=0))) == 25


def test_reach_of_each_position_is_its_depth_of_field() -> None:
    # Computed, c = .030 mm: near = s(H-f)/(H+s-2f), far = s(H-f)/(H-s); 24 mm f/11 at H-like positions.
    plan = plan_shot(PlanRequest(24, 0.5, apertures=(11, 11), circle_mm=0.030))
    h = 24**2 / (11 * 0.030) / 1000 + 0.024
    for p in plan.stack.positions:
        assert p.near_m == pytest.approx(p.focus_m * (h - 0.024) / (h + p.focus_m - 0.048), rel=1e-12)
        far = math.inf if p.focus_m >= h else p.focus_m * (h - 0.024) / (h - p.focus_m)
        assert p.far_m == pytest.approx(far, rel=1e-12)


def test_focused_at_infinity() -> None:
    # Computed: 24 mm f/11, c = .030: near limit 1.745 m.
    choice = plan_shot(PlanRequest(24, 0.5, apertures=(11, 11), circle_mm=0.030)).choices[0]
    assert choice.infinity_near_limit_m == pytest.approx(1.745, abs=0.0005)


def test_single_frame_optimum_and_common_practice() -> None:
    # Hansma 1996: N = sqrt(375 D). Computed: 24 mm, .6-20 m: D = .971 mm, N = 19.1. That f/16 to f/20 and stepping back
    # replaces a stack is common practice, no source.
    plan = plan_shot(PlanRequest(24, 0.6, 20))
    assert plan.single.spread_mm == pytest.approx(0.971, abs=0.0005)
    assert plan.single.balanced_f_number == pytest.approx(19.1, abs=0.05)
    assert 16 <= plan.single.by_tables.f_number <= 20
    assert plan.single.by_tables.step_back_m > 0


def test_diffraction_of_the_planned_aperture() -> None:
    # Airy diameter 2.44 lambda N, 550 nm (computed): f/8 10.74 um, f/16 21.47 um.
    for f_number, airy_um in [(8, 10.74), (16, 21.47)]:
        stack = plan_shot(PlanRequest(24, 0.5, apertures=(f_number, f_number))).stack
        assert stack.airy_px * 6.0 == pytest.approx(airy_um, abs=0.005)


@pytest.mark.parametrize(("tolerance", "one_over"), [(1, 1194), (3, 398)])
def test_shutter_for_a_swaying_stem(tolerance: float, one_over: float) -> None:
    # J. Exp. Biol. commentary, 2018: 1.7 Hz; computed: 2 cm -> .2136 m/s; 24 mm, 1 m, 4.4 um.
    plan = plan_shot(
        PlanRequest(24, 1, sway_cm=2, tolerance_px=tolerance, sensor_mm=(4.4 * 6, 4.4 * 4), pixels=(6000, 4000))
    )
    assert plan.motion is not None
    assert plan.motion.peak_speed_mps == pytest.approx(0.2136, abs=5e-5)
    assert 1 / plan.motion.longest_shutter_s == pytest.approx(one_over, abs=0.5)
    # The camera's mark at or under it, from the exact series t = 2^(5 - i/3).
    assert plan.motion.shutter_s is not None
    thirds = 3 * (5 - math.log2(plan.motion.shutter_s))
    assert thirds == pytest.approx(round(thirds), abs=1e-9)
    assert plan.motion.shutter_s <= plan.motion.longest_shutter_s < plan.motion.shutter_s * 2 ** (1 / 3)


def test_wind_words_are_those_of_the_beaufort_table() -> None:
    # WMO Guide / Met Office table: 3 = 3.4-5.4 m/s, gentle breeze.
    wind = beaufort_from_words("gentle breeze").middle_mps
    plan = plan_shot(PlanRequest(24, 0.6, wind_mps=wind))
    assert plan.motion is not None
    assert 3.4 <= wind <= 5.4
    assert (plan.motion.beaufort, plan.motion.wind_name) == (3, "gentle breeze")


def test_exposure_is_apex() -> None:
    # Exif 2.32 Annex C: log2(N^2/t) = EV + log2(S/100), EV100's ISO term from memory; f/8, 1/125 s, ISO 400 -> 10.966.
    plan = plan_shot(PlanRequest(24, 0.6, apertures=(8, 8), light_ev100=10.966))
    assert plan.exposure is not None
    recorded = math.log2(64 / plan.exposure.shutter_s) - math.log2(plan.exposure.iso / 100)
    assert recorded == pytest.approx(10.966, abs=1 / 6)
    assert plan.exposure.iso == 100


def test_noise_is_that_of_photons() -> None:
    # EMVA 1288's model with dark noise left out: noise goes as the root of the light; 4 stops less light, a quarter.
    plan = plan_shot(PlanRequest(24, 0.6, apertures=(8, 8), sway_cm=2, light_ev100=11))
    assert plan.exposure is not None
    assert plan.exposure.noise_stops > 1
    assert plan.exposure.snr_share == pytest.approx(math.sqrt(100 / plan.exposure.iso), rel=1e-9)


@pytest.mark.parametrize(("overlap", "step", "views"), [(0.2, 42.50, 9), (0.3, 37.19, 10), (0.5, 26.57, 14)])
def test_full_circle(overlap: float, step: float, views: int) -> None:
    # Computed: 24 mm upright; overlap 15-40 %, typically 30 %: common practice, no source.
    panorama = plan_shot(PlanRequest(24, 1, span_deg=360, view_overlap=overlap, upright=True)).panorama
    assert panorama is not None
    assert panorama.step_deg == pytest.approx(step, abs=0.005)
    assert panorama.views == views


def test_field_of_view() -> None:
    # Computed, 36 x 24 mm.
    assert plan_shot(PlanRequest(24, 1)).field_of_view_deg == pytest.approx((73.74, 53.13), abs=0.005)


def test_bracket_frames_for_the_scene() -> None:
    # Frames = ceil((scene EV - sensor EV) / step) + 1: from memory. 17 - 11 = 6 EV by 2: 4.
    plan = plan_shot(PlanRequest(24, 1, scene_ev=17, sensor_ev=11, bracket_step_ev=2))
    assert plan.effort.bracket_frames == 4


def test_usual_cautions_are_shown() -> None:
    # US National Weather Service: 30 minutes after the last thunder; the rest: usual cautions, no source.
    said = " ".join(CAUTIONS).lower()
    for word in ("sun", "neutral-density", "tide", "cliff", "30 minutes", "plants", "local rules", "guidance"):
        assert word in said
    assert plan_shot(PlanRequest(24, 1)).cautions == CAUTIONS
