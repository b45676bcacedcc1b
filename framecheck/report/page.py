"""report.html: the night for a person, on one page that needs nothing else."""

from base64 import b64encode
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path
from typing import Any, Final

from framecheck import words
from framecheck._version import __version__
from framecheck.causes.catalogue import CAUSES
from framecheck.causes.result import CLAIMED
from framecheck.decision.field_cells import FEWEST_IN_CELL
from framecheck.decision.frame_row import FrameRow
from framecheck.decision.judgement import Judgement
from framecheck.quantity import shown_as
from framecheck.report.account import Account, account_of
from framecheck.report.budget_chart import budget_chart
from framecheck.report.field_map import fwhm_map, whisker_map
from framecheck.report.ground_words import ground_note
from framecheck.report.group_charts import GroupCharts, group_charts
from framecheck.report.html import part, template
from framecheck.report.in_numbers import field_numbers, mount_numbers
from framecheck.report.left_out import FEW, MOST_KINDS, Alike, alike, cut, failed_alike
from framecheck.report.missing import missing_values, rig_lines
from framecheck.report.night_charts import sharpness_charts
from framecheck.report.row_picture import row_pictures
from framecheck.report.strips import strips
from framecheck.report.time_axis import several_nights
from framecheck.report.verdict import night_title, verdict

