"""Optics against values computed from the stated formulas, to their last digit, and recomputed here another way."""

from __future__ import annotations

import math

import pytest

from windstill import optics


@pytest.mark.parametrize(
    ("focal", "f_number", "hyperfocal"),
    [(16, 8, 1.083), (24, 8, 2.424), (24, 11, 1.769), (35, 11, 3.747), (50, 8, 10.467), (100, 11, 30.403)],
)
def test_hyperfocal(focal: float, f_number: float, hyperfocal: float) -> None:
    # Computed, c = .030 mm.
    assert optics.hyperfocal_m(focal, f_number, 0.030) == pytest.approx(hyperfocal, abs=0.0005)


@pytest.mark.parametrize(
    ("focal", "f_number", "focus", "near", "far"),
    # Computed, c = .030 mm.
    [
        (24, 8, 2, 1.097, 11.32),
        (24, 11, 2, 0.938, math.inf),
        (24, 11, 1, 0.641, 2.268),
        (35, 11, 2, 1.308, 4.249),
        (50, 8, 2, 1.685, 2.461),
        (100, 11, 2, 1.882, 2.134),
    ],
)
def test_depth_of_field(focal: float, f_number: float, focus: float, near: float, far: float) -> None:
    depth = optics.depth_of_field(focal, f_number, 0.030, focus)
    assert depth.near_m == pytest.approx(near, abs=0.0005)
    assert depth.far_m == pytest.approx(far, abs=0.005 if far > 10 else 0.0005)
    # Recomputed: at both limits the blur disc, from image distances alone, is the circle of confusion.
    for x in (depth.near_m, depth.far_m):
        if math.isfinite(x):
            assert disc_by_image_distances(focal, f_number, focus, x) == pytest.approx(0.030, rel=1e-9)


def test_depth_of_field_at_the_hyperfocal_distance() -> None:
    # Computed: 24 mm f/11, c = .030: s = H gives near .885 m.
    depth = optics.depth_of_field(24, 11, 0.030, optics.hyperfocal_m(24, 11, 0.030))
    assert depth.near_m == pytest.approx(0.885, abs=0.0005)
    assert math.isinf(depth.far_m)


def test_focused_at_infinity_the_near_limit_is_h_less_f() -> None:
    # Computed: 24 mm f/11 c=.030: 1.745 m.
    assert optics.depth_of_field(24, 11, 0.030, math.inf).near_m == pytest.approx(1.745, abs=0.0005)
    assert optics.infinity_near_limit_m(24, 11, 0.030) == pytest.approx(1.745, abs=0.0005)


@pytest.mark.parametrize(("subject", "blur"), [(4, 0.2289), (math.inf, 0.4579)])
def test_blur_disc(subject: float, blur: float) -> None:
    # Computed: 50 mm f/2.8 focused at 2 m.
    assert optics.blur_disc_mm(50, 2.8, 2, subject) == pytest.approx(blur, abs=5e-5)


def test_blur_disc_recomputed_by_image_distances() -> None:
    for focal, f_number, focus, subject in [(50, 2.8, 2, 4), (24, 11, 0.6, 0.4), (100, 4, 3, 2.9)]:
        assert optics.blur_disc_mm(focal, f_number, focus, subject) == pytest.approx(
            disc_by_image_distances(focal, f_number, focus, subject), rel=1e-12
        )


@pytest.mark.parametrize(("focal", "scale"), [(24, 1.0504), (50, 1.1111)])
def test_breathing(focal: float, scale: float) -> None:
    # Computed: thin lens at .5 m.
    assert optics.breathing_scale(focal, 0.5) == pytest.approx(scale, abs=5e-5)


@pytest.mark.parametrize(
    ("focal", "circle", "near", "far", "positions"),
    [
        # Computed: 24 mm f/8.
        (24, 0.030, 0.5, math.inf, [0.6, 1.0, 3.0]),
        (24, 0.012, 0.5, math.inf, [0.545, 0.667, 0.857, 1.2, 2.0, 6.0]),
    ],
)
def test_focus_positions(focal: float, circle: float, near: float, far: float, positions: list[float]) -> None:
    count = optics.focus_count(focal, 8, circle, near, far)
    assert count == len(positions)
    assert optics.focus_positions(near, far, count) == pytest.approx(positions, abs=0.0006)


def test_focus_count_of_a_long_lens() -> None:
    # Computed: 100 mm f/8 c=.020, 1-5 m: 25 positions.
    assert optics.focus_count(100, 8, 0.020, 1, 5) == 25


def test_focus_spread_and_its_optimum() -> None:
    # Computed: 24 mm, .6-20 m: D = .971 mm, N = 19.1.
    spread = optics.focus_spread_mm(24, 0.6, 20)
    assert spread == pytest.approx(0.971, abs=0.0005)
    assert spread == pytest.approx(1 / (1 / 24 - 1 / 600) - 1 / (1 / 24 - 1 / 20000), rel=1e-12)
    assert optics.balanced_aperture_for_spread(spread) == pytest.approx(19.1, abs=0.05)


def test_cutoff() -> None:
    # 1 / (lambda N), incoherent light: 550 nm at f/8 is 1 / .0044 mm.
    assert optics.cutoff_cycles_per_mm(8, 550) == pytest.approx(1 / 0.0044, rel=1e-12)


@pytest.mark.parametrize(
    ("speed", "focal", "subject", "exposure", "pitch", "smear"),
    # Computed.
    [(0.1, 35, 3, 1 / 60, 4.5, 4.37), (0.2, 24, 1, 1 / 30, 4.4, 37.3)],
)
def test_smear(speed: float, focal: float, subject: float, exposure: float, pitch: float, smear: float) -> None:
    digits = 0.005 if smear < 10 else 0.05
    assert optics.smear_px(speed, focal, subject, exposure, pitch) == pytest.approx(smear, abs=digits)
    # Recomputed: way in mm times magnification over pitch in mm.
    way_mm = speed * 1000 * exposure
    expected = way_mm * focal / (subject * 1000 - focal) / (pitch / 1000)
    assert optics.smear_px(speed, focal, subject, exposure, pitch) == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize(
    ("focal", "long_side", "short_side"),
    [(16, 96.73, 73.74), (24, 73.74, 53.13), (35, 54.43, 37.85), (50, 39.60, 26.99), (100, 20.41, 13.69)],
)
def test_field_of_view(focal: float, long_side: float, short_side: float) -> None:
    # Computed, 36 x 24 mm.
    assert optics.field_of_view_deg(36, focal) == pytest.approx(long_side, abs=0.005)
    assert optics.field_of_view_deg(24, focal) == pytest.approx(short_side, abs=0.005)


@pytest.mark.parametrize(("overlap", "step", "frames"), [(0.2, 42.50, 9), (0.3, 37.19, 10), (0.5, 26.57, 14)])
def test_view_steps(overlap: float, step: float, frames: int) -> None:
    # Computed: 24 mm upright.
    fov = optics.field_of_view_deg(24, 24)
    assert optics.view_step_deg(fov, overlap) == pytest.approx(step, abs=0.005)
    assert optics.full_circle_views(fov, overlap) == frames
    assert frames * step >= 360 > (frames - 1) * step


def disc_by_image_distances(focal: float, f_number: float, focus_m: float, subject_m: float) -> float:
    """Blur disc in mm from where the cone of light of the subject meets the sensor."""
    sensor_at = 1 / (1 / focal - 1 / (focus_m * 1000))
    image_at = 1 / (1 / focal - 1 / (subject_m * 1000))
    return focal / f_number * abs(sensor_at - image_at) / image_at
