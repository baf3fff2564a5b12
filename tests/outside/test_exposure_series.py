"""Exposure values and the exact series against Exif 2.32 and the numbers on cameras."""

from __future__ import annotations

import math

import pytest

from windstill.optics import exposure

# Exif 2.32 (CIPA DC-X008-2019), ShutterSpeedValue and ApertureValue: the values of CHECKS section 1.
APEX_TIMES = [(1 / 60, 5.907)]
APEX_APERTURES = [(5.6, 4.971)]

# Common practice: the numbers a camera set to third stops shows, with their exact values computed as
# t = 2^(5 - i/3), N = 2^(i/6), ISO = 100 * 2^(i/3).
SHOWN_TIMES = [
    30, 25, 20, 15, 13, 10, 8, 6, 5, 4, 3.2, 2.5, 2, 1.6, 1.3, 1, 0.8, 0.6, 0.5, 0.4, 0.3, 1 / 4, 1 / 5, 1 / 6, 1 / 8,
    1 / 10, 1 / 13, 1 / 15, 1 / 20, 1 / 25, 1 / 30, 1 / 40, 1 / 50, 1 / 60, 1 / 80, 1 / 100, 1 / 125, 1 / 160, 1 / 200,
    1 / 250, 1 / 320, 1 / 400, 1 / 500, 1 / 640, 1 / 800, 1 / 1000, 1 / 1250, 1 / 1600, 1 / 2000, 1 / 2500, 1 / 3200,
    1 / 4000, 1 / 5000, 1 / 6400, 1 / 8000,
]
SHOWN_APERTURES = [
    1, 1.1, 1.2, 1.4, 1.6, 1.8, 2, 2.2, 2.5, 2.8, 3.2, 3.5, 4, 4.5, 5, 5.6, 6.3, 7.1, 8, 9, 10, 11, 13, 14, 16, 18, 20,
    22, 25, 29, 32, 36,
]
SHOWN_ISO = [
    100, 125, 160, 200, 250, 320, 400, 500, 640, 800, 1000, 1250, 1600, 2000, 2500, 3200, 4000, 5000, 6400, 8000, 10000,
    12800,
]


@pytest.mark.parametrize(("seconds", "tv"), APEX_TIMES)
def test_time_value_is_that_of_exif(seconds: float, tv: float) -> None:
    assert exposure.time_value(seconds) == pytest.approx(tv, abs=5e-4)


@pytest.mark.parametrize(("number", "av"), APEX_APERTURES)
def test_aperture_value_is_that_of_exif(number: float, av: float) -> None:
    assert exposure.aperture_value(number) == pytest.approx(av, abs=5e-4)


def test_apex_sum() -> None:
    """Exif 2.32 Annex C: Ev = Av + Tv = Bv + Sv, Sv = log2(ASA / 3.125)."""
    assert exposure.speed_value(100) == pytest.approx(5.0)
    assert exposure.exposure_value(1.0, 1.0) == 0.0
    assert exposure.exposure_value(1 / 125, 8) == pytest.approx(12.966, abs=5e-4)


def test_level_of_a_worked_exposure() -> None:
    """Computed: f/8, 1/125 s, ISO 400: log2(N^2/t) = 12.966, EV100 = 10.966. The definition of EV100 is from memory."""
    assert exposure.exposure_value_100(1 / 125, 8, 400) == pytest.approx(10.966, abs=5e-4)
    assert exposure.recorded_level(1 / 125, 8, 400) == pytest.approx(math.log2(400 / 125 / (100 * 64)), abs=1e-12)


@pytest.mark.parametrize(("at", "shown"), list(enumerate(SHOWN_TIMES)))
def test_shown_times_stand_for_exact_thirds(at: int, shown: float) -> None:
    exact = 2.0 ** (5 - at / 3)
    assert exposure.snap_exposure_s(shown) == pytest.approx(exact, rel=1e-12)
    assert abs(math.log2(shown / exact)) <= 0.0932  # computed: nominal shutter values are off by up to 0.093 EV


@pytest.mark.parametrize(("at", "shown"), list(enumerate(SHOWN_APERTURES)))
def test_shown_apertures_stand_for_exact_thirds(at: int, shown: float) -> None:
    exact = 2.0 ** (at / 6)
    assert exposure.snap_f_number(shown) == pytest.approx(exact, rel=1e-12)
    assert abs(2 * math.log2(shown / exact)) <= (0.1407 if shown == 1.2 else 0.0812)  # computed


