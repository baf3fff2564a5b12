"""From the light of a scene to shutter time and sensitivity."""

from __future__ import annotations

import math

from windstill.optics.checks import positive


def iso_for_light(ev100: float, f_number: float, exposure_s: float) -> float:
    """ISO that exposes a scene rightly: `exposure.exposure_value_100` solved for ISO.

    Parameters
    ----------
    ev100 : float
        Light of the scene, EV at ISO 100, finite.
    f_number, exposure_s : float
        Aperture and exposure time in seconds, above 0.

    Returns
    -------
    float
        ISO.

    Raises
    ------
    ValueError
        A value is out of range.
    """
    return 100.0 * positive("aperture", f_number) ** 2 / (positive("exposure time", exposure_s, "s") * _light(ev100))


def shutter_for_light_s(ev100: float, f_number: float, iso: float) -> float:
    """Exposure time that exposes a scene rightly: `exposure.exposure_value_100` solved for time.

    Parameters
    ----------
    ev100 : float
        Light of the scene, EV at ISO 100, finite.
    f_number, iso : float
        Aperture and ISO, above 0.

    Returns
    -------
    float
        Seconds.

    Raises
    ------
    ValueError
        A value is out of range.
    """
    return 100.0 * positive("aperture", f_number) ** 2 / (positive("ISO", iso) * _light(ev100))


def photon_snr_share(stops: float) -> float:
    """Signal to noise kept when the sensor gets that many stops less light, 2^(-stops / 2).

    Parameters
    ----------
    stops : float
        Stops of light given up (stops of ISO over the lowest), finite.

    Returns
    -------
    float
        Share of the signal-to-noise ratio, 1 for no stops.

    Raises
    ------
    ValueError
        The number is not finite.

    Notes
    -----
    Photon noise alone: the variance is the mean (EMVA 1288's model with the dark noise left out). Deep shadows lose
    more, since the dark noise does not shrink with the light.
    """
    if not math.isfinite(stops):
        raise ValueError(f"stops must be a number, not {stops:g}")
    return float(2.0 ** (-stops / 2.0))


def _light(ev100: float) -> float:
    if not -20 <= ev100 <= 25:
        raise ValueError(f"light must lie between EV -20 and 25, not {ev100:g}")
    return float(2.0**ev100)
