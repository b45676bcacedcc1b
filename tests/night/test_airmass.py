"""Where frames were taken in the sky: said, computed, or filled in between; never guessed."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from framecheck.night.airmass import in_the_sky
from framecheck.read.exposure import Exposure
from framecheck.read.rig import Rig

START = datetime(2024, 3, 1, 20, tzinfo=UTC)


def light(minutes: float | None, **facts: object) -> Exposure:
    start = None if minutes is None else START + timedelta(minutes=minutes)
    return Exposure(
        file=Path("a.fits"), kind="light", width_px=10, height_px=10, start_utc=start, exposure_s=0.0, **facts
    )


def test_what_is_said_is_kept() -> None:
    (found,) = in_the_sky([light(0, altitude_deg=30.0, airmass=1.9, hour_angle_deg=-15.0)], Rig())
    assert (found.altitude_deg, found.airmass, found.hour_angle_deg) == (30.0, 1.9, -15.0)


def test_air_mass_follows_from_altitude() -> None:
    # Kasten & Young (1989): 1.9939 at 30 degrees
    (found,) = in_the_sky([light(0, altitude_deg=30.0)], Rig())
    assert found.airmass == pytest.approx(1.994, abs=1e-3)


def test_place_and_time_give_the_altitude_also_from_a_neighbours_pointing() -> None:
    # independent route: astropy's AltAz without refraction
    from astropy.coordinates import AltAz, EarthLocation, SkyCoord
    from astropy.time import Time
    from astropy.utils import iers

    rig = Rig(site_latitude_deg=48.0, site_longitude_deg=11.0)
    pointed, silent = light(0, ra_deg=120.0, dec_deg=20.0), light(5)
    found = in_the_sky([pointed, silent], rig)
    place = EarthLocation(lat=48, lon=11)
    with iers.conf.set_temp("auto_download", False):
        for minutes, one in zip((0, 5), found, strict=True):
            time = Time(START + timedelta(minutes=minutes))
            true = SkyCoord(120, 20, unit="deg").transform_to(AltAz(obstime=time, location=place))
            assert one.altitude_deg == pytest.approx(true.alt.deg, abs=0.4)  # precession left out
    assert found[1].hour_angle_deg - found[0].hour_angle_deg == pytest.approx(1.2534, abs=1e-3)  # 15.041 deg/h


def test_gaps_are_filled_from_neighbours_in_time() -> None:
    frames = [light(0, altitude_deg=40.0), light(10), light(20, altitude_deg=44.0), light(30), light(None)]
    found = in_the_sky(frames, Rig())
    assert [one.altitude_deg for one in found] == [40.0, pytest.approx(42.0), 44.0, None, None]
    assert found[1].airmass == pytest.approx(1 / np.sin(np.radians(42)), rel=0.005)


def test_long_gaps_and_unknowns_stay_open() -> None:
    frames = [light(0, altitude_deg=40.0), light(100), light(200, altitude_deg=44.0)]
    assert in_the_sky(frames, Rig())[1].altitude_deg is None
    (nothing,) = in_the_sky([light(0)], Rig(site_latitude_deg=48.0, site_longitude_deg=11.0))
    assert (nothing.altitude_deg, nothing.airmass, nothing.hour_angle_deg) == (None, None, None)


def test_below_the_horizon_there_is_no_air_mass() -> None:
    (found,) = in_the_sky([light(0, altitude_deg=-3.0)], Rig())
    assert found.airmass is None
