"""The description of a simulated shoot: what is photographed, with what, in which order.

A description is a TOML file or a `Description` made in Python; the README in this folder explains every table.
Lengths in metres unless the name says otherwise, angles in degrees, times in seconds, exposure steps in EV.
Picture-plane amounts named ``*_px`` hold at a picture 6000 px along the long side and scale with its size.
"""

from __future__ import annotations

import tomllib
from datetime import datetime
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from windstill.settings.toml import read_toml

Axis = Literal["view", "focus", "exposure", "repeat"]
Look = Literal["sea-cliff", "meadow", "moor", "shore", "wood", "ground", "chart"]
BloomKind = Literal["thrift", "daisy", "seed-head", "leaf", "bush", "disc"]
FULL_LONG_PX = 6000
"""Pixels. The long side at which the amounts named ``*_px`` hold."""
FULL_HD_PX = (1920, 1080)
"""Pixels. What cameras' larger previews fit into."""


class DescriptionError(ValueError):
    """A description that cannot be used; the message is one line."""


class Part(BaseModel):
    """Frozen, and strict about names, so that a misspelt entry does not pass silently."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class Body(Part):
    """One camera body with its lens. Names are invented."""

    name: str = "main"
    maker: str = "Halden"
    model: str = "Halden V2"
    serial: str = "HV2-004417"
    lens: str = "Skerry 24-105 mm f/2.8"
    sensor_mm: float = Field(36.0, gt=0.5, description="Long side of the sensor.")
    full_well_e: float = Field(40_000, gt=100, description="Electrons of a pixel at the clipping level, ISO 100.")
    read_noise_e: float = Field(3.0, ge=0, description="Electrons; sigma_d of EMVA 1288.")
    clock_offset_s: float = Field(0.0, description="What this body's clock runs ahead of true time.")
    prefix: str = Field("THRF", pattern=r"^[A-Z0-9_]{4}$")
    folder: str = Field("CLIFF", pattern=r"^[A-Z0-9_]{5}$")
    first_folder: int = Field(100, ge=100, le=999)
    first_number: int = Field(1, ge=1, le=9999)
    frames_per_folder: int = Field(9999, ge=1, le=9999)
    vignetting_ev: float = Field(0.0, ge=0, le=4, description="Darkening in the corners.")
    distortion: float = Field(0.0, ge=-0.06, le=0.06, description="Radial, share of the radius at the corner.")
    diffraction: bool = True
    breathing: bool = Field(True, description="Picture scale follows s / (s - f) of a thin lens.")
    flat_response: bool = Field(False, description="No tone curve: 8-bit values are linear.")


class Files(Part):
    """What is written, and what the files say about themselves."""

    format: Literal["jpeg", "tiff", "png", "dng"] = "jpeg"
    raw_too: bool = Field(False, description="A DNG beside each JPEG.")
    raw_card: bool = Field(False, description="The DNG goes to a card folder of its own.")
    quality: int = Field(92, ge=30, le=100)
    camera_data: bool = True
    names: Literal["dcf", "scan"] = "dcf"
    subseconds: bool = True
    utc_offset: bool = True
    focus_distance: bool = True
    settings_data: bool = Field(True, description="Shutter, aperture and ISO are written.")
    marks: bool = Field(False, description="Exposure mode and ImageSequenceInfo say what belongs together.")
    thumbnail: bool = True
    preview_px: int = Field(0, ge=0, description="Long side of the larger preview; 0 = none.")
    rotate: bool = Field(True, description="Upright pictures are stored lying, with an orientation tag.")


class Wind(Part):
    """Wind at the place, and how blooms answer."""

    speed_ms: float = Field(0.0, ge=0, le=20)
    gustiness: float = Field(0.6, ge=0, le=1, description="0 steady .. 1 gusts with full lulls.")
    lull_s: float = Field(7.0, gt=0.5, description="Typical time from gust to gust.")


class Blooms(Part):
    """A group of things that move: heads on stems, or bushes."""

    kind: BloomKind = "thrift"
    count: int = Field(12, ge=1, le=2000)
    near_m: float = Field(0.7, gt=0.1)
    far_m: float = Field(3.0, gt=0.1)
    head_mm: tuple[float, float] = (20.0, 30.0)
    stem_mm: tuple[float, float] = (110.0, 200.0)
    sway_mm: float | None = Field(
        None, ge=0, description="Amplitude of the head at 4 m/s; by default 20 mm for a stem of 150 mm."
    )
    frequency_hz: tuple[float, float] = (1.4, 2.0)
    glide_ms: float = Field(0.0, description="Steady speed to the right, as of a boat or a walker.")
    places_deg: tuple[tuple[float, float], ...] = Field(
        (), description="Directions (right, up) of the heads seen from the camera, instead of places on the ground."
    )
    clump: float = Field(1.0, ge=1, le=50, description="How many stand together.")
    across: tuple[float, float] = Field((0.05, 0.95), description="Where in the picture, share of its width.")


class Scene(Part):
    """One composition."""

    name: str = "a"
    look: Look = "sea-cliff"
    seed: int = 0
    focal_mm: float = Field(24.0, gt=2, le=1200)
    upright: bool = Field(False, description="Portrait orientation.")
    camera_height_m: float = Field(0.5, gt=0.05)
    pitch_deg: float = Field(-6.0, ge=-80, le=60, description="Upwards positive.")
    nearest_m: float = Field(0.6, gt=0.1)
    cards: int = Field(8, ge=2, le=20, description="Layers between the nearest ground and the far distance.")
    contrast: float = Field(1.0, gt=0, le=3, description="Of the texture of ground and rock.")
    sky_ev: float = Field(2.0, ge=-3, le=8, description="Sky near the horizon above middle grey.")
    clouds: float = Field(0.3, ge=0, le=1)
    cloud_drift_px_s: float = 0.0
    cloud_memory_s: float = Field(0.0, ge=0, description="Clouds are others after this time; 0 = they stay.")
    waves: bool = Field(True, description="Water changes its texture from frame to frame.")
    wind: Wind = Wind()
    blooms: tuple[Blooms, ...] = ()


class Views(Part):
    """Views of a panorama."""

    count: int = Field(3, ge=1, le=40)
    rows: int = Field(1, ge=1, le=6)
    overlap_pct: float = Field(30.0, ge=0, le=90)
    direction: Literal["right", "left"] = "right"
    pivot_offset_mm: float = Field(0.0, description="Entrance pupil ahead of the axis of turning: parallax.")
    ev_drift: tuple[float, ...] = Field((), description="Exposure of each view relative to the first.")


class Focus(Part):
    """Focus positions of a stack."""

    positions_m: tuple[float, ...] = ()
    near_m: float = Field(0.6, gt=0.05)
    far_m: float = Field(10.0, gt=0.05)
    count: int = Field(4, ge=1, le=200)
    order: Literal["near-far", "far-near"] = "near-far"
    by_hand: bool = Field(False, description="Uneven steps, and no focus distance written.")
    repeat_position: int | None = Field(None, description="1-based position photographed twice.")


class Exposures(Part):
    """Exposure steps of a bracket, in the order as shot."""

    steps_ev: tuple[float, ...] = (0.0, -2.0, 2.0)
    by: Literal["shutter", "iso", "aperture"] = "shutter"


class Shot(Part):
    """One set as it is photographed; `order` names its nesting, outermost first."""

    scene: str = "a"
    body: str = "main"
    role: Literal["set", "stray", "test"] = "set"
    order: tuple[Axis, ...] = ()
    views: Views = Views()
    focus: Focus = Focus()
    exposures: Exposures = Exposures()
    repeats: int = Field(1, ge=1, le=20_000)
    takes: int = Field(1, ge=1, le=50)
    abort_after: int | None = Field(None, ge=1, description="Frames after which the set was given up.")
    start_s: float | None = Field(None, description="True time from the start of the shoot, instead of a pause.")
    pause_s: float = Field(25.0, ge=0, description="Before each take, after the last frame.")
    interval_s: float = Field(0.5, ge=0, description="Between frames, after the exposure.")
    focus_pause_s: float = Field(0.3, ge=0, description="More of it when focus changes.")
    view_pause_s: float = Field(3.0, ge=0, description="More of it when the view changes.")
    irregular: float = Field(0.15, ge=0, le=1, description="Share by which intervals vary.")
    f_number: float = Field(11.0, gt=0.5)
    iso: float = Field(100.0, gt=0)
    exposure_s: float | None = Field(None, gt=0, description="Otherwise metered at the first frame of a take.")
    compensation_ev: float = 0.0
    longest_s: float = Field(15.0, gt=0, description="A longer metered exposure is avoided by raising ISO.")
    focus_m: float = Field(2.0, gt=0.05, description="Focus of frames that are no stack; inf allowed.")
    wind_ms: float | None = Field(None, ge=0)
    wait_for_lull: bool = Field(False, description="Each take starts in the next lull.")
    aim_deg: tuple[float, float] = Field((0.0, 0.0), description="Turned right, up from the scene's own aim.")
    reframe_deg: float = Field(0.0, ge=0, description="Random change of aim before each take.")
    shift_px: float = Field(0.3, ge=0, description="Random shift of the camera from frame to frame.")
    roll_deg: float = Field(0.0, ge=0, description="Random roll from frame to frame.")
    sink_px: float = Field(0.0, description="Steady sinking of the tripod, in pixels a minute.")
    settle_px: float = Field(0.0, ge=0, description="Ringing after a change of view or focus.")
    shake_px: float = Field(0.0, ge=0, description="Amplitude of shake at 2 to 12 Hz.")
    handheld: bool = False
    translate_mm: float = Field(0.0, ge=0, description="Random sideways move of the camera: parallax.")


class Derived(Part):
    """A picture made from other frames, lying among them."""

    kind: Literal["export", "composite"] = "export"
    after_shot: int = Field(0, ge=0, description="Index of the shot it is made from.")
    name: str = "evening-final"


class Description(Part):
    """A whole shoot."""

    name: str = "shoot"
    about: str = ""
    seed: int = 0
    width_px: int = Field(1800, ge=64, le=20_000, description="Long side of the picture.")
    aspect: float = Field(1.5, gt=0.5, le=4)
    start: datetime = datetime.fromisoformat("2031-05-28T21:12:07.310+01:00")
    light_ev: float = Field(9.0, ge=-8, le=20, description="EV at ISO 100 that places middle grey, at the start.")
    light_fall_ev_min: float = Field(0.05, description="EV lost each minute.")
    bodies: Annotated[tuple[Body, ...], Field(min_length=1)] = (Body(),)
    files: Files = Files()
    scenes: Annotated[tuple[Scene, ...], Field(min_length=1)] = (Scene(),)
    shots: tuple[Shot, ...] = ()
    derived: tuple[Derived, ...] = ()

    @property
    def size_px(self) -> tuple[int, int]:
        """(long, short) side of the picture."""
        return self.width_px, round(self.width_px / self.aspect / 2) * 2

    @property
    def unit_px(self) -> float:
        """Pixels of this picture to one pixel of a picture 6000 px long."""
        return self.width_px / FULL_LONG_PX

    def at_width(self, width_px: int) -> Description:
        """The same shoot drawn at another size; its larger previews go with it, up to full HD as in cameras."""
        described = self.files.preview_px
        largest = max(described, min(FULL_HD_PX[0], int(FULL_HD_PX[1] * self.aspect)))
        preview_px = min(round(described * width_px / self.width_px), largest)
        files = self.files.model_copy(update={"preview_px": preview_px})
        return self.model_copy(update={"width_px": width_px, "files": files})

    @model_validator(mode="after")
    def _names_resolve(self) -> Description:
        scenes = {s.name for s in self.scenes}
        bodies = {b.name for b in self.bodies}
        for i, shot in enumerate(self.shots):
            if shot.scene not in scenes:
                raise ValueError(f"shots[{i}]: there is no scene named {shot.scene!r}")
            if shot.body not in bodies:
                raise ValueError(f"shots[{i}]: there is no body named {shot.body!r}")
            if len(set(shot.order)) != len(shot.order):
                raise ValueError(f"shots[{i}]: order names an axis twice")
        return self


def parse_description(values: dict[str, Any], where: str) -> Description:
    """Check the tables of a description; `where` begins the message of an error.

    Raises
    ------
    DescriptionError
        An unknown name or a value out of range.
    """
    try:
        return Description.model_validate(values)
    except ValidationError as err:
        first = err.errors()[0]
        entry = ".".join(str(part) for part in first["loc"])
        raise DescriptionError(f"{where}: {entry + ': ' if entry else ''}{first['msg']}") from err


def catalogue() -> dict[str, str]:
    """Names of the descriptions that ship, each with a sentence about it, in order of name."""
    about = {}
    for path in sorted(_catalogue_folder().glob("*.toml")):
        about[path.stem] = str(tomllib.loads(path.read_text("utf-8")).get("about", ""))
    return about


def load_description(path_or_name: str | Path) -> Description:
    """Read a description from a TOML file, or one that ships by its name.

    Raises
    ------
    DescriptionError
        There is no such file or name, or it cannot be used.
    """
    path = Path(path_or_name)
    if not path.is_file():
        shipped = _catalogue_folder() / f"{path_or_name}.toml"
        if not shipped.is_file():
            raise DescriptionError(f"{path_or_name}: no such file, and no description of that name ships")
        path = shipped
    try:
        values = read_toml(path.read_text("utf-8"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as err:
        raise DescriptionError(f"{path_or_name}: cannot be read as a description ({err})") from err
    values.setdefault("name", path.stem)
    return parse_description(values, str(path_or_name))


def _catalogue_folder() -> Path:
    return Path(__file__).parent / "catalogue"
