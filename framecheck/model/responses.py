"""Responses: how each physical term of a star's blur acts on what the star table measures.

Second moments of blurs add; the squared widths at half maximum that are measured do so only roughly, and third moments
under a weight hardly at all.

The optics' terms are those of one picture, rays through an aperture of radius 1 displaced by the slope of the wave:
a ray at u = x + iy lands at

    d = z u + alpha u* + gamma-part (2 |u|² - 1, u²) + lambda-part (u*²)

each in units in which the squared coefficient is the second moment of its spot, as the squared FWHM of a Gaussian with
that moment. Turning the signs of focus and astigmatism together changes nothing that is measured.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]


@dataclass(frozen=True, kw_only=True, slots=True)
class Response:
    """What the rooms before would measure of a star without noise. Arrays over places."""

    size_px2: Floats
    """(a² + b²) / 2 of the full axes at half maximum, before the pixel."""
    shape_px2: Complexes
    """(a² - b²) / 2 times exp(2i pa)."""
    comet: Complexes
    """Spin 1, `coma1` + 1j `coma2` of the star table."""
    lobes: Complexes
    """Spin 3, `trefoil1` + 1j `trefoil2` of the star table."""
    inverse_beta: Floats
    """1 / beta of the Moffat profile fitted to stars like this."""


def respond(
    base_px2: Floats,
    diffraction_px2: Floats,
    focus_px: Floats,
    astigmatism_px: Complexes,
    coma_px: Complexes,
    pinch_px: Complexes,
    *,
    air_share: Floats,
) -> Response:
    """Measured shape of a star that air and optics make; all arguments are arrays or numbers that broadcast.

    Parameters
    ----------
    base_px2 : ndarray
        Squared FWHM of all that is round: air, diffraction, the optics' own blur, round motion.
    diffraction_px2 : ndarray
        Squared FWHM of the aperture's diffraction, a part of `base_px2`.
    focus_px : ndarray
        Signed; its square is the second moment of the disc, as the squared FWHM of a Gaussian.
    astigmatism_px : ndarray of complex
        In the same unit, along half of its phase where the focus is positive.
    coma_px, pinch_px : ndarray of complex
        In the same unit; towards the comet's tail, and towards one of the lobes as seen out of focus.
    air_share : ndarray
        Share of `base_px2` that is turbulent air; what is neither air nor diffraction blurs like a Gaussian.
    """
    base = np.asarray(base_px2, float)
    width = np.sqrt(base)
    diffraction = diffraction_px2 / base
    focus, coma, pinch = focus_px / width, coma_px / width, pinch_px / width
    stigma = astigmatism_px / width
    in_focus, coma2 = focus**2, np.abs(coma) ** 2
    disc = in_focus + np.abs(stigma) ** 2 + np.abs(pinch) ** 2
    small = 1 / (1 + 6 * diffraction)
    turn = 0.87 / small
    share = disc**2 / (disc**2 + turn**2)
    psi = small + (1.4 - small) * share
    size = base * (1 + disc * psi + 0.7 * small * coma2)
    shape = base * (2 * focus * stigma * psi + 0.22 * coma**2)
    comet = 0.07 * coma * (1 + 2.4 * in_focus / (1 + 0.3 * in_focus))
    strength = np.abs(pinch)
    lobes = 0.12 * pinch / (1 + (strength / 0.78) ** 2.7) * (1 + 6 * in_focus / (1 + in_focus)) - 0.027 * coma**3
    gaussian = np.clip(1 - air_share - diffraction, 0, 1)
    wings = 0.235 * (1 - 0.74 * gaussian) / (1 + (disc / (0.95 * turn)) ** 4) / (1 + 0.15 * coma2)
    return Response(size_px2=size, shape_px2=shape, comet=comet, lobes=lobes, inverse_beta=wings)


def moved(response: Response, base_px2: Floats, line_px2: Complexes, *, even: bool) -> Response:
    """Add motion along one axis.

    Parameters
    ----------
    response : Response
        Of the star without it.
    base_px2 : ndarray
        Squared FWHM of what is round in that star.
    line_px2 : ndarray of complex
        Variance of the motion along its axis, as the squared FWHM of a Gaussian, times exp(2i pa).
    even : bool
        Whether the star moved along a line at an even speed; if not, it jittered as a Gaussian.
    """
    half = np.asarray(line_px2) / 2
    over = 2 * np.abs(half) / response.size_px2
    by_size, by_shape = (1.25 + 0.3 * over, 1.0 + 0.34 * over) if even else (1.18, 1.18)
    size = response.size_px2 + by_size * np.abs(half)
    return replace(response, size_px2=size, shape_px2=response.shape_px2 + by_shape * half)
