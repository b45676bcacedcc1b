"""The gain that a sky's level and noise show, where no header says it."""

import math

import numpy as np
import pytest

from framecheck.sky.model import SkySummary


def seen(electrons: float, gain: float, read_e: float, pedestal: float) -> SkySummary:
    """A sky of so many electrons a pixel: Poisson noise and the read noise, closed form."""
    noise = math.sqrt(electrons + read_e**2) / gain
    return SkySummary(
        level_adu=pedestal + electrons / gain,
        noise_adu=noise,
        gradient_percent=0.0,
        level_mesh_adu=np.zeros((1, 1), np.float32),
    )


@pytest.mark.parametrize("gain", [0.1, 0.4, 2.5])
@pytest.mark.parametrize("read_e", [1.5, 3.0, 6.0])
@pytest.mark.parametrize("electrons", [60.0, 400.0, 10_000.0])
def test_a_sky_of_many_electrons_shows_the_gain_whatever_the_read_noise(
    gain: float, read_e: float, electrons: float
) -> None:
    off = abs(read_e**2 - 9) / electrons  # what the read noise differs from the usual one, over the sky's variance
    assert seen(electrons, gain, read_e, 512.0).gain_shown(512.0) == pytest.approx(gain, rel=0.01 + 1.2 * off)


@pytest.mark.parametrize("electrons", [0.0, 0.5, 3.0])
def test_a_dark_sky_leaves_the_usual_read_noise_as_the_measure(electrons: float) -> None:
    assert seen(electrons, 1.3, 3.0, 300.0).gain_shown(300.0) == pytest.approx(1.3, rel=0.01)


def test_a_level_below_the_pedestal_is_no_light() -> None:
    assert seen(0.0, 1.3, 3.0, 300.0).gain_shown(305.0) == pytest.approx(1.3, rel=0.01)
