"""Optics against published tables and worked examples, each within the tolerance its rounding asks for."""

from __future__ import annotations

import math

import numpy as np
import pytest

from windstill import optics

FOOT_M = 0.3048
INCH_MM = 25.4


def test_navedtra_14209_hyperfocal_and_depth() -> None:
    # NAVEDTRA 14209 (US Navy Photography training manual): 155 mm f/2.8, c = 0.002 in.
    circle = 0.002 * INCH_MM
    assert optics.hyperfocal_m(155, 2.8, circle) / FOOT_M == pytest.approx(554, abs=1)
    depth = optics.depth_of_field(155, 2.8, circle, 10 * FOOT_M)
    assert depth.near_m / FOOT_M == pytest.approx(9.8, abs=0.05)
    assert depth.far_m / FOOT_M == pytest.approx(10.2, abs=0.05)


def test_army_ss0507_hyperfocal() -> None:
    # US Army subcourse SS0507: 50 mm f/8, c = 0.002 in (3 %: its f = 2 in and no + f).
    hyperfocal = optics.hyperfocal_m(50, 8, 0.002 * INCH_MM)
    assert hyperfocal / FOOT_M == pytest.approx(20.8, rel=0.03)
    depth = optics.depth_of_field(50, 8, 0.002 * INCH_MM, hyperfocal)
    assert depth.near_m / FOOT_M == pytest.approx(10.4, rel=0.03)
    assert math.isinf(depth.far_m)


def test_jacobson_eighth_of_hyperfocal() -> None:
    # Jacobson, Photographic Lenses FAQ: focused at H/8, sharp from 8/9 s to 8/7 s (distances far beyond f).
    focus = optics.hyperfocal_m(50, 8, 0.03) / 8
    depth = optics.depth_of_field(50, 8, 0.03, focus)
    assert depth.near_m == pytest.approx(8 / 9 * focus, rel=0.005)
    assert depth.far_m == pytest.approx(8 / 7 * focus, rel=0.01)


@pytest.mark.parametrize(("f_number", "near", "far"), [(1.4, 4.6, 5.5), (16, 2.5, math.inf)])
def test_leica_m_manual_50mm_at_5m(f_number: float, near: float, far: float) -> None:
    # Leica M instruction manual: 50 mm at 5 m, c = 1/30 mm, to .1 m.
    depth = optics.depth_of_field(50, f_number, 1 / 30, 5)
    assert depth.near_m == pytest.approx(near, abs=0.1)
    assert depth.far_m == pytest.approx(far, abs=0.1)


@pytest.mark.parametrize(
    ("wavelength", "f_number", "diameter"),
    # Edmund Optics application note (520 nm); 550 nm computed as 2.44 lambda N.
    [(520, 8, 10.15), (520, 16, 20.30), (550, 8, 10.74), (550, 11, 14.76), (550, 16, 21.47)],
)
def test_airy_diameter(wavelength: float, f_number: float, diameter: float) -> None:
    assert optics.airy_diameter_um(f_number, wavelength) == pytest.approx(diameter, abs=0.005)


def test_airy_diameter_is_the_first_zero_of_the_bessel_function() -> None:
    # Reference library: the Airy pattern's first zero is that of J1, over pi.
    from scipy.special import jn_zeros

    assert optics.airy_diameter_um(1, 1000) == pytest.approx(2 * jn_zeros(1, 1)[0] / math.pi, rel=1e-3)


@pytest.mark.parametrize(("spread", "f_number"), [(1, 19.4), (2, 27.4), (5, 43.3), (10, 61.2)])
def test_hansma_optimum(spread: float, f_number: float) -> None:
    # Hansma, View Camera Focusing in Practice, 1996.
    assert optics.balanced_aperture_for_spread(spread) == pytest.approx(f_number, abs=0.05)


