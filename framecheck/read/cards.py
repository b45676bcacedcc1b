"""Header cards: 80 bytes become a keyword, a value and a comment. Bad content never raises here."""

import math
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final, Generic, TypeVar

CARD_BYTES: Final = 80
"""[byte] FITS Standard 3.0, section 4.1."""

MOST_SIGNS: Final = 2000
"""Chosen: names, numbers and lists of corrections have hundreds of signs at most; a string goes on over any number of
cards, and what searches it may take longer than in proportion."""

Value = bool | int | float | str | None
T = TypeVar("T")

_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([EeDd][+-]?\d+)?\Z")
_LEADING_NUMBER = re.compile(
    r"\s*([+-]?(?:\d+\.?\d*|\.\d+)(?:[EeDd][+-]?\d+)?)(?![\d:/])(?:\s.*|\D{0,12})\Z", re.DOTALL
)
_STRING = re.compile(r"'((?:[^']|'')*)'")
_SAYS_NOTHING = {
    "",
    "-",
    "--",
    "n/a",
    "na",
    "nan",
    "none",
    "null",
    "unknown",
    "undefined",
    "unspecified",
    "not set",
    "notpresent",
}


@dataclass(frozen=True, slots=True)
class Card:
    """Value and comment of one keyword."""

    value: Value
    comment: str = ""
    sound: bool = True
    """False if the card breaks the standard's grammar and its value was read as well as it could be."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Said(Generic[T]):
    """One of our facts as a header tells it: the value, where it stood, and what contradicts it."""

    value: T | None = None
    source: str = ""
    """Keyword, or keywords, that the value came from."""
    conflicts: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Header:
    """The cards of one header, by keyword; of a keyword that is there twice, the first."""

    cards: Mapping[str, Card] = field(default_factory=dict)

    def __contains__(self, keyword: str) -> bool:
        return keyword in self.cards

    def value(self, keyword: str) -> Value:
        """Value as written; None where there is none."""
        card = self.cards.get(keyword)
        return None if card is None else card.value

    def comment(self, keyword: str) -> str:
        """Comment in lower case; empty where there is none."""
        card = self.cards.get(keyword)
        return "" if card is None else card.comment.lower()

    def number(self, keyword: str) -> float | None:
        """Value as a finite number, also from a string such as '14.0' or '44 C'; else None."""
        value = self.value(keyword)
        if isinstance(value, bool) or value is None:
            return None
        if isinstance(value, str):
            match = _LEADING_NUMBER.match(value)
            if match is None:
                return None
            value = _float(match.group(1))
        try:
            number = float(value)
        except OverflowError:
            return None
        return number if math.isfinite(number) else None

    def text(self, keyword: str) -> str | None:
        """Value as words, None if it says nothing ('', 'N/A', 'UNKNOWN')."""
        value = self.value(keyword)
        if value is None or isinstance(value, bool):
            return None
        words = " ".join(str(value).split())
        return None if words.lower() in _SAYS_NOTHING else words

    def first(self, keywords: Iterable[str]) -> str | None:
        """The first of `keywords` that has a value which says something."""
        return next((keyword for keyword in keywords if self.text(keyword) is not None), None)


def parse_header(raw: bytes) -> Header:
    """Read the cards of a header, up to END.

    Commentary (COMMENT, HISTORY, blank) is left out. FITS Standard 3.0, section 4 (fixed and free format, CONTINUE,
    HIERARCH); tested against astropy.io.fits.
    """
    cards: dict[str, Card] = {}
    for keyword, card in _joined(_cards(raw)):
        cards.setdefault(keyword, card)
    return Header(cards)


def merge_headers(image: Header, primary: Header) -> Header:
    """The cards of an extension, with those of the primary header where the extension is silent."""
    return Header({**primary.cards, **image.cards})


def _cards(raw: bytes) -> Iterator[tuple[str, Card]]:
    for start in range(0, len(raw) - CARD_BYTES + 1, CARD_BYTES):
        line = _decoded(raw[start : start + CARD_BYTES])
        keyword = line[:8].rstrip().upper()
        if keyword == "END" and not line[8:].strip():
            return
        if keyword == "HIERARCH" and "=" in line:
            keyword, _, rest = line[8:].partition("=")
            yield keyword.strip().upper(), _value_and_comment(rest)
        elif keyword == "CONTINUE":
            yield keyword, _value_and_comment(line[8:])
        elif line[8:9] == "=" and keyword:
            yield keyword, _value_and_comment(line[9:])


def _joined(cards: Iterable[tuple[str, Card]]) -> Iterator[tuple[str, Card]]:
    """Put long strings together that go on over CONTINUE cards; each part is looked at once."""
    held: tuple[str, Card] | None = None
    parts: list[Card] = []
    for keyword, card in cards:
        if keyword != "CONTINUE":
            if held:
                yield held[0], _whole_string(held[1], parts)
            held, parts = (keyword, card), []
        elif held and _goes_on(parts[-1] if parts else held[1]):
            parts.append(card)
    if held:
        yield held[0], _whole_string(held[1], parts)


def _goes_on(card: Card) -> bool:
    return isinstance(card.value, str) and card.value.endswith("&")


def _whole_string(first: Card, parts: Sequence[Card]) -> Card:
    """A string with the parts of it that stand on CONTINUE cards."""
    if not parts:
        return first
    said = [str(card.value or "") for card in (first, *parts)]
    whole = "".join([*(text[:-1] for text in said[:-1]), said[-1]])
    comment = next((card.comment for card in (first, *parts) if card.comment), "")
    return Card(whole[:MOST_SIGNS], comment, first.sound)


def _value_and_comment(rest: str) -> Card:
    rest = rest.strip()
    if rest.startswith("'"):
        match = _STRING.match(rest)
        if match is None:  # the closing quote is missing
            return Card(rest[1:].rstrip(), sound=False)
        return Card(match.group(1).replace("''", "'").rstrip(), _comment(rest[match.end() :]))
    token, _, comment = rest.partition("/")
    token = token.strip()
    if token in ("T", "F"):
        return Card(token == "T", comment.strip())
    if not token:
        return Card(None, comment.strip())
    if _NUMBER.match(token):
        number = int(token) if token.lstrip("+-").isdigit() else _float(token)
        return Card(number, comment.strip())
    return Card(token, comment.strip(), sound=False)


def _comment(rest: str) -> str:
    return rest.partition("/")[2].strip()


def _float(token: str) -> float:
    return float(token.replace("D", "E").replace("d", "e"))


def _decoded(line: bytes) -> str:
    """The card as printable text; foreign letters in UTF-8 or Latin-1, control characters as blanks."""
    try:
        text = line.decode("utf-8")
    except UnicodeDecodeError:
        text = line.decode("latin-1")
    return text if text.isprintable() else "".join(c if c.isprintable() else " " for c in text)
