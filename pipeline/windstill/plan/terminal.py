"""A plan on the terminal: what to set first, then what it rests on."""

from __future__ import annotations

import itertools

from rich import box
from rich.console import Group, RenderableType
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from windstill.optics.marks import iso_mark, shutter_mark
from windstill.plan.lines import do_lines, heading, single_rows, written_aperture
from windstill.plan.result import Plan
from windstill.plan.words import centimetres, clock, focus_marks, metres, number, percent, reach_marks, signed_ev

# Positions beyond which only so many at either end are listed.
_MOST_ROWS, _FIRST, _LAST = 40, 8, 4


def render_terminal(plan: Plan) -> RenderableType:
    """What `rich` prints for a plan; reads the same without colour and fits 80 columns.

    Parameters
    ----------
    plan : Plan

    Returns
    -------
    rich.console.RenderableType
        Print it with `rich.console.Console().print`.
    """
    parts: list[RenderableType] = [Text(heading(plan), style="bold"), Text()]
    if plan.too_much is not None:
        parts += [_list(f"Not like this: {plan.too_much.why}", plan.too_much.instead, "bold")]
    parts += [_do(plan), Text()]
    parts += [_focus(plan)]
    if len(plan.choices) > 1:
        parts += [_apertures(plan)]
    if plan.shutters:
        parts += [_shutters(plan)]
    if plan.bracket is not None and plan.bracket.frames:
        parts += [_bracket(plan)]
    parts += [_single(plan)]
    parts += [_list("Mind", plan.remarks, "bold"), _list("Taken for granted", plan.assumptions, "dim")]
    parts += [_list("Take care", plan.cautions, "")]
    return Group(*parts)


def _do(plan: Plan) -> Table:
    table = Table.grid(padding=(0, 2))
    table.add_column(style="bold", no_wrap=True)
    table.add_column()
    for label, text in do_lines(plan):
        table.add_row(label, text)
    return table


def _table(title: str) -> Table:
    return Table(title=title, title_justify="left", title_style="bold", box=box.SIMPLE_HEAD, padding=(0, 1, 0, 0))


def _focus(plan: Plan) -> Table:
    table = _table(f"Focus at {written_aperture(plan.stack.f_number)}, nearest first")
    for name in ("focus", "set to", "sharp from", "to"):
        table.add_column(name, justify="right", no_wrap=True)
    table.add_column("")
    moving = plan.motion.one_focus if plan.motion is not None and plan.motion.sway_cm > 0 else 0
    positions = plan.stack.positions
    marks = focus_marks([p.focus_m for p in positions])
    reaches = reach_marks([(p.near_m, p.far_m) for p in positions])
    left_out = positions[_FIRST:-_LAST] if len(positions) > _MOST_ROWS else ()
    for p, mark, (near, far) in zip(positions, marks, reaches, strict=True):
        note = "take what moves from this one" if p.index == moving and len(positions) > 1 else ""
        if p not in left_out or note:
            table.add_row(str(p.index), mark, near, far, note)
        elif p == left_out[0]:
            steps = [b.focus_m - a.focus_m for a, b in itertools.pairwise(left_out)]
            span = f"{_length(min(steps))} to {_length(max(steps))} apart"
            table.add_row("", "", "", "", f"{len(left_out)} more, {span}: see --json")
    return table


def _length(metres_: float) -> str:
    return metres(metres_) if metres_ >= 1 else centimetres(100 * metres_)


def _apertures(plan: Plan) -> Table:
    table = _table("Apertures to choose from")
    light = plan.exposure is not None
    exposing = ("shutter", "ISO", "under EV") if light else ()
    for name in ("", "aperture", "focus", "blur px", "Airy px", *exposing, "min:s"):
        table.add_column(name, justify="right", no_wrap=True)
    for c in plan.choices:
        row = [
            _here(c.chosen), written_aperture(c.f_number), str(c.focus_count), number(c.blur_px), number(c.airy_px),
        ]
        if c.shutter_s is not None and c.iso is not None:
            row += [shutter_mark(c.shutter_s), _iso(c.iso), _under(c.under_ev)]
        table.add_row(*row, clock(c.set_seconds) if c.set_seconds > 0 else "", style="bold" if c.chosen else "")
    return table


def _shutters(plan: Plan) -> Table:
    motion = plan.motion
    assert motion is not None
    table = _table(f"Shutter where stems sway {centimetres(motion.sway_cm)} each way at {metres(motion.subject_m)}")
    light = plan.exposure is not None
    names = ("", "shutter", "smear px", "print cm", *(("ISO", "signal/noise", "under EV") if light else ()))
    for name in names:
        table.add_column(name, justify="right", no_wrap=True)
    chosen = plan.exposure.shutter_s if plan.exposure is not None else motion.shutter_s
    for s in plan.shutters:
        here = s.shutter_s == chosen
        row = [_here(here), shutter_mark(s.shutter_s), number(s.smear_px), f"{s.print_cm:.0f}"]
        if s.iso is not None and s.snr_share is not None:
            row += [_iso(s.iso), percent(s.snr_share), _under(s.under_ev)]
        table.add_row(*row, style="bold" if here else "")
    return table


def _bracket(plan: Plan) -> Table:
    bracket = plan.bracket
    assert bracket is not None
    table = _table("Bracket at each focus")
    for name in ("step", "shutter", "ISO", "under EV", "smear px"):
        table.add_column(name, justify="right", no_wrap=True)
    for f in bracket.frames:
        table.add_row(
            signed_ev(f.offset_ev), shutter_mark(f.shutter_s), _iso(f.iso), _under(f.under_ev),
            "" if f.smear_px is None else number(f.smear_px),
        )
    return table


def _single(plan: Plan) -> Table:
    table = _table("One frame instead (print cm: the largest on which its blur does not show)")
    for name in ("", "aperture", "focus", "back", "nearest", "blur px", "print cm"):
        table.add_column(name, justify="right" if name else "left", no_wrap=True)
    for row in single_rows(plan):
        table.add_row(*row)
    return table


def _here(chosen: bool) -> str:
    return ">" if chosen else ""


def _iso(iso: float) -> str:
    return iso_mark(iso).removeprefix("ISO ")


def _under(under_ev: float | None) -> str:
    return f"{under_ev:.1f}" if under_ev else ""


def _list(title: str, lines: tuple[str, ...], style: str) -> RenderableType:
    table = Table.grid(padding=(0, 1))
    table.add_column(width=1)
    table.add_column(style="" if style == "bold" else style)
    for line in lines:
        table.add_row("·", line)
    return Group(Text(title, style="bold"), Padding(table, (0, 0, 1, 0)))
