"""What if: the same night with perfect tracking, good guiding, shorter exposures, or a shorter focal length."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from framecheck import shear
from framecheck.causes.catalogue import causes_with
from framecheck.causes.result import CLAIMED, Finding
from framecheck.decision.budget import STEADY_MOTION, Budget, recorded_width, shapes_in
from framecheck.decision.grades import Aim, Grade, grade_frames
from framecheck.decision.records import WhatIf, WhatIfCase
from framecheck.decision.star_width import WIDENED
from framecheck.field.result import FrameShape
from framecheck.model.parts import PER_VARIANCE, Parts
from framecheck.model.responses import Response, moved
from framecheck.motion.night import Night
from framecheck.motion.rhythm import swing_inside
from framecheck.motion.tracking import Tracking
from framecheck.night.records import Group, NightFrame

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

MOST_REGRADED: Final = 400
"""Frames that are graded anew for each case, spread over the night; of more, the others follow them. Chosen: shares of
400 frames are known to some 2 %, and all five cases take no longer than grading the night itself."""

LEAST_LEFT: Final = 0.1
"""Width that is left of a star without its motion, at the least, over that with it. Chosen: below it is all motion."""

LONG_MEMORY: Final = causes_with("even motion")
"""Causes whose motion goes on evenly: in half the exposure it is half as long."""


@dataclass(frozen=True, kw_only=True, slots=True)
class _Stars:
    """The frames of one group that have stars, and their motion; arrays of shape (n,)."""

    frames: tuple[int, ...]
    fwhm_px: Floats
    shape_px2: Complexes
    """(a² - b²) / 2 times exp(2 i pa), in the frame's own axes, as measured."""
    moved_px2: Complexes
    """The part of it that the motion makes."""
    round_px2: Floats
    """What motion alike in all directions adds to the squared width."""
    along_px2: Floats
    """Variance of the motion along its axis."""
    even: bool
    """True if it draws lines."""
    best_px: float
    """Width of the sharpest frames."""
    halved: float
    """What is left of the motion's variance in half the exposure."""

    def without(self, along: Floats | float, round_: float) -> "_Changed":
        """With some shares of the motion taken out."""
        size = np.hypot(self.fwhm_px**2, np.abs(self.shape_px2))
        shape = self.shape_px2 - along * self.moved_px2
        left = np.maximum(size - along * np.abs(self.moved_px2) - round_ * self.round_px2, np.abs(shape))
        width = np.sqrt(np.sqrt(left**2 - np.abs(shape) ** 2))
        return _Changed(np.clip(width, LEAST_LEFT * self.fwhm_px, self.fwhm_px), shape)


@dataclass(frozen=True, slots=True)
class _Changed:
    """Widths and shapes of a group's frames in another night."""

    fwhm_px: Floats
    shape_px2: Complexes


Change = Callable[[_Stars], _Changed]


