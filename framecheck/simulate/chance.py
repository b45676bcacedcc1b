"""Chance: random numbers that depend on the scenario's seed and on what they are for, never on the order of use."""

import numpy as np

from framecheck.simulate.scenario import Scenario


def generator(scenario: Scenario, purpose: str, *numbers: int) -> np.random.Generator:
    """A generator of its own for each purpose, frame and axis.

    Parameters
    ----------
    scenario : Scenario
        Its seed counts.
    purpose : str
        What is drawn, such as "stars".
    *numbers : int
        Frame, axis and the like.

    Returns
    -------
    numpy.random.Generator
        The same for the same arguments on every machine.
    """
    return np.random.default_rng([scenario.seed, *purpose.encode(), *numbers])
