"""The pages' templates, and the filters that their words and numbers go through."""

from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING, Any

from framecheck import words
from framecheck.words import told, told_healthy

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
    of_words = ("plain", "number", "fixed", "duration", "percent", "likelihood", "sentence", "clause")
    environment.filters |= {name: getattr(words, name) for name in of_words}
    environment.filters |= {
        "sortable": _sortable,
        "told": told,
        "told_healthy": told_healthy,
        "capital": _capital,
    }
    environment.globals["counted"] = words.counted
    return environment.get_template(name)


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _sortable(value: Any) -> str:
    """A value as the table's script compares it; unknown is empty and goes last."""
    return "" if value is None else f"{value:.9g}" if isinstance(value, float) else str(value)
