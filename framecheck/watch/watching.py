"""The watch over a folder: look, read what has come, judge the night so far, tell what is new."""

import time
from collections.abc import Callable, Sequence
from contextlib import nullcontext
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import Final

from framecheck.causes.result import Finding
from framecheck.decision.account import Account, account_of
from framecheck.decision.alarms import Alarm, alarms_as_text, alarms_of_text, next_alarms
from framecheck.decision.changes import changes
from framecheck.decision.frame_row import FrameRow
from framecheck.decision.grades import Aim
from framecheck.decision.history import NIGHT_GAP
from framecheck.decision.judgement import Judgement
from framecheck.errors import FramecheckError, NothingMeasured
from framecheck.field import FrameFailure, FrameResult
from framecheck.logbook import Logbook
from framecheck.night.records import Skipped
from framecheck.pipeline import Measurements, Outcome, judge_night
from framecheck.read import Rig, with_saved
from framecheck.read.local_time import LocalTime, local_time
from framecheck.read.whole import what_is_missing
from framecheck.report.live_page import PAGE as LIVE
from framecheck.report.live_page import STATE, live_page
from framecheck.report.look import Look
from framecheck.report.publish import prepare_folder, publish, text_as_bytes
from framecheck.report.terminal import night_lines
from framecheck.report.write import write_night
from framecheck.watch import events
from framecheck.watch.arrivals import STALLED_S, STILL_S, Stamp, Waiting, at_rest, look, still_waiting
from framecheck.watch.events import Event
from framecheck.watch.file_watcher import SAFETY_S, Bell, FolderEvents, stopped_by_signals
from framecheck.watch.latest_night import begin_of_night, is_same_night, latest_night, of_earlier_nights
from framecheck.watch.measuring import kept_worker, measured
from framecheck.words import path_in, safe
from framecheck.workers import Staffing

LINES_AT_START: Final = 3
"""More frames than these that are there at the start are summed up. Chosen."""

_VANISHED: Final = "is not there any more"
_CHANGING: Final = "changed while it was read"


@dataclass(frozen=True, kw_only=True, slots=True)
class Voice:
    """How whoever watches is told."""

    tell: Callable[[Event], None]
    warn: Callable[[str], None]
    """Given a sentence about something wrong."""
    show_status: Callable[[str], None]
    """Given a line that takes the place of the one before."""
    look: Look
    each_at_start: bool = False
    """Whether frames that are there at the start are told one by one."""


@dataclass(kw_only=True, slots=True)
class Watch:
    """What a watch knows so far."""

    folder: Path
    out: Path | None
    rig: Rig
    aim: Aim
    bell: Bell
    voice: Voice
    kept: Staffing
    """Who measures one or two frames."""
    logbook: Logbook | None = None
    workers: int | None = None
    waiting: dict[Path, Waiting] = field(default_factory=dict)
    """Files that are new or rewritten, and not yet read."""
    read: dict[Path, Stamp] = field(default_factory=dict)
    """Files as they were when they were read."""
    outcomes: dict[Path, Outcome] = field(default_factory=dict)
    """What became of them; no pixels."""
    absent: set[Path] = field(default_factory=set)
    """Those of them that are no longer in the folder."""
    untold: list[Path] = field(default_factory=list)
    """Frames that were measured since the night was judged."""
    n_earlier: int = 0
    """Frames of earlier nights, which are not read."""
    is_lost: bool = False
    """Whether the folder could not be looked at."""
    has_looked: bool = False
    is_stale: bool = False
    """Whether frames came or went since the night was judged."""
    judge_after_s: float = 0.0
    last_came_s: float | None = None
    """Both by the clock that never jumps. [s]"""
    judgement: Judgement | None = None
    account: Account | None = None
    began: datetime | None = None
    """Start of the night's first frame."""
    alarms: tuple[Alarm, ...] | None = None
    """None before the first judgement, and before the logbook was asked."""
    before: tuple[Finding, ...] = ()
    """Of the judgement before."""
    calm: tuple[Finding, ...] = ()
    """Of the last judgement without a change."""
    faults: set[str] = field(default_factory=set)
    """What was said of things that go wrong around the watch."""


