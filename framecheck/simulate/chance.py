"""Chance: random numbers that depend on the scenario's seed and on what they are for, never on the order of use."""

import numpy as np

from framecheck.simulate.scenario import Scenario


def generator(scenario: Scenario, purpose: str, *numbers: int) -> np.random.Generator:
    """A generator of its own for each purpose, frame and axis, the same on every machine."""
    return np.random.default_rng([scenario.seed, *purpose.encode(), *numbers])
