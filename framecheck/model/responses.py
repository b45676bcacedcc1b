"""Responses: how each physical term of a star's blur acts on what the star table measures.

Second moments of blurs that are convolved add. The squared widths at half maximum, which are measured, do so only
roughly: a small disc of defocus counts for less than its moment, a ring for more, and a comet that breaks the ring
makes it smaller. So the response was drawn once: stars of turbulent air, an aperture and its aberrations, measured by
the rooms before this one. `responses.csv` keeps it as coefficients of smooth functions, fitted to some thousand stars;
`tests/calibration/draw_responses.py` draws and fits them again.

The optics' terms belong to one wave over an aperture of radius 1, whose ray at u = x + iy lands, up to factors, at

    d = z u + alpha u* + gamma (2 |u|² - 1) + gamma* u² + lambda u*²

with focus z, astigmatism alpha, coma gamma and pinch lambda. So the shape grows with z alpha, the comet with gamma and,
where stars are astigmatic and out of focus, with z alpha gamma*; focus and astigmatism that change their signs together
change nothing. The fit holds these products and a few of higher order, each multiplied by a polynomial of all that
is round. Stars were drawn so that they look into all directions over the frame, as optics draw them.
"""

from dataclasses import dataclass, replace
from functools import lru_cache
from importlib.resources import files
from typing import Final

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

DRAWN_OBSTRUCTION: Final = 0.35
"""Share of the aperture's diameter that the larger obstructions drawn covered; unit of obstructions here."""

MOST_DISTORTED: Final = 4.0
"""Squared width of all aberrations over the round star's, beyond which stars were not drawn; the laws go on from there
in proportion."""

MOST_DIFFRACTION: Final = 0.6
MOST_GAUSSIAN: Final = 0.8
"""Shares of the round star's squared width up to which they were drawn."""

LEAST_WING: Final = 0.011
MOST_WING: Final = 0.6
"""1 / beta that the fits of the star table end at, of a disc and of the widest wings drawn."""

LEAST_SIZE: Final = 0.5
"""Squared width over that in focus, below which no aberration drawn brings it."""


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
    """1 / beta of the Moffat function fitted to a frame of stars like this."""


def respond(
    base_px2: Floats | float,
    diffraction_px2: Floats | float,
    focus_px: Floats | float,
    astigmatism_px: Complexes | complex,
    coma_px: Complexes | complex,
    pinch_px: Complexes | complex,
    *,
    air_share: Floats | float,
    obstruction: float = 0.0,
) -> Response:
    """Measured shape of stars that air and optics make.

    Parameters
    ----------
    base_px2 : ndarray, shape (n,), or number, as all others
        Squared FWHM of all that is round, added up: air, diffraction, the optics' own blur, round motion.
    diffraction_px2 : ndarray
        Squared FWHM of the clear aperture's diffraction, a part of `base_px2`.
    focus_px : ndarray
        Signed; its square is 8 ln 2 times the variance of the disc along one axis.
    astigmatism_px : ndarray of complex
        In the same unit; its phase is twice the direction of the long axis where the focus is positive.
    coma_px, pinch_px : ndarray of complex
        In the same unit, half the trace of the spot's variance. Coma points to where its tail lies; the phase of the
        pinch is three times the direction of a lobe.
    air_share : ndarray
        Share of `base_px2` that is turbulent air; what is neither air nor diffraction blurs like a Gaussian.
    obstruction : float
        Diameter of the aperture's obstruction over the aperture's.

    Returns
    -------
    Response
    """
    base_px2, diffraction_px2, focus_px, astigmatism_px, coma_px, pinch_px, air_share = np.broadcast_arrays(
        base_px2, diffraction_px2, focus_px, astigmatism_px, coma_px, pinch_px, air_share
    )
    table = _tables()
    hole = (obstruction / DRAWN_OBSTRUCTION) ** 2
    part = np.minimum(diffraction_px2 / base_px2, MOST_DIFFRACTION)
    gaussian = np.clip(1 - air_share - diffraction_px2 / base_px2, 0, MOST_GAUSSIAN)
    in_focus = np.stack(round_functions(part, gaussian, hole))
    grown, wing = table["round"] @ in_focus
    round_px2 = base_px2 * grown
    width = np.sqrt(round_px2)
    star = Distorted.of(focus_px / width, astigmatism_px / width, coma_px / width, pinch_px / width)
    functions = np.stack(star.functions(np.sqrt(part / grown), gaussian, hole))

    def sums(quantity: str) -> Floats:
        return table[quantity] @ functions

    size = 1 + sum(a * b for a, b in zip(star.size_terms(), sums("size"), strict=True))
    wings = wing + sum(a * b for a, b in zip(star.size_terms(), sums("wing"), strict=True)) / (1 + star.distortion)
    return Response(
        size_px2=round_px2 * np.maximum(size, LEAST_SIZE),
        shape_px2=round_px2 * _complex_sum(star.shape_terms(), sums("shape")),
        comet=_complex_sum(star.comet_terms(), sums("comet")),
        lobes=_complex_sum(star.lobes_terms(), sums("lobes")),
        inverse_beta=np.clip(wings, LEAST_WING, MOST_WING),
    )


