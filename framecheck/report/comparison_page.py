"""compare.html: nights beside each other on one page that needs nothing else, the answer first."""

from collections.abc import Sequence

from framecheck._version import __version__
from framecheck.decision.compare import Comparison
from framecheck.report import comparison_words
from framecheck.report.comparison_picture import comparison_picture
from framecheck.report.html import part, template


def comparison_page(comparisons: Sequence[Comparison]) -> str:
    """The page as HTML text; every text from files is escaped, and nothing is loaded."""
    first, *others = comparison_words.night_labels(
        [comparisons[0].reference, *(comparison.other for comparison in comparisons)]
    )
    return template("comparison.html").render(
        style=part("plain.css"),
        version=__version__,
        first=first,
        others=others,
        comparisons=comparisons,
        picture=comparison_picture(comparisons),
        told=comparison_words,
    )
