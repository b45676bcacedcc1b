"""All causes asked, look-alikes settled, confidence calibrated, and the answers set in order."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

from framecheck.causes import alike, camera, cloud, dew, drive, mount, polar_axis, shaken, sky
from framecheck.causes.calibration import Map, calibrated, calibration
from framecheck.causes.catalogue import CAUSES, causes_with
from framecheck.causes.kinds import Beforehand, found_beforehand
from framecheck.causes.moving_ground import moving_ground
from framecheck.causes.optics import Optics, explained_optics, optics_answers
from framecheck.causes.result import (
    CLAIMED,
    LEAST_CONFIDENCE,
    Answer,
    Evidence,
    Finding,
    Healthy,
    Rival,
    Undecided,
    all_of,
)
from framecheck.causes.seeing import poor_seeing
from framecheck.causes.sessions import by_session, together
from framecheck.causes.setting import Equipment, setting_of, with_tripod
from framecheck.model.explain import ShareExplained
from framecheck.motion.night import Night
from framecheck.read.rig import Rig

Told = tuple[tuple[Finding, ...], tuple[Undecided, ...]]


@dataclass(frozen=True, slots=True)
class WeighedSession:
    """One session of a night, and what all causes answer for it."""

    night: Night
    answers: Sequence[Answer]
    optics: Optics | None
    """Its stars as the model explains them; None if too few say anything."""
    drawn_by_optics: Mapping[str, float]
    """Group id -> probability that what draws its stars out alike in all frames are the optics."""

    @property
    def explained(self) -> ShareExplained:
        """How much of what its stars show the model explains."""
        return ShareExplained() if self.optics is None else self.optics.share


ASKED: Final[tuple[Callable[[Night, Rig], Answer], ...]] = (
    mount.untracked,
    polar_axis.polar_misalignment,
    polar_axis.field_rotation,
    mount.differential_flexure,
    moving_ground,
    dew.dew,
    camera.undersampled,
    camera.oversampled,
    camera.saturation,
    camera.read_noise_limited,
    cloud.cloud,
    sky.trail_crossing,
    sky.low_altitude,
    sky.sky_gradient,
)

ASKED_LAST: Final[tuple[Callable[[Night, Rig, Beforehand], Answer], ...]] = (
    drive.periodic_error,
    drive.declination_backlash,
    shaken.guiding_noise,
    shaken.shock,
)
"""Causes that look at what the optics leave, and at the kinds of motion."""


DRAW_ALIKE: Final = ("miscollimation", "low-altitude")
"""Causes beside astigmatism that draw all stars of a field out alike, night through."""

TRAILS_LOOK_LIKE: Final = ("astigmatism", "focus-drift", "declination-backlash")
ELSEWHERE: Final = 0.3
"""Causes that the trails of a mount that stands for a part of the night look like, and the share of their frames
outside of it from which they are there as well. [dimensionless] Chosen."""
NIGHT_THROUGH: Final = 0.9
"""Share of the frames from which a mount stands all the while. Chosen: a few may not be measured."""

ALIKE: Final[tuple[tuple[tuple[str, ...], str], ...]] = (
    (
        ("polar-misalignment", "differential-flexure", "untracked"),
        "whether a guider was at work (guided = true or false in the rig file) would tell",
    ),
    (
        ("periodic-error", "guiding-noise", "declination-backlash"),
        "a run of shorter exposures over two turns of the worm would tell",
    ),
)
"""Causes that move stars alike, and what would tell them apart: where only their union is sure, the likeliest is
claimed for all of them."""

MOST_FOR_UNION: Final = 0.8
"""Confidence of such a claim at the most. Chosen: its name may be the wrong one."""

LEAST_LEFT: Final = 0.1
"""Of the squared width, beside such blurs. [dimensionless] Chosen."""


def weigh(night: Night, rig: Rig, by: Map | None = None) -> Told:
    """Ask every cause, each by itself, and settle between those that look alike; session by session.

    Parameters
    ----------
    night : Night
    rig : Rig
    by : mapping, optional
        Calibration; the one that comes with framecheck if not given.

    Returns
    -------
    findings : tuple of Finding
        Surest first, then by name.
    undecided : tuple of Undecided
        Causes that these frames can neither show nor exclude, in the order of the catalogue.

    Notes
    -----
    Focus, optics and air are decided by one model of the session (`explained_optics`). Each other cause gives the odds
    that its signs are there. Where a look-alike (`Cause.yields_to`) is there by its own signs, the first is left with
    the odds that it is there and the look-alike is not. A calibration drawn from simulated nights turns the odds into
    confidence.
    """
    return told_together(weigh_sessions(night, rig, by))


def weigh_sessions(night: Night, rig: Rig, by: Map | None = None) -> list[WeighedSession]:
    """Ask every cause about each session of a night; none without frames."""
    if not night.frames:
        return []
    by = calibration() if by is None else by
    return [_weigh_session(session, session.rig if session.rigs else rig, by) for session in by_session(night)]


def told_together(weighed: Sequence[WeighedSession]) -> Told:
    """What is found and what is left open in sessions, as `weigh` returns it."""
    if not weighed:
        return (), ()
    sessions, answers = [one.night for one in weighed], [one.answers for one in weighed]
    told = answers[0] if len(answers) == 1 else together(sessions, answers)
    findings = _beside_each_other([answer for answer in told if isinstance(answer, Finding)])
    open_ones = {answer.cause: answer for answer in told if isinstance(answer, Undecided)}
    undecided = [open_ones[name] for name in CAUSES if name in open_ones]
    return tuple(sorted(findings, key=lambda finding: (-finding.confidence, finding.cause))), tuple(undecided)


def _beside_each_other(findings: Sequence[Finding]) -> list[Finding]:
    """Without rivals that are claimed themselves: what is there as well is not the less likely explanation."""
    claimed = {one.cause for one in findings if one.confidence >= CLAIMED}
    return [
        replace(one, rivals=tuple(rival for rival in one.rivals if rival.cause not in claimed))
        if one.cause in claimed else one
        for one in findings
    ]  # fmt: skip


def _weigh_session(night: Night, rig: Rig, by: Map) -> WeighedSession:
    """What all causes answer for the frames of one session, in the order in which they are asked."""
    rig = with_tripod(night, rig)
    optics = explained_optics(night, rig)
    beforehand = found_beforehand(night, optics)
    by_model = (*optics_answers(optics), poor_seeing(night, rig, optics))
    last = (ask(night, rig, beforehand) for ask in ASKED_LAST)
    answers = {one.cause: one for one in (*(ask(night, rig) for ask in ASKED), *by_model, *last)}
    others = [answers[cause] for cause in DRAW_ALIKE]
    answers["astigmatism"] = alike.astigmatism(answers["astigmatism"], others, night, beforehand)
    answers |= _beside_trails([answers[cause] for cause in TRAILS_LOOK_LIKE], answers["untracked"], len(night.frames))
    settled = {cause: _settle(answer, answers, by) for cause, answer in answers.items()}
    for causes, tells in ALIKE:
        settled |= claimed_together([settled[cause] for cause in causes], tells)
    if blur := _blur(settled.values()):
        settled["oversampled"] = _settle(camera.oversampled(night, rig, blur), answers, by)
    setting = setting_of(night, rig)
    fitted = [_fitted(answer, setting) for answer in settled.values()]
    return WeighedSession(night, fitted, optics, alike.drawn_by_optics(night, beforehand))


def claimed_together(answers: Sequence[Answer], tells: str) -> dict[str, Answer]:
    """Claim the likeliest of causes that look alike if each is open and their union is not; empty otherwise."""
    found = sorted((one for one in answers if isinstance(one, Finding)), key=lambda one: -one.confidence)
    union = sum(one.confidence for one in found)
    if len(found) < 2 or found[0].confidence >= CLAIMED or union < CLAIMED:
        return {}
    best, others = found[0], found[1:]
    named = " or ".join(CAUSES[one.cause].title.lower() for one in others)
    said = Evidence(
        statement=f"one of these is there, but these frames can't tell it from {named}: {tells}; by itself it has",
        value=100 * best.confidence, unit="percent",
    )  # fmt: skip
    rivals = [one for one in best.rivals if one.cause not in {other.cause for other in others}]
    alike = [Rival(cause=one.cause, why_less_likely="not ruled out: it moves the stars the same way") for one in others]
    return {
        best.cause: replace(
            best, confidence=min(union, MOST_FOR_UNION), evidence=(*best.evidence, said), rivals=(*rivals, *alike)
        )
    }  # fmt: skip


def _beside_trails(answers: Sequence[Answer], untracked: Answer, n_frames: int) -> dict[str, Answer]:
    """Causes seen in hardly any frames but those in which the mount stood; less likely by as much as that is sure."""
    if not isinstance(untracked, Finding) or untracked.log_odds is None:
        return {}
    if len(untracked.affected) > NIGHT_THROUGH * n_frames:
        return {}
    return {
        one.cause: replace(one, log_odds=all_of(one.log_odds, -untracked.log_odds))
        for one in answers
        if isinstance(one, Finding) and one.log_odds is not None
        and len(one.affected - untracked.affected) < ELSEWHERE * len(one.affected)
    }  # fmt: skip


def _blur(answers: Iterable[Answer]) -> float:
    """Share of the squared width that claimed blurs make of the sharper frames' stars."""
    left, widening = 1.0, causes_with("widens every frame")
    for answer in answers:
        if isinstance(answer, Finding) and answer.cause in widening and answer.confidence >= CLAIMED:
            left *= 1 - (answer.cost or 0.0)
    return 1 - max(left, LEAST_LEFT)


