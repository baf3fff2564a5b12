"""The simulator against the outside: what is measured on its pictures equals published or computed values.

Each value is taken from the source named beside it and measured on a rendered picture (centroid, second moment, edge,
dark ring, variance, level), never by calling the formulas that rendered it.
"""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
import tifffile
from numpy.typing import NDArray
from PIL import Image

from windstill.simulate import simulate
from windstill.simulate.describe import Blooms, Body, Description, Exposures, Files, Scene, Shot, Wind
from windstill.simulate.render import render
from windstill.simulate.stage import Stage
from windstill.simulate.timeline import lay_out

Array = NDArray[np.float64]
PLAIN = Body(diffraction=False, flat_response=True)


def chart(
    *shots: Shot, focal_mm: float, card_m: float, discs: tuple[Blooms, ...] = (), body: Body = PLAIN, width: int = 900,
    aspect: float = 1.5,
) -> Description:
    """A plain card with discs before it; the shot's still camera looks straight at it."""
    still = tuple(s.model_copy(update={"shift_px": 0.0}) for s in shots)
    scene = Scene(look="chart", focal_mm=focal_mm, pitch_deg=0.0, nearest_m=card_m, blooms=discs)
    return Description(width_px=width, aspect=aspect, bodies=(body,), scenes=(scene,), shots=still, light_fall_ev_min=0)


def disc(distance_m: float, size_mm: float, *places: tuple[float, float], glide_ms: float = 0.0) -> Blooms:
    """Bright discs in some directions (degrees right, up)."""
    return Blooms(
        kind="disc", count=len(places), near_m=distance_m, far_m=distance_m, head_mm=(size_mm, size_mm),
        places_deg=places, glide_ms=glide_ms, sway_mm=0,
    )


def pictures(description: Description) -> list[Array]:
    """Green channel of every frame in linear light."""
    timeline = lay_out(description)
    stage = Stage(description, timeline, 0)
    return [render(stage, f)[..., 1].astype(np.float64) for f in timeline.frames]


def spot(picture: Array, x: float, y: float, half: int) -> tuple[float, float, float, float]:
    """Centroid x, y and variance along x and y of a bright spot, over the level of its surroundings."""
    cx, cy = round(x), round(y)
    part = picture[cy - half : cy + half + 1, cx - half : cx + half + 1]
    part = part - np.median(np.concatenate([part[0], part[-1], part[:, 0], part[:, -1]]))
    yy, xx = np.mgrid[-half : half + 1, -half : half + 1]
    total = part.sum()
    mx, my = (part * xx).sum() / total, (part * yy).sum() / total
    vx, vy = (part * (xx - mx) ** 2).sum() / total, (part * (yy - my) ** 2).sum() / total
    return cx + mx, cy + my, vx, vy


@pytest.mark.parametrize(("far_m", "disc_mm"), [(4.0, 0.2289), (math.inf, 0.4579)])
def test_blur_disc_of_a_point(far_m: float, disc_mm: float) -> None:
    # CHECKS 3, computed: 50 mm f/2.8 focused at 2 m: 0.2289 mm at 4 m, 0.4579 mm at infinity.
    distance = min(far_m, 4000.0)
    point = disc(distance, distance * 0.9, (-8.0, 0.0))
    d = chart(
        Shot(f_number=2.8284, focus_m=2.0, exposure_s=1 / 60),
        Shot(f_number=2.8284, focus_m=distance, exposure_s=1 / 60),
        focal_mm=50, card_m=5000.0, discs=(point,), width=2400,
    )
    blurred, sharp = pictures(d)
    pitch = 36 / 2400
    # At f = 50 mm an f-number of 2.8 nominal is 2.8284 exact: the disc scales with it.
    expected = disc_mm * 2.8 / 2.8284
    breathing = 2.0 / (2.0 - 0.05)
    x = (2400 - 1) / 2 + math.tan(math.radians(-8)) * 50 / pitch * breathing
    _, _, vx, vy = spot(blurred, x, (1600 - 1) / 2, 60)
    still = spot(sharp, (2400 - 1) / 2 + math.tan(math.radians(-8)) * 50 / pitch, (1600 - 1) / 2, 60)
    # A uniform disc of diameter b has a variance of b^2 / 16 along any line through its middle.
    measured = [4 * math.sqrt(v - v0 * breathing**2) * pitch for v, v0 in ((vx, still[2]), (vy, still[3]))]
    assert measured == pytest.approx([expected, expected], rel=0.015)


