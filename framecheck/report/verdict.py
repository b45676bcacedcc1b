"""The night in three sentences: what to keep, what limits it, what to do."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from framecheck.causes.catalogue import CAUSES
from framecheck.decision.judgement import Finding, Judgement
from framecheck.report.account import Account
from framecheck.report.frame_row import FrameRow
from framecheck.report.time_axis import dates
from framecheck.report.words import clause, counted, duration, fixed, likelihood, listed, percent, sentence

CLAIMED: Final = 0.5
"""[dimensionless] From this confidence on a finding counts as claimed (the contract of night.json)."""
COSTS_MUCH: Final = 0.02
"""[share] Chosen: what costs less is not worth a night's work."""
LOOKS_ROUND: Final = 1.2
"""[dimensionless] Elongation up to which the eye hardly sees it. Common practice, no source."""


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


def verdict(judgement: Judgement, account: Account) -> tuple[Sentence, Sentence, Sentence]:
    """The answer, in the order in which a person asks."""
    return (
        Sentence(question="What to keep", answer=_what_to_keep(account), evidence="frames", link="all frames"),
        Sentence(
            question="What limits it",
            answer=_what_limits(judgement, account),
            evidence="findings" if judgement.findings else "night",
            link="the findings" if judgement.findings else "the night in curves",
        ),
        Sentence(
            question="What to do",
            answer=_what_to_do(judgement),
            evidence="mount",
            link="the mount",
        ),
    )


def _what_to_keep(account: Account) -> str:
    n = account.n_measured
    if n == 0:
        return "No frame could be measured."
    if n == 1:
        return _the_only_frame(account)
    which = f"Keep all {n} frames" if account.n_keep == n else f"Keep {account.n_keep or 'none'} of {n} frames"
    rest = []
    if account.n_doubtful:
        adds = "" if account.doubtful_effective_s is None else f" ({duration(account.doubtful_effective_s)} effective)"
        rest.append(f"{account.n_doubtful} {'is' if account.n_doubtful == 1 else 'are'} doubtful{adds}")
    if account.n_reject:
        rest.append(f"{account.n_reject} {'is' if account.n_reject == 1 else 'are'} better left out")
    if account.n_failed:
        rest.append(f"{counted(account.n_failed, 'file')} could not be measured")
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
    return "; then " + ", ".join(f"{_name(other)}, {likelihood(other.confidence)}" for other in others[:2]) + "."


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


def _what_to_do(judgement: Judgement) -> str:
    first = next((finding.cures[0] for finding in _limiting(judgement) if finding.cures), "")
    mount = _about_the_mount(judgement)
    if first:
        return f"{sentence(first)} {mount}"
    return f"Stack the frames graded keep. {mount}"


def _about_the_mount(judgement: Judgement) -> str:
    decision = judgement.mount_decision
    claimed = {CAUSES[one.cause].family for one in judgement.findings if one.confidence >= CLAIMED}
    because = f": {clause(decision.because[0])}." if decision.because else "."
    match decision.answer:
        case "not needed":
            return "The mount is not to blame" + because
        case "fix technique first":
            if "mount" in claimed:
                return "The mount can do better than it did; set it up better before buying another" + because
            return "No other mount is needed before that is seen to" + because
        case "upgrade justified":
            return "The mount holds this rig back, and a better one would pay" + because
        case "cannot tell":
            return "Whether the mount is to blame cannot be told yet" + because
