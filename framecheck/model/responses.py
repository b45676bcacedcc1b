"""Responses: how each physical term of a star's blur acts on what the star table measures.

Second moments of blurs that are convolved add. The squared widths at half maximum, which are measured, do so only
roughly: a small disc of defocus counts for less than its moment, a ring for more, and a comet that breaks the ring
makes it smaller. So the response was drawn once: stars of turbulent air, an aperture and its aberrations, measured by
the rooms before this one. `responses.csv` keeps it as coefficients of smooth functions, fitted to 8,500 stars;
`tests/calibration/draw_responses.py` draws and fits them again.

The optics' terms belong to one wave over an aperture of radius 1, whose ray at u = x + iy lands, up to factors, at

    d = z u + alpha u* + gamma (2 |u|² - 1) + gamma* u² + lambda u*²

with focus z, astigmatism alpha, coma gamma and pinch lambda. A star that is turned is the same star, and focus and
astigmatism that change their signs together change nothing: so the shape may grow with z alpha and gamma², the comet
with gamma, z alpha gamma* and alpha² lambda*, the lobes with lambda, gamma³, z alpha gamma and alpha² gamma*, and with
products of higher order. The fit holds these, each multiplied by a polynomial of what is round, and knows no others.

Stars were drawn so that they look into all directions over their frame, as optics draw them. Where all look into one,
the rooms may take them for moved stars: from an elongation of 1.2 on, shapes are then 10 to 30 per cent larger, sizes 3
to 10.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files
from typing import Final

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

DRAWN_OBSTRUCTION: Final = 0.5
"""Share of the aperture's diameter that the largest obstruction drawn covered; larger ones count as this."""

MOST_DISTORTED: Final = 4.0
"""Squared width of all aberrations over the round star's, beyond which stars were not drawn; the laws go on from there
in proportion."""

MOST_DIFFRACTION: Final = 0.6
MOST_GAUSSIAN: Final = 0.8
"""Shares of the round star's squared width up to which they were drawn."""

N_SPIN0: Final = 19
N_ROUND: Final = 8
"""Terms of spin 0, and functions of the round star that each is multiplied by."""

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
    places = np.broadcast_arrays(
        base_px2, diffraction_px2, focus_px, np.asarray(astigmatism_px, complex), np.asarray(coma_px, complex),
        np.asarray(pinch_px, complex), air_share,
    )  # fmt: skip
    shape = places[0].shape
    base_px2, diffraction_px2, focus_px, astigmatism_px, coma_px, pinch_px, air_share = map(np.ravel, places)
    hole = min(obstruction / DRAWN_OBSTRUCTION, 1.0) ** 2
    round_px2, wing, gaussian, sharpness = _undistorted(base_px2, diffraction_px2, air_share, hole)
    width = np.sqrt(round_px2)
    star = Distorted.of(focus_px / width, astigmatism_px / width, coma_px / width, pinch_px / width)
    factors = _tables()["terms"] @ star.functions(sharpness, gaussian, hole)
    size, narrowing, raised = _of_spin0(star, factors, disc_functions(sharpness, gaussian, hole))
    by_spin = iter(factors[2 * N_SPIN0 :])
    shape_px2 = round_px2 * _sum(star.shape_terms(), by_spin)
    comet, lobes = _sum(star.comet_terms(), by_spin), _sum(star.lobes_terms(), by_spin)
    return Response(
        size_px2=(round_px2 * size).reshape(shape),
        shape_px2=shape_px2.reshape(shape),
        comet=comet.reshape(shape),
        lobes=lobes.reshape(shape),
        inverse_beta=np.clip(wing * narrowing + raised, LEAST_WING, MOST_WING).reshape(shape),
    )


def _of_spin0(star: "Distorted", factors: Floats, disc: Floats) -> tuple[Floats, Floats, Floats]:
    """By what the squared width grows, and what 1 / beta is multiplied by and raised by."""
    growth, narrowing = disc_laws(_tables()["disc"] @ disc, np.minimum(star.squares[0], MOST_DISTORTED))
    more = star.round_terms()
    size = 1 + star.squares[0] * growth + np.einsum("tn,tn->n", more, factors[:N_SPIN0])
    raised = np.einsum("tn,tn->n", more, factors[N_SPIN0 : 2 * N_SPIN0]) / (1 + star.distortion)
    return np.maximum(size, LEAST_SIZE), narrowing, raised


