"""Level and spread of the sky among samples that stars brighten: from the dark side of their distribution."""

from dataclasses import dataclass
from statistics import NormalDist
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

CLIP_SIGMA: Final = 2.5
"""Samples further above the level are taken for stars. [sigma] Chosen."""

COUNTED_SIGMA: Final = 16
"""Values further from the level than this are counted as if there. [sigma] Chosen: beyond all that is asked for."""

BINS_A_SIGMA: Final = 256
"""Chosen: within so narrow a bin values lie evenly, to a thousandth of a quantile's own error."""

ONE_SIGMA_BELOW: Final = NormalDist().cdf(-1)
"""Share of a normal distribution that lies more than one standard deviation below its mean. Closed form."""

_NORMAL: Final = NormalDist()


def lower_half(samples: NDArray[Any]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Median and lower-half spread of samples, bright outliers cut off; NaN where too few are defined. [ADU]

    Of samples of shape (n_y, n_x, n), sorted along the last axis with undefined ones last; shape (n_y, n_x) each.
    """
    flat = samples.reshape(-1, samples.shape[2])
    defined = np.full(len(flat), flat.shape[1])
    if np.isnan(flat[:, -1]).any():  # undefined samples come last
        defined = np.isfinite(flat).sum(axis=1)
    level = _quantile(flat, defined, 0.5)
    noise = level - _quantile(flat, defined, ONE_SIGMA_BELOW)
    for _ in range(2):
        kept = (flat <= (level + CLIP_SIGMA * noise).astype(np.float32)[:, None]).sum(axis=1)
        level = _quantile(flat, kept, 0.5)
        noise = level - _quantile(flat, kept, ONE_SIGMA_BELOW)
        level, noise = undo_clip(level, noise, CLIP_SIGMA)
    poor = defined < max(16, flat.shape[1] // 4)
    level[poor] = noise[poor] = np.nan
    return level.reshape(samples.shape[:2]), noise.reshape(samples.shape[:2])


@dataclass(frozen=True, slots=True)
class Distribution:
    """How many of some values lie below any other value."""

    edges: NDArray[np.float64]
    count: NDArray[np.intp]
    """Values below each of the edges."""

    def below(self, value: float) -> float:
        """Number of values below this one."""
        return float(np.interp(value, self.edges, self.count))

    def value(self, number: float) -> float:
        """The value that has so many below it."""
        return float(np.interp(number, self.count, self.edges))


def distribution(values: NDArray[np.float32]) -> Distribution:
    """Values in units of their noise, counted in narrow bins, which is quicker than sorting; undefined ones are not."""
    place = np.clip(values.ravel(), -COUNTED_SIGMA, COUNTED_SIGMA)
    place += np.float32(COUNTED_SIGMA)
    place *= np.float32(BINS_A_SIGMA)
    if np.isnan(place.sum()):
        place = place[np.isfinite(place)]
    edges = np.arange(2 * COUNTED_SIGMA * BINS_A_SIGMA + 2) / BINS_A_SIGMA - COUNTED_SIGMA
    count = np.bincount(place.astype(np.int32), minlength=len(edges) - 1)
    return Distribution(edges, np.concatenate([[0], np.cumsum(count)]))


def undo_clip(level: Any, noise: Any, clip: float) -> tuple[Any, Any]:
    """Level and noise of a normal distribution from median and spread of what lies less than `clip` sigma above.

    The spread is the median less the quantile one sigma below, of what is left. Closed form.
    """
    kept = _NORMAL.cdf(clip)
    middle, low = _NORMAL.inv_cdf(kept / 2), _NORMAL.inv_cdf(kept * ONE_SIGMA_BELOW)
    sigma = noise / (middle - low)
    return level - middle * sigma, sigma


def _quantile(flat: NDArray[np.float32], count: NDArray[np.intp], share: float) -> NDArray[np.float64]:
    """Quantile of the first `count` of each sorted row."""
    rank = count * share - 0.5
    below = np.clip(np.floor(rank).astype(np.intp), 0, np.maximum(count - 1, 0))
    above = np.minimum(below + 1, np.maximum(count - 1, 0))
    row = np.arange(len(flat))
    low, high = flat[row, below].astype(float), flat[row, above].astype(float)
    out: NDArray[np.float64] = low + (high - low) * (rank - below)
    return out