def watch_folder(
    folder: Path,
    out: Path | None,
    rig: Rig,
    aim: Aim,
    voice: Voice,
    *,
    poll_s: float | None = None,
    workers: int | None = None,
    logbook: Logbook | None = None,
) -> int:
    """Watch a folder until the end is asked for; the number of files that could not be measured.

    Raises
    ------
    UnusableRequest, NothingMeasured
        With a sentence for the user.
    """
    look(folder)
    if out is not None:
        prepare_folder(out)
    bell = Bell()
    with stopped_by_signals(bell), kept_worker() as kept:
        watch = Watch(
            folder=folder,
            out=out,
            rig=rig,
            aim=aim,
            bell=bell,
            voice=voice,
            logbook=logbook,
            workers=workers,
            kept=kept,
        )
        voice.tell(events.began(folder, poll_s))
        with FolderEvents(folder, bell, voice.warn) if poll_s is None else nullcontext() as heard:
            while not bell.is_stopped:
                was_lost = watch.is_lost
                _step(watch)
                if heard is not None and was_lost and not watch.is_lost:
                    heard.end()
                    heard.begin()
                _show_status(watch)
                bell.wait(_pause_s(watch, poll_s))
        return _end(watch)


def _pause_s(watch: Watch, poll_s: float | None) -> float:
    """Time until the next look, if nothing rings before."""
    longest = SAFETY_S if poll_s is None else poll_s
    now = time.monotonic()
    if any(one.rested_s(now) < STILL_S for one in watch.waiting.values()):
        return STILL_S / 2
    if watch.is_stale:
        return min(longest, max(watch.judge_after_s - now, 0.05))
    return min(longest, STILL_S) if any(not one.is_named for one in watch.waiting.values()) else longest


def _step(watch: Watch) -> None:
    """One look at the folder, and all that follows from it."""
    try:
        listing = look(watch.folder, {**watch.read, **watch.waiting})
    except (FramecheckError, OSError) as why:
        if not watch.is_lost:
            watch.voice.tell(events.folder_lost(str(why)))
        watch.is_lost = True
        return
    if watch.is_lost:
        watch.is_lost = False
        watch.voice.tell(events.folder_back(watch.folder))
    _note_gone(watch, listing)
    now = time.monotonic()
    watch.waiting = still_waiting(listing, watch.read, watch.waiting, now)
    if not watch.has_looked:
        _first_look(watch, now)
    _read(watch, _whole(watch, now))
    if watch.is_stale and time.monotonic() >= watch.judge_after_s and not watch.bell.is_stopped:
        _judge(watch)


def _first_look(watch: Watch, now: float) -> None:
    """Files that have lain there for long are at rest; those of earlier nights are none of ours."""
    watch.has_looked = True
    wall = time.time()
    for path, one in watch.waiting.items():
        if wall - one.stamp.modified_ns / 1e9 > STALLED_S:
            watch.waiting[path] = replace(one, since_s=now - STALLED_S)
    for path in of_earlier_nights(watch.waiting):
        watch.read[path] = watch.waiting.pop(path).stamp
        watch.n_earlier += 1


def _note_gone(watch: Watch, listing: dict[Path, Stamp]) -> None:
    unread = [path for path in watch.waiting if path not in listing and path not in watch.outcomes]
    left = [path for path in watch.outcomes if path not in listing and path not in watch.absent]
    returned = [path for path in watch.absent if path in listing]
    if unread:
        watch.voice.tell(events.gone(unread, watch.folder, were_read=False))
    if left:
        watch.voice.tell(events.gone(left, watch.folder, were_read=True))
    if returned:
        watch.voice.tell(events.back(returned, watch.folder))
    watch.absent = (watch.absent | set(left)) - set(returned)
    watch.is_stale |= bool(left or returned)


