"""Figures with intervals that hold: frames of one night resemble each other, and so do not count one by one."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import hypot, inf, sqrt
from typing import Final

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

MEMORY_MINUTES: Final = 15.0
"""[min] Time in which what a frame has in common with a later one falls to 1/e. Chosen: that of the
mean ratio of two seeings is 17 (R. Racine, PASP 108, 372 (1996), abstract); a gear's period or a gust is forgotten
sooner."""

_ENOUGH: Final = 200
"""Frames of a stretch that tell how alike it is to others. Chosen: then some seconds lie between them."""

USUAL_LEVEL: Final = 0.95
"""Of the intervals that are shown."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Estimate:
    """A value with its standard error to either side."""

    value: float
    down: float
    """Standard error towards smaller values."""
    up: float
    freedom: float = inf
    """Degrees of freedom that the errors rest on."""

    def interval(self, level: float = USUAL_LEVEL) -> tuple[float, float]:
        """Bounds that hold the truth in the share `level` of all cases (Student's t, textbook)."""
        reach = t_quantile(level, self.freedom)
        return self.value - reach * self.down, self.value + reach * self.up

    def with_scatter(self, scatter: float) -> "Estimate":
        """The estimate with an error of known size beside its own; its degrees of freedom after Welch."""
        if not scatter:
            return self
        own = sqrt((self.down**2 + self.up**2) / 2)
        return Estimate(
            value=self.value,
            down=hypot(self.down, scatter),
            up=hypot(self.up, scatter),
            freedom=_welch((own, self.freedom), (scatter, inf)),
        )


def t_quantile(level: float, freedom: float) -> float:
    """Half width of a two-sided interval, in standard errors."""
    from scipy.special import ndtri, stdtrit

    tail = (1 + level) / 2
    return float(ndtri(tail) if freedom == inf else stdtrit(freedom, tail))


def difference(later: Estimate, earlier: Estimate) -> Estimate:
    """How much larger the first is than the second, the two being independent.

    Notes
    -----
    Errors to either side are combined as in the method of variance estimates recovery: the difference is small where
    the first is low and the second high.

    References
    ----------
    .. [1] B. L. Welch, Biometrika 34, 28 (1947): degrees of freedom.
    .. [2] G. Y. Zou and A. Donner, Stat. Med. 27, 1693 (2008): uneven errors.
    """
    sizes = [(sqrt((one.down**2 + one.up**2) / 2), one.freedom) for one in (later, earlier)]
    return Estimate(
        value=later.value - earlier.value,
        down=hypot(later.down, earlier.up),
        up=hypot(later.up, earlier.down),
        freedom=_welch(*sizes),
    )


def _welch(*parts: tuple[float, float]) -> float:
    """Degrees of freedom of a sum of errors, each with its own (Welch and Satterthwaite)."""
    total = sum(error**2 for error, _ in parts)
    rest = sum(error**4 / freedom for error, freedom in parts if freedom != inf)
    return total**2 / rest if rest > 0 else inf


def over_stretches(values: Sequence[float], times: Sequence[Floats]) -> Estimate | None:
    """Mean of a figure over the stretches of a night, with an error that allows for what stretches have in common.

    Parameters
    ----------
    values : sequence of float
        The figure in each stretch; NaN where it is unknown.
    times : sequence of ndarray
        When the frames of each stretch were taken. [min]

    Returns
    -------
    Estimate or None
        None if fewer than three stretches know the figure.

    Notes
    -----
    Batch means, widened: with a memory that fades as exp(-t / `MEMORY_MINUTES`) the means of stretches have the
    covariance C up to its size. Their scatter is then (tr C - 1'C1 / k) / (k - 1) and the variance of their mean
    1'C1 / k² (closed form); the ratio turns the one, which is seen, into the other.
    """
    known = [k for k, value in enumerate(values) if np.isfinite(value)]
    if len(known) < 3:
        return None
    figures = np.array([values[k] for k in known])
    kin = _kinship([times[k] for k in known])
    n = len(known)
    whole = float(kin.sum())
    scatter = (float(np.trace(kin)) - whole / n) / (n - 1)
    error = float(np.std(figures, ddof=1)) * sqrt(whole / n**2 / max(scatter, 1e-9))
    return Estimate(value=float(figures.mean()), down=error, up=error, freedom=n - 1)


def _kinship(times: Sequence[Floats]) -> Floats:
    """Correlation of frames of each stretch with those of each other, averaged."""
    some = [one[:: max(1, len(one) // _ENOUGH)] for one in times]  # all against all would grow with the square
    out = np.empty((len(some), len(some)))
    for i, one in enumerate(some):
        for k, other in enumerate(some[: i + 1]):
            out[i, k] = out[k, i] = np.exp(-np.abs(one[:, None] - other[None, :]) / MEMORY_MINUTES).mean()
    return out


def level_among(n: int) -> float:
    """How sure each of n figures has to be for one set of unchanged ones in twenty to claim a change (Bonferroni)."""
    return 1 - (1 - USUAL_LEVEL) / max(n, 1)
