"""What aberrations and motion do to measured stars follows the laws of `model.responses`: GalSim's optical stars.

The lengths of rays are geometry: a wave W over an aperture of diameter D moves light by the slope of W. Noll's
polynomials (1976, J. Opt. Soc. Am. 66, 207) as GalSim numbers them. Tolerances are three times what the laws say of
their own misfit, or as stated.
"""

from dataclasses import dataclass
from math import log, sqrt

import galsim
import numpy as np
import pytest
from lone_stars import measure_alike
from numpy.typing import NDArray

from framecheck.model.responses import Response, misfit, moved, respond, under_weight
from framecheck.stars.moments import measure_moments

FWHM2_PER_VARIANCE = 8 * log(2)
SIDE, FINE = 64, 4  # pixels of a stamp, samples a pixel


@dataclass(frozen=True, kw_only=True)
class Star:
    """Widths in pixels; aberrations as `respond` takes them, motion as `moved` does. [px, px²]"""

    air: float = 3.2
    diffraction: float = 1.0
    gaussian: float = 0.0
    obstruction: float = 0.0
    focus: float = 0.0
    astigmatism: complex = 0.0
    coma: complex = 0.0
    pinch: complex = 0.0
    line: complex = 0.0
    jitter: complex = 0.0

    @property
    def base(self) -> float:
        return self.air**2 + self.diffraction**2 + self.gaussian**2

    @property
    def distortion(self) -> float:
        squares = self.focus**2 + abs(self.astigmatism) ** 2 + abs(self.coma) ** 2 + abs(self.pinch) ** 2
        return squares / self.base

    def predicted(self) -> Response:
        star = respond(
            self.base, self.diffraction**2, self.focus, self.astigmatism, self.coma, self.pinch,
            air_share=self.air**2 / self.base, obstruction=self.obstruction,
        )  # fmt: skip
        star = moved(star, self.line, even=1) if self.line else star
        return moved(star, self.jitter, even=0) if self.jitter else star

    def drawn(self) -> NDArray[np.float32]:
        """`FINE` samples a pixel, each the light of a whole pixel there; the star's middle is the middle sample."""
        hole = self.obstruction**2
        to_slope = 1.029 / 2 / self.diffraction / sqrt(FWHM2_PER_VARIANCE)  # waves at the edge, of a spot's rms along x
        disc = to_slope / (4 * sqrt(3)) / sqrt((1 + hole) / 4)
        ellipse = to_slope / (2 * sqrt(6)) / sqrt((1 + hole) / 4)
        comet = to_slope / (3 * sqrt(8)) / sqrt((2 - hole + 2 * hole**2) / 6)
        lobes = to_slope / (3 * sqrt(8)) / sqrt((1 + hole + hole**2) / 6)
        # GalSim's light goes against the slope of its wave: all aberrations count the other way round
        a, c, p = -ellipse * self.astigmatism, -comet * self.coma, -lobes * self.pinch
        optics = galsim.OpticalPSF(
            lam_over_diam=self.diffraction / 1.029, obscuration=self.obstruction, defocus=-disc * self.focus,
            astig1=a.imag, astig2=a.real, coma1=c.imag, coma2=c.real, trefoil1=p.imag, trefoil2=p.real,
            pad_factor=1.5, oversampling=1.5,
        )  # fmt: skip
        parts = [optics, galsim.Kolmogorov(fwhm=self.air)]
        if self.gaussian:
            parts.append(galsim.Gaussian(fwhm=self.gaussian))
        if self.line:
            line = galsim.Box(sqrt(12 * abs(self.line) / FWHM2_PER_VARIANCE), 1e-2)
            parts.append(line.rotate(np.angle(self.line) / 2 * galsim.radians))
        if self.jitter:
            parts.append(_jitter(self.jitter))
        whole = galsim.Convolve([*parts, galsim.Pixel(1.0)])
        n = SIDE * FINE + 1
        return whole.drawImage(nx=n, ny=n, scale=1 / FINE, method="sb", dtype=np.float32).array

    def measured(self) -> Response:
        """By the rooms before."""
        seen = measure_alike(self.drawn(), FINE, all_directions=not (self.line or self.jitter))
        assert seen is not None
        return seen


def _jitter(jitter: complex) -> galsim.GSObject:
    """Gaussian along one axis, and next to nothing across."""
    along = sqrt(abs(jitter))
    across = 0.05 * along
    round_one = galsim.Gaussian(fwhm=sqrt(along * across))
    return round_one.shear(q=across / along, beta=np.angle(jitter) / 2 * galsim.radians)


ABERRATED = {
    "in focus": Star(air=2.8, diffraction=1.4, gaussian=1.0),
    "in focus behind a large obstruction": Star(air=2.8, diffraction=2.2, obstruction=0.5),
    "a ring": Star(focus=3.4, obstruction=0.35),
    "astigmatic behind focus": Star(focus=-1.7, astigmatism=1.2j),
    "coma": Star(coma=1.8 + 0.9j),
    "coma out of focus": Star(focus=1.6, coma=-1.1j, obstruction=0.35),
    "pinched": Star(focus=1.8, pinch=1.2 - 0.8j),
    "all at once": Star(focus=1.2, astigmatism=-0.8, coma=0.9j, pinch=0.8 + 0.5j, gaussian=1.2),
}