def _whole(watch: Watch, now: float) -> list[Path]:
    """Files at rest that are all there; one that does not become so is named, once."""
    whole = []
    for path in at_rest(watch.waiting, now):
        one = watch.waiting[path]
        fault = what_is_missing(path)
        if fault is None:
            whole.append(path)
        elif one.rested_s(now) >= STALLED_S and not one.is_named:
            watch.waiting[path] = replace(one, is_named=True)
            watch.voice.tell(events.incomplete(fault, watch.folder))
    return whole


def _read(watch: Watch, paths: Sequence[Path]) -> None:
    outcomes = measured(
        paths,
        watch.rig,
        kept=watch.kept,
        workers=watch.workers,
        logbook=watch.logbook,
        is_stopped=lambda: watch.bell.is_stopped,
        show=watch.voice.show_status,
        tell=lambda text: _tell_fault(watch, text),
    )
    for path, outcome in outcomes:
        watch.is_stale |= _take(watch, path, outcome)


def _take(watch: Watch, path: Path, outcome: Outcome) -> bool:
    """Note what became of a file, and tell what is wrong with it; whether the night has changed."""
    if isinstance(outcome, FrameFailure):
        if outcome.fault.startswith(_VANISHED):
            del watch.waiting[path]
            watch.voice.tell(events.gone([path], watch.folder, were_read=False))
            return False
        if outcome.fault.startswith(_CHANGING):
            watch.waiting[path] = replace(watch.waiting[path], since_s=time.monotonic())
            return False
        watch.voice.tell(events.failed(outcome, watch.folder))
    elif isinstance(outcome, Skipped):
        if watch.voice.each_at_start or watch.alarms is not None:
            watch.voice.tell(events.left_aside(outcome, watch.folder))
    else:
        watch.untold.append(path)
        watch.last_came_s = time.monotonic()
    watch.outcomes[path] = outcome
    watch.read[path] = watch.waiting.pop(path).stamp
    return True


def _judge(watch: Watch) -> None:
    """Judge the night so far and tell what is new; the next judging waits as long as this one took."""
    begin = time.monotonic()
    watch.is_stale = False
    present = {path: outcome for path, outcome in watch.outcomes.items() if path not in watch.absent}
    measurements = latest_night(present)
    if not measurements.results:
        return
    _forget_earlier(watch, measurements)
    try:
        rig = with_saved(watch.rig, [result.exposure for result in measurements.results])
        watch.judgement = judge_night(watch.folder, measurements, rig, watch.aim)
    except Exception as error:  # what befalls one judgement must not end the watch; the next frame brings another
        _tell_fault(watch, f"the night so far could not be judged ({type(error).__name__}: {error}); please report it.")
        return
    rows = watch.judgement.rows
    watch.account = account_of(rows)
    _tell_frames(watch, rows, local_time(watch.judgement.night.rig))
    _tell_alarms(watch, watch.judgement)
    _write_page(watch, rows, is_over=False)
    watch.judge_after_s = 2 * time.monotonic() - begin


def _forget_earlier(watch: Watch, measurements: Measurements) -> None:
    """Let go of the frames of a night that is over, and of what was told of it."""
    began = begin_of_night(result.exposure.start_by_clock for result in measurements.results)
    if watch.began is not None and began is not None and began - watch.began > NIGHT_GAP:
        now = {result.exposure.file for result in measurements.results}
        for path in [path for path, one in watch.outcomes.items() if isinstance(one, FrameResult) and path not in now]:
            del watch.outcomes[path]
            watch.absent.discard(path)
        watch.alarms, watch.before, watch.calm = (), (), ()
        watch.voice.tell(events.new_night(watch.voice.look))
    watch.began = began


