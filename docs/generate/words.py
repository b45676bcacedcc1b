"""The glossary: the words that the report explains, taken from the page itself."""

from html.parser import HTMLParser
from pathlib import Path

FEWEST = 10
"""Words that a page explains at the least; fewer, and its glossary has moved."""


class _Glossary(HTMLParser):
    """Collects terms and meanings of the list of class `words`."""

    def __init__(self) -> None:
        super().__init__()
        self.entries: list[tuple[str, str]] = []
        self._inside = False
        self._part: str | None = None
        self._text = ["", ""]

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag == "dl":
            self._inside = "words" in (dict(attrs).get("class") or "").split()
        elif self._inside and tag in ("dt", "dd"):
            self._part = tag
            if tag == "dt":
                self._text = ["", ""]

    def handle_data(self, data: str) -> None:
        if self._inside and self._part is not None:
            self._text[self._part == "dd"] += data

    def handle_endtag(self, tag: str) -> None:
        if tag == "dl":
            self._inside = False
        elif self._inside and tag == "dd":
            name, meaning = (" ".join(part.split()) for part in self._text)
            self.entries.append((name, meaning))
        if tag in ("dt", "dd"):
            self._part = None


def words_page(report: Path) -> str:
    """The glossary of a report, as reStructuredText.

    Raises
    ------
    ValueError
        If the report has none.
    """
    parser = _Glossary()
    parser.feed(report.read_text(encoding="utf-8"))
    if len(parser.entries) < FEWEST:
        raise ValueError(f"{report} explains {len(parser.entries)} words only: its glossary has moved")
    lines = ["Words", "=====", "", "The terms that a report uses, as it explains them.", "", ".. glossary::", ""]
    for name, meaning in sorted(parser.entries, key=lambda entry: entry[0].lower()):
        lines += [f"   {name}", f"      {_plain(meaning)}", ""]
    return "\n".join(lines)


def _plain(text: str) -> str:
    for sign in ("\\", "*", "`", "|", "_"):
        text = text.replace(sign, f"\\{sign}")
    return text
