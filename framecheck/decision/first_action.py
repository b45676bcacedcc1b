"""What to do first, with the number that says how much of it."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final

from framecheck.causes.catalogue import CAUSES, caution_of
from framecheck.causes.result import CLAIMED, Finding
from framecheck.decision.judged import Judged
from framecheck.decision.morning import FirstAction
from framecheck.motion.rhythm import swing_inside
from framecheck.motion.standing import standing_camera
from framecheck.night.records import Group
from framecheck.words import arcminutes, clause, counted, duration, fixed, number, sentence

ON_TRIPOD: Final = next(fix.step for fix in CAUSES["untracked"].fixes if fix.needs == "a fixed tripod")

COSTS_MUCH: Final = 0.02
"""[share] Chosen: what costs less is not worth a night's work."""

_EXPOSURES_S: Final = (1, 2, 3, 4, 5, 8, 10, 15, 20, 30, 40, 45, 60, 90, 120, 180, 240, 300, 480, 600, 900)
"""[s] Chosen: what one sets on a camera."""
_SHORTEST_S: Final = 5
"""[s] Chosen: exposures shorter than that are no cure but a burden; the next cure comes first then."""


def limiting(judgement: Judged) -> list[Finding]:
    """Claimed findings that a night suffers from, the costliest first: a trail across one frame limits no night."""
    half = len(judgement.night.frames) / 2
    claimed = [
        one
        for one in judgement.findings
        if one.confidence >= CLAIMED and (one.frames_affected >= half if one.cost is None else one.cost >= COSTS_MUCH)
    ]
    return sorted(claimed, key=lambda one: -(one.cost or 0.0))


def first_action(judgement: Judged, n_stack: int) -> FirstAction:
    """The first fix of the costliest cause that has one; else what to stack.

    Parameters
    ----------
    judgement : Judged
    n_stack : int
        Frames worth stacking.
    """
    finding = next((one for one in limiting(judgement) if one.cures), None)
    if finding is None:
        return _nothing_to_fix(judgement, n_stack)
    made = _WITH_NUMBERS.get(finding.cause, _as_listed)(_Known(judgement, finding))
    return made or _as_listed(_Known(judgement, finding))


def _nothing_to_fix(judgement: Judged, n_stack: int) -> FirstAction:
    if not judgement.night.frames:
        return FirstAction(todo="Copy the frames again", because="none of them could be measured")
    if n_stack == 0:
        return FirstAction(todo="Look at why each frame was rejected", because="none of them is worth stacking")
    every = n_stack == len(judgement.night.frames)
    which = "the one frame" if n_stack == 1 else f"{'all' if every and n_stack > 2 else 'the'} {n_stack} frames"
    return FirstAction(todo=f"Stack {which}", because="nothing we found is worth fixing first")


@dataclass(frozen=True, slots=True)
class _Known:
    judgement: Judged
    finding: Finding

    @property
    def group(self) -> Group | None:
        """The largest."""
        return max(self.judgement.night.groups, key=lambda group: len(group.members), default=None)

    def action(self, todo: str, because: str, like: str | None = None) -> FirstAction:
        """`like` is the listed fix that it stands for, whose caution it has."""
        caution = None if like is None else caution_of(like)
        return FirstAction(todo=todo, because=because, cause=self.finding.cause, caution=caution)


def _as_listed(known: _Known, cure: int = 0) -> FirstAction:
    """One of its fixes as it is listed, with the first measured number as the reason."""
    fix = known.finding.cures[cure]
    return known.action(sentence(fix).rstrip("."), _measured(known.finding), like=fix)


def _measured(finding: Finding) -> str:
    """The first number that speaks for a cause, beside what is normal."""
    seen = finding.first_measured
    if seen is None:
        return f"{counted(finding.frames_affected, 'frame')} affected"
    value = seen.measured
    normal = f" (normal: {seen.normal})" if seen.normal and seen.expected_if_healthy != 0 else ""
    hole = next((hole for hole in _HOLES if hole in seen.statement), None)
    text = f"{seen.statement} {value}" if hole is None else seen.statement.replace(hole, value)
    return clause(text) + normal


_HOLES: Final = ("so many pixels", "as many pixels", "so much")
"""Words of a statement that its value stands for."""


