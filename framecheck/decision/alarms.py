"""What a watcher of the night is told: each change once, with its likely cause and first cure, and that it is over."""

import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from datetime import datetime
from typing import Final, Literal

from framecheck.causes.catalogue import CAUSES
from framecheck.causes.cause import Sign
from framecheck.causes.result import CLAIMED, Finding
from framecheck.decision.changes import Change
from framecheck.document import NoRecord, record_of
from framecheck.read.foreign_json import json_of
from framecheck.read.rig import Rig

SURE: Final = 0.8
"""[dimensionless] Confidence, in two judgements running, of a fault that was there from the start. Chosen: causes are
calibrated on whole nights, and a part of one shows less."""
WORTH: Final = 0.05
"""[dimensionless] Cost from which such a fault is told. Chosen: for less nobody leaves a warm room."""
ENOUGH_FRAMES: Final = 8
"""Chosen: rhythm and drift rest on a handful of frames before."""
ROSE: Final = 0.1
"""[dimensionless] Gain in confidence that makes a cause one of the change, not of the night before it. Chosen."""

PLAIN: Final = 2.0
"""Times the limit that a change must stand off of which no cause can be told at all. [dimensionless] Chosen: the air
of a healthy night wanders so far as to pass the limit, but not twice so far."""

News = Literal["alarm", "cause", "over"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Alarm:
    """One thing that was told."""

    sign: Sign
    group: str
    since: str | None = None
    """Name of the first frame that shows it; None if it was there from the start."""
    since_utc: str | None = None
    """Start of that frame, or of the night, ISO 8601."""
    usual: float | None = None
    """As in `Change`; None from the start."""
    now: float | None = None
    cause: str | None = None
    """The likeliest; None if no cause could be told yet."""
    confidence: float | None = None
    cure: str | None = None
    """The first, cheapest one."""
    caution: str | None = None
    is_over: bool = False
    last: str | None = None
    """Name of the last frame that showed it, once it is over."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Told:
    """An alarm with what is new about it."""

    news: News
    alarm: Alarm


def next_alarms(
    told: Sequence[Alarm],
    changes: Sequence[Change],
    findings: Sequence[Finding],
    before: Sequence[Finding],
    calm: Sequence[Finding],
    *,
    n_frames: int,
    rig: Rig,
) -> tuple[tuple[Alarm, ...], tuple[Told, ...]]:
    """Compare what the night so far shows with what has been told.

    Parameters
    ----------
    told : sequence of Alarm
        All that has been told of this night.
    changes, findings
        Of the night so far.
    before : sequence of Finding
        Of the judgement before this one.
    calm : sequence of Finding
        Of the last judgement without a change: a cause that was as sure then does not explain what came since.
    n_frames : int
        Frames judged.
    rig : Rig
        A camera that stands still is known to be untracked.

    Returns
    -------
    alarms : tuple of Alarm
        All told, brought up to date.
    news : tuple of Told
        What to tell now. Nothing is told twice: one alarm a sign at a time, its cause anew only if it was open or has
        turned out to be another, one end.
    """
    alarms, news = [], []
    lasting = [change for change in changes if change.lasts]
    for alarm in told:
        updated, said = _brought_up(alarm, changes, findings, before, calm)
        alarms.append(updated)
        news += said
    for change in lasting:
        fresh = _of_change(change, findings, calm)
        is_plain = fresh.cause is not None or change.over_limit >= PLAIN
        if is_plain and not _known(fresh, alarms):
            alarms.append(fresh)
            news.append(Told(news="alarm", alarm=fresh))
    if n_frames >= ENOUGH_FRAMES:
        for finding in findings:
            if (standing := _from_the_start(finding, before, alarms, rig)) is not None:
                alarms.append(standing)
                news.append(Told(news="alarm", alarm=standing))
    return tuple(alarms), tuple(news)


def _brought_up(
    alarm: Alarm,
    changes: Sequence[Change],
    findings: Sequence[Finding],
    before: Sequence[Finding],
    calm: Sequence[Finding],
) -> tuple[Alarm, list[Told]]:
    """An alarm after the latest frame: named if its cause has shown itself, or over."""
    if alarm.is_over:
        return alarm, []
    if alarm.since is not None:
        alike = [change for change in changes if change.sign == alarm.sign]
        mine = [change for change in alike if change.group == alarm.group]
        if not any(change.lasts for change in alike):
            ended = replace(alarm, is_over=True, last=mine[-1].last.file.name if mine else None)
            return ended, [Told(news="over", alarm=ended)] if mine else []  # nobody looks at that target any more
        if mine and mine[-1].lasts:
            alarm = replace(alarm, now=mine[-1].now)
    better = _better_cause(alarm, findings, before, calm)
    if better is None:
        return alarm, []
    named = _with_cause(alarm, better)
    return named, [Told(news="cause", alarm=named)]


def _better_cause(
    alarm: Alarm, findings: Sequence[Finding], before: Sequence[Finding], calm: Sequence[Finding]
) -> Finding | None:
    """A cause that was open when the alarm was told, or one that has turned out to be another."""
    likely = _likely(alarm.sign, findings, calm if alarm.since is not None else ())
    if likely is None or (likely.cause == alarm.cause and (alarm.confidence or 0.0) >= CLAIMED):
        return None
    if alarm.confidence is None or alarm.confidence < CLAIMED:
        return likely if likely.confidence >= CLAIMED else None
    sure = min(likely.confidence, _confidence(likely.cause, before)) >= SURE
    return likely if sure and _confidence(alarm.cause, findings) < CLAIMED else None


def _confidence(cause: str | None, findings: Sequence[Finding]) -> float:
    return next((one.confidence for one in findings if one.cause == cause), 0.0)


def _known(fresh: Alarm, alarms: Sequence[Alarm]) -> bool:
    """Whether this was told: the sign lasts, in whatever group; or another sign of the same cause does."""
    for alarm in alarms:
        if alarm.is_over:
            if alarm.since is not None and _change_of(alarm) == _change_of(fresh):
                return True
            continue
        if alarm.sign == fresh.sign or (fresh.cause is not None and alarm.cause == fresh.cause):
            return True
    return False


def _change_of(alarm: Alarm) -> tuple[Sign, str, str | None]:
    """What tells the changes of a night apart."""
    return alarm.sign, alarm.group, alarm.since


def _of_change(change: Change, findings: Sequence[Finding], calm: Sequence[Finding]) -> Alarm:
    start = change.first.start_utc
    alarm = Alarm(
        sign=change.sign,
        group=change.group,
        since=change.first.file.name,
        since_utc=None if start is None else start.isoformat(),
        usual=change.usual,
        now=change.now,
    )
    likely = _likely(change.sign, findings, calm)
    return alarm if likely is None else _with_cause(alarm, likely)


def _with_cause(alarm: Alarm, finding: Finding) -> Alarm:
    return replace(
        alarm,
        cause=finding.cause,
        confidence=finding.confidence,
        cure=finding.cures[0] if finding.cures else None,
        caution=finding.caution,
    )


def _likely(sign: Sign, findings: Sequence[Finding], calm: Sequence[Finding]) -> Finding | None:
    """The cause of a change: the surest of those that have become surer since it was calm, else the surest of all."""
    mine = [finding for finding in findings if sign in CAUSES[finding.cause].alarms]
    was = {finding.cause: finding.confidence for finding in calm}
    risen = [finding for finding in mine if finding.confidence - was.get(finding.cause, 0.0) >= ROSE]
    return max(risen or mine, key=lambda finding: finding.confidence, default=None)


def _from_the_start(finding: Finding, before: Sequence[Finding], alarms: Sequence[Alarm], rig: Rig) -> Alarm | None:
    """A fault that no change told of, if it is sure, costly, and was so in the judgement before."""
    sign = CAUSES[finding.cause].alarm_from_the_start
    if sign is None or (finding.cause == "untracked" and rig.mount_type == "fixed"):
        return None
    if min(finding.confidence, _confidence(finding.cause, before)) < SURE or (finding.cost or 0.0) < WORTH:
        return None
    trailing = any(alarm.sign == "trailed" and not alarm.is_over for alarm in alarms)
    if trailing or any(alarm.cause == finding.cause for alarm in alarms):  # trails hide the focus, and are told already
        return None
    return _with_cause(Alarm(sign=sign, group=""), finding)


@dataclass(frozen=True, kw_only=True, slots=True)
class _Kept:
    night: datetime | None
    alarms: tuple[Alarm, ...]


def alarms_as_text(alarms: Sequence[Alarm], began: datetime | None) -> str:
    """Alarms of a night that began at some time, as JSON."""
    return json.dumps(
        {"night": None if began is None else began.isoformat(), "alarms": [asdict(alarm) for alarm in alarms]}
    )


def alarms_of_text(text: str) -> tuple[datetime | None, tuple[Alarm, ...]]:
    """When the night began, and its alarms; none if the text is of another version."""
    try:
        kept = record_of(_Kept, json_of(text))
    except (ValueError, NoRecord):
        return None, ()
    is_told = all(alarm.cause is None or alarm.cause in CAUSES for alarm in kept.alarms)
    return (kept.night, kept.alarms) if is_told else (None, ())