def _tell_frames(watch: Watch, rows: Sequence[FrameRow], local: LocalTime | None) -> None:
    by_file = {row.file: row for row in rows}
    names = [path_in(watch.folder, path) for path in watch.untold]
    new = [by_file[name] for name in names if name in by_file]
    if watch.alarms is None:
        n_aside = sum(isinstance(outcome, Skipped) for outcome in watch.outcomes.values())
        summed = len(new) > LINES_AT_START
        watch.voice.tell(events.knew(new, n_aside, watch.n_earlier, watch.voice.look, summed=summed, local=local))
        new = [] if summed and not watch.voice.each_at_start else new
    for row in sorted(new, key=lambda row: row.start_utc or row.start_local or ""):
        watch.voice.tell(events.frame_came(row, watch.voice.look, local))
    watch.untold = []


def _tell_alarms(watch: Watch, judgement: Judgement) -> None:
    """Tell what has changed since the judgement before, and write down that it was told."""
    found = changes(judgement.night)
    if watch.alarms is None:
        kept = None if watch.logbook is None else watch.logbook.told(watch.folder)
        night, alarms = (None, ()) if kept is None else alarms_of_text(kept)
        watch.alarms = alarms if is_same_night(night, watch.began) else ()
    alarms, news = next_alarms(
        watch.alarms,
        found,
        judgement.findings,
        watch.before,
        watch.calm,
        n_frames=len(judgement.night.frames),
        rig=judgement.night.rig,
    )
    for told in news:
        watch.voice.tell(events.alarmed(told, judgement.night.rig.pixel_scale_arcsec, watch.voice.look))
    if news and watch.logbook is not None:
        watch.logbook.keep_told(watch.folder, alarms_as_text(alarms, watch.began))
    watch.alarms = alarms
    watch.before = judgement.findings
    if not any(change.lasts for change in found):
        watch.calm = judgement.findings


def _write_page(watch: Watch, rows: Sequence[FrameRow], *, is_over: bool) -> None:
    if watch.out is None or watch.judgement is None:
        return
    arriving = [path_in(watch.folder, path) for path in watch.waiting]
    try:
        page = live_page(watch.judgement, rows, watch.alarms or (), arriving, is_over=is_over)
        publish(watch.out, {LIVE: text_as_bytes(page.html), STATE: text_as_bytes(page.state)})
        if is_over:
            write_night(watch.judgement, watch.out)
    except FramecheckError as why:
        _tell_fault(watch, str(why))


def _tell_fault(watch: Watch, text: str) -> None:
    """Say what goes wrong around the watch, each thing once."""
    if text not in watch.faults:
        watch.voice.warn(f"framecheck: {safe(text)}")
    watch.faults.add(text)


def _show_status(watch: Watch) -> None:
    if watch.account is None:
        watch.voice.show_status("Waiting for the first frame …")
        return
    last_s = None if watch.last_came_s is None else time.monotonic() - watch.last_came_s
    watch.voice.show_status(events.status_text(watch.account, last_s, len(watch.waiting)))


def _end(watch: Watch) -> int:
    """Judge what came last, tell the night, and count what could not be measured."""
    if watch.is_stale:
        _judge(watch)
    named = [path for path, one in watch.waiting.items() if one.is_named]
    n_failed = sum(isinstance(outcome, FrameFailure) for outcome in watch.outcomes.values()) + len(named)
    if watch.judgement is None:
        if any(isinstance(outcome, FrameResult) for outcome in watch.outcomes.values()):
            return n_failed
        raise NothingMeasured(f"{safe(watch.folder)}: the watch ended before a light frame could be measured.")
    rows = watch.judgement.rows
    _write_page(watch, rows, is_over=True)
    lines = ["", *night_lines(watch.judgement, watch.voice.look)]
    if watch.out is not None:
        lines += ["", f"Open {safe(watch.out / 'report.html')}"]
    watch.voice.tell(events.ended(watch.account, lines))
    return n_failed
