"""Catalogue: the invented stars around the target."""

from dataclasses import dataclass

import numpy as np

from framecheck.constants import ARCSEC_PER_RADIAN
from framecheck.simulate.chance import generator
from framecheck.simulate.scenario import Scenario
from framecheck.simulate.sky_path import Floats


@dataclass(frozen=True, kw_only=True, slots=True)
class Catalogue:
    """Stars with their true places, each of shape (n_stars,)."""

    ra_deg: Floats
    dec_deg: Floats
    flux_e_per_s: Floats
    """Outside the atmosphere. [e/s]"""


def catalogue(scenario: Scenario, *, reach_deg: float) -> Catalogue:
    """Stars spread evenly over the sky around the target, with the scenario's number on the sensor at one time.

    They cover the sensor wherever it points: the pointing strays in right ascension as far as `reach_deg`.
    """
    camera, target = scenario.camera, scenario.target
    scale = scenario.scale_arcsec / ARCSEC_PER_RADIAN
    half = float(np.arctan(np.hypot(camera.width, camera.height) / 2 * scale)) + np.radians(0.05)
    low, high = (np.radians(target.dec_deg) + side * half * 1.05 for side in (-1, 1))
    low, high = max(low, -np.pi / 2), min(high, np.pi / 2)
    farthest = max(abs(low), abs(high))
    widest = np.pi if farthest >= np.pi / 2 - half / 4 else min(np.pi, half * 1.1 / np.cos(farthest))
    span = min(np.pi, widest + np.radians(reach_deg))
    area = 2 * span * (np.sin(high) - np.sin(low))
    sensor = 4 * np.arctan(camera.width * scale / 2) * np.arctan(camera.height * scale / 2)
    chance = generator(scenario, "stars")
    n = int(np.ceil(target.stars * area / sensor))
    ra = target.ra_deg + np.degrees(chance.uniform(-span, span, n))
    dec = np.degrees(np.arcsin(chance.uniform(np.sin(low), np.sin(high), n)))
    return Catalogue(ra_deg=ra % 360, dec_deg=dec, flux_e_per_s=_fluxes(scenario, chance.uniform(0, 1, n)))


def _fluxes(scenario: Scenario, share: Floats) -> Floats:
    """A power law between the faintest and the brightest star."""
    target = scenario.target
    faint, bright = (flux**-target.slope for flux in (target.faintest_e_per_s, target.brightest_e_per_s))
    return (faint + share * (bright - faint)) ** (-1 / target.slope)
