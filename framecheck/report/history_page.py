"""history.html: months of nights on one page that needs nothing else."""

from collections.abc import Sequence

from framecheck import words
from framecheck._version import __version__
from framecheck.decision.history import RigHistory
from framecheck.report import history_words
from framecheck.report.history_picture import history_picture
from framecheck.report.html import part, template
from framecheck.report.time_axis import date_of


def history_page(histories: Sequence[RigHistory]) -> str:
    """The page as HTML text; every text from files is escaped, and nothing is loaded."""
    return template("history.html").render(
        style=part("plain.css"),
        version=__version__,
        histories=histories,
        pictures=[
            "" if history_words.is_one_night(one) else history_picture(one, f"nights-{k}")
            for k, one in enumerate(histories)
        ],
        told=history_words,
        say=words,
        date_of=date_of,
    )
