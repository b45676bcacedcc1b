"""The night in four sentences: what to keep, what limits it, what to do first, and whether the mount is to blame."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from framecheck.causes.catalogue import CAUSES
from framecheck.causes.result import CLAIMED
from framecheck.decision.frame_row import FrameRow
from framecheck.decision.judgement import Finding, Judgement
from framecheck.quantity import LOOKS_ROUND
from framecheck.report.account import Account
from framecheck.report.time_axis import dates
from framecheck.words import clause, counted, duration, fixed, likelihood, listed, number, percent, sentence

COSTS_MUCH: Final = 0.02
"""[share] Chosen: what costs less is not worth a night's work."""
MOSTLY: Final = 0.5
"""[share] Of the squared star width, from which a term makes most of it."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Sentence:
    """One part of the answer, with the place on the page that bears it out."""

    question: str
    answer: str
    evidence: str
    """Name of the section that holds the evidence."""
    link: str
    """What the link to it says."""


def night_title(judgement: Judgement, rows: Sequence[FrameRow]) -> str:
    """Targets and dates; the folder's name if the headers tell neither."""
    targets = list(dict.fromkeys(group.target for group in judgement.groups if group.target))
    shown = listed(targets) if len(targets) <= 3 else counted(len(targets), "target")
    return ", ".join(filter(None, [shown, dates(rows)])) or judgement.night.folder.name or "One night"


def verdict(judgement: Judgement, account: Account) -> tuple[Sentence, Sentence, Sentence, Sentence]:
    """The answer, in the order in which a person asks; each sentence knows the place that bears it out."""
    limiting = _limiting(judgement)
    curable = next((finding for finding in limiting if finding.cures), None)
    findings = "findings" if judgement.findings or judgement.undecided else "night"
    return (
        Sentence(question="What to keep", answer=_what_to_keep(account), evidence="frames", link="frame by frame"),
        Sentence(
            question="What limits it",
            answer=_what_limits(judgement, account),
            evidence=card_of(limiting[0].cause) if limiting else findings,
            link="why" if limiting else "what was asked" if findings == "findings" else "the night in curves",
        ),
        Sentence(
            question="What to do",
            answer=_what_to_do(judgement, curable),
            evidence=card_of(curable.cause) if curable else "frames",
            link="all its cures" if curable else "choose frames",
        ),
        Sentence(
            question="Mount to blame?", answer=_about_the_mount(judgement), evidence="mount", link="the reckoning"
        ),
    )


def card_of(cause: str) -> str:
    """Name of the place on the page that holds a cause's evidence."""
    return f"finding-{cause}"


def _what_to_keep(account: Account) -> str:
    n = account.n_measured
    if n == 0:
        return "No frame could be measured."
    if n == 1:
        return _the_only_frame(account)
    which = f"Keep all {n} frames" if account.n_keep == n else f"Keep {account.n_keep or 'none'} of {n} frames"
    rest = []
    if account.n_doubtful:
        rest.append(f"{account.n_doubtful} doubtful")
    if account.n_reject:
        rest.append(f"{account.n_reject} better left out")
    if account.n_failed:
        rest.append(f"{account.n_failed} not measured")
    return which + _hours(account) + ("; " + ", ".join(rest) if rest else "") + "."


def _the_only_frame(account: Account) -> str:
    if account.n_keep:
        return f"Keep the one frame{_hours(account)}."
    return "The one frame is doubtful." if account.n_doubtful else "The one frame is better left out."


def _hours(account: Account) -> str:
    """What the kept frames give of what was taken, as far as it is known."""
    if account.taken_s is None or account.keep_taken_s is None:
        return ""
    if account.keep_effective_s is None:
        return f": {duration(account.keep_taken_s)} of {duration(account.taken_s)} taken"
    return f": {duration(account.keep_effective_s)} effective of {duration(account.taken_s)} taken"


def _what_limits(judgement: Judgement, account: Account) -> str:
    limiting = _limiting(judgement)
    if limiting:
        return _claim(limiting[0]) + _also(limiting[1:])
    minor = [finding for finding in judgement.findings if finding.confidence >= CLAIMED]
    if minor:
        names = listed([f"{_name(one)} in {counted(one.frames_affected, 'frame')}" for one in minor[:3]])
        return f"Nothing that was found costs much ({names}); {_as_measured(account)}"
    if judgement.findings:
        suspect = judgement.findings[0]
        return f"Nothing is sure; the strongest suspicion is {_name(suspect)}, {likelihood(suspect.confidence)}."
    air = next((term.share for term in judgement.budget if term.term == "atmosphere"), None)
    if air is not None and air >= MOSTLY:
        return (
            f"Nothing but the air was found, which makes {percent(air)} of the squared width: {_as_measured(account)}"
        )
    return "Which cause limits it cannot be told yet; " + _as_measured(account)