@pytest.mark.parametrize(("at", "shown"), list(enumerate(SHOWN_ISO)))
def test_shown_iso_stands_for_exact_thirds(at: int, shown: float) -> None:
    exact = 100.0 * 2.0 ** (at / 3)
    assert exposure.snap_iso(shown) == pytest.approx(exact, rel=1e-12)
    assert abs(math.log2(shown / exact)) <= 0.0229  # computed


@pytest.mark.parametrize(
    ("shown", "exact"), [(1 / 45, 2**-5.5), (1 / 90, 2**-6.5), (1 / 180, 2**-7.5), (1 / 350, 2**-8.5), (0.7, 2**-0.5)]
)
def test_half_stop_times(shown: float, exact: float) -> None:
    """Computed: t = 2^(5 - i/2) for cameras set to half stops."""
    assert exposure.snap_exposure_s(shown) == pytest.approx(exact, rel=1e-12)


@pytest.mark.parametrize(("shown", "exact"), [(9.5, 2**3.25), (6.7, 2**2.75), (19, 2**4.25), (27, 2**4.75)])
def test_half_stop_apertures(shown: float, exact: float) -> None:
    """Computed: N = 2^(i/4)."""
    assert exposure.snap_f_number(shown) == pytest.approx(exact, rel=1e-12)


def test_camera_of_half_stops_is_told_from_one_of_thirds() -> None:
    """1/6 s and f/3.5 are shown by both; 1/45 s only by a camera of half stops, 1/50 s only by one of thirds."""
    assert exposure.step_of([1 / 45, 1 / 60, 1 / 6], [3.5]) == "half"
    assert exposure.step_of([1 / 50, 1 / 60, 1 / 6], [3.5]) == "third"
    assert exposure.step_of([1 / 45, 1 / 50], []) == "third"
    assert exposure.snap_exposure_s(1 / 6, "half") == pytest.approx(2**-2.5)
    assert exposure.snap_exposure_s(1 / 6) == pytest.approx(2 ** (-8 / 3))
    assert exposure.snap_f_number(3.5, "half") == pytest.approx(2**1.75)


@pytest.mark.parametrize("seconds", [1 / 70, 1 / 59, 1 / 178.3 * 1.05, 45.0, 61.0, 600.0])
def test_measured_times_stay(seconds: float) -> None:
    """Times no camera shows were measured (phones, timed bulb exposures) and are left as they are."""
    assert exposure.snap_exposure_s(seconds) == seconds


@pytest.mark.parametrize("number", [2.9, 5.9, 2.88, 3.1])
def test_odd_apertures_stay(number: float) -> None:
    assert exposure.snap_f_number(number) == number


@pytest.mark.parametrize(
    ("times", "nominal"),
    [
        ((1 / 60, 1 / 250, 1 / 15), (0, -2.059, 2.000)),
        ((1 / 125, 1 / 500, 1 / 30), (0, -2.000, 2.059)),
        ((0.3, 1 / 13, 1.3), (0, -1.963, 2.115)),
    ],
)
def test_brackets_by_shown_times_are_even_in_exact_ones(
    times: tuple[float, ...], nominal: tuple[float, ...]
) -> None:
    """Computed: the steps between shown times are uneven, between exact ones they are whole stops."""
    for seconds, shown in zip(times, nominal, strict=True):
        assert math.log2(seconds / times[0]) == pytest.approx(shown, abs=6e-4)
    levels = [exposure.exact_recorded_level(t, 8, 100) for t in times]
    assert [level - levels[0] for level in levels] == pytest.approx([0, -2, 2], abs=1e-9)


def test_long_span_is_whole_in_exact_values() -> None:
    """Computed: 30 s to 1/60 s is 10.814 EV nominal and 11.000 true; f/11 at 1/60 s 12.826 nominal, 13.000 exact."""
    exact = exposure.snap_exposure_s(30) / exposure.snap_exposure_s(1 / 60)
    assert math.log2(30 * 60) == pytest.approx(10.814, abs=5e-4)
    assert math.log2(exact) == pytest.approx(11.0, abs=1e-12)
    assert exposure.exposure_value(1 / 60, 11) == pytest.approx(12.826, abs=5e-4)
    snapped = exposure.exposure_value(exposure.snap_exposure_s(1 / 60), exposure.snap_f_number(11))
    assert snapped == pytest.approx(13.0, abs=1e-12)


@pytest.mark.parametrize("value", [0.0, -1.0, math.nan, math.inf])
def test_values_that_are_none_are_refused(value: float) -> None:
    for snap in (exposure.snap_exposure_s, exposure.snap_f_number, exposure.snap_iso):
        with pytest.raises(ValueError, match="above 0"):
            snap(value)
