"""What if: the same night with perfect tracking, good guiding, shorter exposures, or a shorter focal length."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from math import pi, sin
from typing import Final

import numpy as np
from numpy.typing import NDArray

from framecheck import shear
from framecheck.causes.result import Finding
from framecheck.decision.at_rest import AtRest, at_rest, moved_star, with_round_motion
from framecheck.decision.budget import Budget
from framecheck.decision.grades import Grade, grade_frames
from framecheck.decision.judgement import Aim, WhatIf, WhatIfCase
from framecheck.decision.mount_motion import CLAIMED, goes_evenly, steady_optics_px2
from framecheck.decision.star_width import star_fwhm_arcsec
from framecheck.field.result import FrameShape
from framecheck.motion.night import Night
from framecheck.motion.tracking import Tracking
from framecheck.night.records import Group, NightFrame

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

MOST_REGRADED: Final = 400
"""Frames that are graded anew for each case, spread over the night; of more, the others follow them. Chosen: shares of
400 frames are known to some 2 %, and all five cases take no longer than grading the night itself."""

LONG_MEMORY: Final = ("polar-misalignment", "differential-flexure", "untracked", "field-rotation")
"""Causes whose motion goes on evenly: in half the exposure it is half as long."""


@dataclass(frozen=True, slots=True)
class _Stars:
    """The frames of one group that have stars, and their motion; arrays of shape (n,)."""

    frames: tuple[int, ...]
    fwhm_px: Floats
    rest_px: Floats
    """Without any motion."""
    shape_px2: Complexes
    """(a² - b²) / 2 times exp(2 i pa), in the frame's own axes, as measured."""
    moved_px2: Complexes
    """The part of it that the motion makes."""
    along_px: Floats
    """Rms of the motion along its axis."""
    beta: float
    even: bool
    """True if the motion draws lines."""
    best_px: float
    """Width of the sharpest frames."""
    halved: float
    """What is left of the motion's variance in half the exposure."""


@dataclass(frozen=True, slots=True)
class _Changed:
    """Widths and shapes of a group's frames in another night."""

    fwhm_px: Floats
    shape_px2: Complexes


Change = Callable[[_Stars], _Changed]


def what_if(
    night: Night, aim: Aim, grades: Sequence[Grade], budget: Budget | None, group: Group | None,
    findings: Sequence[Finding],
) -> tuple[WhatIf, ...]:  # fmt: skip
    """The night as it was, and as it would have been.

    Parameters
    ----------
    night : Night
    aim : {"depth", "balanced", "detail"}
        Under which frames are graded.
    grades : sequence of Grade
        Of the night as it was.
    budget : Budget or None
        Of the largest group.
    group : Group or None
        That group.
    findings : sequence of Finding
        What was found: half the exposure halves a drift, and leaves a random motion as it is.

    Returns
    -------
    tuple of WhatIf
        Empty without a budget.
    """
    if budget is None or group is None:
        return ()
    stars = {
        one.id: _stars(night, one, tracking, budget if one.id == group.id else None, findings)
        for one in night.groups
        for tracking in [night.tracking.get(one.id)]
        if tracking is not None and len(tracking.smears.frames)
    }
    judged = _Judged(night, aim, grades, {name: one for name, one in stars.items() if one is not None})
    mine = judged.stars[group.id]
    coarse = replace(budget.star, pixel_arcsec=2 * budget.star.pixel_arcsec)
    coarser = star_fwhm_arcsec(coarse) / budget.recorded_now
    needed_px = budget.needed_rms / (budget.fwhm_now / float(np.median(mine.fwhm_px)))
    changes: dict[WhatIfCase, Change] = {
        "as it was": lambda one: _Changed(one.fwhm_px, one.shape_px2),
        "perfect tracking": lambda one: _Changed(one.rest_px, one.shape_px2 - one.moved_px2),
        "guided as well as needed": lambda one: _guided(one, needed_px),
        "half the exposure time": _shorter,
        "half the focal length": lambda one: _Changed(one.fwhm_px * coarser, one.shape_px2),
    }
    before = judged.outcome(changes["as it was"])
    scale = budget.fwhm_now / float(np.median(mine.fwhm_px))
    out: list[WhatIf] = []
    for case, change in changes.items():
        outcome = judged.outcome(change)
        width = budget.fwhm_now if case == "half the focal length" else _usual(change(mine), mine) * scale
        recorded = star_fwhm_arcsec(coarse) if case == "half the focal length" else _recorded(budget, width)
        seconds = outcome.seconds
        n_frames, kept = len(night.frames), judged.scaled(outcome.kept, before.kept)
        if case == "half the exposure time":
            n_frames, kept = 2 * n_frames, 2 * kept
            seconds = None if seconds is None else seconds * _read_out_twice(night, group)
        shown = budget.unit == "arcsec"
        one = WhatIf(
            case=case, fwhm_arcsec=width if shown else None, recorded_fwhm_arcsec=recorded if shown else None,
            narrower=1 - recorded / budget.recorded_now, n_frames=n_frames, kept=kept, effective_exposure_s=seconds,
            sentence="",
        )  # fmt: skip
        out.append(replace(one, sentence=_sentence(one, out[0] if out else one, budget)))
    return tuple(out)


