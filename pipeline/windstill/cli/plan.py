"""`windstill plan`."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

import typer

from windstill.settings import SettingsError

_EXAMPLES = """Examples:

windstill plan --lens 24 --near 0.6

windstill plan --lens 24 --near 0.6 --far 20 --aperture 5.6-11 --wind "gentle breeze" --light "f/8 1/15 ISO 100"

windstill plan --lens 35 --near 80cm --aperture 8 --sway 1.5 --light 9 --for "60 cm" --frames 3 --card thrift.html

windstill plan --lens 24 --near 1 --span 120 --upright --json

Exit status: 0 planned; 1 the card could not be written; 2 wrong usage."""


_PANELS = {
    "shot": "The shot", "wind": "Wind and light", "set": "Bracket, panorama, takes", "plan": "The plan itself",
}  # fmt: skip


def _option(panel: str, name: str, metavar: str, text: str, default: Any = None) -> Any:
    return typer.Option(default, name, metavar=metavar, help=text, rich_help_panel=_PANELS[panel])


def add_plan_command(app: typer.Typer) -> None:
    """Add the command."""

    @app.command(epilog=_EXAMPLES)
    def plan(
        lens: float = _option("shot", "--lens", "MM", "Focal length, millimetres.", ...),
        near: str = _option("shot", "--near", "DISTANCE", "Nearest thing to be sharp: 0.6, 60cm, 2ft.", ...),
        far: str = _option("shot", "--far", "DISTANCE", "Farthest thing to be sharp.", "infinity"),
        aperture: str = _option("shot", "--aperture", "F", "One (8) or a range to choose from.", "5.6-16"),
        output: str = _option(
            "shot", "--for", "SIZE", "What it is made for: full, 4K, '2560 px' of screen, '60 cm' of print.", "full"
        ),
        sensor: str = _option("shot", "--sensor", "MMxMM", "Sides of the sensor, millimetres.", "36x24"),
        pixels: str = _option("shot", "--pixels", "WxH", "Size of the picture, pixels.", "6000x4000"),
        circle: float | None = _option(
            "shot", "--circle", "MM", "Circle of confusion, millimetres; by default what --for asks."
        ),
        focus_overlap: str | None = _option(
            "shot", "--focus-overlap", "SHARE", "Overlap of focus positions; by default 20%."
        ),
        wind: str | None = _option(
            "wind", "--wind", "WIND", "m/s, '15 km/h', or Beaufort words: 'gentle breeze', 'leaves rustle'."
        ),
        sway: float | None = _option(
            "wind", "--sway", "CM", "Sway of the stems to one side as you see it, in place of a guess from the wind."
        ),
        subject: str | None = _option(
            "wind", "--subject", "DISTANCE", "Distance of what the wind moves; by default the nearest."
        ),
        tolerance: float | None = _option(
            "wind", "--tolerance", "PX", "Smear allowed, full-resolution pixels; by default what --for asks."
        ),
        lull: float | None = _option("wind", "--lull", "SECONDS", "How long a lull lasts."),
        light: str | None = _option(
            "wind", "--light", "LIGHT", "EV at ISO 100, or a metered setting: 'f/8 1/15 ISO 100'."
        ),
        fading: float | None = _option(
            "wind", "--fading", "EV", "Light lost per minute; by default 0.2, as at dusk. 0 by day."
        ),
        frames: int = _option("set", "--frames", "N", "Frames of the exposure bracket.", 1),
        step: float = _option("set", "--step", "EV", "Step of the bracket.", 2.0),
        scene: float | None = _option(
            "set", "--scene-range", "EV", "Range of the scene; with --sensor-range gives the frames of the bracket."
        ),
        holds: float | None = _option("set", "--sensor-range", "EV", "Range one frame holds."),
        span: float | None = _option("set", "--span", "DEGREES", "Angle of the finished panorama."),
        overlap: str | None = _option("set", "--overlap", "SHARE", "Overlap of views; by default 30%."),
        upright: bool = typer.Option(
            False, "--upright", help="The camera stands upright in the panorama.", rich_help_panel=_PANELS["set"]
        ),
        takes: int = _option("set", "--takes", "N", "Times the whole set is shot.", 1),
        title: str = _option("plan", "--title", "WORDS", "Heading of the plan.", ""),
        as_json: bool = typer.Option(
            False, "--json", help="Print the plan as JSON.", rich_help_panel=_PANELS["plan"]
        ),
        card: Path | None = _option("plan", "--card", "FILE", "Write a one-page card to print (HTML)."),
        profile: str | None = _option("plan", "--settings", "PROFILE", "A TOML file; its section plan is used."),
        entries: list[str] = _option(
            "plan", "--set", "plan.NAME=VALUE", "A habit of the plan, such as plan.refocus_s=3; may be repeated.", []
        ),
    ) -> int:
        """Plan a shot: focus positions, aperture, shutter, ISO, bracket, views, time, and the single-frame way out."""
        from windstill.cli.review import settings_from
        from windstill.optics import output_from_words
        from windstill.plan import PlanRequest, plan_shot, say

        settings = settings_from(profile, entries, {}).plan
        try:
            request = PlanRequest(
                focal_mm=lens,
                near_m=say.distance_m(near),
                far_m=say.distance_m(far),
                sensor_mm=say.sides_mm(sensor),
                pixels=say.sides_px(pixels),
                upright=upright,
                apertures=say.aperture_range(aperture),
                output=output_from_words(output),
                circle_mm=circle,
                tolerance_px=tolerance,
                focus_overlap=None if focus_overlap is None else say.share(focus_overlap, "overlap of focus positions"),
                view_overlap=None if overlap is None else say.share(overlap, "overlap of views"),
                wind_mps=None if wind is None else say.wind_mps(wind),
                sway_cm=sway,
                subject_m=None if subject is None else say.distance_m(subject),
                light_ev100=None if light is None else say.light_ev100(light),
                fading_ev_per_min=fading,
                bracket_frames=frames,
                bracket_step_ev=step,
                scene_ev=scene,
                sensor_ev=holds,
                span_deg=span,
                takes=takes,
                lull_s=lull,
                title=title,
            )
            planned = plan_shot(request, settings)
        except ValueError as err:
            raise SettingsError(str(err)) from err
        if card is not None:
            from windstill.plan import render_card
            from windstill.report.aside import written_aside

            with written_aside(card) as aside:
                aside.write_text(render_card(planned), "utf-8")
        if as_json:
            from windstill.plan import to_json

            json.dump(to_json(planned), sys.stdout, allow_nan=False, ensure_ascii=False, indent=2)
            print()
            return 0
        from rich.console import Console

        from windstill.plan import render_terminal

        # A pipe or a printer is read at the width the tables are made for.
        console = Console(highlight=False) if sys.stdout.isatty() else Console(highlight=False, width=80)
        console.print(render_terminal(planned))
        if card is not None:
            console.print(f"Card: {card}", markup=False, soft_wrap=True)
        return 0
