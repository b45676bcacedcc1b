"""The night in a few lines of terminal text."""

from collections.abc import Sequence
from pathlib import Path
from typing import Final

from framecheck.decision.grades import Grade
from framecheck.decision.judgement import Judgement
from framecheck.field import FrameFailure
from framecheck.report.blocks import Advice, Block, Facts, Lines, Part, Points, Sentences, Table, Text, VerdictCell
from framecheck.report.columns import in_columns
from framecheck.report.left_out import alike, in_words
from framecheck.report.look import Look
from framecheck.report.night_title import night_title
from framecheck.report.notes import notes_of
from framecheck.report.time_axis import night_hours, several_nights
from framecheck.words import path_in, safe, sentence

WORST_SHOWN: Final = {"reject": 6, "doubtful": 3}
"""Frames of a grade that are named with their reasons. Chosen: the rest is on the page."""
FAILURES_SHOWN: Final = 10
LABEL: Final = 12
"""[columns] Of the names of the first lines."""
MARKS: Final = {"keep": "●", "doubtful": "◇", "reject": "×"}
_WAYS: Final = {"better": "keep", "worse": "reject"}
"""Styles of verdicts."""
_HEADINGS: Final = {"reject": "Rejected", "doubtful": "Doubtful"}


def night_lines(judgement: Judgement, look: Look) -> list[str]:
    """Sum a night up for a person: the answer, then the frames it is about."""
    rows = judgement.rows
    lines = [look.style(look.wrap(safe(night_title(judgement, rows)), 0), "bold")]
    if (hours := night_hours(judgement)) is not None:
        lines.append(look.style(look.wrap(hours, 0), "quiet"))
    lines.append("")
    if (note := several_nights(rows)) is not None:
        lines += [look.wrap(note, 0), ""]
    lines += morning_lines(judgement, look)
    for grade in _HEADINGS:
        lines += _worst(judgement, grade, look)
    for note in notes_of(judgement):
        lines += ["", look.wrap(note, 0)]
    return lines + _failures(judgement, look)


def morning_lines(judgement: Judgement, look: Look) -> list[str]:
    """The answer in the words and order of the page's first screen."""
    lines = [look.style(look.wrap(safe(judgement.morning.verdict), 0), "bold"), ""]
    for name, text in judgement.morning.rows:
        label = f"{name:<{LABEL}}"
        lines.append(look.style(label, "quiet") + look.wrap(safe(text), LABEL, used=LABEL))
    return lines


def part_lines(parts: Sequence[Part], look: Look) -> list[str]:
    """Parts one below the other, each under its title; those of pictures alone are left out."""
    lines: list[str] = []
    for part in parts:
        told = blocks_lines(part.blocks, look)
        if told:
            lines += ["", look.style(look.wrap(safe(part.title), 0), "bold"), *told]
    return lines[1:]


def blocks_lines(blocks: Sequence[Block], look: Look) -> list[str]:
    """Blocks with a line left free before each that has a title; pictures are left out."""
    lines: list[str] = []
    for block in blocks:
        told = _block_lines(block, look)
        if told and block.title:
            told = ["", look.style(block.title, "bold"), *told]
        lines += told
    return lines


def _block_lines(block: Block, look: Look) -> list[str]:
    match block:
        case Text(text):
            return [look.wrap(safe(text), 0)]
        case Sentences(texts=texts):
            return ["  " + look.wrap(safe(text), 4, used=2) for text in texts]
        case Facts(lines):
            return in_columns([tuple(map(safe, line)) for line in lines], look)
        case Table(head, rows, right=right):
            cells = [tuple(_cell(cell, look) for cell in row) for row in rows]
            return in_columns(cells, look, heads=head, right=right)
        case Advice(steps=steps):
            return [f"  {k}. " + look.wrap(safe(step), 5, used=5) for k, (step, _) in enumerate(steps, 1)]
        case Points(items=items):
            return [look.wrap(safe(f"{name}: {text}"), 2) for name, text in items]
        case Lines(text):
            return text.splitlines()
        case _:
            return []


def _cell(cell: str | VerdictCell, look: Look) -> str:
    if isinstance(cell, str):
        return safe(cell)
    return look.style(f"{cell.word}:", _WAYS.get(cell.way, "quiet")) + f" {safe(cell.text)}"


def failure_line(failure: FrameFailure, folder: Path | None = None) -> str:
    """One file that could not be measured: name, fault, remedy."""
    name = failure.file if folder is None else path_in(folder, Path(failure.file))
    return safe(f"{name} {sentence(failure.fault)[:1].lower()}{sentence(failure.fault)[1:]} {sentence(failure.remedy)}")


def failure_lines(failures: Sequence[FrameFailure], folder: Path) -> list[str]:
    """A line for each file that could not be measured; for each kind of fault, if they are many."""
    if len(failures) <= FAILURES_SHOWN:
        return [failure_line(one, folder) for one in failures]
    told = ((path_in(folder, Path(one.file)), f"{sentence(one.fault)} {sentence(one.remedy)}") for one in failures)
    return [safe(in_words(group)) for group in alike(told)]


def _worst(judgement: Judgement, grade: str, look: Look) -> list[str]:
    """The frames of a grade that would harm the stack most, each with its first reason."""
    frames = sorted((one for one in judgement.grades if one.grade == grade), key=_harm)
    if not frames:
        return []
    shown = frames[: WORST_SHOWN[grade]]
    heading = _HEADINGS[grade] + ("" if len(shown) == len(frames) else f", the worst {len(shown)} of {len(frames)}")
    lines = ["", look.style(heading, "bold")]
    for one in shown:
        name = safe(path_in(judgement.night.folder, one.file))
        reason = safe(one.reasons[0]) if one.reasons else ""
        mark = look.style(MARKS[grade], grade)
        lines.append(f"  {mark} {name}  " + look.wrap(reason, 4, used=6 + len(name)))
    return lines


def _harm(grade: Grade) -> tuple[bool, float, str]:
    """What does most harm first; what could not be weighed in the stack before that."""
    return grade.benefit is not None, grade.benefit or 0.0, str(grade.file)


def _failures(judgement: Judgement, look: Look) -> list[str]:
    failures = judgement.night.failures
    if not failures:
        return []
    lines = ["", look.style("Not measured", "bold")]
    lines += ["  " + look.wrap(line, 4, used=2) for line in failure_lines(failures, judgement.night.folder)]
    if len(failures) > FAILURES_SHOWN:
        lines.append("  each with its reason in frames.csv")
    return lines
