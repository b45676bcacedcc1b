"""The field model against frames drawn by GalSim, measured as any frame is: stars that change over the sensor."""

from collections.abc import Callable
from pathlib import Path

import galsim
import numpy as np
import pytest
from astropy.io import fits

from framecheck import measure_frame
from framecheck.field.model import fit_field_model
from framecheck.field.records import FieldModel

WIDTH, HEIGHT = 1200, 900
CENTRE = (np.array([WIDTH, HEIGHT]) - 1) / 2
CORNER_PX = float(np.hypot(*CENTRE))
BETA, FWHM_PX = 3.5, 3.6
Star = Callable[[complex], galsim.GSObject]


def draw_frame(path: Path, star: Star, seed: int) -> Path:
    """13 x 10 stars at SNR 150, each with the profile of its place: z = x + iy from the centre, 1 at the corners."""
    rng = np.random.default_rng(seed)
    image = galsim.ImageD(WIDTH, HEIGHT, xmin=0, ymin=0)
    for column in range(13):
        for row in range(10):
            x, y = 30 + 88 * (column + rng.uniform(0.3, 0.7)), 20 + 86 * (row + rng.uniform(0.3, 0.7))
            z = complex(*((np.array([x, y]) - CENTRE) / CORNER_PX))
            around = galsim.BoundsI(int(x) - 30, int(x) + 30, int(y) - 30, int(y) + 30)
            stamp = (
                star(z).withFlux(15000.0).drawImage(image=galsim.ImageD(around), scale=1, center=galsim.PositionD(x, y))
            )
            overlap = stamp.bounds & image.bounds
            image[overlap] += stamp[overlap]
    pixels = image.array + 1000 + 10 * rng.standard_normal(image.array.shape)
    header = fits.Header({"IMAGETYP": "Light Frame", "EXPTIME": 60.0, "DATE-OBS": f"2026-02-03T21:{seed:02d}:00"})
    fits.PrimaryHDU(np.rint(pixels).astype(np.uint16), header).writeto(path)
    return path


def test_tilt_curvature_and_motion_are_told_apart(tmp_path: Path) -> None:
    tilt, curvature = 0.12, 0.10
    motions = [(0.0, 0.0), (2.0, 30.0), (1.6, 120.0), (0.0, 0.0), (2.4, 75.0)]  # length [px] and direction [deg]
    half_width = CENTRE[0] / CORNER_PX

    def star_of(length: float, pa_deg: float) -> Star:
        def star(z: complex) -> galsim.GSObject:
            size = 1 + tilt * z.real / half_width + ((1 + curvature) ** 2 - 1) * abs(z) ** 2
            air = galsim.Moffat(beta=BETA, fwhm=FWHM_PX * np.sqrt(size))
            return galsim.Convolve(air, galsim.Box(length, 0.01).rotate(pa_deg * galsim.degrees)) if length else air

        return star

    results = [
        measure_frame(draw_frame(tmp_path / f"{i}.fits", star_of(*motion), i)) for i, motion in enumerate(motions)
    ]
    model = fit_field_model(results)
    assert isinstance(model, FieldModel)
    # motion widens the stars, so that the same change of the squared width is a smaller share of it
    share = FWHM_PX**2 / np.median([frame.size_px2.value for frame in model.frames])
    corner = np.sqrt(1 + ((1 + curvature) ** 2 - 1) * share)
    assert model.tilt_x_percent.value == pytest.approx(100 * tilt * share, abs=0.5)
    assert model.tilt_y_percent.value == pytest.approx(0, abs=0.5)
    assert model.curvature_percent.value == pytest.approx(100 * (corner - 1), abs=0.6)
    assert abs(model.astigmatism_px.value) < 0.03
    for frame, (length, pa_deg) in zip(model.frames, motions, strict=True):
        expected = smear_px2(length) if length else 0.0
        assert frame.smear_px2 == pytest.approx(expected, abs=0.03 * expected + 4 * 2 * frame.motion_error_px2)
        if length:
            assert abs((frame.pa_deg - pa_deg + 90) % 180 - 90) < 2
    assert model.explained_spin0 > 0.9
    assert model.explained_spin2 > 0.9


def smear_px2(length: float) -> float:
    """a² - b² at half maximum of the star in the middle, drawn fine and without pixels."""
    star = galsim.Convolve(galsim.Moffat(beta=BETA, fwhm=FWHM_PX), galsim.Box(length, 0.01))
    image = star.drawImage(nx=601, ny=601, scale=0.02, method="no_pixel", dtype=float).array
    cuts = image[300, 300:], image[300:, 300]
    along, across = (0.04 * np.interp(-0.5, -cut / cut.max(), np.arange(301)) for cut in cuts)
    return float(along**2 - across**2)


def test_coma_is_recovered_in_size_and_points_outward(tmp_path: Path) -> None:
    share, tail_px = 0.1, 2.0  # of the corner's light, away from the rest

    def star(z: complex) -> galsim.GSObject:
        core, tail, faint = galsim.Gaussian(fwhm=FWHM_PX), tail_px * z / abs(z), share * abs(z)
        return (1 - faint) * core + faint * core.shift(tail.real, tail.imag)

    model = fit_field_model([measure_frame(draw_frame(tmp_path / f"{i}.fits", star, i)) for i in range(2)])
    assert isinstance(model, FieldModel)
    # third moment of two points of light f and 1 - f apart by d: f (1 - f) (1 - 2 f) d³ (closed form), f = 0.06 mostly;
    # a tail 1.3 standard deviations away counts 22 % less under the weight (sums over such a profile, this test's own)
    drawn = share * 0.94 * 0.88 * tail_px**3
    assert model.coma_px3.value == pytest.approx(0.78 * drawn, abs=3 * model.coma_px3.error)
    assert model.coma_px3.value > 6 * model.coma_px3.error
    assert model.constant_coma_px3.value < 4 * model.constant_coma_px3.error
