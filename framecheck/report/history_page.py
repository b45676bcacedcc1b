"""history.html: months of nights on one page that needs nothing else."""

from collections.abc import Sequence
from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING

from framecheck import words
from framecheck._version import __version__
from framecheck.decision.history import RigHistory
from framecheck.report import history_words
from framecheck.report.history_picture import history_picture
from framecheck.report.time_axis import date_of

if TYPE_CHECKING:
    from jinja2 import Environment


def history_page(histories: Sequence[RigHistory]) -> str:
    """The page as HTML text; every text from files is escaped, and nothing is loaded."""
    style = (files("framecheck.report") / "templates" / "report.css").read_text(encoding="utf-8")
    return (
        _environment()
        .get_template("history.html")
        .render(
            style=style,
            version=__version__,
            histories=histories,
            pictures=[history_picture(one, f"nights-{k}") for k, one in enumerate(histories)],
            told=history_words,
            say=words,
            date_of=date_of,
        )
    )


@cache
def _environment() -> "Environment":
    from jinja2 import Environment, PackageLoader, StrictUndefined

    made = Environment(
        loader=PackageLoader("framecheck.report"), autoescape=True, undefined=StrictUndefined, trim_blocks=True,
        lstrip_blocks=True,
    )  # fmt: skip
    made.filters |= {"plain": words.plain}
    return made