@pytest.mark.parametrize("star", ABERRATED.values(), ids=ABERRATED.keys())
def test_stars_of_air_and_optics(star: Star) -> None:
    law, seen = star.predicted(), star.measured()

    def within(quantity: str) -> float:
        return 3 * float(misfit(quantity, np.float64(star.distortion)))

    assert abs(law.size_px2 / seen.size_px2 - 1) < within("size")
    assert abs(law.shape_px2 - seen.shape_px2) / seen.size_px2 < within("shape")
    assert abs(law.comet - seen.comet) < within("comet")
    assert abs(law.lobes - seen.lobes) < within("lobes")
    assert abs(law.inverse_beta - seen.inverse_beta) < within("wing")


@pytest.mark.parametrize("obstruction", [0.35, 0.47])
@pytest.mark.parametrize("strength", [1.2, 1.5])
def test_a_mirror_pinched_hard_keeps_its_lobes(strength: float, obstruction: float) -> None:
    star = Star(air=4.0, diffraction=0.6, obstruction=obstruction, pinch=4.0 * strength)
    law, seen = star.predicted().lobes, star.measured().lobes
    assert 0.35 < (law / seen).real < 1.5
    assert abs(seen) > 0.015


@pytest.mark.parametrize(
    "star", [Star(line=5j), Star(line=12.0 + 0j), Star(jitter=-5.0 + 0j)], ids=["line", "trail", "jitter"]
)
def test_motion_adds_to_size_and_shape(star: Star) -> None:
    """Within a tenth of what it adds."""
    still, law, seen = Star().predicted(), star.predicted(), star.measured()
    added = seen.size_px2 - still.size_px2
    assert law.size_px2 - still.size_px2 == pytest.approx(added, rel=0.1, abs=0.01 * seen.size_px2)
    assert abs(law.shape_px2 - seen.shape_px2) < 0.1 * abs(seen.shape_px2)


def test_only_the_product_of_focus_and_astigmatism_can_be_told() -> None:
    """Both signs turned, the spot of rays is the same seen from behind: geometry."""
    there = Star(focus=1.5, astigmatism=0.7 + 0.4j, coma=0.8, pinch=0.6j).predicted()
    back = Star(focus=-1.5, astigmatism=-0.7 - 0.4j, coma=0.8, pinch=0.6j).predicted()
    for quantity in ("size_px2", "shape_px2", "comet", "lobes", "inverse_beta"):
        assert getattr(there, quantity) == pytest.approx(getattr(back, quantity))


def test_a_turned_star_is_the_same_star() -> None:
    u = np.exp(0.7j)
    star = Star(focus=1.5, astigmatism=0.7 + 0.4j, coma=0.8, pinch=0.6j).predicted()
    turned = Star(focus=1.5, astigmatism=(0.7 + 0.4j) * u**2, coma=0.8 * u, pinch=0.6j * u**3).predicted()
    assert turned.size_px2 == pytest.approx(star.size_px2)
    assert turned.shape_px2 == pytest.approx(star.shape_px2 * u**2)
    assert turned.comet == pytest.approx(star.comet * u)
    assert turned.lobes == pytest.approx(star.lobes * u**3)


def test_places_keep_their_shape_and_numbers_stay_numbers() -> None:
    focus = np.linspace(-3, 3, 2200).reshape(1100, 2)
    many = respond(12.0, 1.0, focus, 0.3j, 0.2, 0.1j, air_share=0.9)
    assert many.size_px2.shape == many.comet.shape == (1100, 2)
    one = respond(12.0, 1.0, float(focus[1050, 1]), 0.3j, 0.2, 0.1j, air_share=0.9)
    assert one.size_px2 == pytest.approx(many.size_px2[1050, 1])


def test_no_aberration_is_too_strong() -> None:
    """A solver tries what no telescope does."""
    wild = np.array([0.0, 3.0, 10.0, 30.0])
    star = respond(12.0, 1.0, wild, 3 * wild, 1j * wild, -wild, air_share=0.9)
    assert (star.size_px2 > 0).all()
    assert np.isfinite(star.shape_px2).all()
    assert ((star.inverse_beta > 0) & (star.inverse_beta < 1)).all()


@pytest.mark.parametrize("others_px", [2.2, 5.0])
def test_a_comet_among_stars_of_another_width(others_px: float) -> None:
    """The weight is theirs, and it shows as much less as closed form says, within a tenth."""
    comet, other = (
        np.pad(star.drawn()[:-1:FINE, :-1:FINE], ((0, 1), (0, 1)))
        for star in (Star(focus=1.6, coma=1.4), Star(air=others_px))
    )

    def seen(*images: NDArray[np.float32]) -> tuple[float, float, float]:
        zero = np.zeros(len(images))
        moments = measure_moments(1e5 * np.array(images), np.ones(len(images)), zero, zero, 1.5, rounds=6)
        return moments.coma1[0], (moments.xx + moments.yy)[0], moments.sigma_px**2 * 2

    alone, _, _ = seen(comet)
    among, size, typical = seen(comet, other, other, other)
    assert among / alone == pytest.approx(under_weight(np.float64(size), typical), abs=0.1)
