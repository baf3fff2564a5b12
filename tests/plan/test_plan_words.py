"""What is typed is understood, and numbers are said as a photographer says them."""

from __future__ import annotations

import math

import pytest

from windstill.optics.marks import (
    aperture_mark,
    apertures_between,
    iso_mark,
    iso_step,
    shutter_mark,
    shutter_step,
)
from windstill.plan import say
from windstill.plan.words import clock, duration, focus_marks, metres, signed_ev


@pytest.mark.parametrize(
    ("text", "metres_"),
    [
        ("0.6", 0.6),
        ("60cm", 0.6),
        ("60 cm", 0.6),
        ("2 ft", 0.6096),
        ("1,5 m", 1.5),
        ("infinity", math.inf),
        ("∞", math.inf),
    ],
)
def test_distances(text: str, metres_: float) -> None:
    assert say.distance_m(text) == pytest.approx(metres_)


@pytest.mark.parametrize(
    ("text", "mps"),
    [
        ("4", 4),
        ("4.5 m/s", 4.5),
        ("18 km/h", 5),
        ("10 knots", 5.144),
        ("gentle breeze", 4.4),
        ("Beaufort 3", 4.4),
        ("b3", 4.4),
        ("leaves rustle", 2.45),
    ],
)
def test_wind(text: str, mps: float) -> None:
    assert say.wind_mps(text) == pytest.approx(mps, abs=0.001)


@pytest.mark.parametrize(
    ("text", "range_"),
    [("8", (8, 8)), ("f/8", (8, 8)), ("5.6-11", (5.6, 11)), ("f/5.6 to f/11", (5.6, 11)), ("f8", (8, 8))],
)
def test_apertures(text: str, range_: tuple[float, float]) -> None:
    assert say.aperture_range(text) == range_


@pytest.mark.parametrize(
    ("text", "ev"),
    # Exif 2.32 Annex C: f/8, 1/125 s (exactly 1/128), ISO 400 -> 6 + 7 - 2.
    [
        ("9", 9),
        ("EV 9.5", 9.5),
        ("-2", -2),
        ("f/8 1/125 ISO 400", 11),
        ("f/8, 1/125 s, ISO 400", 11),
        ("ISO 100 f/11 at 1 s", 7),
        ("f8 30s iso100", 1),
    ],
)
def test_light(text: str, ev: float) -> None:
    assert say.light_ev100(text) == pytest.approx(ev, abs=0.01)


def test_shares_and_sides() -> None:
    assert say.share("30%", "overlap") == say.share("0.3", "overlap") == say.share("30", "overlap") == 0.3
    assert say.sides_mm("24x36") == (36, 24)
    assert say.sides_px("6000 × 4000") == (6000, 4000)


@pytest.mark.parametrize(
    ("wrong", "says"),
    [
        (lambda: say.distance_m("near"), "distance 'near'"),
        (lambda: say.distance_m("-1"), "distance '-1'"),
        (lambda: say.wind_mps("3 furlongs"), "wind '3 furlongs'"),
        (lambda: say.wind_mps("blowy"), "no step of the scale"),
        (lambda: say.aperture_range("wide"), "aperture 'wide'"),
        (lambda: say.light_ev100("dim"), "light 'dim'"),
        (lambda: say.light_ev100("f/8 ISO 100"), "metered setting"),
        (lambda: say.light_ev100("f/8 1/0 ISO 100"), "metered setting"),
        (lambda: say.light_ev100("f/8 0 s ISO 100"), "metered setting"),
        (lambda: say.share("lots", "overlap"), "overlap 'lots'"),
        (lambda: say.sides_mm("36"), "both sides"),
        (lambda: say.sides_px("6000.5x4000"), "whole numbers"),
    ],
)
def test_what_is_not_understood(wrong: object, says: str) -> None:
    with pytest.raises(ValueError, match=says):
        wrong()  # type: ignore[operator]


@pytest.mark.parametrize(
    ("seconds", "mark"),
    # Exact series t = 2^(5 - i/3) and the numbers cameras show (common practice).
    [
        (1 / 128, "1/125 s"),
        (1 / 64, "1/60 s"),
        (32, "30 s"),
        (0.5, "0.5 s"),
        (1, "1 s"),
        (2 ** (-1 / 3), "0.8 s"),
        (64, "64 s"),
        (150, "2 min 30 s"),
        (1 / 1024, "1/1000 s"),
        (1 / 16000, "1/16000 s"),
    ],
)
def test_shutter_marks(seconds: float, mark: str) -> None:
    assert shutter_mark(seconds) == mark


def test_marks_of_the_other_two() -> None:
    assert aperture_mark(2 ** (7 / 2)) == "f/11"
    assert iso_mark(100 * 2 ** (5 / 3)) == "ISO 320"
    assert iso_step(330) == pytest.approx(100 * 2 ** (5 / 3))
    assert apertures_between(5.6, 11) == (5.6, 6.3, 7.1, 8, 9, 10, 11)
    assert shutter_step(1 / 100, "faster") == pytest.approx(2 ** (-20 / 3))
    assert shutter_step(1 / 120, "faster") == pytest.approx(1 / 128)


def test_numbers_in_words() -> None:
    assert [metres(d) for d in (0.638, 1.0, 2.34, 14.2, math.inf)] == ["0.64 m", "1.00 m", "2.3 m", "14 m", "infinity"]
    assert focus_marks([1.0, 1.001]) == ["1.000 m", "1.001 m"]
    assert [duration(s) for s in (5, 1.25, 59.7, 125, 3900)] == ["5 s", "1.2 s", "1 min", "2 min 5 s", "1 h 5 min"]
    assert clock(213.07) == "3:33"
    assert [signed_ev(v) for v in (2, 0, -0.667)] == ["+2 EV", "0 EV", "−0.7 EV"]