def test_blurred_edge_is_a_disc_s_edge() -> None:
    # CHECKS 3, computed (same lens, focus 2 m, edge at 4 m); an edge blurred by a disc of diameter b rises from 10 to
    # 90 % over 0.687 b (computed: integral of a disc's chord).
    d = chart(Shot(f_number=2.8284, focus_m=2.0, exposure_s=1 / 60), focal_mm=50, card_m=4.0, width=2400)
    row = pictures(d)[0][700:900].mean(axis=0)
    share = (row - row[900]) / (row[1500] - row[900])
    x = np.arange(row.size)
    ten, ninety = (np.interp(level, share[1100:1300], x[1100:1300]) for level in (0.1, 0.9))
    t = np.linspace(-1, 1, 20001)
    rise = np.cumsum(np.sqrt(1 - t * t))
    rise /= rise[-1]
    width = (np.interp(0.9, rise, t) - np.interp(0.1, rise, t)) / 2
    assert (ninety - ten) * 36 / 2400 == pytest.approx(width * 0.2289 * 2.8 / 2.8284, rel=0.02)


@pytest.mark.parametrize(("focal_mm", "scale"), [(24.0, 1.0504), (50.0, 1.1111)])
def test_focus_breathing(focal_mm: float, scale: float) -> None:
    # CHECKS 3, computed: thin lens focused at 0.5 m against infinity, 24 mm 1.0504, 50 mm 1.1111.
    places = ((-10.0, 0.0), (-3.0, 0.0))
    d = chart(
        Shot(f_number=16, focus_m=math.inf, exposure_s=1 / 60), Shot(f_number=16, focus_m=0.5, exposure_s=1 / 60),
        focal_mm=focal_mm, card_m=60.0, discs=(disc(50.0, 500.0, *places),), width=1800,
    )
    far, near = pictures(d)
    focal_px = focal_mm / (36 / 1800)
    distances = []
    for picture, zoom in ((far, 1.0), (near, scale)):
        at = [spot(picture, 899.5 + math.tan(math.radians(p[0])) * focal_px * zoom, 599.5, 40)[0] for p in places]
        distances.append(at[1] - at[0])
    assert distances[1] / distances[0] == pytest.approx(scale, abs=0.0003)


@pytest.mark.parametrize(("f_number", "diameter_um"), [(16.0, 21.47), (32.0, 42.94)])
def test_airy_disc(f_number: float, diameter_um: float) -> None:
    # CHECKS 4, computed from Edmund Optics' 2.44 lambda N: 550 nm f/16 21.47 um; f/32 twice that.
    body = Body(sensor_mm=0.9, flat_response=True)
    pitch_um = 0.9 / 900 * 1000
    d = chart(
        Shot(f_number=f_number, focus_m=10.0, exposure_s=1 / 60), focal_mm=50, card_m=10.5,
        discs=(disc(10.0, 0.3, (-0.2, 0.0)),), body=body,
    )
    picture = pictures(d)[0]
    x = (900 - 1) / 2 + math.tan(math.radians(-0.2)) * 50 / (0.9 / 900) * 10 / (10 - 0.05)
    cx, cy, _, _ = spot(picture, x, (600 - 1) / 2, 30)
    yy, xx = np.mgrid[0:600, 0:900]
    r = np.hypot(xx - cx, yy - cy)
    rings = np.arange(1.0, 40.0)
    level = np.array([picture[(r > k - 0.5) & (r <= k + 0.5)].mean() for k in rings])
    dark = int(np.flatnonzero((level[1:-1] < level[:-2]) & (level[1:-1] <= level[2:]))[0]) + 1
    fit = np.polyfit(rings[dark - 1 : dark + 2], level[dark - 1 : dark + 2], 2)
    radius = -fit[1] / (2 * fit[0])
    assert 2 * radius * pitch_um == pytest.approx(diameter_um, rel=0.03)


