"""The terms of the model: their names, what is believed of them beforehand, and what the frames look like with them.

All squared widths are over the night's typical squared FWHM, all widths over the FWHM: no rig's numbers are needed.
"""

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from framecheck.model.responses import Response, misfit, moved, respond, under_weight
from framecheck.model.zones import Zones

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]


@dataclass(frozen=True, slots=True)
class Term:
    """One term, of one or two numbers (a direction's real and imaginary part)."""

    name: str
    n: int
    scale: float
    """What it usually is, in a heavy-tailed distribution; of a normal one if `normal`."""
    usual: float = 0.0
    normal: bool = False
    freedom: float = 1.0
    """Degrees of freedom of the heavy-tailed one (Student's). Chosen: the fewer, the less a grave fault surprises, and
    the sooner one fault is believed than several small ones that together look so."""


SOFTER: Final = 0.12
"""ln(1 / beta of a frame's mean star in focus, over that of one drawn star). [dimensionless] Measured: the median of
51 nights in focus, drawn by an independent hand, is 0.13; nine tenths lie between 0.015 and 0.15."""

N_AIR: Final = 5
"""Courses that the air may take through the night. Chosen: more make little of it."""

SHARED: Final = (
    Term("base", 1, 1.0, normal=True),
    Term("air_course", N_AIR, 1.0, normal=True),
    Term("airmass", 1, 0.4, usual=0.9, normal=True),
    Term("focus_1", 1, 0.02),
    Term("focus_2", 1, 0.015),
    Term("focus_3", 1, 0.015),
    Term("focus_temperature", 1, 0.02),
    Term("tilt", 2, 0.02),
    Term("bend", 1, 0.03),
    Term("astigmatism", 2, 0.01),
    Term("radial_astigmatism", 1, 0.03),
    Term("coma", 1, 0.05),
    Term("decentred", 2, 0.05),
    Term("pinch", 2, 0.05),
    Term("motion", 2, 0.03),
    Term("drift_0", 2, 0.05),
    Term("drift_1", 2, 0.03),
    Term("drift_2", 2, 0.03),
    Term("turning_centre", 2, 0.3),
    Term("own_blur", 1, 1.0, usual=0.0, normal=True),
    Term("own_wings", 1, 0.2, normal=True),
    Term("halo", 1, 0.03),
    Term("softness", 1, 0.05, usual=SOFTER, normal=True),
    Term("comet_response", 1, 0.1, normal=True),
    Term("lobes_response", 1, 0.1, normal=True),
    Term("shape_response", 1, 0.08, normal=True),
    Term("size_missed", 1, 1.0, normal=True),
    Term("shape_missed", 2, 1.0, normal=True),
    Term("comet_missed", 2, 1.0, normal=True),
    Term("lobes_missed", 2, 1.0, normal=True),
    Term("shape_of_comet", 1, 1.0, normal=True),
    Term("size_of_comet", 1, 1.0, normal=True),
    Term("lobes_of_comet", 1, 1.0, normal=True),
    Term("plane", 2, 0.02, normal=True),
    Term("bowl", 1, 0.02, normal=True),
    Term("saddle", 2, 0.02, normal=True),
    Term("shape_plane", 4, 0.01, normal=True),
)
"""Terms that all frames share. Scales are chosen, from what drawn and real nights have; unit: FWHM, its square, or what
the laws of `responses` may miss."""

KIND: Final = (Term("own_base", 1, 0.1, normal=True), Term("focus", 1, 0.1))
"""Terms of frames of one filter and exposure."""

FRAME: Final = (
    Term("air", 1, 0.12, freedom=3.0),
    Term("focus", 1, 0.01, normal=True),
    Term("motion", 2, 0.05, freedom=2.0),
    Term("round_motion", 1, 0.04, freedom=2.0),
    Term("turning", 1, 0.02, normal=True),
    Term("comet", 2, 0.01, freedom=3.0),
    Term("lobes", 2, 0.01, freedom=3.0),
)
"""Terms of one frame. Motion surprises least: a mount that stands still in most frames may be blown or knocked about,
or corrected late, in all others."""