@dataclass(frozen=True, slots=True)
class Distorted:
    """Aberrations over the width of the round star, and the terms that symmetry lets each quantity grow with."""

    focus: Floats
    astigmatism: Complexes
    coma: Complexes
    pinch: Complexes
    squares: tuple[Floats, Floats, Floats, Floats]
    """Of the four."""
    distortion: Floats
    """Their sum, up to `MOST_DISTORTED`."""

    @classmethod
    def of(cls, focus: Floats, astigmatism: Complexes, coma: Complexes, pinch: Complexes) -> "Distorted":
        """Square them."""
        squares = (focus**2, _square(astigmatism), _square(coma), _square(pinch))
        return cls(focus, astigmatism, coma, pinch, squares, np.minimum(sum(squares), MOST_DISTORTED))

    def functions(self, sharpness: Floats, gaussian: Floats, hole: float) -> list[Floats]:
        """What each term is multiplied by: functions of the distortion and of what makes the round star.

        Parameters
        ----------
        sharpness : ndarray
            FWHM of the diffraction over that of the round star.
        gaussian : ndarray
            Share of Gaussian blur.
        hole : float
            Area of the obstruction over the largest drawn.
        """
        s = self.distortion / (1 + self.distortion)
        square = sharpness**2
        first = [np.ones_like(s), sharpness, square, hole + 0 * s, hole * sharpness, gaussian]
        second = [s * f for f in first]
        return first + second + [s * f for f in second]

    def size_terms(self) -> list[Floats]:
        """Squares, their products, and what of the comet and the lobes lies along the ellipse."""
        x, a, c, p = self.squares
        n = 1 + self.distortion
        a_, c_, p_ = a / n, c / n, p / n
        ellipse = self.focus * self.astigmatism
        back = np.conj(self.coma)
        tail = back**2
        along = ellipse * tail
        return [
            x + a + c + p, a, c, p, a * a_, c * c_, p * p_, a * c_, a * p_, c * p_, x * a_,
            along.real / n, (self.pinch * back * tail).real / n, (self.pinch * back * np.conj(ellipse)).real / n,
        ]  # fmt: skip

    def shape_terms(self) -> list[tuple[Complexes, list[Floats | float]]]:
        """Of spin 2: focus times astigmatism, coma squared, and the comet against the lobes."""
        a_, c_, p_ = (v / (1 + self.distortion) for v in self.squares[1:])
        return [
            (self.focus * self.astigmatism, [1.0, a_, c_, p_]),
            (self.coma**2, [1.0, a_, c_, p_]),
            (self.pinch * np.conj(self.coma), [1.0]),
        ]

    def comet_terms(self) -> list[tuple[Complexes, list[Floats | float]]]:
        """Of spin 1."""
        a_, c_, p_ = (v / (1 + self.distortion) for v in self.squares[1:])
        ellipse, back = self.focus * self.astigmatism, np.conj(self.coma)
        return [
            (self.coma, [1.0, a_, c_, p_, c_ * c_]),
            (ellipse * back, [1.0]),
            (self.pinch * np.conj(ellipse), [1.0]),
            (self.pinch * back**2, [1.0]),
        ]

    def lobes_terms(self) -> list[tuple[Complexes, list[Floats | float]]]:
        """Of spin 3."""
        a_, c_, p_ = (v / (1 + self.distortion) for v in self.squares[1:])
        return [
            (self.pinch, [1.0, a_, c_, p_, p_ * p_]),
            (self.coma**3, [1.0]),
            (self.focus * self.astigmatism * self.coma, [1.0]),
        ]


def round_functions(part: Floats, gaussian: Floats, hole: float) -> list[Floats]:
    """Functions of what makes the round star in focus.

    Parameters
    ----------
    part, gaussian : ndarray
        Shares of diffraction and of Gaussian blur in the sum of squared FWHM.
    hole : float
        Area of the obstruction over the largest drawn.
    """
    r = np.sqrt(part)
    powers = [r, part, part * r, part * part]
    plain = [np.ones_like(r), *powers[:3], gaussian, gaussian**2, gaussian * r]
    return plain + [hole * p for p in powers] + [hole**2 * p for p in powers]


def _complex_sum(terms: list[tuple[Complexes, list[Floats | float]]], sums: Floats) -> Complexes:
    """Terms times their sums; sums in the order of the terms' factors."""
    total, at = 0j, 0
    for term, factors in terms:
        weight = sum(f * s for f, s in zip(factors, sums[at : at + len(factors)], strict=True))
        total = total + term * weight
        at += len(factors)
    return np.asarray(total)


def _square(value: Complexes) -> Floats:
    out: Floats = value.real**2 + value.imag**2
    return out


@lru_cache(maxsize=1)
def _tables() -> dict[str, Floats]:
    """Coefficients of each quantity, shape (terms, functions)."""
    rows: dict[str, list[list[float]]] = {}
    text = files("framecheck.model").joinpath("responses.csv").read_text(encoding="utf-8")
    for line in text.splitlines():
        name, *numbers = line.split(",")
        rows.setdefault(name, []).append([float(n) for n in numbers])
    return {name: np.array(values) for name, values in rows.items()}


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