def test_noise_of_a_flat_field(tmp_path: Path) -> None:
    # CHECKS 7, EMVA 1288: K = 0.25 DN/e, mu = 1000 e, sigma_d = 3 e -> 7.946 DN. Raw levels run from 512 to 16383.
    well = (16383 - 512) / 0.25
    body = Body(full_well_e=well, read_noise_e=3.0)
    # The left half of the card has a reflectance of 0.09: pick the exposure that gives 1000 electrons there.
    stop = math.log2(1000 / well / 0.09)
    d = chart(Shot(exposure_s=1.0, f_number=8.0, focus_m=5), focal_mm=50, card_m=5.0, body=body)
    d = d.model_copy(update={"files": Files(format="dng"), "light_ev": stop + 6.0})
    simulate(d, tmp_path / "out", workers=1)
    with tifffile.TiffFile(next((tmp_path / "out").rglob("*.DNG"))) as tif:
        raw = tif.pages[0].pages[0].asarray().astype(np.float64)  # type: ignore[union-attr,index]
    flat = raw[:, :380]
    assert (flat.mean() - 512) / 0.25 == pytest.approx(1000, rel=0.01)
    assert flat.std() == pytest.approx(7.946, rel=0.01)


@pytest.mark.parametrize(("by", "steps"), [("shutter", (0, -2, 2)), ("iso", (0, -1, 1)), ("aperture", (0, -2, 2))])
def test_exposure_steps(tmp_path: Path, by: str, steps: tuple[int, ...]) -> None:
    # CHECKS 2, computed: level = log2(S t / (100 N^2)); the true step between 0 and 2 EV frames is exactly 2 EV.
    shot = Shot(
        order=("exposure",), exposures=Exposures(steps_ev=steps, by=by), exposure_s=1 / 16, f_number=8, iso=400,
        focus_m=5,
    )
    d = chart(shot, focal_mm=50, card_m=5.0).model_copy(update={"files": Files(format="dng"), "light_ev": 5.0})
    simulate(d, tmp_path / "out", workers=1)
    levels = []
    for path in sorted((tmp_path / "out").rglob("*.DNG")):
        with tifffile.TiffFile(path) as tif:
            levels.append(math.log2(tif.pages[0].pages[0].asarray()[:, :380].mean() - 512))  # type: ignore[union-attr,index]
    assert [v - levels[0] for v in levels] == pytest.approx(list(steps), abs=0.01)


def test_nominal_times_are_written_as_cameras_do(tmp_path: Path) -> None:
    # CHECKS 2: brackets by nominal times 1/60, 1/250, 1/15.
    shot = Shot(order=("exposure",), exposures=Exposures(steps_ev=(0, -2, 2)), exposure_s=1 / 60, f_number=11, iso=100)
    d = chart(shot, focal_mm=50, card_m=5.0, width=128)
    simulate(d, tmp_path / "out", workers=1)
    times = []
    for path in sorted((tmp_path / "out").rglob("*.JPG")):
        with Image.open(path) as image:
            exif = image.getexif().get_ifd(0x8769)
            times.append(round(1 / float(exif[33434])))
            assert float(exif[33437]) == 11
    assert times == [60, 250, 15]