def _undistorted(base_px2: Floats, diffraction_px2: Floats, air_share: Floats, hole: float) -> tuple[Floats, ...]:
    """Squared width and 1 / beta of stars that air and aperture make, their Gaussian share, and how sharp they are."""
    part = diffraction_px2 / base_px2
    gaussian = np.clip(1 - air_share - part, 0, MOST_GAUSSIAN)
    part = np.minimum(part, MOST_DIFFRACTION)
    grown, wing = _tables()["round"] @ round_functions(part, gaussian, hole)
    return base_px2 * grown, wing, gaussian, np.sqrt(part / grown)


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
    """Their sum."""
    damped: Floats
    """Squares of all but the focus, over one and the distortion, shape (3, n)."""

    @classmethod
    def of(cls, focus: Floats, astigmatism: Complexes, coma: Complexes, pinch: Complexes) -> "Distorted":
        """Square them."""
        squares = (focus**2, _square(astigmatism), _square(coma), _square(pinch))
        distortion = squares[0] + squares[1] + squares[2] + squares[3]
        return cls(focus, astigmatism, coma, pinch, squares, distortion, np.stack(squares[1:]) / (1 + distortion))

    def functions(self, sharpness: Floats, gaussian: Floats, hole: float) -> Floats:
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
        s = np.minimum(self.distortion, MOST_DISTORTED)
        s /= 1 + s
        out = np.empty((3, N_ROUND, len(s)))
        out[0, 0], out[0, 1], out[0, 3], out[0, 6], out[0, 7] = 1, sharpness, hole, gaussian, hole**2
        np.multiply(sharpness, sharpness, out=out[0, 2])
        np.multiply(out[0, 1:3], hole, out=out[0, 4:6])
        np.multiply(out[0], s, out=out[1])
        np.multiply(out[1], s, out=out[2])
        return out.reshape(3 * N_ROUND, -1)

    def round_terms(self) -> Floats:
        """Of spin 0, none by focus alone: squares, their products, and what of comet and lobes lies along others."""
        x, a, c, p = self.squares
        c_, p_ = self.damped[1:]
        ellipse, back = self.focus * self.astigmatism, np.conj(self.coma)
        tail = back * back
        out = np.empty((N_SPIN0, len(x)))
        out[0], out[1], out[2] = a, c, p
        np.multiply(out[:3], self.damped, out=out[3:6])
        np.multiply(out[3:6], self.damped, out=out[6:9])
        out[9], out[10], out[11] = a * c_, a * p_, c * p_
        np.multiply(x, self.damped, out=out[12:15])
        n = 1 + self.distortion
        out[15] = (ellipse * tail).real / n
        out[16] = (self.pinch * back * tail).real / n
        out[17] = (self.pinch * back * np.conj(ellipse)).real / n
        out[18] = (self.astigmatism**2 * np.conj(self.coma * self.pinch)).real / n
        return out

    def shape_terms(self) -> list[tuple[Complexes, list[Floats]]]:
        """Of spin 2: focus times astigmatism, the comet's own, and the comet against the lobes."""
        a_, c_, p_ = self.damped
        n = 1 + self.distortion
        astigmatism, comet = self.astigmatism, self.coma**2
        return [
            (self.focus * astigmatism, [a_, c_, p_]),
            (comet, [a_, c_, p_]),
            (self.pinch * np.conj(self.coma), [a_, c_, p_]),
            (astigmatism**2 * np.conj(comet) / n, []),
            ((self.pinch * np.conj(astigmatism)) ** 2 / n, []),
        ]

    def comet_terms(self) -> list[tuple[Complexes, list[Floats]]]:
        """Of spin 1."""
        a_, c_, p_ = self.damped
        ellipse, back = self.focus * self.astigmatism, np.conj(self.coma)
        return [
            (self.coma, [a_, c_, p_, c_ * c_]),
            (ellipse * back, []),
            (self.pinch * np.conj(ellipse), []),
            (self.pinch * back**2, []),
            (self.astigmatism**2 * np.conj(self.pinch), []),
        ]

    def lobes_terms(self) -> list[tuple[Complexes, list[Floats]]]:
        """Of spin 3."""
        a_, c_, p_ = self.damped
        return [
            (self.pinch, [a_, c_, p_, p_ * p_]),
            (self.coma**3, []),
            (self.focus * self.astigmatism * self.coma, []),
            (self.astigmatism**2 * np.conj(self.coma), []),
        ]


def round_functions(part: Floats, gaussian: Floats, hole: float) -> Floats:
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
    return np.stack(plain + [hole * p for p in powers] + [hole**2 * p for p in powers])


def disc_functions(sharpness: Floats, gaussian: Floats, hole: float) -> Floats:
    """Functions that the logarithms of the laws' parameters of a disc are sums of."""
    square = sharpness**2
    one = np.ones_like(sharpness)
    return np.stack([
        one, sharpness, square, gaussian, hole * one, hole * sharpness, hole * square, hole**2 * one,
    ])  # fmt: skip


