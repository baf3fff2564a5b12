"""Words for wind and output size, and the one clear line a wrong value gets."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest

from windstill import optics


@pytest.mark.parametrize(
    ("words", "force"),
    [("calm", 0), ("Light air", 1), ("light breeze", 2), ("gentle", 3), ("Beaufort 4", 4), ("force 5", 5), ("b6", 6),
     ("3", 3), ("felt on the face", 2)],
)
def test_wind_in_words(words: str, force: int) -> None:
    assert optics.beaufort_from_words(words).force == force


@pytest.mark.parametrize(
    ("words", "says"), [("windy", "no step"), ("light", "several"), ("", "no step"), ("beaufort 9", "0 to 6")]
)
def test_wind_words_that_name_no_step(words: str, says: str) -> None:
    with pytest.raises(ValueError, match=says) as caught:
        optics.beaufort_from_words(words)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("words", "kind", "size"),
    [("full", "full", 0), ("4K", "screen", 3840), ("2560 px", "screen", 2560), ("60cm", "print", 60),
     ("print 60 cm", "print", 60), ("1.2 m", "print", 120)],
)
def test_output_in_words(words: str, kind: str, size: float) -> None:
    assert optics.output_from_words(words) == optics.OutputSize(kind, size)  # type: ignore[arg-type]


@pytest.mark.parametrize("words", ["huge", "0 cm", "60", "", "cm"])
def test_output_words_that_name_no_size(words: str) -> None:
    with pytest.raises(ValueError, match="output"):
        optics.output_from_words(words)


def test_what_just_shows() -> None:
    # 6000 px: pixel by pixel 2 px; on 3840 px of screen 2 screen pixels; .2 mm of a 30 cm print is 4 px.
    assert optics.visible_px(optics.OutputSize(), 6000) == 2
    assert optics.visible_px(optics.OutputSize("screen", 3840), 6000) == pytest.approx(3.125)
    assert optics.visible_px(optics.OutputSize("print", 30), 6000) == pytest.approx(4)
    # A larger output shows no detail the file lacks.
    assert optics.visible_px(optics.OutputSize("print", 200), 6000) == 2
    assert optics.visible_px(optics.OutputSize("screen", 7680), 6000) == 2


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (lambda: optics.hyperfocal_m(0, 8, 0.03), "focal length must be above 0 mm, not 0"),
        (lambda: optics.hyperfocal_m(24, -8, 0.03), "aperture must be above 0, not -8"),
        (lambda: optics.hyperfocal_m(24, 8, math.nan), "circle of confusion must be above 0 mm, not nan"),
        (lambda: optics.depth_of_field(100, 8, 0.03, 0.1), "farther than the focal length"),
        (lambda: optics.blur_disc_mm(50, 2, 2, 0.03), "subject distance must be farther"),
        (lambda: optics.focus_count(24, 8, 0.03, 3, 2), "farthest distance .2 m. must be beyond the nearest"),
        (lambda: optics.focus_count(24, 8, 0.03, math.inf, math.inf), "not infinity"),
        (lambda: optics.focus_positions(1, 2, 0), "must be 1 or more"),
        (lambda: optics.focus_positions(1, 2, 2, 1.0), "under 1"),
        (lambda: optics.middle_focus_m(0, 2), "nearest distance must be above 0 m"),
        (lambda: optics.smear_px(-1, 24, 1, 0.1, 4), "speed must be 0 m/s or more"),
        (lambda: optics.shutter_for_smear_s(1, 24, 1, 4, 0), "tolerance must be above 0 px"),
        (lambda: optics.view_step_deg(180, 0.3), "under 180"),
        (lambda: optics.view_count(50, 0.3, 400), "at most 360"),
        (lambda: optics.view_step_deg(50, 1.2), "overlap of views"),
        (lambda: optics.beaufort_speed_mps(13), "0 to 12"),
        (lambda: optics.bracket_offsets_ev(0, 1), "1 or more"),
        (lambda: optics.stem_peak_speed_mps(0.02, 0), "sway frequency must be above 0 Hz"),
        (lambda: optics.pixel_pitch_um(36, 0), "pixels along the side must be above 0"),
    ],
)
def test_a_value_out_of_range_gets_one_clear_line(call: Callable[[], object], says: str) -> None:
    with pytest.raises(ValueError, match=says) as caught:
        call()
    assert "\n" not in str(caught.value)


def test_an_unmoved_bloom_is_not_smeared() -> None:
    assert optics.smear_px(0, 24, 1, 30, 4.4) == 0


def test_infinity_is_a_distance() -> None:
    assert optics.magnification(24, math.inf) == 0
    assert optics.breathing_scale(24, math.inf) == 1
    assert optics.blur_disc_mm(24, 8, math.inf, math.inf) == 0
