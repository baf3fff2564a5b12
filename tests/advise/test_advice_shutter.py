"""The shutter that would have held the subject."""

from __future__ import annotations

import math

import pytest

from windstill.advise.settings_that_hold import held_time_s, shutter_phrase
from windstill.records import CameraData


def test_smear_four_times_too_long_asks_for_a_quarter_of_the_time() -> None:
    # computed: 1/32 s * 2 px / 8 px = 1/128 s, the exact time behind 1/125 s; two stops of ISO
    camera = CameraData(exposure_s=1 / 32, iso=400)
    assert shutter_phrase(camera, 8.0, None, 2.0) == "1/125 s at ISO 1600"


def test_a_time_between_the_marks_is_rounded_to_the_faster() -> None:
    camera = CameraData(exposure_s=1 / 32, iso=100)
    assert shutter_phrase(camera, 9.0, None, 2.0) == "1/160 s at ISO 500"


def test_sway_alone_asks_for_the_time_in_which_a_stem_passes_within_tolerance() -> None:
    # computed: 20 px apart swings 10 px to each side at 1.7 Hz (J. Exp. Biol. commentary, 2018): 106.8 px/s at its peak
    expected = 2.0 / (2 * math.pi * 1.7 * 10)
    assert held_time_s(1.0, None, 20.0, 2.0) == pytest.approx(expected)


def test_no_advice_where_the_shutter_held_or_nothing_is_known() -> None:
    assert shutter_phrase(CameraData(exposure_s=1 / 500, iso=400), 1.0, 3.0, 2.0) is None
    assert shutter_phrase(CameraData(), 8.0, None, 2.0) is None


def test_beyond_the_highest_iso_the_missing_light_is_named_and_the_impossible_is_not() -> None:
    camera = CameraData(exposure_s=1 / 4, iso=3200)
    said = shutter_phrase(camera, 16.0, None, 2.0)
    assert said == "1/30 s at ISO 6400 and 2 stops more light or aperture"
    assert shutter_phrase(camera, 160.0, None, 2.0) is None
