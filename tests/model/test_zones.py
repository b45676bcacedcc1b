"""Zones of the field: means that hold outliers, at errors that stars allow."""

import numpy as np
import pytest
from drawn_tables import frame_of_stars

from framecheck.model.zones import ACROSS, ALONG, COMET, SHAPE, SIZE, STAR_SCATTER, star_values, zones_of
from framecheck.night.records import NightFrame


def zones(**stars: object):
    found = zones_of([frame_of_stars(**stars)])
    assert found is not None
    return found


def test_equal_round_stars_give_their_squared_width_in_every_zone():
    found = zones(n=1500, fwhm_px=3.0)
    assert found.place.shape == (1, ACROSS * ALONG)
    assert found.value[SIZE].real == pytest.approx(9.0, rel=3e-3)
    assert np.abs(found.value[SHAPE]).max() < 0.02


def test_the_squared_axes_of_an_ellipse_come_back():
    """a = 4, b = 3 px at 30 degrees: (16 + 9) / 2 and (16 - 9) / 2 exp(2i 30°); closed form."""
    e = np.log(4 / 3) * np.exp(2j * np.radians(30))
    found = zones(n=1500, fwhm_px=np.sqrt(12.0), e=e)
    assert found.value[SIZE].real == pytest.approx(12.5, rel=2e-3)
    assert found.value[SHAPE] == pytest.approx(3.5 * np.exp(2j * np.radians(30)), abs=0.02)


def test_one_star_in_twelve_that_is_no_star_moves_no_zone_by_its_error_twice():
    rng = np.random.default_rng(5)
    width = np.where(rng.random(3000) < 1 / 12, 12.0, 3.0)
    found = zones(n=3000, fwhm_px=width)
    error = 1 / np.sqrt(found.weight[SIZE])
    assert np.median(np.abs(found.value[SIZE].real - 9.0) / error) < 2


def test_errors_of_zones_are_those_of_the_stars_scatter():
    """Stars scatter by `STAR_SCATTER` of the squared width and their own errors; pulls of 30 zones in 20 frames."""
    pulls = []
    for seed in range(20):
        rng = np.random.default_rng(seed)
        found = zones(n=900, fwhm_px=3 * (1 + STAR_SCATTER / 2 * rng.standard_normal(900)), seed=seed)
        pulls.append((found.value[SIZE].real - 9.0) * np.sqrt(found.weight[SIZE]))
    assert 0.8 < np.std(pulls) < 1.25


def test_stars_held_back_take_no_part_and_are_a_fifth():
    frame: NightFrame = frame_of_stars(n=2000, fwhm_px=3.0)
    fitted, held = zones_of([frame]), zones_of([frame], held=True)
    assert fitted is not None
    assert held is not None
    share = held.weight[SIZE].sum() / (held.weight[SIZE].sum() + fitted.weight[SIZE].sum())
    assert share == pytest.approx(0.2, abs=0.04)


def test_frames_of_few_stars_or_of_trails_are_left_out():
    assert zones_of([frame_of_stars(n=4, fwhm_px=3.0)]) is None
    assert zones_of([frame_of_stars(n=400, fwhm_px=3.0, e=np.log(4.0) + 0j)]) is None


def test_third_moments_are_those_of_the_table():
    stars = frame_of_stars(n=50, fwhm_px=3.0, comet=0.1 - 0.05j).result.stars.good
    assert star_values(stars)[0][COMET] == pytest.approx(0.1 - 0.05j, abs=1e-6)


def test_single_stars_near_a_pixel_wide_tell_little_of_comets():
    """Third moments of stars drawn by an independent hand scatter by 0.2 at 1.1 px, 0.1 at 1.5 px, not at 2 px."""
    tells = {width: zones(n=1500, fwhm_px=width).weight[COMET].mean() for width in (1.1, 1.5, 2.5)}
    assert tells[1.1] < tells[1.5] / 5 < tells[2.5] / 20