SOFT_ZERO: Final = 0.015
"""Squared widths below which what cannot be negative goes smoothly to 0. [squared FWHM] Chosen."""

MEAN_SQUARE: Final = 1 / 3
"""Mean of the squared distance from the centre over a sensor, that of the corner being 1. Closed form."""

SOFT_HALO: Final = 0.01
"""1 / beta below which a halo, which only adds to the wings, goes smoothly to 0. [dimensionless] Chosen: half of the
least error of a frame's 1 / beta. Haze, dust and coatings scatter light around all stars, in focus and out of it."""

OWN_BLUR_PX: Final = 1.1
"""FWHM of the blur that optics in focus have of their own, like a Gaussian; half normal. [px] Chosen: lenses and pixels
are matched to about that (common practice, no source)."""

COARSE_UNKNOWN: Final = 3.0
COARSE_PX: Final = 2.5
"""How many times less the profile in focus is known with coarse pixels, and their FWHM. [dimensionless, px] Chosen: the
blur that lenses have of their own has wings of its own, and the pixel hides the core."""

COARSE_MAKES: Final = 0.5
COARSE_MOMENTS_PX: Final = 1.1
"""What coarse pixels make of shape and third moments, alike all over the field: so much of a star of no width, falling
like a Gaussian of it, exp(-(FWHM / b)²). [b in px] Chosen: third moments of 0.1 to 0.3 were seen on drawn stars of
1 px, none from 2 px on."""

COMET_WIDENS: Final = 0.3
"""How much of a comet's part of the squared width the laws may miss. [dimensionless] Chosen: its light lies in the
wings, where pixels and the fit of the width decide."""

NO_COMET: Final = 0.05
"""Strength of a comet below which it has no direction. [FWHM] Chosen."""

MOST_GAUSSIAN: Final = 0.9
"""Share of the round star that is no turbulent air, at the most. Chosen."""


def places(terms: tuple[Term, ...]) -> dict[str, slice]:
    """Where each term lies among the numbers of all."""
    ends = np.cumsum([term.n for term in terms])
    return {term.name: slice(int(end) - term.n, int(end)) for term, end in zip(terms, ends, strict=True)}


AT: Final = places(SHARED)
AT_FRAME: Final = places(FRAME)
N_SHARED: Final = sum(term.n for term in SHARED)
N_KIND: Final = sum(term.n for term in KIND)
N_FRAME: Final = sum(term.n for term in FRAME)


@dataclass(frozen=True, kw_only=True, slots=True)
class Setting:
    """Frames whose stars are to be explained, and what is known of them from outside; N frames."""

    zones: Zones
    """Of these frames."""
    width2_px2: float
    """The night's typical squared FWHM, the unit of all squared widths."""
    kind: NDArray[np.intp]
    """Number of each frame's kind: its filter and exposure. Shape (N,)."""
    n_kinds: int
    exposure: Floats
    """Length of each exposure over the usual one; 1 where it is unknown. Shape (N,)."""
    course: Floats
    """First three Legendre polynomials of the time, shape (N, 3)."""
    air_course: Floats
    """What the air usually does of each course, logarithm of the squared width, shape (N, N_AIR)."""
    focus_course: Floats
    """What the focus may follow, shape (N, 3): the same or, where it was set anew, time, time since then, and which."""
    ln_airmass: Floats
    temperature: Floats
    """Of the tube, about its mean, over its range; 0 if unknown."""
    inverse_beta: Floats
    """1 / Moffat exponent of the frame's mean star; NaN where unknown."""
    diffraction2: float
    """Squared FWHM of the clear aperture's diffraction, over `width2_px2`."""
    obstruction: float
    """Diameter of the aperture's obstruction over the aperture's."""
    turning: Floats
    """Arc that the turning between frames draws at the corner in each exposure, counter-clockwise from +x towards +y;
    its square is 4 ln 2 times the variance along it."""
    turning_error: Floats
    line: Complexes
    """Line that the motion between frames draws at the centre, in the same unit."""
    line_known: NDArray[np.bool_]
    """Where that motion was seen; elsewhere the field turns about a centre of its own."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Numbers:
    """A value for every term; of several sets of values, with axes in front of those named here."""

    shared: Floats
    """Shape (N_SHARED,)."""
    kind: Floats
    """Shape (n_kinds, N_KIND)."""
    frame: Floats
    """Shape (N, N_FRAME)."""

    def of(self, name: str) -> Floats:
        """A shared term of one number, over frames and zones: two axes of length 1 at the end."""
        return self.shared[..., AT[name].start][..., None, None]

    def direction(self, name: str, first: int = 0) -> Complexes:
        """A shared term of two numbers as one, over frames and zones."""
        at = AT[name].start + first
        return (self.shared[..., at] + 1j * self.shared[..., at + 1])[..., None, None]

    def of_frames(self, name: str) -> Floats:
        """A frame's term of one number, shape (N,)."""
        return self.frame[..., AT_FRAME[name].start]

    def direction_of_frames(self, name: str) -> Complexes:
        """A frame's term of two numbers as one, shape (N,)."""
        at = AT_FRAME[name].start
        out: Complexes = self.frame[..., at] + 1j * self.frame[..., at + 1]
        return out


