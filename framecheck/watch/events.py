"""What a watched night tells, event by event: lines for a person, one JSON object a line for a program.

Each JSON object has `event`, `told_utc`, and what follows; fields may be added, never changed.

===============================  =========================================================================
`begin`                          `folder`, `poll_s` (null where the system tells of files)
`known`                          what was there at the start: `n_frames`, `n_aside`, `n_of_earlier_nights`, `grades`
`frame`                          `frame`: the fields of night.json's `frames[]`, judged by the night so far
`failed`, `incomplete`           `file`, `why`; one that is wrong has a `remedy`, one not whole is named once
`aside`                          a file that isn't a light frame: `file`, `kind`, `why`
`gone`, `back`                   `files`; `were_read` says whether they had been measured
`folder lost`, `folder back`     `why`; `folder`
`alarm`, `cause`, `over`         `alarm`: the fields of `decision.alarms.Alarm`; `sentences`, as a person is told
`night`                          nothing: a new night has begun
`end`                            `account`: the fields of `decision.account.Account`
===============================  =========================================================================
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final, Literal

from framecheck.decision.account import Account
from framecheck.decision.alarms import Told
from framecheck.decision.frame_row import FrameRow
from framecheck.document import json_text, plain_values
from framecheck.errors import UnusableFrame
from framecheck.field import FrameFailure
from framecheck.night.records import Skipped
from framecheck.quantity import Latest, Quantity, shown_as
from framecheck.read.local_time import LocalTime
from framecheck.report.alarm_words import first_cure, likely_cause, what_is_over, what_is_seen
from framecheck.report.look import Look
from framecheck.report.terminal import MARKS, failure_line
from framecheck.words import counted, duration, path_in, percent, safe, sentence, valid_text

Name = Literal[
    "begin",
    "known",
    "frame",
    "failed",
    "aside",
    "incomplete",
    "gone",
    "back",
    "folder lost",
    "folder back",
    "alarm",
    "cause",
    "over",
    "night",
    "end",
]
"""Names of the events, as `--json` tells them."""

_NAME_WIDTH: Final = 26
"""[columns] Chosen: longer names push their line to the right."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Event:
    """One thing to tell."""

    name: Name
    facts: Mapping[str, Any] = field(default_factory=dict)
    """For a program."""
    lines: tuple[str, ...] = ()
    """For a person."""
    is_problem: bool = False
    """Told on the stream of errors."""
    matters: bool = False
    """Told even to those who want quiet."""