def test_smear_mtf_is_that_of_a_uniform_smear() -> None:
    # A uniform smear has |MTF(nu)| = |sinc(L nu)|: compared with the spectrum of a sampled box (reference: numpy).
    length, n = 12, 4800
    box = np.zeros(n)
    box[:length] = 1 / length
    spectrum = np.abs(np.fft.rfft(box))
    for k in (10, 150, 300, 400):
        assert optics.smear_mtf(length, k / n) == pytest.approx(spectrum[k], abs=0.002)
    assert optics.smear_mtf(length, 1 / length) == pytest.approx(0, abs=1e-12)


# WMO Guide / Met Office table, m/s.
BEAUFORT_TABLE = [
    (0, 0, 0.2), (1, 0.3, 1.5), (2, 1.6, 3.3), (3, 3.4, 5.4), (4, 5.5, 7.9), (5, 8.0, 10.7), (6, 10.8, 13.8),
]


@pytest.mark.parametrize(("force", "low", "high"), BEAUFORT_TABLE)
def test_beaufort_table(force: int, low: float, high: float) -> None:
    assert optics.beaufort_at(low).force == force
    assert optics.beaufort_at(high).force == force
    assert optics.beaufort_at((low + high) / 2).force == force
    # v = 0.836 B^1.5, from memory: lands in its own step of the table (its printed edges, .1 m/s).
    assert low - 0.05 <= optics.beaufort_speed_mps(force) <= high + 0.05


@pytest.mark.parametrize(
    ("words", "force"), [("leaves rustle", 2), ("leaves and small twigs", 3), ("small branches", 4), ("small trees", 5)]
)
def test_beaufort_signs_of_the_met_office_table(words: str, force: int) -> None:
    assert optics.beaufort_from_words(words).force == force


def test_stem_sway_speed_and_the_shutter_it_asks_for() -> None:
    # J. Exp. Biol. commentary, 2018: about 1.7 Hz; 2 pi f A and the shutter times are computed.
    speed = optics.stem_peak_speed_mps(0.02, 1.7)
    assert speed == pytest.approx(0.2136, abs=5e-5)
    assert 1 / optics.shutter_for_smear_s(speed, 24, 1, 4.4, 1) == pytest.approx(1194, abs=0.5)
    assert 1 / optics.shutter_for_smear_s(speed, 24, 1, 4.4, 3) == pytest.approx(398, abs=0.5)


def test_handheld_rule() -> None:
    # Camera shake limit t <= 1/(f x crop): common practice, no source.
    assert optics.handheld_limit_s(50, 1.5) == pytest.approx(1 / 75)


# Columbia University panorama table (upright, at least 50 %, full circle, rounded up to even).
COLUMBIA = [(14, 10), (18, 12), (24, 14), (35, 20), (50, 28), (85, 46), (100, 54), (200, 106)]
COLUMBIA_COMPUTED = [9, 11, 14, 20, 27, 45, 53, 105]


@pytest.mark.parametrize(("row", "computed"), list(zip(COLUMBIA, COLUMBIA_COMPUTED, strict=True)))
def test_columbia_full_circle(row: tuple[float, int], computed: int) -> None:
    focal, published = row
    views = optics.full_circle_views(optics.field_of_view_deg(24, focal), 0.5)
    assert views == computed
    assert views + views % 2 == published


def test_overlap_of_common_practice_on_a_24mm_lens() -> None:
    # Overlap 15-40 %, typically 30 %: common practice, no source; the step is computed.
    fov = optics.field_of_view_deg(24, 24)
    assert optics.view_step_deg(fov, 0.30) == pytest.approx(37.19, abs=0.005)


def test_bracket_count() -> None:
    # ceil((scene EV - sensor EV) / step) + 1: from memory.
    for scene, sensor, step in [(14, 11, 2), (11, 11, 2), (20, 11, 1), (12, 11, 2), (17, 11, 3)]:
        frames = 1
        while sensor + (frames - 1) * step < scene:
            frames += 1
        assert optics.bracket_count(scene, sensor, step) == frames