@dataclass(frozen=True, kw_only=True, slots=True)
class Predicted:
    """What the terms make; shape (N, Z), `inverse_beta` (N,)."""

    size: Floats
    shape: Complexes
    comet: Complexes
    lobes: Complexes
    inverse_beta: Floats


def focus_of_frames(numbers: Numbers, setting: Setting) -> Floats:
    """Mean distance from focus over the field of each frame, in blur's FWHM; shape (N,)."""
    course = numbers.shared[..., AT["focus_1"].start : AT["focus_3"].stop] @ setting.focus_course.T
    temperature = numbers.of("focus_temperature")[..., 0] * setting.temperature
    out: Floats = numbers.kind[..., setting.kind, 1] + course + temperature + numbers.of_frames("focus")
    return out


def base_of_frames(numbers: Numbers, setting: Setting) -> Floats:
    """Squared width of the star that nothing but air, own blur and round motion widens; shape (N,)."""
    course = numbers.shared[..., AT["air_course"]] @ setting.air_course.T
    airmass = numbers.of("airmass")[..., 0] * setting.ln_airmass
    log = numbers.of("base")[..., 0] + numbers.kind[..., setting.kind, 0] + course + airmass + numbers.of_frames("air")
    return np.asarray(np.exp(np.clip(log, -4, 4)) + round_motion(numbers))


def round_motion(numbers: Numbers) -> Floats:
    """Squared width of each frame's motion that is alike in all directions, above 0; shape (N,)."""
    return above_zero(numbers.of_frames("round_motion"), SOFT_ZERO)


def above_zero(value: Floats, soft: float) -> Floats:
    """Value where it is well above `soft`, and smoothly 0 below: closed form, soft ln(1 + exp(value / soft))."""
    return np.asarray(soft * np.logaddexp(0, value / soft))


def even_line(numbers: Numbers, setting: Setting, place: Complexes) -> Complexes:
    """Line that drift and turning draw at places of the field in each exposure; shape (N, Z)."""
    arc = (setting.turning + numbers.of_frames("turning"))[..., None]
    about = np.where(setting.line_known, 0, numbers.direction("turning_centre")[..., 0])[..., None]
    out: Complexes = setting.line[:, None] + unseen_drift(numbers, setting)[..., None] + 1j * arc * (place - about)
    return out


def unseen_drift(numbers: Numbers, setting: Setting) -> Complexes:
    """Line that a drift draws in each exposure which moves of the pointing between them hide; shape (N,).

    Its direction and its speed may change slowly, as those of flexure and of a wrong polar axis do; twice the exposure
    makes it twice as long.
    """
    along = [numbers.direction(f"drift_{k}")[..., 0] for k in range(3)]
    out: Complexes = setting.exposure * (along[0] + along[1] * setting.course[:, 0] + along[2] * setting.course[:, 1])
    return out


