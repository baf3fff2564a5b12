"""Laws the formulas must keep on values nobody picked."""

from __future__ import annotations

import itertools
import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from windstill import optics

FOCAL = st.floats(10, 200)
F_NUMBER = st.floats(1.4, 32)
CIRCLE = st.floats(0.006, 0.05)
NEAR = st.floats(0.5, 5)
BEYOND = st.floats(0.1, 500)
OVERLAP = st.floats(0, 0.6)


@given(FOCAL, F_NUMBER, CIRCLE, NEAR, BEYOND, OVERLAP)
def test_focus_positions_leave_no_gap_and_no_spare(
    focal: float, f_number: float, circle: float, near: float, beyond: float, overlap: float
) -> None:
    far = near + beyond
    count = optics.focus_count(focal, f_number, circle, near, far, overlap)
    positions = optics.focus_positions(near, far, count, overlap)
    assert list(positions) == sorted(positions)
    assert near < positions[0]
    assert positions[-1] < far
    # In reciprocal metres each position reaches N c / f^2 to both sides; the first and last reach the ends.
    reach = f_number * circle * 1000 / focal**2
    assert 1 / near - 1 / positions[0] <= reach * (1 + 1e-6)
    assert 1 / positions[-1] - 1 / far <= reach * (1 + 1e-6)
    steps = [1 / a - 1 / b for a, b in itertools.pairwise(positions)]
    assert all(step <= 2 * reach * (1 - overlap) * (1 + 1e-6) for step in steps)
    if count > 1:
        # One fewer would not reach.
        covered = 2 * reach * (1 + (count - 2) * (1 - overlap))
        assert covered < (1 / near - 1 / far) * (1 + 1e-6)


@settings(max_examples=40, deadline=None)
@given(FOCAL, F_NUMBER, NEAR, BEYOND, st.integers(1, 12))
def test_worst_blur_is_the_largest_found_by_looking_everywhere(
    focal: float, f_number: float, near: float, beyond: float, count: int
) -> None:
    far = near + beyond
    positions = optics.focus_positions(near, far, count)
    looked = max(
        min(optics.blur_disc_mm(focal, f_number, s, x) for s in positions)
        for x in (1 / (1 / near + (1 / far - 1 / near) * i / 600) for i in range(601))
    )
    worst = optics.worst_blur_mm(focal, f_number, positions, near, far)
    assert looked <= worst * (1 + 1e-9)
    assert looked >= worst * 0.9


@given(FOCAL, F_NUMBER, CIRCLE, NEAR, st.one_of(BEYOND, st.just(math.inf)))
def test_after_stepping_back_one_frame_holds_both_ends(
    focal: float, f_number: float, circle: float, near: float, beyond: float
) -> None:
    back = optics.step_back_m(focal, f_number, circle, near, near + beyond)
    moved_near, moved_far = near + back, near + beyond + back
    focus = optics.middle_focus_m(moved_near, moved_far)
    at_near = optics.blur_disc_mm(focal, f_number, focus, moved_near)
    at_far = optics.blur_disc_mm(focal, f_number, focus, moved_far)
    assert at_near == pytest.approx(at_far, rel=1e-6)
    if back > 0:
        assert at_near == pytest.approx(circle, rel=1e-5)
    else:
        assert at_near <= circle * (1 + 1e-6)


@given(st.floats(0.001, 20))
def test_hansma_aperture_has_the_least_blur_of_all(spread: float) -> None:
    def blur(n: float) -> float:
        return optics.combined_blur_um(spread * 1000 / (2 * n), optics.airy_diameter_um(n, 1000 / 0.75 / 2.44))

    best = optics.balanced_aperture_for_spread(spread)
    assert blur(best) < blur(best * 1.05)
    assert blur(best) < blur(best / 1.05)


@given(CIRCLE)
def test_balanced_aperture_covers_most_depth_for_one_blur_budget(circle: float) -> None:
    def depth(n: float) -> float:
        airy = optics.airy_diameter_um(n) / 1000
        return n * math.sqrt(max(0.0, circle**2 - airy**2))

    best = optics.balanced_aperture_for_circle(circle)
    assert depth(best) > depth(best * 1.03)
    assert depth(best) > depth(best / 1.03)


@given(st.floats(0.01, 3), FOCAL, st.floats(0.4, 50), st.floats(2, 9), st.floats(0.5, 20))
def test_shutter_for_smear_is_the_inverse_of_smear(
    speed: float, focal: float, subject: float, pitch: float, tolerance: float
) -> None:
    exposure = optics.shutter_for_smear_s(speed, focal, subject, pitch, tolerance)
    assert optics.smear_px(speed, focal, subject, exposure, pitch) == pytest.approx(tolerance, rel=1e-9)


def test_nothing_moves_no_limit() -> None:
    assert math.isinf(optics.shutter_for_smear_s(0, 24, 1, 4.4, 2))


@given(st.floats(10, 179), OVERLAP, st.floats(1, 359))
def test_views_cover_the_span(fov: float, overlap: float, span: float) -> None:
    views = optics.view_count(fov, overlap, span)
    step = optics.view_step_deg(fov, overlap)
    full = optics.full_circle_views(fov, overlap)
    assert views <= full
    if views < full:
        assert fov + (views - 1) * step >= span - 1e-6
    if views > 1:
        assert fov + (views - 2) * step < span + 1e-6


def test_bracket_offsets_are_even_about_the_metered_exposure() -> None:
    assert optics.bracket_offsets_ev(3, 2) == (-2, 0, 2)
    assert optics.bracket_offsets_ev(2, 1) == (-0.5, 0.5)
    assert optics.bracket_offsets_ev(1, 2) == (0,)
