"""compare.html: nights beside each other on one page that needs nothing else, the answer first; and for a terminal."""

from collections.abc import Sequence
from typing import Final

from framecheck.decision.compare import Comparison, Row
from framecheck.report import comparison_words as told
from framecheck.report.blocks import Block, Drawing, Part, Points, Sentences, Table, Text, VerdictCell
from framecheck.report.comparison_picture import comparison_picture
from framecheck.report.html import nights_page

_OWNERS: Final = {"equipment": "What belongs to the equipment", "weather": "What the weather has a hand in"}


def comparison_page(comparisons: Sequence[Comparison]) -> str:
    """The page as HTML text; every text from files is escaped, and nothing is loaded."""
    heading = told.short_answer(comparisons[0]) if len(comparisons) == 1 else "Did it help?"
    parts = comparison_parts(comparisons, drawn=True)
    return nights_page("Did it help?", heading, parts, told.caution(comparisons[-1]))


def comparison_parts(comparisons: Sequence[Comparison], *, drawn: bool) -> tuple[Part, ...]:
    """The answers, then the picture if it is to be drawn, then all numbers."""
    first, *others = told.night_labels([comparisons[0].reference, *(one.other for one in comparisons)])
    answers = [
        Part(f"night-{k}", f"{label}, compared with {first}", "", _answer(one))
        for k, (label, one) in enumerate(zip(others, comparisons, strict=True), 1)
    ]
    numbers = [
        Part(f"numbers-{k}", f"The numbers: {label}" if len(others) > 1 else "The numbers", "", _numbers(one))
        for k, (label, one) in enumerate(zip(others, comparisons, strict=True), 1)
    ]
    picture = comparison_picture(comparisons) if drawn else ""
    between = [Part("picture", "Figure by figure", "", (Drawing("Picture of the nights beside each other", picture),))]
    return (*answers, *(between if picture else ()), *numbers)


def _answer(comparison: Comparison) -> tuple[Block, ...]:
    rest = (("The rig", told.rig_words(comparison)), ("The air", told.air_words(comparison)))
    return Text(told.answer(comparison), is_answer=True), Points("", rest)


def _numbers(comparison: Comparison) -> tuple[Block, ...]:
    blocks: list[Block] = []
    for owner, title in _OWNERS.items():
        rows = tuple(_row(one) for one in comparison.rows if one.quantity.owner == owner and one.change is not None)
        if rows:
            blocks.append(Table(("Figure", "Before", "After", "Change"), rows, title, right=(1, 2), stacks=True))
    if missing := told.missing_words(comparison):
        blocks.append(Sentences("Not compared", tuple(missing)))
    return tuple(blocks)


def _row(row: Row) -> tuple[str | VerdictCell, ...]:
    first, then = (told.figure(None if one is None else one.value, row.unit) for one in (row.reference, row.other))
    return row.quantity.name, first, then, VerdictCell(told.said(row), told.change_words(row), row.verdict)
