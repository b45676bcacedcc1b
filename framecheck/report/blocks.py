"""Plain blocks that pages and terminal lines are made of: told once, walked by each renderer."""

from dataclasses import dataclass
from typing import ClassVar

from framecheck.report.chart import Chart


@dataclass(frozen=True, slots=True)
class Text:
    """A paragraph."""

    text: str
    is_answer: bool = False
    title: ClassVar = ""
    kind: ClassVar = "text"


@dataclass(frozen=True, slots=True)
class Sentences:
    """Sentences of one kind, one below the other."""

    title: str
    texts: tuple[str, ...]
    kind: ClassVar = "sentences"


@dataclass(frozen=True, slots=True)
class Facts:
    """Lines of a name, its value with unit, and what is normal or good."""

    lines: tuple[tuple[str, str, str], ...]
    title: str = ""
    kind: ClassVar = "facts"


@dataclass(frozen=True, slots=True)
class VerdictCell:
    """A cell that says in a word whether something is for the better or the worse, and then how much."""

    word: str
    text: str
    way: str
    """"better", "worse", or something else."""


@dataclass(frozen=True, slots=True)
class Table:
    """Rows under a head; the first cell of each names the row."""

    head: tuple[str, ...]
    rows: tuple[tuple[str | VerdictCell, ...], ...]
    title: str = ""
    right: tuple[int, ...] = ()
    """Columns of numbers."""
    stacks: bool = False
    """Whether a row becomes a paragraph where the screen is narrow, else the table scrolls."""
    kind: ClassVar = "table"


@dataclass(frozen=True, slots=True)
class Advice:
    """What to do, in order, each with what to mind with it alone."""

    title: str
    steps: tuple[tuple[str, str], ...]
    kind: ClassVar = "advice"


@dataclass(frozen=True, slots=True)
class Points:
    """Things side by side, each with its name."""

    title: str
    items: tuple[tuple[str, str], ...]
    kind: ClassVar = "points"


@dataclass(frozen=True, slots=True)
class Pictures:
    """Charts side by side."""

    charts: tuple[Chart, ...]
    title: ClassVar = ""
    kind: ClassVar = "pictures"


@dataclass(frozen=True, slots=True)
class Drawing:
    """A picture over the whole width, which says by itself what it shows."""

    label: str
    svg: str
    title: ClassVar = ""
    kind: ClassVar = "drawing"


@dataclass(frozen=True, slots=True)
class Lines:
    """Text to be copied as it stands."""

    text: str
    title: ClassVar = ""
    kind: ClassVar = "lines"


Block = Text | Sentences | Facts | Table | Advice | Points | Pictures | Drawing | Lines


@dataclass(frozen=True, slots=True)
class Part:
    """A part that opens: its title says what it comes to."""

    name: str
    title: str
    note: str
    """A few words beside the title."""
    blocks: tuple[Block, ...]
    weak: bool = False
