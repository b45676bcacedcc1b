"""Stars: found, measured and flagged; the last room that sees pixels."""

from framecheck.stars.flags import StarFlag
from framecheck.stars.measure import Measured, measure_stars
from framecheck.stars.table import COLUMNS, STAR_DTYPE, Stars, StarTable

__all__ = ["COLUMNS", "STAR_DTYPE", "Measured", "StarFlag", "StarTable", "Stars", "measure_stars"]
