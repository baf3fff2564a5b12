"""Diffraction: the Airy disc, the finest detail an aperture passes, and apertures that balance it with defocus."""

from __future__ import annotations

import math

from windstill.optics.checks import not_negative, positive

GREEN_NM = 550.0
"""Wavelength in nanometres the eye sees brightest, the usual one for a single figure."""

# Airy diameter over wavelength and f-number: twice the first zero of the Airy pattern, 1.2197.
_AIRY = 2.44
# Hansma's rule, in millimetres: N^2 = 375 D. It is the minimum of (D / 2N)^2 + (N / 750)^2.
_HANSMA = 375.0


def airy_diameter_um(f_number: float, wavelength_nm: float = GREEN_NM) -> float:
    """Diameter of the first dark ring of the diffraction spot, 2.44 lambda N.

    Parameters
    ----------
    f_number : float
        Aperture, above 0. Close up multiply it by 1 + magnification first.
    wavelength_nm : float
        Nanometres, above 0.

    Returns
    -------
    float
        Micrometres at the sensor.

    Raises
    ------
    ValueError
        A value is out of range.

    References
    ----------
    Edmund Optics, application note on the Airy disc and spot size.
    """
    return _AIRY * positive("wavelength", wavelength_nm, "nm") / 1000.0 * positive("aperture", f_number)


def cutoff_cycles_per_mm(f_number: float, wavelength_nm: float = GREEN_NM) -> float:
    """Spatial frequency at which the incoherent modulation transfer of an ideal lens falls to zero, 1 / (lambda N).

    Parameters
    ----------
    f_number : float
        Aperture, above 0.
    wavelength_nm : float
        Nanometres, above 0.

    Returns
    -------
    float
        Cycles per millimetre at the sensor.

    Raises
    ------
    ValueError
        A value is out of range.
    """
    return 1e6 / (positive("wavelength", wavelength_nm, "nm") * positive("aperture", f_number))


def balanced_aperture_for_spread(spread_mm: float) -> float:
    """Aperture at which one frame's defocus and diffraction together are least, N = sqrt(375 D).

    Parameters
    ----------
    spread_mm : float
        Focus spread at the sensor (`focus_spread_mm`), millimetres, above 0; focus in its middle.

    Returns
    -------
    float
        f-number.

    Raises
    ------
    ValueError
        The spread is out of range.

    References
    ----------
    P. K. Hansma, View Camera Focusing in Practice, 1996.
    """
    return math.sqrt(_HANSMA * positive("focus spread", spread_mm, "mm"))


def balanced_aperture_for_circle(circle_mm: float, wavelength_nm: float = GREEN_NM) -> float:
    """Aperture that covers the most depth per focus position when defocus and diffraction share one blur budget.

    Parameters
    ----------
    circle_mm : float
        Largest total blur at the sensor (diameter), millimetres, above 0.
    wavelength_nm : float
        Nanometres, above 0.

    Returns
    -------
    float
        f-number: there the Airy disc and the defocus disc at the edge of each depth of field are equal,
        each circle / sqrt 2.

    Raises
    ------
    ValueError
        A value is out of range.

    Notes
    -----
    Computed. With blur adding as in `combined_blur_um`, defocus may take sqrt(c^2 - a^2 N^2), a N the Airy disc;
    the depth covered per position goes as N sqrt(c^2 - a^2 N^2), which is largest at a N = c / sqrt 2.
    """
    circle_um = positive("circle of confusion", circle_mm, "mm") * 1000.0
    return circle_um / math.sqrt(2.0) / airy_diameter_um(1.0, wavelength_nm)


def combined_blur_um(defocus_um: float, airy_um: float, smear_um: float = 0.0) -> float:
    """Defocus disc, Airy disc and smear taken together: the root of the sum of squares.

    Parameters
    ----------
    defocus_um, airy_um, smear_um : float
        Diameters and length at the sensor, micrometres, 0 or more.

    Returns
    -------
    float
        Micrometres.

    Raises
    ------
    ValueError
        A value is out of range.

    Notes
    -----
    The rule behind Hansma's optimum (see `balanced_aperture_for_spread`); an approximation, as every single
    figure for blur is.
    """
    return math.hypot(
        not_negative("defocus", defocus_um, "um"),
        not_negative("Airy disc", airy_um, "um"),
        not_negative("smear", smear_um, "um"),
    )