def _limiting(judgement: Judgement) -> list[Finding]:
    """Claimed findings that a night suffers from, the costliest first: a trail across one frame limits no night."""
    half = len(judgement.night.frames) / 2
    claimed = [
        finding
        for finding in judgement.findings
        if finding.confidence >= CLAIMED
        and (finding.frames_affected >= half if finding.cost is None else finding.cost >= COSTS_MUCH)
    ]
    return sorted(claimed, key=lambda finding: -(finding.cost or 0.0))


def _claim(finding: Finding) -> str:
    cost = "" if finding.cost is None else f", which costs {percent(finding.cost)} of what the night could give"
    return f"{CAUSES[finding.cause].title}, {likelihood(finding.confidence)}{cost}"


def _also(others: list[Finding]) -> str:
    if not others:
        return "."
    costs = ["" if other.cost is None else f" ({percent(other.cost)})" for other in others[:2]]
    return "; then " + listed([_name(other) + cost for other, cost in zip(others[:2], costs, strict=True)]) + "."


def _name(finding: Finding) -> str:
    return CAUSES[finding.cause].title.lower()


def _as_measured(account: Account) -> str:
    """What the stars show, without a cause."""
    if account.fwhm is None:
        return "no frame has enough good stars to measure their size."
    text = f"stars are {_size(account.fwhm, account)} wide (FWHM"
    if account.best_fwhm is not None:
        text += f"; the sharpest frames reach {_size(account.best_fwhm, account)}"
    text += ")"
    if account.elongation is None:
        return text + "."
    return text + f" and {fixed(account.elongation, 2)} times as long as wide (up to {LOOKS_ROUND} is hardly seen)."


def _size(fwhm: float, account: Account) -> str:
    return f"{fixed(fwhm, 2)}″" if account.fwhm_unit == "arcsec" else f"{fixed(fwhm, 2)} {account.fwhm_unit}"


def _what_to_do(judgement: Judgement, curable: Finding | None) -> str:
    if curable is not None:
        return sentence(curable.cures[0])
    kept = any(grade.grade == "keep" for grade in judgement.grades)
    return "Stack the frames graded keep." if kept else "Look at the frames' reasons before you stack any."


def _about_the_mount(judgement: Judgement) -> str:
    decision, moved = judgement.mount_decision, _moved(judgement)
    match decision.answer:
        case "not needed":
            return f"No: {moved}." if moved else "No, it is not to blame."
        case "upgrade justified":
            return f"Yes, and a better one would pay: {moved}." if moved else "Yes, and a better one would pay."
        case "fix technique first":
            return _technique_first(judgement, moved)
        case "cannot tell":
            settle = decision.what_would_settle_it or decision.because
            return "It cannot be told yet" + (f": {clause(settle[0])}." if settle else ".")


def _technique_first(judgement: Judgement, moved: str) -> str:
    """The mount holds the night back, by itself or beside something that costs more, and cheaper cures are left."""
    limiting = _limiting(judgement) or [one for one in judgement.findings if one.confidence >= CLAIMED]
    mine = [one for one in limiting if CAUSES[one.cause].family == "mount"]
    after = f": {moved}" if moved else ""
    if mine and mine[0] is limiting[0]:
        return f"Yes, but it can do better without being replaced{after}."
    if limiting:
        return f"In part, but the first thing to cure is {_to_cure(limiting[0])}{after}."
    return f"Not before cheaper cures were tried{after}."


def _to_cure(finding: Finding) -> str:
    return "the focus" if finding.cause == "defocus" else _name(finding)


def _moved(judgement: Judgement) -> str:
    """What the mount did beside what would do; empty unless both are known."""
    rms, needed = judgement.mount_decision.tracking_rms_arcsec, judgement.mount_decision.needed_rms_arcsec
    if rms is None or rms.value is None or needed is None:
        return ""
    unseen = not rms.value > 0 and rms.high is not None
    moved = f"no more than {number(rms.high, 2)}" if unseen else number(rms.value, 2)
    return f"the mount moved the stars by {moved}″ rms on each axis, where up to {number(needed, 2)}″ would do"