def _shorter_than_the_period(known: _Known) -> FirstAction | None:
    """The exposure in which a periodic error stays as small as the tracking needs to be."""
    mount, tracking, group = known.judgement.mount_decision, known.judgement.tracking, known.group
    now, needed, period = mount.tracking_rms_arcsec, mount.needed_rms_arcsec, tracking.period_s
    exposure = None if group is None else group.exposure_s
    if now is None or not now.value or needed is None or not period or not exposure:
        return None
    every = f"the error repeats every {number(period)} s"
    if now.value <= needed:
        return None
    short = max((t for t in _EXPOSURES_S if _error_left(t, exposure, period) * now.value <= needed), default=0)
    if short < _SHORTEST_S:
        return _as_listed(known, 1) if len(known.finding.cures) > 1 else None
    if short >= exposure:
        return None
    left = fixed(_error_left(short, exposure, period) * now.value, 2)
    return known.action(
        f"Expose {short:g} s instead of {exposure:g} s",
        f"{every}, and that leaves {left}″ of the {fixed(now.value, 2)}″ of tracking error",
    )


def _error_left(exposure: float, before: float, period: float) -> float:
    """Part of the rms that a swing leaves inside a shorter exposure."""
    now, then = (swing_inside(t, period) for t in (before, exposure))
    return float((then / now) ** 0.5) if now > 0 else 1.0


def _to_the_pole(known: _Known) -> FirstAction | None:
    off = known.judgement.tracking.polar_error_arcmin
    if off is None or off.value is None or not known.finding.cures[0].startswith("Align"):
        return None
    between = "" if off.low is None else f" ({arcminutes(off.low)} to {arcminutes(off.high)}′)"
    fix = known.finding.cures[0]
    return known.action("Align the polar axis again", f"it is {arcminutes(off.value)}′ off the pole{between}", like=fix)


def _wait_for_focus(known: _Known) -> FirstAction:
    return known.action("Refocus every hour, or after every 2 °C", _measured(known.finding))


def _shorter_on_tripod(known: _Known) -> FirstAction | None:
    """The exposure in which stars stay within a pixel before a camera that stands still."""
    fix = known.finding.cures[0]
    camera = standing_camera(known.judgement.night) if fix == ON_TRIPOD else None
    if camera is None:
        return None
    return known.action(
        f"Expose {number(1 / camera.worst_px_per_s, 2)} s at most, or put the camera on a tracker",
        f"stars run {number(camera.worst_px_per_s)} px a second in the {camera.worst_corner} corner",
        like=fix,
    )


def _longer_than_read_noise(known: _Known) -> FirstAction | None:
    """The exposure from which the sky buries the read noise."""
    evidence, group = known.finding.evidence, known.group
    enough = next((one.value for one in evidence if one.unit == "s" and one.value), None)
    if enough is None or group is None or not group.exposure_s or enough <= group.exposure_s:
        return None
    longer = next((t for t in _EXPOSURES_S if t >= enough), None)
    if longer is None:  # not to be reached by exposure alone
        return None
    return known.action(f"Expose {longer:g} s instead of {group.exposure_s:g} s", _measured(known.finding))


def _leave_out(known: _Known) -> FirstAction:
    """Cloud: which frames lost the light."""
    names = known.finding.affected
    rejected = sum(known.judgement.grades[i].grade == "reject" for i in names)
    lost = known.judgement.night.frames
    seconds = sum(lost[i].result.exposure.exposure_s or 0.0 for i in names)
    todo = f"Reject the {counted(rejected, 'frame')} that lost most" if rejected else "Weight frames by their noise"
    return known.action(todo, f"cloud touched {counted(len(names), 'frame')}, {duration(seconds)} of exposure")


_WITH_NUMBERS: Final[Mapping[str, Callable[[_Known], FirstAction | None]]] = MappingProxyType({
    "periodic-error": _shorter_than_the_period,
    "polar-misalignment": _to_the_pole,
    "untracked": _shorter_on_tripod,
    "focus-drift": _wait_for_focus,
    "cloud": _leave_out,
    "read-noise-limited": _longer_than_read_noise,
})  # fmt: skip
"""Causes whose first fix follows from what was measured; of all others it is the first listed."""
