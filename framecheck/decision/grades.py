"""Grades: which frames to keep, from what each adds to the stack and what it takes from its sharpness.

A grade follows from the frame's benefit (`night.benefit`): what adding it changes of the stack's depth and detail. The
aim says which of them counts. Only three things are judged by themselves, since no weight puts them right: stars drawn
out to lines, most of the light's worth lost (to cloud, to a bright sky or to low altitude: one rule for all), and stars
that match no other frame's.
"""

from dataclasses import dataclass
from pathlib import Path
from statistics import median
from typing import Final, Literal, get_args

import numpy as np

from framecheck.motion.night import Night
from framecheck.night.benefit import SURE_SIGMA, Balance, break_even_width, weigh
from framecheck.night.records import Group, NightFrame
from framecheck.night.stack import growing_stack, stackable

Aim = Literal["depth", "balanced", "detail"]
GradeName = Literal["keep", "doubtful", "reject"]
GRADES: Final = get_args(GradeName)
Judged = tuple[GradeName, str, str]
"""A verdict, its reason in two words for a table, and in a sentence with numbers."""

SHARE_OF_DETAIL: Final = {"depth": 0.0, "balanced": 0.5, "detail": 1.0}
"""Part of the benefit that detail makes; depth makes the rest. Chosen: the two ends and their middle."""

LITTLE: Final = 0.25
"""A benefit below this is doubtful. Chosen: such a frame brings less than a quarter of what its light could."""

DRAWN_OUT: Final = 2.0
"""Elongation from which stars are lines to any eye, whatever the other frames are like. Chosen."""

PLAINLY_LONG: Final = 1.5
"""Elongation from which a frame is doubtful if it stands out of the stack by it: it shows at first sight. Common
practice, no source."""

STANDS_OUT: Final = 1.2
"""Elongation over that of the stack from which a frame's stars are called drawn out. Chosen."""

HELPS: Final = 0.25
"""Share of what an ideal frame adds, below which a frame is doubtful. A cloud that lets half the light through leaves
as much: averaged with equal weights such a frame lowers the stack's SNR, since d ln(SNR²) = 2 T / (sum of T) - 1 / n.
Closed form."""

HARDLY_ADDS: Final = 0.09
"""The same share below which a frame is rejected, as under a cloud that lets 0.3 of the light through: it adds next to
nothing, and cloud or moonlight leave an uneven sky, which no weight takes away. Common practice, no source."""

TAKES_PART: Final = 0.8
"""A loss that leaves more than this is not named beside others. Chosen."""

FEW_STARS: Final = 0.4
"""Share of the group's usual number of stars below which a frame that cannot be compared was clouded. Chosen."""

BLURRED: Final = 1.5
"""Width against the group's from which a frame that cannot be compared is out of focus or badly blurred. Chosen."""

FAR_OUT_OF_FOCUS: Final = 2.0
"""Width against the stack's from which focus is named first: the air alone seldom doubles it in a night. Chosen."""

LOW_AIRMASS: Final = 2.0
"""Air mass from which it is named beside a loss of light: below 30 degrees of altitude. Chosen."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Grade:
    """What to do with a frame, and why."""

    file: Path
    grade: GradeName
    reasons: tuple[str, ...]
    """Sentences with numbers; at least one unless the frame is kept."""
    tag: str = ""
    """The first of them in two or three words; empty without."""
    depth_gain_percent: float | None = None
    """What the frame adds to the effective exposure of the stack of the other frames kept; negative if it spoils more
    than its light brings; None if it cannot be stacked or nothing else is kept."""
    width_cost_percent: float | None = None
    """By how much it widens that stack's stars; negative if it sharpens them."""
    benefit: float | None = None
    """Under the aim chosen: 1 for a frame like the stack, 0 where it is as good left out."""


def grade_frames(night: Night, aim: Aim = "balanced") -> tuple[Grade, ...]:
    """Grade every measured frame of a night.

    Parameters
    ----------
    night : Night
    aim : {"depth", "balanced", "detail"}
        What the stack is for: the faintest light, the finest detail, or both alike.

    Returns
    -------
    tuple of Grade
        In the order of `night.frames`.

    Raises
    ------
    ValueError
        If there is no such aim.
    """
    if aim not in SHARE_OF_DETAIL:
        raise ValueError(f"aim must be one of {', '.join(SHARE_OF_DETAIL)}, not {aim!r}")
    grades: dict[int, Grade] = {}
    for group in night.groups:
        grades |= _grade_group(night, group, aim)
    return tuple(grades[i] for i in range(len(night.frames)))