_FAR: Final = 12
"""Chosen: sections with more entries than this begin folded."""
_MOST_BYTES: Final = 8_000_000
"""[byte] Chosen: what a phone opens without thinking; more was never read. Whatever the folder holds, the page stays
below."""
_SHOWN: Final = (3000, 1000, 300, 100, 30, 10)
"""Chosen: rows that the table shows and the curves draw at most, the fewer the longer each row is."""
_MOST_FILTERS: Final = 12
_MOST_CHART_BYTES: Final = 2_000_000
"""[byte] Chosen: of the charts of single groups, those of the smallest groups are left out beyond that."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Share:
    """A part of the bar that shows where the hours went."""

    name: str
    title: str
    seconds: float
    percent: float


def night_page(judgement: Judgement, thumbnails: Mapping[Path, bytes] | None = None) -> str:
    """The whole page as HTML text; `thumbnails` are frames as small pictures, as far as there are any.

    Every text that comes from files or headers is escaped, every number is one of night.json's or a sum over them.
    The page loads nothing: styles, script and pictures are part of it, and its content policy forbids all else. It is
    no larger than 8 MB for any folder: of very many frames it shows those in question and some of the others, and
    files that could not be measured are told in groups.
    """
    rows = judgement.rows
    parts = _parts(judgement, rows)
    page = ""
    for most in _SHOWN:
        page = _page(judgement, rows, parts, thumbnails or {}, most)
        if len(page.encode()) <= _MOST_BYTES:
            break
    return page


def _page(
    judgement: Judgement,
    rows: Sequence[FrameRow],
    parts: Mapping[str, Any],
    thumbnails: Mapping[Path, bytes],
    most: int,
) -> str:
    """The page with a table of so many rows at most."""
    shown = rows_in_table(rows, most)
    drawn = evenly([row for row in rows if row.status == "measured"], most)
    return template("report.html").render(
        **parts,
        strips=strips(drawn),
        sharpness=sharpness_charts(drawn),
        n_drawn=len(drawn),
        pictures=row_pictures(judgement, thumbnails, {row.file for row in shown}),
        rows=shown,
        longest_name=max((len(words.plain(row.file)) for row in shown), default=0),
    )


def _parts(judgement: Judgement, rows: Sequence[FrameRow]) -> dict[str, Any]:
    """What the page shows of the night as a whole, however many rows its table has."""
    account = account_of(rows)
    script = part("report.js")
    cells, at_rest = judgement.cells, judgement.cells_at_rest
    missing = missing_values(judgement.night.rig, altitudes_known=any(row.altitude_deg is not None for row in rows))
    of_groups = _not_too_large(group_charts(judgement))
    return {
        "style": part("report.css"),
        "script": script,
        "script_hash": b64encode(sha256(script.encode()).digest()).decode(),
        "version": __version__,
        "title": cut(night_title(judgement, rows)),
        "facts": _facts(judgement, rows),
        "several_nights": several_nights(rows),
        "ground_note": ground_note(judgement.night),
        "answers": verdict(judgement, account),
        "shares": _shares(account),
        "account": account,
        "n_rows": len(rows),
        "of_groups": of_groups,
        "n_small_groups": max(0, len(judgement.groups) - len(of_groups)),
        "budget": budget_chart(judgement),
        "whiskers": "" if cells is None else whisker_map(cells),
        "rest": "" if at_rest is None else whisker_map(at_rest, still=True, like=cells),
        "fwhm_map": "" if cells is None else fwhm_map(cells, judgement.night.rig.pixel_scale_arcsec),
        "cells": cells,
        "judgement": judgement,
        "causes": CAUSES,
        "field_numbers": field_numbers(judgement),
        "mount_numbers": mount_numbers(judgement),
        "fewest_in_cell": FEWEST_IN_CELL,
        "undecided": _undecided(judgement),
        "claimed": CLAIMED,
        "memory": _memory(rows),
        "columns": shown_as("column", rows),
        "failed": failed_alike(rows) if account.n_failed > FEW else (),
        "failed_rows": [row for row in rows if row.status == "failed"] if account.n_failed <= FEW else (),
        "skipped": _skipped(judgement),
        "conflicts": _conflicts(judgement),
        "missing": missing,
        "rig_lines": rig_lines(missing),
        "far": _FAR,
    }


def rows_in_table(rows: Sequence[FrameRow], most: int) -> list[FrameRow]:
    """The rows of the table, in order: all if they are few, else those in question first.

    Files that could not be measured and are told in groups have no row.
    """
    n_failed = sum(row.status == "failed" for row in rows)
    wanted = [row for row in rows if row.status == "measured" or n_failed <= FEW]
    if len(wanted) <= most:
        return wanted
    in_question = [row for row in wanted if row.grade != "keep"]
    others = [row for row in wanted if row.grade == "keep"]
    chosen = evenly(in_question, most)
    chosen += evenly(others, most - len(chosen))
    names = {row.file for row in chosen}
    return [row for row in wanted if row.file in names]


def evenly(rows: Sequence[FrameRow], most: int) -> list[FrameRow]:
    """So many of them at most, at even steps."""
    if len(rows) <= most:
        return list(rows)
    return [rows[k * len(rows) // most] for k in range(most)] if most > 0 else []


def _not_too_large(charts: list[GroupCharts]) -> list[GroupCharts]:
    kept, room = [], _MOST_CHART_BYTES
    for group in charts:
        drawn = [one.drawing for one in (group.stack, group.stars, *group.motion) if one is not None]
        room -= sum(map(len, drawn))
        if room < 0:
            break
        kept.append(group)
    return kept


def _skipped(judgement: Judgement) -> tuple[Alike, ...]:
    """Files that are no lights, in groups; a few each by themselves."""
    folder = judgement.night.folder
    told = [(words.path_in(folder, one.file), f"{one.kind}: {one.why}") for one in judgement.night.skipped]
    if len(told) <= FEW:
        return tuple(Alike(why=cut(why), n_files=1, first=(cut(name),)) for name, why in told)
    return alike(told)


def _facts(judgement: Judgement, rows: Sequence[FrameRow]) -> list[str]:
    """The line under the title: what was looked at, and with what."""
    night = judgement.night
    first = night.frames[0].result.exposure if night.frames else None
    filters = list(dict.fromkeys(group.filter for group in judgement.groups if group.filter))
    scale = night.rig.pixel_scale_arcsec
    facts = [
        words.counted(len(rows), "frame"),
        _filters(filters),
        cut(first.telescope) if first and first.telescope else "",
        cut(first.camera) if first and first.camera else "",
        f"{words.number(scale, 3)}″ per pixel" if scale is not None else "",
        f"graded for {_AIMS[judgement.aim]}",
    ]
    return [fact for fact in facts if fact]


def _filters(filters: list[str]) -> str:
    if len(filters) > _MOST_FILTERS:
        return words.counted(len(filters), "filter")
    return ("filter " if len(filters) == 1 else "filters ") + cut(words.listed(filters)) if filters else ""


_AIMS: Final = {
    "depth": "depth (faint light counts most)",
    "balanced": "a balance of depth and detail",
    "detail": "detail (sharp stars count most)",
}


def _shares(account: Account) -> list[Share]:
    """Where the hours went: one part for each fate."""
    if not account.taken_s:
        return []
    taken, keep = account.taken_s, account.keep_taken_s or 0.0
    effective = min(keep, account.keep_effective_s if account.keep_effective_s is not None else keep)
    parts = (
        ("effective", "counts in full", effective),
        ("thinned", "lost in kept frames to haze, bright sky or blur", keep - effective),
        ("doubtful", "in doubtful frames", account.doubtful_taken_s or 0.0),
        ("reject", "in rejected frames", account.reject_taken_s or 0.0),
        ("failed", "in files that could not be measured", account.failed_taken_s or 0.0),
    )
    return [
        Share(name=name, title=title, seconds=seconds, percent=100 * seconds / taken)
        for name, title, seconds in parts if seconds > 0.0005 * taken
    ]  # fmt: skip


def _memory(rows: Sequence[FrameRow]) -> str:
    """Name under which the page remembers a person's choices: that of these frames and no others."""
    names = "\n".join(f"{row.file}|{row.start_utc or row.start_local}" for row in rows)
    return "framecheck-choices-" + sha256(names.encode()).hexdigest()[:16]


def _undecided(judgement: Judgement) -> list[tuple[list[str], str, str]]:
    """Causes that are open for the same reason, together: their titles, the reason, and what would settle them."""
    together: dict[tuple[str, str], list[str]] = {}
    for one in judgement.undecided:
        together.setdefault((one.because, one.what_would_settle_it), []).append(CAUSES[one.cause].title)
    return [(titles, because, settle) for (because, settle), titles in together.items()]


def _conflicts(judgement: Judgement) -> list[tuple[str, int]]:
    """What headers say against themselves, each sentence once, with the number of frames that say it."""
    counts = Counter(cut(text) for frame in judgement.night.frames for text in frame.result.exposure.conflicts)
    told = sorted(counts.items(), key=lambda item: (-item[1], item[0]))
    if len(told) <= MOST_KINDS:
        return told
    return [*told[: MOST_KINDS - 1], ("Other sentences of this kind", sum(n for _, n in told[MOST_KINDS - 1 :]))]
