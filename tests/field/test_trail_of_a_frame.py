"""A frame's trail is told where its stars are long beyond their errors: faint narrow stars look drawn out by chance."""

import numpy as np
import pytest

from framecheck.constants import FWHM_PER_SIGMA
from framecheck.field.shape import frame_shape
from framecheck.sky.model import Sky
from framecheck.stars.measure import Measured
from framecheck.stars.table import STAR_DTYPE, Stars


def measured(e: float, error: float, n: int = 30) -> Measured:
    """Stars of one elongation, each seen with an error, in which a moved round star was fitted."""
    rng = np.random.default_rng(3)
    table = np.zeros(n, dtype=STAR_DTYPE)
    table["fwhm_px"], table["fwhm_error_px"] = 1.7, 0.02 * FWHM_PER_SIGMA
    table["e1"], table["e2"] = e + rng.normal(0, error, n), rng.normal(0, error, n)
    table["e1_error"] = table["e2_error"] = error
    table["half_flux_radius_px"] = 1.0
    mesh = np.ones((1, 1), np.float32)
    centre = np.zeros(1, np.float32)
    return Measured(
        stars=Stars(table=table, n_found=n, n_saturated=0),
        sky=Sky(level_adu=mesh, noise_adu=mesh, x_centres=centre, y_centres=centre, shape=(1000, 1500)),
        mean=None, beta=3.5, trailed=True, trail_length_px=1.2, clip_adu=None, light_over_profile=None,
    )  # fmt: skip


@pytest.mark.parametrize(("e", "error", "told"), [(0.2, 0.1, True), (0.2, 0.6, False), (0.0, 0.1, False)])
def test_a_trail_is_told_where_the_stars_are_long_beyond_their_errors(e: float, error: float, told: bool) -> None:
    shape = frame_shape(measured(e, error))
    assert shape is not None
    assert (shape.trail_length_px is not None) == told
    assert (shape.elongation_pa_deg is not None) == told