def _fitted(answer: Answer, setting: Equipment) -> Answer:
    """Without the cures that cannot be meant for this mount and camera."""
    return replace(answer, cures=setting.fitting(answer.cures)) if isinstance(answer, Finding) else answer


def _settle(answer: Answer, answers: dict[str, Answer], by: Map) -> Answer:
    """An answer after its look-alikes have spoken, with calibrated confidence."""
    if not isinstance(answer, Finding) or answer.log_odds is None:
        return answer
    odds, rivals = answer.log_odds, answer.rivals
    for stronger, why in () if answer.stands else CAUSES[answer.cause].yields_to:
        other = answers.get(stronger)
        if isinstance(other, Finding) and other.log_odds is not None and not other.stands:
            odds = all_of(odds, -other.log_odds)
            if other.log_odds < 0:  # hardly there: what the cause itself says of it stands
                continue
            rivals = tuple(rival for rival in rivals if rival.cause != stronger)
            rivals = (*rivals, Rival(cause=stronger, why_less_likely=f"it is not less likely: {why}"))
    confidence = calibrated(answer.cause, odds, by)
    if confidence < LEAST_CONFIDENCE:
        return Healthy(cause=answer.cause, evidence=answer.evidence, log_odds=odds)
    return replace(answer, confidence=confidence, log_odds=odds, rivals=rivals)
