"""Smear within an exposure: half-maximum contours of stars that GalSim moved, turned back into rms of the motion."""

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import galsim
import numpy as np
import pytest
import star_field

from framecheck import measure_frame, shear
from framecheck.motion.smear import elongation_of_motion, level, variance_of_line, variance_of_random

ACCURATE = galsim.GSParams(folding_threshold=1e-4, maxk_threshold=1e-4, maximum_fft_size=16384)
WIDTH = 3.0  # [px]


def jitter(along: float, across: float) -> Any:
    """A Gaussian of these rms along x and y; sheared, since GalSim's Gaussian is round."""
    return galsim.Gaussian(sigma=1.0).transform(max(along, 1e-3), 0, 0, max(across, 1e-3))


def width_of(profile: Any, *, along_x: bool) -> float:
    """Full width at half maximum on a cut through the centre."""
    image = profile.drawImage(nx=401, ny=401, scale=0.1, method="no_pixel").array
    cut = image[200, 200:] if along_x else image[200:, 200]
    below = int(np.argmax(cut < cut[0] / 2))
    return float(2 * 0.1 * (below - 1 + (cut[below - 1] - cut[0] / 2) / (cut[below - 1] - cut[below])))


def moved(kernel: Any, beta: float) -> tuple[float, float]:
    star = galsim.Convolve(galsim.Moffat(beta=beta, fwhm=WIDTH), kernel, gsparams=ACCURATE)
    return width_of(star, along_x=True), width_of(star, along_x=False)


def rms_of_random(long: float, short: float, beta: float) -> float:
    return float(short * np.sqrt(np.interp(np.log(long / short), *variance_of_random(beta))))


@pytest.mark.parametrize("beta", [2.5, 4.765])
@pytest.mark.parametrize("along", [0.5, 1.5, 3.0, 6.0])
def test_motion_along_one_axis(beta: float, along: float) -> None:
    # marks to pass: 10 %; the calibration itself is exact
    assert rms_of_random(*moved(jitter(along, 0), beta), beta) == pytest.approx(along, rel=0.02)


@pytest.mark.parametrize("beta", [2.5, 4.765])
@pytest.mark.parametrize("length", [1.0, 3.0, 6.0])
def test_an_even_line_draws_a_star_out_as_galsim_draws_it(beta: float, length: float) -> None:
    long, short = moved(galsim.Box(length, 1e-3), beta)
    assert elongation_of_motion(beta, line=length / short) == pytest.approx(np.log(long / short), rel=0.02)
    rms = short * np.sqrt(np.interp(np.log(long / short), *variance_of_line(beta)))
    assert rms == pytest.approx(length / np.sqrt(12), rel=0.02)  # TRK-08: L² / 12


@pytest.mark.parametrize("beta", [2.5, 4.765])
@pytest.mark.parametrize("length", [1.5, 2.5])
def test_a_short_line_reads_as_its_rms(beta: float, length: float) -> None:
    # shorter than the star is wide, no line is told from a blur: TRK-08, L² / 12
    assert rms_of_random(*moved(galsim.Box(length, 1e-3), beta), beta) == pytest.approx(length / np.sqrt(12), rel=0.1)


@pytest.mark.parametrize("wings", [0.75, 1.3])
def test_wings_measured_on_the_blurred_star_do_little_harm(wings: float) -> None:
    # the frame's beta is that of the blurred star, not of the round one
    assert rms_of_random(*moved(jitter(1.2, 0), 3.5), 3.5 * wings) == pytest.approx(1.2, rel=0.1)


@dataclass(frozen=True, kw_only=True)
class Moved(star_field.Scene):
    """A field whose stars are blurred by a motion along `pa_deg`."""

    kernel: Any = None

    @property
    def star(self) -> Any:
        turned = self.kernel.rotate(self.pa_deg * galsim.degrees)
        return galsim.Convolve(star_field.star_profile(self), turned, gsparams=star_field.TIGHT)


@pytest.mark.parametrize("rms", [0.8, 1.5, 3.0])
@pytest.mark.parametrize("profile", ["moffat", "kolmogorov"])
def test_frames_in_pixels(tmp_path: Path, rms: float, profile: str) -> None:
    scene = Moved(kernel=jitter(rms, 0.01), profile=profile, n_stars=150, snr=60.0, size=(900, 800))
    shape = measure_frame(star_field.write(tmp_path / "a.fits", star_field.star_field(scene)[0], scene)).shape
    assert shape is not None
    long, short = shear.half_maximum_axes(shape.fwhm_px, np.log(shape.elongation))
    assert rms_of_random(long, short, shape.moffat_beta) == pytest.approx(rms, rel=0.1)
    assert shape.elongation_pa_deg == pytest.approx(scene.pa_deg, abs=2)


def test_quadrature_would_not_do() -> None:
    # what FWHM in quadrature would give for a Moffat star and a line as long as it is wide
    long, short = moved(galsim.Box(WIDTH, 1e-3), 2.5)
    naive = np.sqrt(long**2 - short**2) / 2.3548
    found = rms_of_random(long, short, 2.5)
    assert abs(found / (WIDTH / np.sqrt(12)) - 1) < abs(naive / (WIDTH / np.sqrt(12)) - 1)


def test_profiles_are_galsims() -> None:
    star = galsim.Convolve(galsim.Moffat(beta=3.0, fwhm=3.0), jitter(1.0, 0), gsparams=ACCURATE)
    image = star.drawImage(nx=201, ny=201, scale=0.1, method="no_pixel").array
    for column, row in ((20, 0), (0, 15), (30, 25)):
        ours = level(column / 10, row / 10, fwhm=3.0, beta=3.0, along=1.0)
        assert ours == pytest.approx(image[100 + row, 100 + column] / image[100, 100], rel=2e-3)