def what_if(
    night: Night, aim: Aim, grades: Sequence[Grade], budget: Budget | None, group: Group | None,
    parts: Mapping[str, Parts], findings: Sequence[Finding],
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
    parts : mapping of str to Parts
        What the stars of each group are made of, by its id; other groups stay as they were.
    findings : sequence of Finding
        What was found: half the exposure halves a drift, and leaves a random motion as it is.

    Returns
    -------
    tuple of WhatIf
        Empty without a budget.
    """
    if budget is None or group is None:
        return ()
    stars = {one.id: _stars(night, one, parts[one.id], findings) for one in night.groups if one.id in parts}
    judged = _Judged(night, aim, grades, stars)
    mine = stars[group.id]
    scale = budget.fwhm_now / float(np.median(mine.fwhm_px))
    changes: dict[WhatIfCase, Change] = {
        "as it was": lambda one: one.without(0, 0),
        "perfect tracking": lambda one: one.without(1, 1),
        "guided as well as needed": lambda one: _guided(one, budget.pixel / scale),
        "half the exposure time": _shorter,
        "half the focal length": lambda one: one.without(0, 0),
    }
    before = judged.outcome(changes["as it was"])
    out: list[WhatIf] = []
    for case, change in changes.items():
        # the pixels of half the focal length change no star before them
        outcome = before if case in ("as it was", "half the focal length") else judged.outcome(change)
        width = min(_usual(change(mine), mine) * scale, budget.fwhm_now)
        if case == "perfect tracking":
            width = budget.fwhm_at_rest.value
        one = _told(case, width, outcome.seconds, judged.scaled(outcome.kept, before.kept), judged.night, group, budget)
        out.append(replace(one, sentence=_sentence(one, out[0] if out else one, budget)))
    return tuple(out)


def _told(
    case: WhatIfCase, width: float, seconds: float | None, kept: int, night: Night, group: Group, budget: Budget
) -> WhatIf:
    """One case in numbers."""
    recorded = budget.recorded(width, (2.0 if case == "half the focal length" else 1.0) * budget.pixel)
    n_frames = len(night.frames)
    if case == "half the exposure time":
        n_frames, kept = 2 * n_frames, 2 * kept
        seconds = None if seconds is None else seconds * _read_out_twice(night, group)
    shown = budget.unit == "arcsec"
    return WhatIf(
        case=case, fwhm_arcsec=width if shown else None, recorded_fwhm_arcsec=recorded if shown else None,
        narrower=1 - recorded / budget.recorded_now, n_frames=n_frames, kept=kept, effective_exposure_s=seconds,
        sentence="",
    )  # fmt: skip


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


def _stars(night: Night, group: Group, parts: Parts, findings: Sequence[Finding]) -> _Stars:
    """The group's frames: those explained as the model has them, others with what moves their neighbours' stars."""
    known = shapes_in(night, group)
    frames, shapes = tuple(i for i, _ in known), [shape for _, shape in known]
    fwhm = np.array([shape.fwhm_px for shape in shapes])
    turn = np.array([complex(shape.e1, shape.e2) for shape in shapes])
    shape_px2 = fwhm**2 * shear.share_of(turn)
    explained = np.array(parts.frames)
    near = np.abs(np.array(frames)[:, None] - explained).argmin(axis=1)
    own = explained[near] == np.array(frames)
    motion = np.where(own, (parts.shape_px2 - parts.still_shape_px2)[near], shape_px2 - parts.still_shape_px2[near])
    # what the round motion adds is what is left once the motion along an axis is out
    rest2 = fwhm**2 * np.mean(parts.still_px2 / parts.total_px2, axis=0)[near]
    still = np.abs(shape_px2 - motion)
    beyond = np.hypot(fwhm**2, np.abs(shape_px2)) - np.abs(motion) - np.hypot(rest2, still)
    usual = PER_VARIANCE * parts.round_px2.mean(axis=0)[near]
    return _Stars(
        frames=frames, fwhm_px=fwhm, shape_px2=shape_px2, moved_px2=motion, round_px2=np.where(own, beyond, usual),
        along_px2=parts.along_px2.mean(axis=0)[near],
        even=any(one.cause in STEADY_MOTION and one.confidence >= CLAIMED for one in findings),
        best_px=group.best_fwhm_px or float(fwhm.min()),
        halved=_left_in_half(group, night.tracking.get(group.id), findings),
    )  # fmt: skip


def _left_in_half(group: Group, tracking: Tracking | None, findings: Sequence[Finding]) -> float:
    """Part of the motion's variance that half the exposure leaves.

    An even motion is half as long, so a quarter is left; a swing of period P has the variance (A²/2) (1 - sinc²(t / P))
    inside an exposure t (closed form); a random motion with a short memory stays as it is.
    """
    claimed = [one for one in findings if one.confidence >= CLAIMED]
    worst = max(claimed, key=lambda one: (one.cost or 0.0) * one.confidence, default=None)
    exposure = group.exposure_s or 0.0
    rhythm = None if tracking is None else tracking.rhythm or tracking.rhythm_inside
    swings = any(one.cause == "periodic-error" for one in claimed)
    if any(one.cause in LONG_MEMORY for one in claimed) and (worst is None or worst.cause != "guiding-noise"):
        return 0.25
    if swings and rhythm is not None and exposure > 0:
        whole, half = (swing_inside(t, rhythm.period_s) for t in (exposure, exposure / 2))
        return half / whole if whole > 0 else 0.25
    return 0.25 if tracking is not None and tracking.guided is False else 1.0


def _shorter(stars: _Stars) -> _Changed:
    """With what half the exposure leaves of the motion along its axis."""
    still = stars.without(1, 1).fwhm_px ** 2
    none = np.zeros(len(still), complex)
    star = Response(size_px2=still, shape_px2=none, comet=none, lobes=none, inverse_beta=none.real)
    line = np.asarray(PER_VARIANCE * stars.along_px2, np.complex128)
    grown, left = (np.abs(moved(star, share * line, even=float(stars.even)).shape_px2) for share in (1.0, stars.halved))
    return stars.without(1 - np.where(grown > 0, left / np.maximum(grown, 1e-9), 1.0), 0.0)


def _guided(stars: _Stars, pixel_px: float) -> _Changed:
    """As wide as motion that counts as little makes the recorded star, and no wider than it was."""
    still = stars.without(1, 1)
    # the recorded star is to grow by a factor: as a Gaussian adds to it in squares
    averaged = recorded_width(still.fwhm_px, pixel_px) ** 2 - still.fwhm_px**2
    width = np.sqrt(WIDENED**2 * (still.fwhm_px**2 + averaged) - averaged)
    return _Changed(np.minimum(width, stars.fwhm_px), still.shape_px2)


def _usual(changed: _Changed, stars: _Stars) -> float:
    """Width of the usual frame."""
    return float(np.median(stars.fwhm_px)) * float(np.median(changed.fwhm_px / stars.fwhm_px))


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