def event_json(event: Event) -> str:
    """One line of JSON: the event's name, when it was told, and its facts."""
    now = datetime.now(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")
    return json_text({"event": event.name, "told_utc": now, **plain_values(event.facts)}, indent=None)


def began(folder: Path, poll_s: float | None) -> Event:
    """The first line of all."""
    how = "new files are read as they come" if poll_s is None else f"looked at every {poll_s:g} s"
    return Event(
        name="begin",
        facts={"folder": valid_text(str(folder)), "poll_s": poll_s},
        lines=(f"Watching {safe(folder)} ({how}). Ctrl-C ends it.",),
    )


def knew(
    rows: Sequence[FrameRow], n_aside: int, n_earlier: int, look: Look, *, summed: bool, local: LocalTime | None = None
) -> Event:
    """What was there at the start, its frames summed up or to be told one by one; and the heads of the columns."""
    grades = {grade: sum(row.grade == grade for row in rows) for grade in MARKS}
    lines = []
    if summed:
        shown = ", ".join(f"{number} {grade}" for grade, number in grades.items() if number)
        lines.append(f"{counted(len(rows), 'frame')} of this night are there: {shown}.")
    if n_aside:
        lines.append(f"{counted(n_aside, 'file')} skipped: not light frames.")
    if n_earlier:
        lines.append(f"{counted(n_earlier, 'frame')} of earlier nights skipped.")
    facts = {"n_frames": len(rows), "n_aside": n_aside, "n_of_earlier_nights": n_earlier, "grades": grades}
    lines = [look.wrap(line, 0) for line in lines]
    if local is not None:
        lines.append(look.wrap(f"Times are UTC, then {local.name}.", 0))
    if not _is_narrow(rows, look, local):
        lines.append(look.style(_heading(rows, local), "bold"))
    return Event(name="known", facts=facts, lines=tuple(lines))


def _is_narrow(rows: Sequence[FrameRow], look: Look, local: LocalTime | None) -> bool:
    """Whether the columns do not fit: figures then stand below the name of their frame."""
    return look.width is not None and len(_heading(rows, local)) > look.width


def _clock(utc: str, local: str, clock: LocalTime | None) -> str:
    """The first columns: UTC or the camera's clock, and the clock of the place where it is known."""
    return f"{utc:<6}" if clock is None else f"{utc:<6}{local:<6}"


def _heading(rows: Sequence[FrameRow], local: LocalTime | None) -> str:
    heads = [(f"{shown.short} {shown.sign}".strip(), shown.width) for _, shown in _columns(rows)]
    by_utc = all(row.start_local is None for row in rows) and (rows or local is not None)
    return f"{_clock('UTC' if by_utc else 'time', 'local', local)}{'frame':<{_NAME_WIDTH}}  {'grade':<10}" + "".join(
        f"{head:>{width}}" for head, width in heads
    )


def _columns(rows: Sequence[FrameRow]) -> list[tuple[Quantity, Latest]]:
    return [(quantity, quantity.latest) for quantity in shown_as("latest", rows) if quantity.latest is not None]


def frame_came(row: FrameRow, look: Look, local: LocalTime | None = None) -> Event:
    """One frame, judged by the night so far."""
    return Event(name="frame", facts={"frame": row}, lines=(frame_line(row, look, local),))


def frame_line(row: FrameRow, look: Look, local: LocalTime | None = None) -> str:
    """A frame on one line; its first reason too if it is not to be kept."""
    start = "" if row.start is None else f"{row.start:%H:%M}"
    there = "" if local is None or row.start is None or row.start_utc is None else local.clock(row.start)
    start = _clock(start, there, local)
    grade = row.grade or "keep"
    figures = [(shown, _figure(row, quantity, shown)) for quantity, shown in _columns([row])]
    if _is_narrow([row], look, local):
        line = start + look.style(f"{MARKS[grade]} {grade}", grade) + f"  {safe(row.file)}"
        named = ", ".join(f"{f'{shown.short} {shown.sign}'.strip()} {figure}" for shown, figure in figures)
        line += "\n" + " " * 8 + look.wrap(named, 8, used=8)
    else:
        line = f"{start}{safe(row.file):<{_NAME_WIDTH}}  " + look.style(f"{MARKS[grade]} {grade:<8}", grade)
        line += "".join(f"{figure:>{shown.width}}" for shown, figure in figures)
    if grade == "keep" or not row.reasons:
        return line
    reason = safe(row.reasons[0])
    if look.width is None:
        return f"{line}  {reason}"
    return line + "\n" + " " * 8 + look.wrap(reason, 8, used=8)


def _figure(row: FrameRow, quantity: Quantity, shown: Latest) -> str:
    value = getattr(row, quantity.name)
    if shown.is_share:
        return percent(value)
    text = quantity.text(value)
    if shown.with_error and value is not None:
        text += f" ± {quantity.text(getattr(row, quantity.error) or 0.0)}"
    return text


def failed(failure: FrameFailure, folder: Path) -> Event:
    """A file that cannot be measured."""
    facts = {"file": path_in(folder, Path(failure.file)), "why": valid_text(failure.fault), "remedy": failure.remedy}
    return Event(
        name="failed",
        facts=facts,
        lines=(failure_line(failure, folder),),
        is_problem=True,
        matters=True,
    )


def left_aside(skipped: Skipped, folder: Path) -> Event:
    """A file that is no light."""
    name = path_in(folder, skipped.file)
    return Event(
        name="aside",
        facts={"file": name, "kind": skipped.kind, "why": skipped.why},
        lines=(f"{safe(name)} skipped: {safe(skipped.why)}.",),
    )


def incomplete(fault: UnusableFrame, folder: Path) -> Event:
    """A file that does not grow whole; told once."""
    name = path_in(folder, fault.path)
    line = f"{safe(name)} {safe(fault.fault)} and has not changed for a minute. It is read as soon as it does."
    facts = {"file": name, "why": valid_text(fault.fault)}
    return Event(name="incomplete", facts=facts, lines=(line,), is_problem=True, matters=True)


def gone(paths: Sequence[Path], folder: Path, *, were_read: bool) -> Event:
    """Files that are no longer there."""
    names = [path_in(folder, path) for path in paths]
    which = safe(names[0]) if len(names) == 1 else counted(len(names), "file")
    are = "is" if len(names) == 1 else "are"
    if were_read:
        line = f"{which} {are} no longer in the folder and left out of the night until back."
    else:
        line = f"{which} {'was' if len(names) == 1 else 'were'} deleted or moved away before it could be read."
    return Event(
        name="gone",
        facts={"files": names, "were_read": were_read},
        lines=(line,),
        is_problem=True,
        matters=not were_read,
    )


def back(paths: Sequence[Path], folder: Path) -> Event:
    """Files that were gone and count again."""
    names = [path_in(folder, path) for path in paths]
    which = safe(names[0]) if len(names) == 1 else counted(len(names), "file")
    return Event(
        name="back", facts={"files": names}, lines=(f"{which} {'is' if len(names) == 1 else 'are'} back and counted.",)
    )


def folder_lost(why: str) -> Event:
    """The folder cannot be looked at."""
    line = f"{safe(sentence(why))} Waiting for it to come back; Ctrl-C ends."
    return Event(name="folder lost", facts={"why": valid_text(why)}, lines=(line,), is_problem=True, matters=True)


def folder_back(folder: Path) -> Event:
    """The folder can be looked at again."""
    return Event(
        name="folder back", facts={"folder": valid_text(str(folder))}, lines=(f"{safe(folder)} is back.",), matters=True
    )


def alarmed(told: Told, scale_arcsec: float | None, look: Look) -> Event:
    """A change, its cause, or its end."""
    alarm = told.alarm
    sentences = alarm_sentences(told, scale_arcsec)
    style = "keep" if told.news == "over" else "reject"
    mark = look.style("–" if told.news == "over" else "!", style)
    first, *rest = sentences
    lines = [f"{mark} " + look.style(look.wrap(safe(first), 2, used=2), "bold")]
    lines += ["  " + look.wrap(safe(text), 2, used=2) for text in rest]
    facts = {"alarm": alarm, "sentences": sentences}
    return Event(name=told.news, facts=facts, lines=tuple(lines), matters=True)


def alarm_sentences(told: Told, scale_arcsec: float | None) -> list[str]:
    """What is told of an alarm, one sentence or two an entry."""
    alarm = told.alarm
    if told.news == "over":
        return [what_is_over(alarm)]
    advice = [likely_cause(alarm), f"First: {first_cure(alarm)}"]
    if alarm.caution is not None and (alarm.confidence or 0.0) >= 0.5:
        advice.append(safe(alarm.caution))
    seen = what_is_seen(alarm, scale_arcsec)
    return [seen, *advice] if told.news == "alarm" else [f"{seen} Now the cause shows:", *advice]


def new_night(look: Look) -> Event:
    """Frames of a new night have begun."""
    return Event(name="night", lines=(look.style("A new night begins.", "bold"),))


def status_text(account: Account, last_came_s: float | None, n_waiting: int) -> str:
    """The night so far in one line."""
    parts = [
        f"{counted(account.n_measured, 'frame')}: {account.n_keep} keep, {account.n_doubtful} doubtful, "
        f"{account.n_reject} reject"
    ]
    if account.n_failed:
        parts.append(f"{account.n_failed} not measured")
    if account.keep_effective_s is not None and account.taken_s is not None:
        parts.append(f"worth {duration(account.keep_effective_s)} of {duration(account.taken_s)} shot")
    if n_waiting:
        parts.append(f"{n_waiting} arriving")
    if last_came_s is not None:
        parts.append(f"last came {duration(max(last_came_s, 1.0))} ago")
    return " · ".join(parts)


def ended(account: Account | None, lines: Sequence[str]) -> Event:
    """The last words: the night as far as it went."""
    return Event(name="end", facts={} if account is None else {"account": account}, lines=tuple(lines))
