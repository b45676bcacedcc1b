"""The table of measured stars: one row a star, each column with unit and meaning."""

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from framecheck.stars.line import Line

if TYPE_CHECKING:
    from astropy.table import Table

COLUMNS: Final[tuple[tuple[str, str, str, str], ...]] = (
    # name, type, unit, meaning
    ("x", "f8", "px", "centre along NAXIS1; the first pixel's centre is 0"),
    ("y", "f8", "px", "centre along NAXIS2; the first pixel's centre is 0"),
    ("x_error", "f4", "px", "standard error of x"),
    ("y_error", "f4", "px", "standard error of y"),
    ("flux_adu", "f4", "adu", "flux of the fitted profile"),
    ("flux_error_adu", "f4", "adu", "standard error of the flux"),
    ("snr", "f4", "", "flux over its error against the noise of the blank sky, for a matched filter"),
    ("peak_adu", "f4", "adu", "brightest pixel above the sky"),
    ("sky_adu", "f4", "adu", "level under the star, from the fit"),
    ("fwhm_px", "f4", "px", "geometric mean of the two axes at half maximum, before the pixel's own blur"),
    ("fwhm_error_px", "f4", "px", "standard error of fwhm_px"),
    ("e1", "f4", "", "ln(long axis / short axis) times cos(2 pa)"),
    ("e2", "f4", "", "ln(long axis / short axis) times sin(2 pa)"),
    ("e1_error", "f4", "", "standard error of e1"),
    ("e2_error", "f4", "", "standard error of e2"),
    ("moment_xx_px2", "f4", "px2", "adaptive second moment along x, pixel included"),
    ("moment_yy_px2", "f4", "px2", "adaptive second moment along y, pixel included"),
    ("moment_xy_px2", "f4", "px2", "adaptive second moment, mixed, pixel included"),
    ("coma1", "f4", "", "x part of <z |z|^2> / sigma^3 under a round Gaussian weight (spin 1)"),
    ("coma2", "f4", "", "y part of <z |z|^2> / sigma^3 under a round Gaussian weight (spin 1)"),
    ("trefoil1", "f4", "", "real part of <z^3> / sigma^3 under a round Gaussian weight (spin 3)"),
    ("trefoil2", "f4", "", "imaginary part of <z^3> / sigma^3 under a round Gaussian weight (spin 3)"),
    ("third_error", "f4", "", "standard error of each of the four third moments"),
    ("half_flux_radius_px", "f4", "px", "radius that holds half of the fitted flux"),
    ("half_flux_radius_error_px", "f4", "px", "standard error of half_flux_radius_px"),
    ("chi2", "f4", "", "reduced chi-square of the fit"),
    ("flags", "u2", "", "reasons to leave the star out (StarFlag); 0 is a good star"),
)

_ASTROPY_UNITS: Final = {"px": "pix", "px2": "pix2"}
"""Our short names of units, where astropy has others."""

STAR_DTYPE: Final = np.dtype([(name, kind) for name, kind, _, _ in COLUMNS])

StarTable = NDArray[Any]
"""A structured array of `STAR_DTYPE`, shape (n_stars,)."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Stars:
    """The stars of one frame."""

    table: StarTable
    """Measured stars, spread over the field; those with `flags == 0` are good."""
    n_found: int
    """All stars found, measured or not."""
    n_saturated: int
    """Stars of those found whose core is clipped."""
    lines: tuple[Line, ...] = ()
    """Lines of light across the frame, of satellites or aeroplanes or of what looks like them."""
    doubled_px: tuple[float, float] | None = None
    """Offset from the brighter to the fainter image of every star, along x and y, where the frame shows each star
    twice; both are counted as found. None if it does not. [px]"""
    doubled_share: float | None = None
    """Share of the light that is in the fainter image, up to a half."""

    @property
    def n_crossing(self) -> int:
        """Lines that look like trails by their own pixels; what lies in them is not among the stars."""
        return sum(line.flown for line in self.lines)

    @property
    def good(self) -> StarTable:
        """The stars without a flag."""
        good: StarTable = self.table[self.table["flags"] == 0]
        return good

    def to_table(self) -> "Table":
        """Give the measured stars as an astropy table, good and flagged; each column has its unit and description."""
        from astropy.table import Table

        table = Table({name: self.table[name] for name, _, _, _ in COLUMNS})
        for name, _, unit, meaning in COLUMNS:
            table[name].unit = _ASTROPY_UNITS.get(unit, unit) or None
            table[name].description = meaning
        table.meta |= {"n_found": self.n_found, "n_saturated": self.n_saturated}
        return table
