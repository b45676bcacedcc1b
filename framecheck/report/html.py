"""The pages' templates, and the filters that their words and numbers go through."""

from collections.abc import Sequence
from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING

from framecheck import words
from framecheck._version import __version__
from framecheck.report.blocks import Part

if TYPE_CHECKING:
    from jinja2 import Template


def part(name: str) -> str:
    """A style sheet or a script."""
    return (files("framecheck.report") / "templates" / name).read_text(encoding="utf-8")


@cache
def template(name: str) -> "Template":
    """A page to be filled in; all text is escaped, and a name that is not given is a fault."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    environment = Environment(
        loader=PackageLoader("framecheck.report"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters |= {"plain": _plain, "percent": words.percent, "css_text": _css_text}
    environment.globals["counted"] = words.counted
    return environment.get_template(name)


def nights_page(tab: str, heading: str, parts: Sequence[Part], closing: str) -> str:
    """A page of plain parts that needs nothing else."""
    return template("nights.html").render(
        style=part("plain.css"), version=__version__, tab=tab, heading=heading, parts=parts, closing=closing
    )


def _plain(text: str) -> str:
    return words.tied(words.plain(text))


def _css_text(text: str) -> str:
    """Text as a string of a style sheet: all but ASCII letters and digits as numbers (CSS Syntax Level 3, 4.3.7)."""
    return "".join(sign if sign.isascii() and sign.isalnum() else f"\\{ord(sign):06x}" for sign in text)
