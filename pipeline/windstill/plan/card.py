"""A plan as a printable card: one page of HTML, complete in itself."""

from __future__ import annotations

import base64
import hashlib
import math
from importlib.resources import files

from jinja2 import DictLoader, Environment, StrictUndefined

from windstill.optics.marks import iso_mark, shutter_mark
from windstill.plan.lines import bracket_line, heading, single_rows, views_line, written_aperture
from windstill.plan.result import Plan
from windstill.plan.ruler import make_ruler
from windstill.plan.words import (
    centimetres,
    clock,
    duration,
    focus_marks,
    metres,
    number,
    percent,
    pixels,
    plural,
    reach_marks,
    signed_ev,
    stops,
)

# More boxes than this to tick, and more positions than this, do not fit the page beside the rest.
_MOST_BOXES = 160
_MOST_LISTED = 60
# Two columns of positions with their reach up to here, four without it beyond.
_FEW_POSITIONS = 14
# Height in millimetres that prints at full size on A4 and, a little smaller, on letter.
_PAGE_MM = 275.0


def render_card(plan: Plan) -> str:
    """The plan as one HTML page to print on A4 or letter, or to read on a phone.

    The page loads nothing, runs no script and says so in its Content-Security-Policy.

    Parameters
    ----------
    plan : Plan

    Returns
    -------
    str
        HTML; write it as UTF-8.
    """
    folder = files("windstill.plan").joinpath("templates")
    style = folder.joinpath("card.css").read_text("utf-8")
    environment = Environment(
        loader=DictLoader({"card": folder.joinpath("card.html.j2").read_text("utf-8")}),
        autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True,
    )
    environment.filters.update(
        metres=metres, duration=duration, clock=clock, number=number, percent=percent, pixels=pixels, stops=stops,
        signed_ev=signed_ev, centimetres=centimetres, shutter=shutter_mark, iso=iso_mark, aperture=written_aperture,
    )
    digest = base64.b64encode(hashlib.sha256(style.encode("utf-8")).digest()).decode("ascii")
    effort = plan.effort
    positions = plan.stack.positions
    marks = focus_marks([p.focus_m for p in positions])
    reaches = reach_marks([(p.near_m, p.far_m) for p in positions])
    every = math.ceil(len(positions) / _MOST_LISTED)
    listed = [row for row in zip(positions, marks, reaches, strict=True) if (row[0].index - 1) % every == 0]
    single = single_rows(plan)
    return environment.get_template("card").render(
        plan=plan,
        style=style,
        policy=f"default-src 'none'; style-src 'sha256-{digest}'; base-uri 'none'; form-action 'none'",
        heading=heading(plan),
        ruler=make_ruler(plan),
        views_line=views_line(plan) if plan.panorama is not None else "",
        bracket_line=bracket_line(plan) if plan.bracket is not None else "",
        single_rows=single,
        listed=listed,
        every=every,
        many=len(positions) > _FEW_POSITIONS,
        fit=_fit(plan, len(listed), len(single)),
        boxes=effort.bracket_frames if effort.focus_positions * effort.bracket_frames <= _MOST_BOXES else 1,
        plural=plural,
    )


def _fit(plan: Plan, listed: int, ways: int) -> int:
    """Percent the print is scaled to so that it stays on one page, from an estimate of its height."""
    rows = [len(plan.bracket.frames) + 1] if plan.bracket is not None and plan.bracket.frames else []
    rows += [len(plan.shutters) + 1] if plan.shutters else []
    rows += [len(plan.choices)] if len(plan.choices) > 1 else []
    rows += [ways]
    tables = sum(12.0 + 5.2 * max(rows[i : i + 2]) for i in range(0, len(rows), 2))
    focus = 6.9 * math.ceil(listed / 2) if len(plan.stack.positions) <= _FEW_POSITIONS else 5.5 * math.ceil(listed / 4)
    mind = max(62.0, 8.0 + sum(4.3 * math.ceil(len(line) / 52) + 0.5 for line in plan.remarks))
    if plan.too_much is not None:
        said = (plan.too_much.why, *plan.too_much.instead)
        mind += 10.0 + sum(4.3 * math.ceil(len(line) / 105) for line in said)
    notes = 3.6 * math.ceil(sum(len(line) + 1 for line in plan.assumptions) / 115)
    height = 85.0 + focus + tables + mind + notes
    return min(100, max(45, math.floor(_PAGE_MM / height * 20) * 5))
