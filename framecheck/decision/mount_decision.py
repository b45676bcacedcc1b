"""Would a better mount pay? The answer, why, and what to try first."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from framecheck.causes.catalogue import CAUSES
from framecheck.causes.result import CLAIMED, Finding, Undecided
from framecheck.causes.setting import Equipment, setting_of
from framecheck.decision.budget import Budget
from framecheck.decision.grades import Grade
from framecheck.decision.records import MountAnswer, MountDecision, WhatIf, WhatIfCase
from framecheck.motion.night import Night
from framecheck.motion.tracking import Tracking
from framecheck.night.records import Group

WORTH_FWHM: Final = 0.1
"""[share] Narrower stars from which a gain is worth having. Chosen."""
WORTH_EXPOSURE: Final = (1 + WORTH_FWHM) ** 2 - 1
"""[share] The same as effective exposure (closed form for the sky's noise)."""

NOT_EXCLUDED: Final = 0.16
"""[share] Narrower stars that the frames may leave possible while the mount is still called good enough. Chosen."""

ELSEWHERE_COST: Final = 0.1
"""[share] Cost from which something else than the mount is named beside an answer that it is good enough. Chosen."""

TELLING: Final = 0.5
"""[share] Part of the gain that shorter exposures must bring for them to be the cure. Chosen."""

FEWEST_FRAMES: Final = 4
LADDER: Final = 6
"""Rungs that are told. Chosen: more are not read."""

_NEVER_SEEN: Final = (
    "Frames do not show balance, cables, or play in guide scope and focuser: check these before buying."
)


_UNGUIDED: Final = (
    CAUSES["untracked"].cures[0],
    CAUSES["polar-misalignment"].cures[0],
    "Shorten the exposures until the stars are round.",
    "Balance the axes and free the cables.",
    *CAUSES["periodic-error"].cures[1:3],
)
"""Where motion is plain and its cause is not."""

_HEAVY: Final = (
    "A heavier mount is a heavier load: support it before you loosen anything, keep fingers and feet clear, and leave "
    "a pier, its footing and mains power to whoever local rules ask for."
)


@dataclass(frozen=True, slots=True)
class _Case:
    """What the answer rests on."""

    night: Night
    tracking: Tracking
    findings: tuple[Finding, ...]
    undecided: tuple[Undecided, ...]
    budget: Budget
    cases: tuple[WhatIf, ...]

    def what_if(self, case: WhatIfCase) -> WhatIf:
        return next(one for one in self.cases if one.case == case)

    @property
    def more_exposure(self) -> float:
        """By how much perfect tracking would raise the effective exposure; infinite if nothing is kept now."""
        now, then = (
            self.what_if("as it was").effective_exposure_s,
            self.what_if("perfect tracking").effective_exposure_s,
        )
        if not then:
            return 0.0
        return then / now - 1 if now else float("inf")

    @property
    def worth_having(self) -> bool:
        return self.budget.gain.value >= WORTH_FWHM or self.more_exposure >= WORTH_EXPOSURE

    @property
    def surely_guided(self) -> bool:
        """Whether rig file or guiding record say so: stars that lie still are not enough to buy a mount by."""
        return self.tracking.guided is True and (self.night.rig.guided is True or self.budget.settled)

    @property
    def unit(self) -> str:
        return "″" if self.budget.unit == "arcsec" else " px"


def decide(
    night: Night, group: Group | None, grades: Sequence[Grade], findings: Sequence[Finding],
    undecided: Sequence[Undecided], budget: Budget | None, cases: Sequence[WhatIf],
) -> MountDecision:  # fmt: skip
    """Whether a better mount would buy sharper or more frames.

    Parameters
    ----------
    night : Night
    group : Group or None
        The largest.
    grades : sequence of Grade
    findings : sequence of Finding
    undecided : sequence of Undecided
    budget : Budget or None
        Of that group.
    cases : sequence of WhatIf
        The night as it was, and as it would have been.

    Returns
    -------
    MountDecision
        About the mount alone: not needed where perfect tracking would gain too little, whatever else spoils the night;
        an upgrade is justified only where it would gain, and what costs little is in place or excluded by the frames.
    """
    kept = sum(grade.grade == "keep" for grade in grades)
    tracking = None if group is None else night.tracking.get(group.id)
    if budget is None or tracking is None or not cases:
        return MountDecision(
            answer="cannot tell",
            because=("No frame has enough stars to show how the mount moved them.",),
            kept_now=kept if night.frames else None,
            what_would_settle_it=("A run of ten frames or more of one target in clear air, in focus.",),
        )
    case = _Case(night, tracking, tuple(findings), tuple(undecided), budget, tuple(cases))
    answer, headline = _answer(case)
    told = budget.unit == "arcsec"
    return MountDecision(
        answer=answer,
        because=(headline, *_reasons(case, answer)),
        ladder=tuple(ladder(answer, findings, setting_of(night, night.rig))),
        gain=budget.gain.as_range,
        tracking_rms_arcsec=budget.tracking_rms.as_range if told else None,
        needed_rms_arcsec=budget.needed_rms if told else None,
        fwhm_now_arcsec=budget.fwhm_now if told else None,
        fwhm_with_perfect_tracking_arcsec=budget.fwhm_at_rest.value if told else None,
        kept_now=kept,
        kept_with_perfect_tracking=case.what_if("perfect tracking").kept,
        what_would_settle_it=_settles(case, answer),
    )


def _answer(case: _Case) -> tuple[MountAnswer, str]:
    """The answer, and the one sentence that bears it."""
    mount = _of_mount(case.findings)
    if len(case.tracking.smears.frames) < FEWEST_FRAMES and case.budget.gain.high > WORTH_FWHM:
        return "cannot tell", "Too few frames show how the mount behaves from one to the next."
    if not case.worth_having:
        if case.budget.gain.high > NOT_EXCLUDED:
            return "cannot tell", (
                "The frames can't tell the air's blur from a mount that shakes the same way in all directions."
            )
        return "not needed", _small(case)
    cheap = [one for one in mount if one.cause != "guiding-noise"]
    if cheap:
        return "fix technique first", _named(cheap[0], "its fixes cost little or nothing and come first")
    if mount:
        return _of_noise(case)
    if case.tracking.guided is False:
        return "fix technique first", (
            "The mount runs unguided, and its motion blurs the stars: alignment, shorter exposures and a guider come "
            "before another mount."
        )
    return "cannot tell", (
        "The stars are blurred by a motion whose cause is not plain, so there may still be a free fix."
    )


def _of_noise(case: _Case) -> tuple[MountAnswer, str]:
    """The mount errs at random: a better one is the cure if nothing cheaper is left."""
    if case.tracking.guided is False:
        return "fix technique first", "The mount errs, and it is not guided yet: guiding comes before another mount."
    if _shorter_is_enough(case):
        return "fix technique first", "Shorter exposures would bring most of what a better mount would."
    if not case.surely_guided:
        return "cannot tell", (
            "The mount errs at random; whether it was guided is not known, and if not, a guider is the fix."
        )
    if case.budget.tracking_rms.low <= case.budget.needed_rms and case.budget.gain.low < WORTH_FWHM / 2:
        return "cannot tell", "The mount errs at random, but how much of the blur is its own is not known well enough."
    return "upgrade justified", (
        "The mount errs at random though it is guided, and the frames leave no cheaper cause to blame."
    )


def _shorter_is_enough(case: _Case) -> bool:
    """Whether half the exposure sharpens the stars by most of what perfect tracking does."""
    short, perfect = (case.what_if(name).narrower for name in ("half the exposure time", "perfect tracking"))
    return perfect > 0 and short / perfect >= TELLING


def _named(finding: Finding, so: str) -> str:
    seen = CAUSES[finding.cause].seen_as or CAUSES[finding.cause].title.lower()
    return f"The frames show {seen} ({100 * finding.confidence:.0f} % sure); {so}."


def _small(case: _Case) -> str:
    rms, needed = case.budget.tracking_rms, case.budget.needed_rms
    return (
        f"Tracking error {rms.value:.2f}{case.unit} rms on each axis ({rms.low:.2f} to {rms.high:.2f}); you need "
        f"{needed:.2f}{case.unit} or better, which widens stars by a tenth."
    )


def _reasons(case: _Case, answer: MountAnswer) -> list[str]:
    """Numbers against what would be good."""
    budget, reasons = case.budget, []
    if answer != "not needed":
        reasons.append(_small(case))
    elif (other := _elsewhere(case.findings)) is not None:
        reasons.append(_named(other, "its fixes are listed with it, and none is a new mount"))
    share = {term.term: 100 * (term.share or 0.0) for term in budget.terms}
    reasons.append(
        f"Of the squared star width the mount's motion makes {share['tracking']:.0f} %, the air "
        f"{share['atmosphere']:.0f} %, focus and optics {share['focus and optics']:.0f} %, pixels and diffraction "
        f"{share['pixel'] + share['diffraction']:.0f} %."
    )
    reasons.append(case.what_if("perfect tracking").sentence)
    if answer == "upgrade justified":
        reasons += _already_done(case)
    return reasons


def _already_done(case: _Case) -> list[str]:
    """Which free cures the frames exclude."""
    open_ones = {one.cause for one in case.undecided}
    causes = ("polar-misalignment", "periodic-error", "declination-backlash", "differential-flexure", "shock")
    excluded = [CAUSES[name].title.lower() for name in causes if name not in open_ones]
    said = [f"The frames rule out {', '.join(excluded)}."] if excluded else []
    half = case.what_if("half the exposure time")
    wanted = f"{case.budget.needed_rms:.2f}{case.unit}"
    return [
        *said,
        half.sentence,
        f"A mount that holds {wanted} rms on each axis under this load is enough.",
        _NEVER_SEEN,
    ]


def ladder(answer: MountAnswer, findings: Sequence[Finding], setting: Equipment) -> list[str]:
    """What to try before another mount, the cheapest of each cause first.

    Parameters
    ----------
    answer : str
        Of the decision: nothing is to be tried where a mount is "not needed".
    findings : sequence of Finding
        Of them only those of the mount: focus and optics have cures of their own.
    setting : Equipment
        What is known of the mount: a guider is not tuned where there is none.

    Returns
    -------
    list of str
        At most six sentences; the first is what to do first.
    """
    if answer == "not needed":
        return []
    cures = [setting.fitting(one.cures or CAUSES[one.cause].cures) for one in _of_mount(findings)]
    if not cures and setting.guided is False:
        cures = [setting.fitting(_UNGUIDED)]
    rungs = [steps[k] for k in range(max(map(len, cures), default=0)) for steps in cures if k < len(steps)]
    return list(dict.fromkeys(rungs))[:LADDER]


def cautions(answer: MountAnswer, findings: Sequence[Finding]) -> list[str]:
    """What to mind while following the advice: at most two, those of what is to be cured first."""
    told = [one.caution for one in _of_mount(findings) if one.caution] if answer != "not needed" else []
    if answer == "upgrade justified":
        told = [_HEAVY, *told]
    return list(dict.fromkeys(told))[:2]


def _of_mount(findings: Sequence[Finding]) -> list[Finding]:
    """Claimed faults of the mount, the costliest first."""
    claimed = [
        one for one in findings
        if one.confidence >= CLAIMED and CAUSES[one.cause].family == "mount" and not CAUSES[one.cause].advice
    ]  # fmt: skip
    return sorted(claimed, key=lambda one: -(one.cost or 0.0) * one.confidence)


def _elsewhere(findings: Sequence[Finding]) -> Finding | None:
    """The costliest claimed cause outside the mount, if it costs much."""
    others = [
        one for one in findings
        if one.confidence >= CLAIMED and CAUSES[one.cause].family != "mount" and (one.cost or 0.0) >= ELSEWHERE_COST
    ]  # fmt: skip
    return max(others, key=lambda one: (one.cost or 0.0) * one.confidence, default=None)


def _settles(case: _Case, answer: MountAnswer) -> tuple[str, ...]:
    """Measurements that would make the answer surer, the cheapest first."""
    steps = []
    if case.tracking.guided is None or (answer == "cannot tell" and not case.surely_guided):
        steps.append("Say in the rig file whether a guider was at work (guided = true or false).")
    if case.budget.unit == "px":
        steps.append("Give focal length and pixel size in the rig file: without them nothing is known in arcseconds.")
    wide = case.budget.tracking_rms.high > 1.5 * max(case.budget.tracking_rms.value, 1e-9)
    if not case.budget.settled and (answer == "cannot tell" or (wide and answer == "upgrade justified")):
        steps += [
            "A guiding record of the same night would show how much of the round blur is the mount's.",
            "Some exposures of a second or two beside the long ones show the star without the mount's slow motion.",
        ]
    if answer == "cannot tell":
        names = {
            "periodic-error",
            "polar-misalignment",
            "declination-backlash",
            "differential-flexure",
            "shock",
            "defocus",
        }
        steps += [
            f"{CAUSES[one.cause].title}: {one.what_would_settle_it}." for one in case.undecided if one.cause in names
        ]
    return tuple(dict.fromkeys(steps))[:5]