@dataclass(frozen=True, slots=True)
class _Outcome:
    kept: int
    """Of the frames graded anew."""
    seconds: float | None
    """Effective exposure of the kept frames, of the whole night."""


@dataclass(frozen=True, slots=True)
class _Judged:
    """A night whose frames can be given other stars and be graded again."""

    night: Night
    aim: Aim
    grades: Sequence[Grade]
    stars: Mapping[str, _Stars]

    @property
    def _chosen(self) -> list[int]:
        """Frames that are graded anew: all, or some spread over each group."""
        n = len(self.night.frames)
        if n <= MOST_REGRADED:
            return list(range(n))
        step = n / MOST_REGRADED
        spread = {group.members[int(k * step)] for group in self.night.groups
                  for k in range(int(np.ceil(len(group.members) / step)))}  # fmt: skip
        return sorted(spread | {group.reference for group in self.night.groups})

    def outcome(self, change: Change) -> _Outcome:
        """Grades and worth with the stars changed."""
        frames = list(self.night.frames)
        sharper = np.ones(len(frames))
        for one in self.stars.values():
            changed = change(one)
            # seconds are of ideal frames of the night as it was, whose stars are the sharpest there are
            most = np.maximum(one.fwhm_px / one.best_px, 1.0) ** 2
            for k, i in enumerate(one.frames):
                frames[i] = _with_star(frames[i], changed, k)
                sharper[i] = min((one.fwhm_px[k] / changed.fwhm_px[k]) ** 2, most[k])
        chosen = self._chosen
        graded = grade_frames(_part(self.night, frames, chosen), self.aim)
        # a frame that is no worse than it was is not thrown away because the others became better
        kept = [
            i for i, grade in zip(chosen, graded, strict=True)
            if grade.grade == "keep" or (self.grades[i].grade == "keep" and sharper[i] >= 1)
        ]  # fmt: skip
        worth = [sharper[i] * value for i in kept for value in [frames[i].effective_exposure_s] if value is not None]
        taken = sum(frame.result.exposure.exposure_s or 0.0 for frame in frames)
        return _Outcome(len(kept), min(float(sum(worth)) * len(frames) / len(chosen), taken) if worth else None)

    def scaled(self, kept: int, before: int) -> int:
        """Frames kept of the whole night: those kept now, and as many more as the graded part tells."""
        now = sum(grade.grade == "keep" for grade in self.grades)
        more = round((kept - before) * len(self.night.frames) / len(self._chosen))
        return min(max(now + more, 0), len(self.night.frames))


