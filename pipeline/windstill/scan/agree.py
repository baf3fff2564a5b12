"""Whether two files can be of one exposure: same body, same moment, same settings, as far as both say."""

from __future__ import annotations

from windstill.records import CameraData


def same_body(a: CameraData, b: CameraData) -> bool:
    """No contradiction in model and serial number."""
    if a.body_serial and b.body_serial and a.body_serial.lstrip("0") != b.body_serial.lstrip("0"):
        return False
    if not a.model or not b.model:
        return True
    first, second = sorted((a.model.casefold(), b.model.casefold()), key=len)
    # Some programs put the maker before the model.
    return second.endswith(first)


def same_moment(a: CameraData, b: CameraData, tolerance_s: float) -> bool | None:
    """Whether both were taken at one moment; ``None`` where one does not know its time.

    Times are compared as shown on the camera: a file that drops the time zone is still of the same exposure.
    """
    if a.captured_at is None or b.captured_at is None:
        return None
    first, second = a.captured_at.replace(tzinfo=None), b.captured_at.replace(tzinfo=None)
    coarser = max(a.time_resolution_s or 1.0, b.time_resolution_s or 1.0)
    if coarser >= 1.0:
        return first.replace(microsecond=0) == second.replace(microsecond=0)
    return abs((first - second).total_seconds()) <= max(tolerance_s, coarser * 1.001)


def same_settings(a: CameraData, b: CameraData) -> bool:
    """No contradiction in exposure time and aperture beyond rounding."""
    pairs = ((a.exposure_written_s, b.exposure_written_s), (a.f_number_written, b.f_number_written))
    return all(x is None or y is None or abs(x / y - 1) < 0.05 for x, y in pairs)
