"""How sharpness hangs on air mass and temperature, and what the stack gains as frames are left out."""

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from framecheck.decision.frame_row import FrameRow
from framecheck.decision.group_figures import GroupFigures
from framecheck.decision.judgement import Judgement
from framecheck.decision.night_figures import SEEING_POWER
from framecheck.report.account import fwhm_field
from framecheck.report.chart import Chart, plotted
from framecheck.report.drawing import DOUBTFUL, KEEP, QUIET, REJECT
from framecheck.words import counted, duration, fixed, number

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
        title="Sharpness and the depth of air",
        caption=(
            f"The dashed line is how the air alone widens stars, as the air mass to the power {SEEING_POWER}: "
            f"{fixed(at_zenith, 2)} {unit} straight up. Frames along it are spoilt by altitude, not by you."
        ),
        drawing=plotted(
            "airmass", "FWHM against air mass",
            f"{counted(len(at), 'frame')} at air mass {fixed(float(at.min()), 2)} and {fixed(float(at.max()), 2)}: "
            f"{_correlation(at, fwhm)}",
            draw, x="air mass (1 is straight up)", y=f"FWHM, {unit}",
        ),
    )  # fmt: skip


def _against_temperature(
    at: NDArray[np.float64], fwhm: NDArray[np.float64], grades: list[str], unit: str, which: str
) -> Chart:
    return Chart(
        name="temperature",
        title="Sharpness and temperature",
        caption=f"A slope or a bend says that the focus moved as the {which} cooled; a level cloud is what you want.",
        drawing=plotted(
            "temperature", f"FWHM against the temperature of the {which}",
            f"{counted(len(at), 'frame')} between {fixed(float(at.min()), 1)} and {fixed(float(at.max()), 1)} °C: "
            f"{_correlation(at, fwhm)}",
            lambda axes: _scatter(axes, at, fwhm, grades), x=f"temperature of the {which}, °C", y=f"FWHM, {unit}",
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


def stack_chart(judgement: Judgement, figures: GroupFigures) -> Chart | None:
    """Depth and width of a group's stack as frames are left out, worst first."""
    curve = figures.stack
    if len(figures.group.members) < _FEWEST or len(curve.n_kept) < _FEWEST:
        return None
    scale = judgement.night.rig.pixel_scale_arcsec
    factor, unit = (1.0, " px") if scale is None else (scale, "″")
    left_out = np.arange(len(curve.n_kept))
    depth, width = np.array(curve.effective_exposure_s), np.array(curve.fwhm_px) * factor
    stackable = {*curve.left_out}
    graded = sum(judgement.grades[i].grade != "keep" for i in stackable)
    best = int(np.argmax(depth))

    deepest = (
        "It is deepest with all of them."
        if best == 0
        else f"Deepest with {best} left out: {duration(float(depth[best]))}, {fixed(float(width[best]), 2)}{unit}."
    )

    def draw(axes: "Axes") -> None:
        from matplotlib.ticker import MaxNLocator

        axes.xaxis.set_major_locator(MaxNLocator(nbins=6, integer=True))
        change = 100 * (depth / depth[0] - 1), 100 * (width / width[0] - 1)
        axes.axhline(0, color=QUIET, linewidth=0.8)
        axes.plot(left_out, change[0], color=KEEP, linewidth=2, label="depth (more is better)")
        axes.plot(
            left_out, change[1], color=DOUBTFUL, linewidth=2, linestyle=(0, (5, 2)), label="star width (less is better)"
        )
        axes.axvline(graded, color=QUIET, linewidth=1.2, linestyle=(0, (1, 2)))
        axes.set_ylim(max(-100.0, axes.get_ylim()[0]), axes.get_ylim()[1])
        axes.legend(frameon=False, fontsize=12.5, labelcolor=QUIET, loc="lower left")

    return Chart(
        name="stack",
        title="What the stack gains and loses as frames are left out",
        caption=(
            f"The worst goes first. With all {len(depth)} frames: {duration(float(depth[0]))} effective, stars "
            f"{fixed(float(width[0]), 2)}{unit} wide. {deepest} Dotted: only frames graded keep remain."
        ),
        drawing=plotted(
            "stack", "Depth and star width of the stack as frames are left out",
            f"From {counted(len(depth), 'frame')} down to one: effective exposure from {number(float(depth[0]))} s, at "
            f"most {number(float(depth[best]))} s with {best} left out; star width from {fixed(float(width[0]), 2)} to "
            f"{fixed(float(width[-1]), 2)}{unit}.",
            draw, x="frames left out", y="change, percent",
        ),
    )  # fmt: skip
