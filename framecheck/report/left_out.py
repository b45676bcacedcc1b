"""Files that were left out, told in groups of one fault: a folder may hold any number of them."""

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

from framecheck.decision.frame_row import FrameRow
from framecheck.words import counted, cut

FEW: Final = 12
"""Chosen: so many files of a group are told one by one, each in its own words."""
MOST_KINDS: Final = 20
"""Chosen: a folder with more kinds of faults is told by its commonest."""
FIRST_NAMED: Final = 5
_NUMBERS: Final = re.compile(r"\d[\d.,]*")


@dataclass(frozen=True, kw_only=True, slots=True)
class Alike:
    """Files left out for one reason."""

    why: str
    """Of the first of them; the others' may differ in numbers."""
    n_files: int
    first: tuple[str, ...]
    """The first names in the order given, all of a small group."""

    @property
    def n_more(self) -> int:
        """Files that are not named."""
        return self.n_files - len(self.first)


def alike(files: Iterable[tuple[str, str]]) -> tuple[Alike, ...]:
    """Files by what was wrong with them, the commonest fault first; beyond `MOST_KINDS` faults the rest is one group.

    Parameters
    ----------
    files : iterable of (str, str)
        Name and reason of each.
    """
    together: dict[str, list[tuple[str, str]]] = {}
    for name, why in files:
        together.setdefault(_NUMBERS.sub("0", why), []).append((cut(name), why))
    kinds = sorted(together.values(), key=len, reverse=True)
    if len(kinds) > MOST_KINDS:
        rest = [one for kind in kinds[MOST_KINDS - 1 :] for one in kind]
        return (*map(_group, kinds[: MOST_KINDS - 1]), _group(rest, f"{len(kinds) - MOST_KINDS + 1} other reasons"))
    return tuple(map(_group, kinds))


def _group(files: Sequence[tuple[str, str]], why: str | None = None) -> Alike:
    shown = len(files) if len(files) <= FIRST_NAMED else FIRST_NAMED
    return Alike(why=cut(why or files[0][1]), n_files=len(files), first=tuple(name for name, _ in files[:shown]))


def failed_alike(rows: Sequence[FrameRow]) -> tuple[Alike, ...]:
    """The files that could not be measured, in groups."""
    return alike((row.file, row.failure or "") for row in rows if row.status == "failed")


def in_words(group: Alike) -> str:
    """One line for a group: how many, why, the first names."""
    more = f" and {counted(group.n_more, 'more', 'more')}" if group.n_more else ""
    return f"{counted(group.n_files, 'file')}: {group.why} ({', '.join(group.first)}{more})"