def focus_surface(numbers: Numbers, place: Complexes) -> Floats:
    """Tilt and bend of the focus at places of the field, less its mean; the shape of `place`."""
    tilt = numbers.direction("tilt")
    out: Floats = (place * tilt.conj()).real + numbers.of("bend") * (np.abs(place) ** 2 - MEAN_SQUARE)
    return out


N_INPUTS: Final = 9
N_SEEN: Final = 9


def light_path(numbers: Numbers, setting: Setting, place: Complexes) -> Floats:
    """What air and optics do at each place, as `respond` takes it, real numbers; shape (N_INPUTS, ..., N, Z).

    Round star, focus, astigmatism, comet and pinch (two numbers each), share of turbulent air.
    """
    base = base_of_frames(numbers, setting)[..., None]
    focus = focus_of_frames(numbers, setting)[..., None] + focus_surface(numbers, place)
    own = own_blur2(numbers, setting)
    gaussian = np.minimum((own + round_motion(numbers)[..., None]) / base, MOST_GAUSSIAN)
    stigma = numbers.direction("astigmatism") + numbers.of("radial_astigmatism") * place**2
    comet = numbers.direction("decentred") + numbers.of("coma") * place
    pinch = numbers.direction("pinch")
    out = np.empty((N_INPUTS, *focus.shape))
    out[0], out[1], out[8] = base, focus, 1 - setting.diffraction2 / base - gaussian
    for k, one in enumerate((stigma, comet, pinch)):
        out[2 * k + 2], out[2 * k + 3] = one.real, one.imag
    return out


def own_blur2(numbers: Numbers, setting: Setting) -> Floats:
    """Squared width of the blur that the optics have in focus, with two axes of length 1 for frames and zones."""
    return np.asarray((OWN_BLUR_PX * numbers.of("own_blur")) ** 2 / setting.width2_px2)


def seen_through(path: Floats, setting: Setting) -> Floats:
    """Size, shape, comet, lobes and 1 / beta of stars that nothing moved, and their distortion, real numbers.

    Shape (N_SEEN, ..., N, Z).
    """
    one = respond(
        path[0], setting.diffraction2, path[1], path[2] + 1j * path[3], path[4] + 1j * path[5], path[6] + 1j * path[7],
        air_share=path[8], obstruction=setting.obstruction,
    )  # fmt: skip
    out = np.empty((N_SEEN, *path.shape[1:]))
    out[0], out[7] = one.size_px2, one.inverse_beta
    for k, pair in enumerate((one.shape_px2, one.comet, one.lobes)):
        out[2 * k + 1], out[2 * k + 2] = pair.real, pair.imag
    out[8] = distortion(path)
    return out


def distortion(path: Floats) -> Floats:
    """Squares of all aberrations over the squared width of the round star, from the path of the light."""
    return np.asarray(np.sum(path[1:8] ** 2, axis=0) / path[0])


