"""The request with every habit filled in: what the parts of a plan compute from."""

from __future__ import annotations

from dataclasses import dataclass

from windstill.optics import pixel_pitch_um, visible_px
from windstill.plan.request import PlanRequest
from windstill.settings.plan import PlanSettings

# EV at ISO 100 under which twilight is over and the light no longer falls: moonlight and stars. From memory.
_NIGHT_EV100 = -3.0


@dataclass(frozen=True, slots=True)
class Terms:
    """Request, settings, and the lengths both lead to."""

    request: PlanRequest
    settings: PlanSettings
    pitch_um: float
    visible_px: float
    circle_mm: float
    tolerance_px: float
    focus_overlap: float
    fading_ev_per_min: float

    @property
    def circle_px(self) -> float:
        """Circle of confusion in full-resolution pixels."""
        return self.px(self.circle_mm)

    def px(self, length_mm: float) -> float:
        """A length at the sensor (mm) in full-resolution pixels."""
        return length_mm * 1000.0 / self.pitch_um


def fill_in(request: PlanRequest, settings: PlanSettings) -> Terms:
    """Check the request and take from the settings what it leaves open; raises `ValueError`."""
    request.check()
    pitch = pixel_pitch_um(request.sensor_mm[0], request.pixels[0])
    shows = visible_px(request.output, max(request.pixels), settings.visible_px)
    overlap, fading = request.focus_overlap, request.fading_ev_per_min
    night = request.light_ev100 is not None and request.light_ev100 < _NIGHT_EV100
    return Terms(
        request=request,
        settings=settings,
        pitch_um=pitch,
        visible_px=shows,
        circle_mm=shows * pitch / 1000.0 if request.circle_mm is None else request.circle_mm,
        tolerance_px=shows if request.tolerance_px is None else request.tolerance_px,
        focus_overlap=settings.focus_overlap if overlap is None else overlap,
        fading_ev_per_min=fading if fading is not None else 0.0 if night else settings.fading_ev_per_min,
    )
