"""The recipe of the calibration set: simulated nights, healthy and faulty, whose causes are known."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
from faults import SLIGHT_FROM, TRUE_FROM, applicable, spoil
from rigs import draw_setup

from framecheck.causes.catalogue import CAUSES
from framecheck.read.rig import Rig
from framecheck.simulate.scenario import Scenario

HEALTHY: Final = 0.25
SINGLE: Final = 0.50
"""Shares of nights without a fault and with one; the others have two or three. Chosen."""
WEAKEST: Final = 0.25
STRONGEST: Final = 4.0
"""Visibilities, drawn evenly in the logarithm. Chosen."""


@dataclass(frozen=True, slots=True)
class DrawnNight:
    """A night of the set."""

    name: str
    scenario: Scenario
    rig: Rig
    """The owner's rig file."""
    hidden: frozenset[str]
    """Header keywords that the capture program does not write."""
    planned: tuple[str, ...]
    """Faults put in on purpose."""
    visibility: Mapping[str, float]
    """Of every cause of the table; 0 for what is not there."""

    @property
    def causes(self) -> frozenset[str]:
        """What is true of this night."""
        return frozenset(cause for cause, value in self.visibility.items() if value >= TRUE_FROM)

    @property
    def slight_causes(self) -> frozenset[str]:
        """What is there but hardly to be seen; counted neither way."""
        return frozenset(cause for cause, value in self.visibility.items() if SLIGHT_FROM <= value < TRUE_FROM)


def draw_nights(seed: int, n: int) -> list[DrawnNight]:
    """Draw nights; the first nights of a longer set are those of a shorter one.

    Parameters
    ----------
    seed : int
        Of the set: one to calibrate on, another to report on.
    n : int
        Nights.
    """
    return [draw_night(seed, number) for number in range(n)]


def draw_night(seed: int, number: int) -> DrawnNight:
    """Draw one night of a set."""
    chance = np.random.default_rng([seed, number])
    kind = chance.uniform()
    how_many = 0 if kind < HEALTHY else 1 if kind < HEALTHY + SINGLE else int(chance.integers(2, 4))
    low = how_many > 0 and chance.uniform() < 0.05
    strength = _strength(chance)
    limit = float(np.clip(1.9 * (strength / TRUE_FROM) ** (1 / 3.8), 1.61, 3.2)) if low else 1.0
    setup = draw_setup(chance, seed=int(chance.integers(2**31)), airmass_limit=limit)
    choices = [cause for cause in applicable(setup) if cause != "low-altitude"]
    wanted: dict[str, float] = {}
    while how_many - low > len(wanted):
        cause = str(chance.choice(choices))
        if not _contradicts(cause, wanted):
            wanted[cause] = _strength(chance)
    spoilt = spoil(setup, wanted, chance)
    planned = (*wanted, *(("low-altitude",) if low else ()))
    visibility = {cause: round(float(spoilt.visibility.get(cause, 0.0)), 4) for cause in CAUSES}
    title = "+".join(f"{cause}({visibility[cause]:.2g})" for cause in planned) or "healthy"
    name = f"{number:03d}-{setup.rig_name}{'-guided' if spoilt.scenario.mount.guided else ''}-{title}"
    return DrawnNight(name, spoilt.scenario, setup.rig, setup.hidden, planned, visibility)


def _strength(chance: np.random.Generator) -> float:
    return float(np.exp(chance.uniform(np.log(WEAKEST), np.log(STRONGEST))))


def _contradicts(cause: str, wanted: Mapping[str, float]) -> bool:
    """Two that cannot be asked of one rig, or that hide the same thing."""
    pairs = ({"undersampled", "oversampled"}, {"undersampled", "poor-seeing"}, {"focus-drift", "dew"})
    return cause in wanted or any(cause in pair and pair & set(wanted) for pair in pairs)