@pytest.mark.parametrize(
    ("focal_mm", "distance_m", "speed_ms", "seconds", "pitch_um", "smear_px"),
    [(35.0, 3.0, 0.1, 1 / 60, 4.5, 4.37), (24.0, 1.0, 0.2, 1 / 30, 4.4, 37.3)],
)
def test_smear_from_speed(
    focal_mm: float, distance_m: float, speed_ms: float, seconds: float, pitch_um: float, smear_px: float
) -> None:
    # CHECKS 5: smear px = v m t / p, m = f / (s - f). Exposures are of the exact series (1/64, 1/32 s).
    exact = 2.0 ** round(math.log2(seconds))
    width = 1500
    body = Body(sensor_mm=width * pitch_um / 1000, diffraction=False, flat_response=True)
    size = 5.0 * distance_m
    moving = disc(distance_m, size, (-2.0, 1.0), glide_ms=speed_ms)
    still = disc(distance_m, size, (-2.0, -1.0))
    d = chart(
        Shot(f_number=22, focus_m=distance_m, exposure_s=exact), focal_mm=focal_mm, card_m=distance_m * 1.02,
        discs=(moving, still), body=body, width=width,
    )
    picture = pictures(d)[0]
    focal_px = focal_mm / (pitch_um / 1000) * distance_m / (distance_m - focal_mm / 1000)
    x = (width - 1) / 2 + math.tan(math.radians(-2)) * focal_px
    dy = math.tan(math.radians(1)) * focal_px
    _, _, vx, vy = spot(picture, x + smear_px / 2, 499.5 - dy, 60)
    _, _, sx, sy = spot(picture, x, 499.5 + dy, 60)
    # A uniform movement over L adds L^2 / 12 to the variance along it, and nothing across.
    assert math.sqrt(12 * (vx - sx)) * seconds / exact == pytest.approx(smear_px, rel=0.02)
    assert vy == pytest.approx(sy, rel=0.02)


@pytest.mark.parametrize(("focal_mm", "across", "up"), [(16, 96.73, 73.74), (24, 73.74, 53.13), (50, 39.60, 26.99)])
def test_field_of_view(focal_mm: float, across: float, up: float) -> None:
    # CHECKS 9, computed: 36 x 24 mm, FOV = 2 atan(w / 2f). Discs stand half way to the edges.
    half = [math.degrees(math.atan(math.tan(math.radians(v / 2)) / 2)) for v in (across, up)]
    places = ((-half[0], 0.0), (half[0], 0.0), (0.0, half[1]), (0.0, -half[1]))
    body = Body(diffraction=False, breathing=False, flat_response=True)
    d = chart(
        Shot(f_number=8, focus_m=50, exposure_s=1 / 60), focal_mm=focal_mm, card_m=60.0,
        discs=(disc(50.0, 40 * 50 / focal_mm * 12, *places),), body=body,
    )
    d = d.model_copy(update={"scenes": (d.scenes[0].model_copy(update={"look": "chart"}),)})
    picture = pictures(d)[0]
    # The card's edge runs through the middle: the discs at the sides stand on plain ground.
    left = spot(picture, 449.5 - 225, 299.5, 25)[0]
    right = spot(picture, 449.5 + 225, 299.5, 25)[0]
    assert right - left == pytest.approx(450, abs=0.1)
    assert left == pytest.approx(449.5 - 225, abs=0.1)


def test_sway_frequency_and_peak_speed() -> None:
    # CHECKS 6, computed: A = 2 cm at 1.7 Hz has a peak speed of 2 pi f A = 0.2136 m/s; the blooms' natural frequencies
    # lie about 1.7 Hz (J. Exp. Biol. commentary, 2018): found here as the peak of the spectrum of a head's place.
    scene = Scene(
        look="chart", nearest_m=3.0, wind=Wind(speed_ms=4.0, gustiness=0.0),
        blooms=(Blooms(kind="disc", count=1, near_m=1.0, far_m=1.0, sway_mm=20, frequency_hz=(1.7, 1.7)),),
    )
    d = Description(width_px=600, scenes=(scene,), shots=(Shot(exposure_s=1 / 500),))
    timeline = lay_out(d)
    stage = Stage(d, timeline, 0)
    t = np.arange(0, 60, 0.01)
    x = stage.bloom_sway_m(stage.blooms[0], timeline.frames[0], t)
    spectrum = np.abs(np.fft.rfft((x - x.mean()) * np.hanning(x.size)))
    peak = np.fft.rfftfreq(x.size, 0.01)[int(np.argmax(spectrum))]
    assert peak == pytest.approx(1.7, abs=0.05)
    assert np.abs(np.diff(x) / 0.01).max() == pytest.approx(0.2136, rel=0.35)
