"""Pure formulas of photographic optics, each with its source: lens, focus, diffraction, motion, wind, views.

Distances are metres from the front principal plane of an ideal thin lens (a focus scale counts from the
sensor, about one focal length more), focal lengths and sizes at the sensor millimetres, pixel pitch
micrometres, times seconds, angles degrees. A value out of range raises `ValueError` with one clear line.
`windstill.optics.exposure` holds exposure values and the exact series.
"""

from windstill.optics.bracket import bracket_count, bracket_offsets_ev
from windstill.optics.diffraction import (
    GREEN_NM,
    airy_diameter_um,
    balanced_aperture_for_circle,
    balanced_aperture_for_spread,
    combined_blur_um,
    cutoff_cycles_per_mm,
)
from windstill.optics.focus import (
    DepthOfField,
    blur_disc_mm,
    breathing_scale,
    depth_of_field,
    focus_count,
    focus_positions,
    focus_spread_mm,
    hyperfocal_m,
    infinity_near_limit_m,
    middle_focus_m,
    step_back_m,
    worst_blur_mm,
)
from windstill.optics.lens import field_of_view_deg, image_distance_mm, magnification, pixel_pitch_um
from windstill.optics.light import iso_for_light, photon_snr_share, shutter_for_light_s
from windstill.optics.motion import (
    handheld_limit_s,
    shutter_for_smear_s,
    smear_mtf,
    smear_px,
    stem_peak_speed_mps,
)
from windstill.optics.viewing import OutputSize, output_from_words, visible_px
from windstill.optics.views import full_circle_views, view_count, view_step_deg
from windstill.optics.wind import BEAUFORT, Beaufort, beaufort_at, beaufort_from_words, beaufort_speed_mps

__all__ = [
    "BEAUFORT", "Beaufort", "DepthOfField", "GREEN_NM", "OutputSize",
    "airy_diameter_um", "balanced_aperture_for_circle", "balanced_aperture_for_spread", "beaufort_at",
    "beaufort_from_words", "beaufort_speed_mps", "blur_disc_mm", "bracket_count", "bracket_offsets_ev",
    "breathing_scale", "combined_blur_um", "cutoff_cycles_per_mm", "depth_of_field", "field_of_view_deg",
    "focus_count", "focus_positions", "focus_spread_mm", "full_circle_views", "handheld_limit_s",
    "hyperfocal_m", "image_distance_mm", "infinity_near_limit_m", "iso_for_light", "magnification",
    "middle_focus_m", "output_from_words", "photon_snr_share", "pixel_pitch_um",
    "shutter_for_light_s", "shutter_for_smear_s", "smear_mtf", "smear_px", "stem_peak_speed_mps", "step_back_m",
    "view_count", "view_step_deg", "visible_px", "worst_blur_mm",
]