@dataclass(frozen=True, kw_only=True, slots=True)
class StackCurve:
    """What a stack gains and loses as frames are left out, the worst first; entry k is the stack without k of them."""

    left_out: tuple[int, ...]
    """Indices in `Night.frames`, in the order in which they are left out; the last frame stays."""
    n_kept: tuple[int, ...]
    effective_exposure_s: tuple[float, ...]
    """Seconds of ideal frames that show equally faint stars."""
    fwhm_px: tuple[float, ...]
    elongation: tuple[float, ...]


def stack_curve(night: Night, group: Group, aim: Aim = "balanced") -> StackCurve:
    """Depth and star of a group's stack as frames are left out, worst first.

    Parameters
    ----------
    night : Night
    group : Group
        One of `night.groups`.
    aim : {"depth", "balanced", "detail"}
        What makes a frame bad.

    Returns
    -------
    StackCurve
        Empty if no frame of the group can be stacked.
    """
    balance = _balance(night, group, aim)
    if balance is None:
        return StackCurve(left_out=(), n_kept=(), effective_exposure_s=(), fwhm_px=(), elongation=())
    # light times benefit is what a frame brings; the worst has most to take away
    order = np.argsort(-balance.benefit * balance.frames.light_s, kind="stable")
    stacks = growing_stack(balance.frames, order)
    indices = balance.frames.frames[order]
    return StackCurve(
        left_out=tuple(int(i) for i in indices[:0:-1]),
        n_kept=tuple(range(len(order), 0, -1)),
        effective_exposure_s=tuple(stacks.depth_s[::-1].tolist()),
        fwhm_px=tuple(stacks.fwhm_px[::-1].tolist()),
        elongation=tuple(stacks.elongation[::-1].tolist()),
    )


@dataclass(frozen=True, kw_only=True, slots=True)
class _Usual:
    """What is usual in a group, to tell an unusual frame by."""

    n_found: float
    fwhm_px: float | None
    best_fwhm_px: float | None
    best_noise_adu: float | None
    best_airmass: float | None
    """The lowest."""
    reference: str
    scale_arcsec: float | None

    def width(self, fwhm_px: float) -> str:
        """A width with its unit."""
        arcsec = "" if self.scale_arcsec is None else f" ({fwhm_px * self.scale_arcsec:.1f}″)"
        return f"{fwhm_px:.1f} px{arcsec}"


def _usual(night: Night, group: Group) -> _Usual:
    frames = [night.frames[i] for i in group.members]
    registered = [frame for frame in frames if frame.registration is not None] or frames
    return _Usual(
        n_found=median(frame.result.stars.n_found for frame in registered),
        fwhm_px=group.median_fwhm_px,
        best_fwhm_px=group.best_fwhm_px,
        best_noise_adu=group.best_noise_adu,
        best_airmass=min((frame.airmass for frame in registered if frame.airmass is not None), default=None),
        reference=night.frames[group.reference].result.exposure.file.name,
        scale_arcsec=night.rig_of(group.session).pixel_scale_arcsec,
    )


def _grade_group(night: Night, group: Group, aim: Aim) -> dict[int, Grade]:
    """Grades of one group's frames by their index in the night."""
    usual, balance = _usual(night, group), _balance(night, group, aim)
    rows = {} if balance is None else {int(frame): row for row, frame in enumerate(balance.frames.frames)}
    grades = {}
    for i in group.members:
        frame = night.frames[i]
        judged = _by_itself(frame, usual)
        if len(group.members) == 1:
            if not judged:
                judged = [
                    (
                        "keep",
                        "only one",
                        "The only frame of its target, filter and exposure: nothing to compare it with.",
                    )
                ]
            grades[i] = _grade(frame, judged)
        elif balance is None or i not in rows:
            grades[i] = _grade(frame, judged or _without_pattern(frame, usual))
        else:
            if not any(verdict == "reject" for verdict, _, _ in judged):
                judged += _in_stack(frame, usual, balance, rows[i], aim)
            grades[i] = _grade(frame, judged, balance, rows[i])
    return grades


