"""The Moon's place against ERFA's, and full Moons against published dates."""

from datetime import UTC, datetime, timedelta

import erfa
import numpy as np
import pytest

from framecheck.read.moonlight import moon_at
from framecheck.read.place import separation_deg


def test_the_place_is_that_of_a_full_theory() -> None:
    """ERFA moon98: the abridged theory ELP2000 of Meeus, good to a few arcseconds."""
    first = datetime(2015, 1, 1, tzinfo=UTC)
    for days in range(0, 6000, 97):
        utc = first + timedelta(days=days + 0.37)
        jd = 2451545.0 + (utc - datetime(2000, 1, 1, 12, tzinfo=UTC)).total_seconds() / 86400
        place = np.asarray(erfa.moon98(jd, 0.0)["p"])
        ra = float(np.degrees(np.arctan2(place[1], place[0])) % 360)
        dec = float(np.degrees(np.arcsin(place[2] / np.linalg.norm(place))))
        moon = moon_at(utc)
        assert separation_deg(moon.ra_deg, moon.dec_deg, ra, dec) < 0.75  # 0.4 of its own, 0.35 of precession to J2000


@pytest.mark.parametrize(
    ("utc", "lit"),
    [
        (datetime(2025, 10, 7, 3, 48, tzinfo=UTC), 1.0),  # full Moon of October 2025, from memory
        (datetime(2025, 9, 7, 18, 11, tzinfo=UTC), 1.0),  # total lunar eclipse, from memory
        (datetime(2024, 4, 8, 18, 18, tzinfo=UTC), 0.0),  # total solar eclipse, from memory
    ],
)
def test_it_is_full_and_new_when_it_was(utc: datetime, lit: float) -> None:
    assert moon_at(utc).lit == pytest.approx(lit, abs=0.003)