def disc_laws(logarithms: Floats, moment: Floats) -> tuple[Floats, Floats]:
    """What a disc adds to the squared width over its moment, and what is left of 1 / beta.

    A small disc counts for one amount, a ring for another; wings become a little wider first, and then there are none.
    """
    small, ring, turn, widening, end = np.exp(logarithms)
    square = moment**2
    growth = small + ring * square / (square + turn**2)
    steep = (moment / end) ** 2
    return growth, (1 + widening * moment) / (1 + steep * steep)


def _sum(terms: list[tuple[Complexes, list[Floats]]], factors: Iterator[Floats]) -> Complexes:
    """Terms times their factors: one for each, and one for what else it is multiplied by."""
    total: Complexes | None = None
    for term, own in terms:
        weight = next(factors)
        for more in own:
            weight += more * next(factors)
        total = term * weight if total is None else total + term * weight
    assert total is not None
    return total


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
    table = {name: np.array(values) for name, values in rows.items()}
    table["terms"] = np.concatenate([table.pop(name) for name in ("size", "wing", "shape", "comet", "lobes")])
    return table


MISFIT: Final = {
    "size": (0.010, 0.014),
    "shape": (0.0015, 0.009),
    "comet": (0.001, 0.0025),
    "lobes": (0.0015, 0.0028),
    "wing": (0.009, 0.009),
}
"""By how much stars drawn but not fitted differ from the laws, one standard deviation: a part that is always there, and
one that grows with the square of the distortion. Size and shape over the star's squared width, wing in 1 / beta.
Measured from 2.5 to 6 px of FWHM."""


def misfit(quantity: str, distortion: Floats) -> Floats:
    """Standard deviation of the laws' own error.

    Parameters
    ----------
    quantity : str
        "size" or "shape" (over the star's squared width), "comet", "lobes", or "wing" (1 / beta).
    distortion : ndarray
        Squares of focus, astigmatism, coma and pinch over the squared FWHM of the round star.
    """
    always, growing = MISFIT[quantity]
    return always + growing * np.minimum(distortion, MOST_DISTORTED) ** 2


LINE: Final = (1.19, 1.08)
JITTER: Final = (1.18, 1.09)
"""What motion adds to size and shape over its moments while it is short: an even line, Gaussian jitter. On 1700 stars
drawn, moved and half of them out of focus, what is added comes out to 10 and 5 per cent, and 1 per cent of the size."""

LINE_GROWS: Final = 0.8
LINE_SLOWS: Final = 0.9
"""How much more a longer line counts: `LINE_GROWS` times its squared width over the star's, at first."""

THIRD_FALLS: Final = 0.8
"""Power of the squared width with which third moments fall as motion widens stars. Measured on the stars drawn; 1 for
little motion, 0.65 for motion that makes the star half as wide again."""

WINGS_RISE: Final = 0.08
"""How much 1 / beta grows by motion of the star's own squared width. Measured on the stars drawn."""


def moved(response: Response, line_px2: Complexes | complex, *, even: Floats | float) -> Response:
    """Add motion along one axis.

    Parameters
    ----------
    response : Response
        Of stars without it.
    line_px2 : ndarray of complex
        8 ln 2 times the variance of the motion along its axis, times exp(2i pa).
    even : ndarray
        Share of it that goes along a line at an even speed; the rest jitters as a Gaussian.
    """
    before = response.size_px2
    half = np.asarray(line_px2) / 2
    along = np.abs(half)
    over = 2 * along / before
    grows = LINE_GROWS * over / (1 + LINE_SLOWS * over)
    to_size, to_shape = (even * (line + grows) + (1 - even) * own for line, own in zip(LINE, JITTER, strict=True))
    size = before + to_size * along
    less = (before / size) ** THIRD_FALLS
    return Response(
        size_px2=size,
        shape_px2=response.shape_px2 + to_shape * half,
        comet=response.comet * less,
        lobes=response.lobes * less,
        inverse_beta=np.minimum(response.inverse_beta * (1 + WINGS_RISE * over), MOST_WING),
    )


def under_weight(size_px2: Floats, typical_px2: Floats | float) -> Floats:
    """Factor of the comet and the lobes of stars that are wider or narrower than their frame's typical star.

    The star table weighs all stars of a frame by the Gaussian of the typical one. A Gaussian of variance s² that is
    slightly skew has, under one of variance w², its third moment times (w² / (s² + w²))³; over w³, and over the same
    where s is w, that is 8 q^(3/2) / (1 + q)³ with q = s² / w². Closed form; from q = 0.6 to 2 drawn stars keep to it
    within a tenth or so.

    Parameters
    ----------
    size_px2 : ndarray
        Squared width of the stars.
    typical_px2 : ndarray or float
        Of the typical star of their frame.
    """
    q = size_px2 / typical_px2
    return 8 * q * np.sqrt(q) / (1 + q) ** 3
