"""A frame in which every star has a companion at one offset was knocked; fields of stars at random were not."""

import numpy as np
import pytest

from framecheck.stars.doubled import common_companion
from framecheck.stars.find import Found
from framecheck.stars.pilot import Pilot

SHAPE = (2000, 3000)
PILOT = Pilot(3.0, 3.0, 0.0, 50)


def field(n: int, seed: int, companion: tuple[float, float] | None = None, share: float = 0.3) -> Found:
    """Stars whose numbers go as flux^-0.7 (chosen), each drawn twice if it has a companion."""
    rng = np.random.default_rng(seed)
    x, y = rng.uniform(0, SHAPE[1], n), rng.uniform(0, SHAPE[0], n)
    flux = 500 * rng.random(n) ** (-1 / 0.7)
    if companion is not None:
        x, y = np.concatenate([x, x + companion[0]]), np.concatenate([y, y + companion[1]])
        flux = np.concatenate([flux * (1 - share), flux * share]) * np.exp(0.1 * rng.standard_normal(2 * n))
        seen = flux > 400
        x, y, flux = x[seen], y[seen], flux[seen]
    x, y = x + 0.2 * rng.standard_normal(len(x)), y + 0.2 * rng.standard_normal(len(x))
    order = np.argsort(-flux)
    columns = [np.float32(one[order]) for one in (x, y, flux)]
    return Found(*columns, np.zeros(len(order), bool), PILOT, np.zeros((0, 2), int))


@pytest.mark.parametrize("share", [0.2, 0.35, 0.5])
def test_a_common_companion_is_found_with_its_offset_and_its_share(share: float) -> None:
    found = common_companion(field(400, seed=3, companion=(9.0, -6.0), share=share), SHAPE, PILOT)
    assert found is not None
    offset = np.array([found.dx_px, found.dy_px])
    if share > 0.45:  # two equal parts: which is the first is chance
        offset = offset * np.sign(offset[0])
    assert offset == pytest.approx([9.0, -6.0], abs=0.3)
    assert found.share == pytest.approx(share, abs=0.05)


@pytest.mark.parametrize("n", [30, 300, 3000, 20_000])
@pytest.mark.parametrize("seed", range(5))
def test_stars_at_random_have_no_common_companion(n: int, seed: int) -> None:
    assert common_companion(field(n, seed), SHAPE, PILOT) is None


def test_where_many_are_clipped_those_just_below_tell() -> None:
    """Next to a clipped core a finder believes nothing, and a dense field clips the brightest by the hundred."""
    every = field(20_000, seed=7, companion=(6.0, -4.0), share=0.4)
    n_clipped = 400
    near = np.hypot(every.x[:, None] - every.x[:n_clipped], every.y[:, None] - every.y[:n_clipped])
    lost = (near < 3 * PILOT.long_px).any(axis=1)
    lost[:n_clipped] = False
    left = [column[~lost] for column in (every.x, every.y, every.flux_adu)]
    clipped = np.arange(len(left[0])) < n_clipped
    found = common_companion(Found(*left, clipped, PILOT, np.zeros((0, 2), int)), SHAPE, PILOT)
    assert found is not None
    assert (found.dx_px, found.dy_px) == pytest.approx((6.0, -4.0), abs=0.3)
    assert found.share == pytest.approx(0.4, abs=0.05)