def predict(
    numbers: Numbers, setting: Setting, place: Complexes | None = None, still: Floats | None = None
) -> Predicted:
    """What the stars look like with these terms.

    Parameters
    ----------
    numbers : Numbers
    setting : Setting
    place : ndarray of complex, shape (N, Z), optional
        Places of the field; those of the zones if not given.
    still : ndarray, shape (N_SEEN, N, Z), optional
        The stars if nothing moved, where that is known already: `seen_through`.
    """
    place = setting.zones.place if place is None else place
    if still is None:
        still = seen_through(light_path(numbers, setting, place), setting)
    jitter = numbers.direction("motion") + numbers.direction_of_frames("motion")[..., None]
    even = even_line(numbers, setting, place)
    line = np.abs(even) ** 2
    straight = line / (line + np.abs(jitter) + 1e-9)
    optics = Response(
        size_px2=still[0], shape_px2=np.exp(numbers.of("shape_response")) * (still[1] + 1j * still[2]),
        comet=np.exp(numbers.of("comet_response")) * (still[3] + 1j * still[4]),
        lobes=np.exp(numbers.of("lobes_response")) * (still[5] + 1j * still[6]), inverse_beta=still[7],
    )  # fmt: skip
    star = moved(missed(optics, still[8], numbers, setting, place), 2 * (even**2 + jitter), even=straight)
    weighed = under_weight(star.size_px2, np.mean(star.size_px2, axis=-1, keepdims=True))
    static = (place * numbers.direction("plane").conj() + place**2 * numbers.direction("saddle").conj()).real
    static = static + numbers.of("bowl") * (np.abs(place) ** 2 - MEAN_SQUARE)
    static_shape = numbers.direction("shape_plane") * place + numbers.direction("shape_plane", 2) * place.conj()
    own_share = np.minimum(own_blur2(numbers, setting)[..., 0] / np.mean(star.size_px2, axis=-1), 1)
    own_wings = own_share * numbers.of("own_wings")[..., 0]
    soft = _less_known(setting) * numbers.of("softness")[..., 0]
    halo = above_zero(numbers.of("halo")[..., 0], SOFT_HALO)
    own_comet, own_lobes = (numbers.direction_of_frames(name)[..., None] for name in ("comet", "lobes"))
    return Predicted(
        size=star.size_px2 + static,
        shape=star.shape_px2 + static_shape,
        comet=weighed * star.comet + own_comet,
        lobes=weighed * star.lobes + own_lobes,
        inverse_beta=np.exp(soft) * np.mean(star.inverse_beta, axis=-1) + own_wings + halo,
    )


ADDED_TO_FRAMES: Final = ("comet", "lobes")
ADDED: Final = (("plane", 2), ("bowl", 1), ("saddle", 2), ("shape_plane", 4))
"""Terms of a frame and shared terms that `predict` only adds at the end, and of how many numbers each is."""


def added_slopes(place: Complexes) -> Floats:
    """What one of each of the numbers only added adds to size, shape, comet and lobes, real numbers: (N, n, Z, 7)."""
    one = np.zeros((len(place), 13, place.shape[-1], 7))
    one[:, range(4), :, range(3, 7)] = 1
    saddle = place**2
    one[:, 4, :, 0], one[:, 5, :, 0] = place.real, place.imag
    one[:, 6, :, 0] = np.abs(place) ** 2 - MEAN_SQUARE
    one[:, 7, :, 0], one[:, 8, :, 0] = saddle.real, saddle.imag
    for k, added in enumerate((place, 1j * place, place.conj(), 1j * place.conj())):
        one[:, 9 + k, :, 1], one[:, 9 + k, :, 2] = added.real, added.imag
    return one


def _less_known(setting: Setting) -> float:
    """How much less is known of the profile of a star in focus than with fine pixels, for which `softness` stands."""
    return float(1 + COARSE_UNKNOWN * np.exp(-setting.width2_px2 / COARSE_PX**2))


def missed(optics: Response, distorted: Floats, numbers: Numbers, setting: Setting, place: Complexes) -> Response:
    """Add what the laws of `responses`, and coarse pixels, may miss, alike in all frames: more for distorted stars."""
    comet = numbers.direction("decentred") + numbers.of("coma") * place
    along = comet / (np.abs(comet) + NO_COMET)
    own = {name: misfit(name, distorted) for name in ("size", "shape", "comet", "lobes")}
    pixels = COARSE_MAKES * np.exp(-setting.width2_px2 / COARSE_MOMENTS_PX**2)
    both = {name: own[name] + pixels for name in ("shape", "comet", "lobes")}
    alike = {name: both[name] * numbers.direction(f"{name}_missed") for name in both}
    of_comet = own["shape"] * numbers.of("shape_of_comet") * along**2
    tail = COMET_WIDENS * np.abs(comet) ** 2 / (1 + np.abs(comet) ** 2)
    return replace(
        optics,
        size_px2=optics.size_px2 * np.exp(own["size"] * numbers.of("size_missed") + tail * numbers.of("size_of_comet")),
        shape_px2=optics.shape_px2 + optics.size_px2 * (of_comet + alike["shape"]),
        comet=optics.comet + alike["comet"],
        lobes=optics.lobes + alike["lobes"] + own["lobes"] * numbers.of("lobes_of_comet") * along**3,
    )
