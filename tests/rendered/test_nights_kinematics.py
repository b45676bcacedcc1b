"""The renderer of nights against the outside: paths of mounts against published rates, stars against GalSim's own."""

from functools import partial

import galsim
import numpy as np
import pytest
from galsim_night import ARCSEC, Grid, Optics, Rig, Scene, Stars, _add, _air, _node, _optics_at, paths_px, truth
from mount_paths import (
    SIDEREAL_ARCSEC_PER_S,
    Geometry,
    alt_azimuth,
    backlash,
    equatorial,
    flexure,
    jitter,
    knocks,
    periodic,
    untracked,
)

NEWTONIAN = Rig(focal_mm=1000, aperture_mm=200, obstruction=0.3)


def star_drift(site: Geometry, seconds: float = 6.0, **mount: object) -> tuple[float, float]:
    """Rate of the target against the sensor, north and east. [arcsec/min]"""
    pointing, _ = equatorial(**mount)(site, np.array([seconds]))
    return -pointing[0].real * 60 / seconds, -pointing[0].imag * 60 / seconds


# Closed form: d(dec)/dt = -omega (dAz cos(lat) cos(H) + dAlt sin(H)), no division by cos(dec).
@pytest.mark.parametrize(
    ("latitude", "declination", "hour_angle", "azimuth", "altitude"),
    [(45, 0, 0, 10, 0), (45, 60, 0, 10, 0), (45, 0, -90, 0, 10), (52, 30, 40, 7, -4)],
)
def test_declination_drifts_as_the_axis_has_it(latitude, declination, hour_angle, azimuth, altitude) -> None:
    site = Geometry(latitude_deg=latitude, declination_deg=declination, hour_angle_deg=hour_angle)
    hour, lat = np.radians(hour_angle), np.radians(latitude)
    rate = SIDEREAL_ARCSEC_PER_S / ARCSEC * 60 * 60
    expected = -rate * (azimuth * np.cos(lat) * np.cos(hour) + altitude * np.sin(hour))
    north, _ = star_drift(site, azimuth_arcmin=azimuth, altitude_arcmin=altitude, refraction=False)
    assert north == pytest.approx(expected, abs=0.01)


# Refraction alone, perfect mount on the true pole; values computed with the ERFA library's refraction, lat 45.
@pytest.mark.parametrize(
    ("declination", "hour_angle", "north", "east"),
    [(0, 45, 0.3534, 0.5026), (20, 60, 0.3304, 0.4242), (60, 0, 0, 0.1858)],
)
def test_refraction_carries_the_target_off(declination, hour_angle, north, east) -> None:
    site = Geometry(latitude_deg=45, declination_deg=declination, hour_angle_deg=hour_angle)
    assert star_drift(site) == pytest.approx((north, east), abs=0.01)


# Closed form: omega theta t cos(H - H0) / cos(dec); an axis 5' too high is displaced towards H0 = 0.
@pytest.mark.parametrize("declination", [0, 60])
def test_the_field_of_a_guided_star_turns(declination) -> None:
    site = Geometry(latitude_deg=45, declination_deg=declination, hour_angle_deg=0)
    _, turn = equatorial(0, 5, guide_arcsec=0j, refraction=False)(site, np.array([300.0]))
    expected = SIDEREAL_ARCSEC_PER_S / ARCSEC * 300 * 5 * 60 / np.cos(np.radians(declination))
    assert abs(turn[0]) * 3600 == pytest.approx(expected, rel=0.005)


def test_a_guide_star_stays_where_it_is() -> None:
    guide = 2600 + 2400j
    scene = Scene(rig=NEWTONIAN, errors=(equatorial(14, 11, guide_arcsec=guide),), declination_deg=74, exposure_s=600)
    x, y = paths_px(scene, 3, np.array([guide]))
    first_x, first_y = paths_px(scene, 0, np.array([guide]))
    assert np.ptp(np.concatenate([x, first_x])) < 1e-6
    assert np.ptp(np.concatenate([y, first_y])) < 1e-6


# Published table of field rotation at Pine Mountain Observatory (Albireo, -34.506 arcsec a sidereal second, another
# sign convention), and the closed form 15.041 cos(lat) cos(Az) / cos(alt).
def test_an_alt_azimuth_field_turns() -> None:
    site = Geometry(latitude_deg=43.7915, declination_deg=27.96, hour_angle_deg=-7.1)
    _, turn = alt_azimuth()(site, np.array([1.0]))
    assert abs(turn[0]) * 3600 == pytest.approx(34.736, rel=0.002)