def _stars(
    night: Night, group: Group, tracking: Tracking, budget: Budget | None, findings: Sequence[Finding]
) -> _Stars | None:
    optics = steady_optics_px2(tracking, findings)
    rest = at_rest(night, tracking, optics, even=goes_evenly(findings))
    if rest is None:
        return None
    shapes = [shape for i in rest.frames for shape in [night.frames[i].result.shape] if shape is not None]
    shape_px2 = rest.fwhm_px**2 * shear.share_of([complex(shape.e1, shape.e2) for shape in shapes])
    back = shear.turning([night.frames[i].turned_deg for i in rest.frames])
    return _Stars(
        rest.frames, rest.fwhm_px, _whole_rest(rest, budget), shape_px2, (tracking.smears.spin2_px2 - optics) * back,
        np.sqrt(rest.variance_px2), rest.beta, rest.even, group.best_fwhm_px or float(rest.fwhm_px.min()),
        _left_in_half(group, tracking, findings),
    )  # fmt: skip


def _whole_rest(rest: AtRest, budget: Budget | None) -> Floats:
    """Widths without motion along an axis, nor in all directions as far as the budget counts it."""
    if budget is None:
        return rest.rest_px
    usual = float(np.median(rest.fwhm_px)) * float(np.median(rest.rest_px / rest.fwhm_px))
    still = budget.fwhm_at_rest.value / budget.fwhm_now * float(np.median(rest.fwhm_px))
    return rest.rest_px * min(still / usual, 1.0)


def _left_in_half(group: Group, tracking: Tracking, findings: Sequence[Finding]) -> float:
    """Part of the motion's variance that half the exposure leaves.

    An even motion is half as long, so a quarter is left; a swing of period P has the variance (A²/2) (1 - sinc²(t / P))
    inside an exposure t (closed form); a random motion with a short memory stays as it is.
    """
    claimed = [one for one in findings if one.confidence >= CLAIMED]
    worst = max(claimed, key=lambda one: (one.cost or 0.0) * one.confidence, default=None)
    exposure = group.exposure_s or 0.0
    rhythm = tracking.rhythm or tracking.rhythm_inside
    swings = any(one.cause == "periodic-error" for one in claimed)
    if any(one.cause in LONG_MEMORY for one in claimed) and (worst is None or worst.cause != "guiding-noise"):
        return 0.25
    if swings and rhythm is not None and exposure > 0:
        whole, half = (1 - _sinc(t / rhythm.period_s) ** 2 for t in (exposure, exposure / 2))
        return half / whole if whole > 0 else 0.25
    return 0.25 if tracking.guided is False else 1.0


def _sinc(x: float) -> float:
    return sin(pi * x) / (pi * x) if x > 0 else 1.0


def _guided(stars: _Stars, needed_px: float) -> _Changed:
    width = np.minimum(with_round_motion(stars.rest_px, needed_px**2, stars.beta), stars.fwhm_px)
    return _Changed(width, stars.shape_px2 - stars.moved_px2)


def _shorter(stars: _Stars) -> _Changed:
    """With what half the exposure leaves of the motion along its axis."""
    table = moved_star(stars.beta, "line" if stars.even else "along")
    rest = np.maximum(stars.rest_px, 1e-3)
    before, after = (
        np.interp(stars.along_px * factor / rest, table.rms, table.fwhm) for factor in (1.0, stars.halved**0.5)
    )
    width = stars.fwhm_px * after / before
    return _Changed(width, stars.shape_px2 - (1 - stars.halved) * stars.moved_px2)


def _usual(changed: _Changed, stars: _Stars) -> float:
    """Width of the usual frame."""
    return float(np.median(stars.fwhm_px)) * float(np.median(changed.fwhm_px / stars.fwhm_px))


