"""A night of several sessions: each asked by itself, and what they answer told together."""

from collections.abc import Sequence
from dataclasses import replace

from framecheck.causes.result import CLAIMED, Answer, Evidence, Finding, Healthy
from framecheck.motion.night import Night


def by_session(night: Night) -> list[Night]:
    """The night of each session: its groups, its rig; frames keep their places in `Night.frames`."""
    numbers = sorted({group.session for group in night.groups})
    if len(numbers) < 2:
        return [night]
    return [
        replace(night, rig=night.rig_of(number), groups=tuple(one for one in night.groups if one.session == number))
        for number in numbers
    ]


def together(sessions: Sequence[Night], answers: Sequence[Sequence[Answer]]) -> list[Answer]:
    """One answer for each cause, from those of every session.

    The surest finding speaks, with the frames that all sessions with a claim have affected, and says when it was seen.
    A cause is undecided only if no session can show or exclude it; the largest session then says why.
    """
    largest = max(range(len(sessions)), key=lambda k: _n_frames(sessions[k]))
    out: list[Answer] = []
    for row in zip(*answers, strict=True):
        found = [(k, one) for k, one in enumerate(row) if isinstance(one, Finding)]
        if found:
            out.append(_surest(sessions, found))
        else:
            out.append(next((one for one in row if isinstance(one, Healthy)), row[largest]))
    return out


def _surest(sessions: Sequence[Night], found: Sequence[tuple[int, Finding]]) -> Finding:
    best, finding = max(found, key=lambda row: row[1].confidence)
    claims = [row for row in found if row[1].confidence >= CLAIMED] or [(best, finding)]
    n_all = sum(_n_frames(session) for session in sessions)
    cost = None
    if finding.cost is not None:
        cost = sum((one.cost or 0.0) * _n_frames(sessions[k]) for k, one in claims) / n_all
    return replace(
        finding,
        affected=frozenset().union(*(one.affected for _, one in claims)),
        cost=cost,
        evidence=(*finding.evidence, Evidence(statement=f"this is of the session that began {_begin(sessions[best])}")),
    )


def _n_frames(session: Night) -> int:
    return sum(len(group.members) for group in session.groups)


def _begin(session: Night) -> str:
    """When and with what a session began."""
    first = session.frames[min(group.members[0] for group in session.groups)].result.exposure
    start, clock = first.start_by_clock, "UTC" if first.start_utc else "by the camera's clock"
    when = "at an unknown time" if start is None else f"{start:%Y-%m-%d %H:%M} {clock}"
    camera = "" if first.camera is None or not session.rigs else f", camera {first.camera}"
    return when + camera
