"""The shutter to use, and what it costs."""

from __future__ import annotations

import math
from dataclasses import dataclass

import pandas as pd

from windstill.optics import photon_snr_share
from windstill.optics.marks import aperture_mark, iso_mark, shutter_mark, shutter_step
from windstill.season.conditions import longest_safe
from windstill.season.halfway import HalfWay
from windstill.settings.season import SeasonSettings


@dataclass(frozen=True, slots=True)
class Advice:
    """A shutter, and its price against the one most used. `from_fit` says whether a curve or the counts gave it."""

    shutter_s: float
    usual_s: float
    stops: float
    usual_iso: float | None
    usual_f_number: float | None
    from_fit: bool
    failing_usual: float | None
    failing_then: float | None

    @property
    def lines(self) -> tuple[str, ...]:
        """The advice in sentences."""
        said = [f"Use {shutter_mark(self.shutter_s)} or shorter in conditions like these."]
        if self.failing_usual is not None and self.failing_then is not None:
            said[0] = (
                f"At {shutter_mark(self.shutter_s)} about {self.failing_then:.0%} of sets like these fail; at "
                f"{shutter_mark(self.usual_s)}, your usual, {self.failing_usual:.0%}."
            ).replace("%", " %")
        if self.stops <= 0.5:
            said.append(f"Your usual {shutter_mark(self.usual_s)} is already as short.")
            return tuple(said)
        price = []
        stops = round(self.stops)
        if self.usual_iso is not None:
            price.append(
                f"{iso_mark(self.usual_iso * 2**stops)} in place of {iso_mark(self.usual_iso)}, "
                f"{photon_snr_share(stops) * 100:.0f} % of the signal to noise"
            )
        if self.usual_f_number is not None and self.usual_f_number / 2 ** (stops / 2) >= 1:
            opened = self.usual_f_number / 2 ** (stops / 2)
            price.append(
                f"{aperture_mark(opened)} in place of {aperture_mark(self.usual_f_number)}, "
                f"{2 ** (stops / 2):.1f} times the focus positions"
            )
        if price:
            said.append(f"It costs {stops} {'stop' if stops == 1 else 'stops'}: " + "; or ".join(price) + ".")
        return tuple(said)


def advise_shutter(sets: pd.DataFrame, halfway: HalfWay | None, settings: SeasonSettings) -> Advice | None:
    """The longest shutter that keeps failures within what `safe_share` allows; ``None`` where nothing can be said."""
    known = sets.dropna(subset=["held", "shutter_s"])
    if known.empty:
        return None
    usual = shutter_step(float(known["shutter_s"].median()))
    failing_usual = failing_then = None
    if halfway is not None:
        # Only among steps that were tried: between and beyond them the curve is a guess.
        tried = sorted({2.0**step for step in known["step"]})
        held = [t for t in tried if halfway.failing(t) <= 1.0 - settings.safe_share]
        safe = shutter_step(max(held) if held else tried[0])
        failing_usual, failing_then = halfway.failing(usual), halfway.failing(safe)
    else:
        found = longest_safe(known, settings)
        if found is None:
            return None
        safe = shutter_step(2.0 ** found[0])
    iso, aperture = known["iso"].median(), known["f_number"].median()
    return Advice(
        shutter_s=safe,
        usual_s=usual,
        stops=math.log2(usual / safe),
        usual_iso=None if math.isnan(iso) else float(iso),
        usual_f_number=None if math.isnan(aperture) else float(aperture),
        from_fit=halfway is not None,
        failing_usual=failing_usual,
        failing_then=failing_then,
    )