def _balance(night: Night, group: Group, aim: Aim) -> Balance | None:
    """What the group's frames bring beside each other; those that no weight puts right are not stacked."""
    frames, usual = stackable(night.frames, group), _usual(night, group)
    if not len(frames.frames):
        return None
    spoilt = [any(v == "reject" for v, _, _ in _by_itself(night.frames[i], usual)) for i in frames.frames]
    return weigh(frames, SHARE_OF_DETAIL[aim], ~np.array(spoilt))


def _grade(frame: NightFrame, judged: list[Judged], balance: Balance | None = None, row: int = 0) -> Grade:
    """The worst verdict, with the reasons for it and for any other doubt."""
    verdicts = {verdict for verdict, _, _ in judged}
    worst: GradeName = "reject" if "reject" in verdicts else "doubtful" if "doubtful" in verdicts else "keep"
    told = [(tag, reason) for verdict, tag, reason in judged if verdict == worst or verdict != "keep"]
    gain = cost = benefit = None
    if balance is not None and np.isfinite(balance.depth_gain[row]):
        gain, cost = 100 * float(balance.depth_gain[row]), 100 * float(balance.width_cost[row])
        benefit = float(balance.benefit[row])
    return Grade(
        file=frame.result.exposure.file,
        grade=worst,
        reasons=tuple(reason for _, reason in told),
        tag=told[0][0] if told else "",
        depth_gain_percent=gain,
        width_cost_percent=cost,
        benefit=benefit,
    )


def _by_itself(frame: NightFrame, usual: _Usual) -> list[Judged]:
    """What speaks against a frame whatever the stack is like."""
    judged = [_few_stars(frame, usual), _doubled(frame), _drawn_out(frame), _little_light(frame, usual)]
    return [one for one in judged if one is not None]


def _few_stars(frame: NightFrame, usual: _Usual) -> Judged | None:
    stars = frame.result.stars
    if frame.result.shape is not None:
        return None
    if stars.n_found >= FEW_STARS * usual.n_found:
        return (
            "reject",
            "no good star",
            (f"None of its {stars.n_found} detections could be measured: badly out of focus, shaken, or no stars."),
        )
    return (
        "reject",
        "few stars",
        (f"Only {stars.n_found} stars, {usual.n_found:.0f} are typical: cloud, dew or a covered telescope."),
    )


def _doubled(frame: NightFrame) -> Judged | None:
    stars = frame.result.stars
    if stars.doubled_px is None:
        return None
    apart, share = float(np.hypot(*stars.doubled_px)), 100 * (stars.doubled_share or 0.0)
    return (
        "reject",
        "double stars",
        (
            f"Double stars, {apart:.0f} px apart, {share:.0f} % of the light in the fainter one: the mount was bumped, "
            "or a cable snagged."
        ),
    )


def _drawn_out(frame: NightFrame) -> Judged | None:
    shape = frame.result.shape
    if shape is None or not shape.elongation >= DRAWN_OUT:
        return None
    if not shape.elongation - SURE_SIGMA * shape.elongation_error >= PLAINLY_LONG:  # nor if its error is unknown
        return None
    trail = shape.trail_length_px
    length = "" if trail is None else f" {trail:.0f} px"
    return (
        "reject",
        f"trailed{length}",
        f"Stars trailed{length}, elongation {shape.elongation:.1f}: they moved in the exposure. "
        "Up to 1.2 is hardly seen.",
    )


def _little_light(frame: NightFrame, usual: _Usual) -> Judged | None:
    """A frame that lost most of what its light could add, to whatever took it: cloud, a bright sky, or low altitude."""
    losses = _losses(frame, usual)
    left = float(np.prod([share for share, _ in losses]))
    if left >= HELPS:
        return None
    took = [seen for share, seen in losses if share < TAKES_PART]
    share = f"only {100 * left:.0f} %" if left >= 0.01 else "less than 1 %"
    lost = f"Adds {share} of what a frame adds in the group's best conditions: {'; '.join(took)}."
    tag = f"worth {100 * left:.0f} %" if left >= 0.01 else "worth nothing"
    if left < HARDLY_ADDS:
        return "reject", tag, f"{lost} A frame helps from {100 * HELPS:.0f} %."
    return "doubtful", tag, f"{lost} Below {100 * HELPS:.0f} % it helps only in a stack weighted by noise."


