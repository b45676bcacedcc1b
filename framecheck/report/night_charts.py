"""How sharpness hangs on air mass and temperature, and what the stack gains as frames are left out."""

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from framecheck.constants import SEEING_POWER
from framecheck.decision.account import fwhm_field
from framecheck.decision.frame_row import FrameRow
from framecheck.report.chart import Chart, plotted
from framecheck.report.drawing import DOUBTFUL, KEEP, QUIET, REJECT
from framecheck.words import counted, fixed, short_unit

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_FEWEST: Final = 5
"""Frames below which a scatter says nothing."""
_LOOKS: Final = {"keep": ("o", KEEP, KEEP), "doubtful": ("D", "none", DOUBTFUL), "reject": ("x", REJECT, REJECT)}
_LEAST_AIRMASS_SPAN: Final = 0.05
_LEAST_TEMPERATURE_SPAN: Final = 0.5
"""[K] Chosen: less tells nothing of the focuser."""


def sharpness_charts(rows: Sequence[FrameRow]) -> list[Chart]:
    """FWHM against air mass and against temperature, where they are known and change."""
    name, unit = fwhm_field(rows)
    charts = []
    at, fwhm, grades = _known(rows, name, lambda row: row.airmass)
    if len(at) >= _FEWEST and np.ptp(at) > _LEAST_AIRMASS_SPAN:
        charts.append(_against_airmass(at, fwhm, grades, unit))
    for title, of in (("tube", lambda row: row.tube_temp_c), ("sensor", lambda row: row.sensor_temp_c)):
        at, fwhm, grades = _known(rows, name, of)
        if len(at) >= _FEWEST and np.ptp(at) > _LEAST_TEMPERATURE_SPAN:
            charts.append(_against_temperature(at, fwhm, grades, unit, title))
            break
    return charts


def _known(
    rows: Sequence[FrameRow], name: str, of: Callable[[FrameRow], float | None]
) -> tuple[NDArray[np.float64], NDArray[np.float64], list[str]]:
    """Where both are known: the one, the FWHM, the grade."""
    both = [(of(row), getattr(row, name), row.grade or "keep") for row in rows]
    known = [(x, y, grade) for x, y, grade in both if x is not None and y is not None]
    return np.array([x for x, _, _ in known]), np.array([y for _, y, _ in known]), [grade for _, _, grade in known]


def _against_airmass(at: NDArray[np.float64], fwhm: NDArray[np.float64], grades: list[str], unit: str) -> Chart:
    at_zenith = float(np.median(fwhm / at**SEEING_POWER))

    def draw(axes: "Axes") -> None:
        line = np.linspace(float(at.min()), float(at.max()), 50)
        axes.plot(line, at_zenith * line**SEEING_POWER, color=QUIET, linewidth=1.3, linestyle=(0, (5, 3)))
        _scatter(axes, at, fwhm, grades)

    return Chart(
        name="airmass",
        title="FWHM against air mass",
        caption=(
            f"The dashed line is how the air alone widens stars, as the air mass to the power {SEEING_POWER}: "
            f"{fixed(at_zenith, 2)} {short_unit(unit)} straight up. Frames along it lost sharpness to altitude."
        ),
        drawing=plotted(
            "airmass", "FWHM against air mass",
            f"{counted(len(at), 'frame')} at air mass {fixed(float(at.min()), 2)} and {fixed(float(at.max()), 2)}: "
            f"{_correlation(at, fwhm)}",
            draw, x="air mass (1 is straight up)", y=f"FWHM, {short_unit(unit)}",
        ),
    )  # fmt: skip


def _against_temperature(
    at: NDArray[np.float64], fwhm: NDArray[np.float64], grades: list[str], unit: str, which: str
) -> Chart:
    return Chart(
        name="temperature",
        title="FWHM against temperature",
        caption=f"A slope or bend: focus moved as the {which} cooled. A level cloud is what you want.",
        drawing=plotted(
            "temperature", f"FWHM against the temperature of the {which}",
            f"{counted(len(at), 'frame')} between {fixed(float(at.min()), 1)} and {fixed(float(at.max()), 1)} °C: "
            f"{_correlation(at, fwhm)}",
            lambda axes: _scatter(axes, at, fwhm, grades), x=f"temperature of the {which}, °C",
            y=f"FWHM, {short_unit(unit)}",
        ),
    )  # fmt: skip


def _scatter(axes: "Axes", at: NDArray[np.float64], fwhm: NDArray[np.float64], grades: list[str]) -> None:
    """The marks of the strips: dot, open diamond, cross."""
    for grade, (marker, face, edge) in _LOOKS.items():
        mine = np.array([one == grade for one in grades])
        axes.plot(
            at[mine], fwhm[mine], linestyle="none", marker=marker, markersize=5, markerfacecolor=face,
            markeredgecolor=edge, markeredgewidth=0 if grade == "keep" else 1.5,
        )  # fmt: skip
    low, high = float(fwhm.min()), float(np.percentile(fwhm, 97)) * 1.05
    axes.set_ylim(low - 0.08 * (high - low + 0.1), max(high, low + 0.1))


def _correlation(at: NDArray[np.float64], fwhm: NDArray[np.float64]) -> str:
    """In words and number, by ranks (Spearman), so that one bad frame does not decide."""
    if np.ptp(fwhm) == 0:
        return "the stars stay of one size."
    first, second = (np.argsort(np.argsort(values)).astype(float) for values in (at, fwhm))
    rho = float(np.corrcoef(first, second)[0, 1])
    word = "no clear trend" if abs(rho) < 0.4 else "stars grow with it" if rho > 0 else "stars shrink with it"
    return f"{word} (rank correlation {fixed(rho, 2)}; 0 is none, 1 is full)."