def _recorded(budget: Budget, width: float) -> float:
    """Width with the pixel, of a star so wide before it."""
    still, now = budget.fwhm_at_rest.value, budget.fwhm_now
    if now <= still * 1.0001:
        return budget.recorded_now * width / now
    part = (width**2 - still**2) / (now**2 - still**2)
    at_rest_ = budget.recorded_at_rest.value
    return max(at_rest_**2 + part * (budget.recorded_now**2 - at_rest_**2), 1e-12) ** 0.5


def _read_out_twice(night: Night, group: Group) -> float:
    """What twice as many readouts leave of the effective exposure; 1 where the noise of one is not known."""
    read, exposure = night.rig.read_noise_e, group.exposure_s
    rates = [rate for i in group.members for rate in [night.frames[i].sky_e_per_s] if rate is not None]
    if read is None or exposure is None or not rates:
        return 1.0
    sky = max(float(np.median(rates)), 0.0) * exposure
    return (sky + read**2) / (sky + 2 * read**2) if sky + read > 0 else 1.0


def _with_star(frame: NightFrame, changed: _Changed, k: int) -> NightFrame:
    shape = frame.result.shape
    assert shape is not None
    width, spin2 = float(changed.fwhm_px[k]), complex(changed.shape_px2[k])
    e = complex(shear.e_of(spin2 / width**2))
    elongation = float(np.exp(abs(e)))
    relative = shape.fwhm_px_error / shape.fwhm_px
    other = FrameShape(
        fwhm_px=width, fwhm_px_error=relative * width, elongation=elongation,
        elongation_error=shape.elongation_error / shape.elongation * elongation,
        elongation_pa_deg=float(shear.pa_deg(e)), e1=e.real, e2=e.imag,
        moffat_beta=shape.moffat_beta, half_flux_radius_px=shape.half_flux_radius_px * width / shape.fwhm_px,
        trail_length_px=None, n_measured=shape.n_measured,
    )  # fmt: skip
    return replace(frame, result=replace(frame.result, shape=other))


def _part(night: Night, frames: Sequence[NightFrame], chosen: Sequence[int]) -> Night:
    """The night with other stars, of some of its frames."""
    place = {i: k for k, i in enumerate(chosen)}
    groups = []
    for group in night.groups:
        members = tuple(place[i] for i in group.members if i in place)
        widths = [
            shape.fwhm_px
            for i in group.members
            if i in place
            for shape in [frames[i].result.shape]
            if shape is not None
        ]
        groups.append(
            replace(
                group, members=members, reference=place[group.reference],
                median_fwhm_px=float(np.median(widths)) if widths else None,
            )
        )  # fmt: skip
    return replace(night, frames=tuple(frames[i] for i in chosen), groups=tuple(groups), motion={}, tracking={})


def _sentence(one: WhatIf, before: WhatIf, budget: Budget) -> str:
    """What it would come to, against the night as it was."""
    width = "stars as wide as before"
    if abs(one.narrower) >= 0.005:
        width = f"stars {abs(100 * one.narrower):.0f} % {'narrower' if one.narrower > 0 else 'wider'}"
    gain = None
    if one.effective_exposure_s is not None and before.effective_exposure_s:
        gain = one.effective_exposure_s / before.effective_exposure_s - 1
    worth = "" if gain is None else f", {abs(100 * gain):.0f} % {'more' if gain >= 0 else 'less'} effective exposure"
    match one.case:
        case "as it was":
            return f"{one.kept} of {one.n_frames} frames are kept."
        case "half the focal length":
            lead = "With half the focal length, the same aperture and four times the field"
        case "half the exposure time":
            lead = "With twice as many exposures half as long"
        case "guided as well as needed":
            lead = f"Guided to {budget.needed_rms:.2g}{'″' if budget.unit == 'arcsec' else ' px'} rms on each axis"
        case _:
            lead = "With perfect tracking"
    return f"{lead}: {width}{worth}, {one.kept} of {one.n_frames} frames kept."