def _losses(frame: NightFrame, usual: _Usual) -> list[tuple[float, str]]:
    """What each loss leaves of a frame's worth (as in `night.worth`), and how it was seen."""
    light, noise, air = frame.transparency, frame.result.sky.noise_adu, frame.airmass
    if light is None:
        return []
    low = 0.0 if air is None or air <= LOW_AIRMASS else air
    why = "cloud, haze or dew" + (f", or the low altitude (air mass {low:.1f})" if low else "")
    losses = [(light**2, f"{100 * light:.0f} % of the clearest frames' starlight came through ({why})")]
    if usual.best_noise_adu is not None and noise > 0:
        share = (usual.best_noise_adu / noise) ** 2
        why = "moon, twilight or lamps" + (", or the low altitude" if low else "")
        losses.append((share, f"the sky's noise is {share**-0.5:.1f} times that of the darkest frames ({why})"))
    if low and usual.best_airmass is not None and usual.best_fwhm_px is not None and frame.result.shape is not None:
        blurred = min(usual.best_fwhm_px / frame.result.shape.fwhm_px, 1.0) ** 2
        share = max(blurred, min(usual.best_airmass / low, 1.0) ** 1.2)  # other blur is weighed in the stack
        losses.append((share, f"the air is {share**-0.5:.1f} times as unsteady as higher up (air mass {low:.1f})"))
    return losses


def _without_pattern(frame: NightFrame, usual: _Usual) -> list[Judged]:
    """Why a frame that cannot be compared with its group is doubtful or worse."""
    n_found, shape = frame.result.stars.n_found, frame.result.shape
    if frame.registration is not None:
        return [("doubtful", "few stars", "Too few good stars in common with the other frames to compare their light.")]
    lost = f"Its stars don't match those of {usual.reference}, so it can't be aligned"
    if n_found < FEW_STARS * usual.n_found:
        why = f": only {n_found} stars, {usual.n_found:.0f} are typical; cloud, dew or a covered telescope."
        return [("reject", "no match", lost + why)]
    if shape is not None and usual.fwhm_px is not None and shape.fwhm_px > BLURRED * usual.fwhm_px:
        why = f": they are {usual.width(shape.fwhm_px)} wide, {usual.width(usual.fwhm_px)} is typical; out of focus?"
        return [("reject", "no match", lost + why)]
    return [("doubtful", "no match", f"{lost}, though they look fine: another part of the sky?")]


def _in_stack(frame: NightFrame, usual: _Usual, balance: Balance, row: int, aim: Aim) -> list[Judged]:
    """Whether a frame's sharpness costs the stack more than its light brings."""
    benefit, error, shape = balance.benefit[row], balance.error[row], frame.result.shape
    assert shape is not None
    break_even = break_even_width(SHARE_OF_DETAIL[aim])
    ratio = shape.fwhm_px / balance.fwhm_px
    long = shape.elongation > STANDS_OUT * balance.elongation
    tag = f"elong. {shape.elongation:.1f}"
    seen = f"Elongated stars, {shape.elongation:.2f} (the stack of kept frames: {balance.elongation:.2f})"
    if benefit >= LITTLE:
        if aim == "depth" or not long or shape.elongation < PLAINLY_LONG:
            return []
        return [("doubtful", tag, f"{seen}: its light helps, but makes the stack's stars less round.")]
    if not long or ratio >= break_even:
        why = "out of focus" if ratio > FAR_OUT_OF_FOCUS else "focus, unsteady air or shaking"
        tag = f"blurred {shape.fwhm_px:.1f} px"
        seen = (
            f"Stars {usual.width(shape.fwhm_px)} wide, {usual.width(balance.fwhm_px)} in the stack of kept frames "
            f"({why}); a round frame helps up to {usual.width(break_even * balance.fwhm_px)}"
        )
    if benefit < -SURE_SIGMA * error:
        return [("reject", tag, f"{seen}: it blurs the stack more than its light is worth.")]
    return [("doubtful", tag, f"{seen}: what its light adds and its blur takes nearly cancel.")]
