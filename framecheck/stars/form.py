"""Form of the light around peaks over a background that may slope: how widely it is spread, and the slope.

Stars of one frame are equally wide. A knot of gas is wider than they are, and a filament goes on where a star ends.
Two stars that are one peak are longer, but no wider across.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from framecheck.stars.pilot import Pilot
from framecheck.stars.stamps import Stamps
from framecheck.stars.window import whitened

F32 = NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Form:
    """What a fit finds in stamps, shape (n,) each."""

    slope_x: F32
    slope_y: F32
    """Of the background. [ADU / px]"""
    spread: F32
    """Variance of the light, mean of both axes, in units of the typical star's; NaN where there is no light."""
    error: F32
    """Its standard error from the sky's noise."""
    along: F32
    """The variance along the axis where it is largest."""


def measure_form(stamps: Stamps, shape: Pilot) -> Form:
    """Fit the typical star, its derivatives and a plane to all stamps at once.

    To first order, light moved by d and spread by V beyond a Gaussian G is G - d G' + V G'' / 2. The fit is linear, and
    the same for all stamps. What a moved star adds to the spread, d², is taken off. Light that is much wider than the
    shape comes out less wide than it is, but still wider than what is less wide.
    """
    u, v, x, y = whitened(2 * stamps.half + 1, shape)
    g, one = np.exp(-(u * u + v * v) / 2), np.ones_like(u)
    terms = [g, g * u, g * v, g * (u * u - 1) / 2, g * (v * v - 1) / 2, g * u * v, one, x, y]
    fit = np.linalg.pinv(np.stack(terms, axis=1).astype(float))
    wanted = np.concatenate([fit[:6], fit[7:]]).T.astype(np.float32)
    c = stamps.values @ wanted
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        height = np.where(c[:, 0] > 0, c[:, 0], np.float32(np.nan))
        du, dv, uu, vv, uv = (c[:, 1:6] / height[:, None]).T
        uu, vv, uv = uu - du * du, vv - dv * dv, uv - du * dv
        spread = 1 + (uu + vv) / 2
        error = (stamps.noise * np.float32(np.linalg.norm(fit[3] + fit[4]) / 2) / height).astype(np.float32)
        return Form(c[:, 6], c[:, 7], spread, error, spread + np.hypot((uu - vv) / 2, uv))


def without_slope(stamps: Stamps, rows: NDArray[np.intp], shape: Pilot) -> None:
    """Take the slope of the background off some stamps, in place, where it is known: all pixels count."""
    rows = rows[stamps.usable[rows].all(axis=1)]
    form = measure_form(stamps.part(rows), shape)
    x, y = (np.broadcast_to(at, stamps.grid.shape).ravel().astype(np.float32) for at in (stamps.grid.x, stamps.grid.y))
    stamps.values[rows] -= form.slope_x[:, None] * x + form.slope_y[:, None] * y