def test_an_untracked_star_runs_at_the_sidereal_rate_times_cos_dec() -> None:
    pointing, _ = untracked()(Geometry(declination_deg=60), np.array([10.0]))
    assert pointing[0] == pytest.approx(75.205j, rel=1e-3)  # closed form: 15.041 x 10 x 0.5 to the east


def test_figures_of_a_night_follow_from_closed_forms() -> None:
    swing = truth(Scene(rig=NEWTONIAN, errors=(periodic(6.0, 480),), exposure_s=480, gap_s=0))
    assert swing["rms_ra_arcsec"] == pytest.approx(3 / np.sqrt(2), rel=1e-3)  # full cycle: A / sqrt 2
    slow = truth(Scene(rig=NEWTONIAN, errors=(flexure(0.5, 90, 1e-3),), exposure_s=600))
    assert slow["drift_ra_arcsec_per_min"] == pytest.approx(0.5, rel=1e-3)
    assert slow["rms_ra_arcsec"] == pytest.approx(5 / np.sqrt(12), rel=1e-3)  # a line: L / sqrt 12
    saw = truth(Scene(rig=NEWTONIAN, errors=(backlash(3.0, 0, 1e9, 60),), exposure_s=600))
    assert saw["rms_dec_arcsec"] == pytest.approx(3 / np.sqrt(12), rel=0.01)
    noise = truth(Scene(rig=NEWTONIAN, errors=(jitter(0.5, 1.0, periods_s=(3, 20)),), exposure_s=300))
    assert (noise["rms_dec_arcsec"], noise["rms_ra_arcsec"]) == pytest.approx((0.5, 1.0), rel=0.1)


def test_a_knock_lasts_as_long_as_it_lasts() -> None:
    pointing, _ = knocks((30, 40, 3 + 4j))(Geometry(), np.array([29.0, 69.0, 71.0]))
    assert abs(pointing) == pytest.approx([0, 5, 0], abs=0.01)


@pytest.mark.parametrize("error", [(), (untracked(0.001),)], ids=["still", "drawn out"])
def test_a_star_is_that_of_galsim(error) -> None:
    scene = Scene(
        rig=NEWTONIAN, errors=error, optics=Optics(coma=(0.2, 0.1), astigmatism=(0.1, 0.0)),
        focus_um=lambda frame: 60.0, restless=0.0, n_frames=1,
    )  # fmt: skip
    x, y = paths_px(scene, 0, Stars(np.array([0j]), np.array([1.0])).place)
    light, grid = np.zeros((600, 900)), Grid(128, 4)
    _add(
        light,
        grid,
        _air(scene, 0, grid) * _optics_at(scene.rig, partial(_node, scene, 0, grid), 450, 300),
        x[0],
        y[0],
        1.0,
    )
    column, row = round(x.mean()), round(y.mean())
    stamp = light[row - 32 : row + 32, column - 32 : column + 32]
    assert np.abs(stamp - by_galsim(scene, x[0], y[0])).max() < 2e-3 * stamp.max()


def by_galsim(scene: Scene, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """The same star drawn by GalSim's own convolution."""
    rig = scene.rig
    parts = [
        galsim.OpticalPSF(
            lam_over_diam=0.55e-3 / rig.aperture_mm * ARCSEC / rig.scale,
            obscuration=rig.obstruction,
            aberrations=[0, 0, 0, 0, *scene.optics.coefficients(rig, 60.0, 0, 0)],
        ),
        galsim.Kolmogorov(fwhm=scene.seeing_px(0)),
    ]
    length = np.hypot(np.ptp(x), np.ptp(y)) * len(x) / (len(x) - 1)
    if length > 0:
        angle = np.arctan2(y[-1] - y[0], x[-1] - x[0]) * galsim.radians
        parts.append(galsim.Box(length, 1e-3).rotate(angle))
    column, row = round(x.mean()), round(y.mean())
    offset = x.mean() - column + 0.5, y.mean() - row + 0.5
    return galsim.Convolve(parts).drawImage(nx=64, ny=64, scale=1, offset=offset).array
