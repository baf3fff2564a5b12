"""Lines of a plan that the terminal and the card both say."""

from __future__ import annotations

from windstill.optics.marks import aperture_mark, aperture_written, iso_mark, shutter_mark
from windstill.plan.remarks import single_rows_shown
from windstill.plan.result import Plan
from windstill.plan.words import duration, metres, number, percent, pixels, plural, stops


def written_aperture(f_number: float) -> str:
    """The aperture as asked for: on the mark where it is one, else as the number given."""
    mark = aperture_written(f_number)
    return aperture_mark(f_number) if abs(mark / f_number - 1) < 1e-6 else f"f/{f_number:.3g}"


def heading(plan: Plan) -> str:
    """One line naming the shot."""
    asked = plan.request
    said = [f"{asked.focal_mm:g} mm", f"{metres(asked.near_m)} to {metres(asked.far_m)}", asked.output.words]
    return (f"{asked.title}: " if asked.title else "") + " · ".join(said)


def do_lines(plan: Plan) -> list[tuple[str, str]]:
    """What to set, in the order it is set: label and text."""
    lines = [("Aperture", f"{written_aperture(plan.stack.f_number)}   ({plan.stack.why})")]
    lines.append(("Shutter", shutter_line(plan)))
    if plan.exposure is not None:
        lines.append(("ISO", iso_line(plan)))
    lines.append(("Focus", focus_line(plan)))
    if plan.bracket is not None:
        lines.append(("Bracket", bracket_line(plan)))
    if plan.panorama is not None:
        lines.append(("Views", views_line(plan)))
    lines.append(("Whole set", effort_line(plan)))
    return lines


def shutter_line(plan: Plan) -> str:
    """Shutter and the smear it leaves."""
    if plan.exposure is not None:
        text = shutter_mark(plan.exposure.shutter_s)
        if plan.exposure.smear_px:
            text += f"   smears {pixels(plan.exposure.smear_px)}; {pixels(plan.tolerance_px)} just shows"
        return text
    if plan.motion is None:
        return "as the light asks"
    if plan.motion.shutter_s is None:
        return "as the light asks: this sway stays within tolerance"
    return f"{shutter_mark(plan.motion.shutter_s)} or shorter, to hold smear under {pixels(plan.tolerance_px)}"


def iso_line(plan: Plan) -> str:
    """ISO and what it costs."""
    exposure = plan.exposure
    assert exposure is not None
    text = iso_mark(exposure.iso)
    if exposure.noise_stops > 0.05:
        share = percent(exposure.snr_share)
        text += f"   {stops(exposure.noise_stops)} over the lowest: {share} of its signal to noise"
    if exposure.under_ev > 0:
        text += f", and still {stops(exposure.under_ev)} under"
    if exposure.too_dark:
        text += ": no picture, see Mind"
    return text


def focus_line(plan: Plan) -> str:
    """How many positions, how they overlap and what blur they leave."""
    stack = plan.stack
    if len(stack.positions) == 1:
        return f"{metres(stack.positions[0].focus_m)}, one position; blur at the ends {pixels(stack.blur_px)}"
    first, last = stack.positions[0], stack.positions[-1]
    return (
        f"{len(stack.positions)} positions, {metres(first.focus_m)} to {metres(last.focus_m)}, overlapping by "
        f"{percent(stack.overlap)}; worst blur {pixels(stack.blur_px)} (defocus {number(stack.defocus_px)}, "
        f"diffraction {number(stack.airy_px)})"
    )


def bracket_line(plan: Plan) -> str:
    """Frames and step, and the time one bracket takes."""
    bracket, effort = plan.bracket, plan.effort
    assert bracket is not None
    text = f"{plural(effort.bracket_frames, 'frame')}, {bracket.step_ev:g} EV apart, {duration(bracket.seconds)}"
    if not effort.exposures_known:
        text += " and the exposures"
    if bracket.fits_lull is not None and plan.request.lull_s is not None:
        verb = "fits" if bracket.fits_lull else "does not fit"
        text += f"; {verb} a lull of {duration(plan.request.lull_s)}"
    return text


def views_line(plan: Plan) -> str:
    """Views and the turn between them."""
    panorama = plan.panorama
    assert panorama is not None
    return (
        f"{plural(panorama.views, 'view')} for {panorama.span_deg:g}°, turn {panorama.step_deg:.1f}° "
        f"({percent(panorama.overlap)} overlap of {panorama.field_of_view_deg:.1f}°)"
    )


def effort_line(plan: Plan) -> str:
    """Frames, time and light lost."""
    effort = plan.effort
    text = plural(effort.frames, "frame")
    if effort.seconds > 0:
        text += f", {duration(effort.seconds)}"
    if effort.seconds > 0 and not effort.exposures_known:
        text += " and the exposures"
    if effort.ends_dark:
        text += "; dark before it ends"
    elif effort.light_falls:
        text += f"; the light falls {effort.light_lost_ev:.1f} EV meanwhile"
    return text


def single_rows(plan: Plan) -> list[tuple[str, str, str, str, str, str, str]]:
    """Rows of the table of single frames: way, aperture, focus, step back, nearest drawn, blur, print."""
    rows = []
    for way, one in single_rows_shown(plan.single):
        rows.append(
            (
                way,
                aperture_mark(one.f_number),
                metres(one.focus_m),
                metres(one.step_back_m) if one.step_back_m > 0 else "none",
                percent(one.foreground_scale),
                number(one.blur_px),
                f"{one.print_cm:.0f}" if one.print_cm >= 1 else "under 1",
            )
        )
    return rows
