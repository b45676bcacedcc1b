"""Where the width of the stars comes from: each term with its interval."""

from typing import TYPE_CHECKING, Final

import numpy as np

from framecheck.decision.judgement import Judgement
from framecheck.decision.records import BudgetTerm
from framecheck.report.chart import WIDTH_PX, Chart
from framecheck.report.drawing import INK, KEEP, LINE, QUIET, TEXT_PX, inline_svg, new_figure, place, quiet_frame
from framecheck.words import fixed, percent

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_ROW_PX: Final = 38
_LEFT_PX: Final = 106
TERMS: Final = {
    "atmosphere": "air", "diffraction": "diffraction", "pixel": "pixel", "tracking": "tracking",
    "focus and optics": "focus, optics",
}  # fmt: skip
"""Terms of the budget as they are told."""


def budget_chart(judgement: Judgement) -> Chart | None:
    """Terms as bars of FWHM with their intervals, the whole beneath; None if no term is known."""
    terms = [term for term in judgement.budget if term.fwhm_arcsec is not None]
    if not terms:
        return None
    whole = float(np.sqrt(sum((term.fwhm_arcsec or 0.0) ** 2 for term in terms)))
    figure = new_figure(WIDTH_PX, _ROW_PX * (len(terms) + 1) + 46)
    axes = place(figure, _LEFT_PX, 4, WIDTH_PX - _LEFT_PX - 16, _ROW_PX * (len(terms) + 1))
    quiet_frame(axes, sides=("bottom",), size_px=TEXT_PX)
    axes.set_axisbelow(True)
    axes.grid(axis="x", color=LINE, linewidth=0.7)
    for row, term in enumerate(terms):
        _bar(axes, row, term)
    axes.barh(len(terms), whole, height=0.5, color="none", edgecolor=INK, linewidth=1.2)
    axes.set_yticks(range(len(terms) + 1), [TERMS[term.term] for term in terms] + ["together"])
    axes.tick_params(axis="y", length=0, labelcolor=INK, labelsize=13)
    axes.set_ylim(len(terms) + 0.5, -0.5)
    axes.set_xlim(0, None)
    axes.set_xlabel("FWHM, ″", color=QUIET, fontsize=TEXT_PX, labelpad=4)
    told = [
        f"{term.term} {fixed(term.fwhm_arcsec, 2)} ({fixed(term.low, 2)} to {fixed(term.high, 2)}) arcsec, "
        f"{percent(term.share)} of the square"
        for term in terms
    ]
    return Chart(
        name="budget",
        title="What makes the stars this wide",
        caption=(
            "FWHM of each term; thin line: its interval. Terms add as squares. Good is when air makes most of it: the "
            "rest is yours to change."
        ),
        drawing=inline_svg(figure, "budget-bars", "Terms of the star width", "; ".join(told) + "."),
    )


def _bar(axes: "Axes", row: int, term: BudgetTerm) -> None:
    axes.barh(row, term.fwhm_arcsec or 0.0, height=0.5, color=KEEP, linewidth=0)
    if term.low is not None and term.high is not None:
        nan = float("nan")
        axes.plot(
            [term.low, term.high, nan, term.low, term.low, nan, term.high, term.high],
            [row, row, nan, row - 0.16, row + 0.16, nan, row - 0.16, row + 0.16],
            color=INK, linewidth=1.6,
        )  # fmt: skip
