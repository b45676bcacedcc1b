"""The budget: what makes the stars of a group as large as they are, in parts of the squared FWHM.

The star is built up forward, by transfer functions (`decision.star_width`) and sums of Gaussians (`decision.at_rest`):
widths of stars with wings do not add in quadrature. What a term is worth is read twice, from the star without it and
from the term by itself; where the two differ the truth lies between, and where frames cannot tell two terms apart the
bounds say so.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from math import log, pi, sqrt
from typing import Final

import numpy as np
from numpy.typing import NDArray

from framecheck.causes.result import Finding
from framecheck.constants import (
    AIRY_FWHM_LAMBDA_OVER_D,
    FWHM_PER_SIGMA,
    PIXEL_VARIANCE_PX2,
)
from framecheck.decision.at_rest import AtRest, at_rest, needed_rms, without_round_motion
from framecheck.decision.judgement import BudgetName, BudgetTerm, Range
from framecheck.decision.mount_motion import (
    CLAIMED,
    FOCUS_CAUSES,
    Blurring,
    MotionSpread,
    Seen,
    goes_evenly,
    pixel_scale,
    steady_optics_px2,
    usual_motion,
)
from framecheck.decision.star_width import Blurs, star_fwhm_arcsec
from framecheck.field.records import FieldModel
from framecheck.field.sampling import diffraction_fwhm_arcsec
from framecheck.motion.night import Night
from framecheck.night.records import Group

Floats = NDArray[np.float64]

NO_AIR: Final = 0.02
"""FWHM of air that counts as none, over that of the star. [dimensionless] Chosen: 4e-4 of the squared FWHM."""

UNSEEN_FOCUS: Final = 0.12
"""[share] Part of the squared FWHM that a missed focus may make without changing the stars' wings enough to tell.
Chosen: between the stars of `causes.focus`, it turns a Moffat exponent of 4.7 into 5.2, as a change of the air may."""

HIDDEN: Final = 0.9
"""[share] The same where the pixels hide the profile. Chosen."""
HIDING_PX: Final = (1.0, 2.5)
"""[px] Width at rest below which focus, lens and air look all alike, and from which the pixels hide nothing: below, a
missed focus or a soft lens may make the share `HIDDEN`. Chosen."""

WIDTH_KNOWN_TO: Final = (0.15, 0.02)
"""[dimensionless] Relative error of a width before the pixel, at the two widths of `HIDING_PX`. Chosen."""

SURE: Final = 0.9
"""[dimensionless] Confidence from which a finding raises the lower bound too. Chosen."""

BENT_CAUSES: Final = ("pinched-optics", "miscollimation", "astigmatism")
SOFT_BETA: Final = (4.7, 6.2, 12.0, 60.0)
SOFT_SHARE: Final = (0.0, 0.36, 0.5, 0.75)
"""Moffat exponent of a star behind a blur with an edge, and that blur's share of the squared FWHM: as in
`causes.focus`, from drawn stars."""

CASES: Final = (
    ("value", "value"), ("low", "value"), ("high", "value"),
    ("high", "high"), ("low", "low"), ("high", "low"), ("low", "high"),
)  # fmt: skip
"""Of the mount's motion and of focus and optics: what the bounds are taken over; the first is the budget itself."""

USUAL_AIR_ARCSEC: Final = 4.0
"""[arcsec] FWHM at the zenith that the air seldom exceeds. Where the pixels hide the profile, more is laid to the lens.
Common practice, no source."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Budget:
    """What makes a group's usual star. Lengths are in `unit`."""

    terms: tuple[BudgetTerm, ...]
    unit: str
    """"arcsec", or "px" where no pixel scale is known."""
    star: Blurs
    """The star, term by term."""
    beta: float
    fwhm_now: float
    """Of the usual frame, before the pixel."""
    fwhm_at_rest: MotionSpread
    """The same star without any motion of the mount."""
    recorded_now: float
    """With the pixel."""
    recorded_at_rest: MotionSpread
    tracking_rms: MotionSpread
    """Motion inside one exposure, rms on each axis (the root of the mean of both axes' variances)."""
    needed_rms: float
    """Motion, rms on each axis, that widens the recorded star at rest by a tenth."""
    settled: bool
    """True if a guiding record told the motion."""
    round_rms: float | None = None
    """Motion alike in all directions that the frames cannot exclude, rms on each axis."""

    def term(self, name: BudgetName) -> BudgetTerm:
        """One of the terms."""
        return next(term for term in self.terms if term.term == name)


def budget_of(
    night: Night, group: Group | None, findings: Sequence[Finding],
    guiding_rms_arcsec: tuple[float, float] | None = None,
) -> Budget | None:  # fmt: skip
    """What makes the stars of a group as large as they are.

    Parameters
    ----------
    night : Night
    group : Group or None
    findings : sequence of Finding
        What was found of focus and optics, and of the mount.

    Returns
    -------
    Budget or None
        None if no frame of the group has stars to measure.
    """
    tracking = None if group is None else night.tracking.get(group.id)
    rest = None
    if tracking is not None:
        rest = at_rest(night, tracking, steady_optics_px2(tracking, findings), even=goes_evenly(findings))
    if group is None or tracking is None or rest is None:
        return None
    scale = pixel_scale(night, tracking)
    unit = scale or 1.0
    seen = Seen(night, group, tracking, rest, tuple(findings), scale)
    motion = usual_motion(seen)
    fwhm = float(np.median(rest.fwhm_px))
    aperture = None if scale is None else effective_aperture_mm(night.rig.aperture_mm, night.rig.central_obstruction)
    focus = _focus(seen, aperture)
    cases = []
    for moved, blurred in CASES:
        still = _still(fwhm, getattr(motion, moved), rest)
        cases.append(build_star(unit * fwhm, unit * still, getattr(focus, blurred), aperture, unit))
    wider = unit * (1 + float(np.interp(float(np.median(rest.rest_px)), HIDING_PX, WIDTH_KNOWN_TO)))
    cases.append(build_star(wider * fwhm, wider * _still(fwhm, motion.low, rest), focus.low, aperture, unit))
    star = cases[0]
    still_px = [_still(fwhm, variance, rest) for variance in (motion.value, motion.low, motion.high)]
    now = star_fwhm_arcsec(star)
    recorded = [now * star_fwhm_arcsec(_without(case, "tracking")) / star_fwhm_arcsec(case) for case in cases[:3]]
    return Budget(
        terms=_terms(cases, scale is not None),
        unit="px" if scale is None else "arcsec",
        star=star,
        beta=rest.beta,
        fwhm_now=unit * fwhm,
        fwhm_at_rest=MotionSpread(value=unit * still_px[0], low=unit * still_px[2], high=unit * still_px[1]),
        recorded_now=now,
        recorded_at_rest=MotionSpread(value=recorded[0], low=min(recorded), high=max(recorded)),
        tracking_rms=MotionSpread(
            value=unit * sqrt(motion.value.mean), low=unit * sqrt(motion.low.mean), high=unit * sqrt(motion.high.mean)
        ),
        needed_rms=needed_rms(unit * still_px[0], rest.beta, unit),
        settled=motion.settled,
        round_rms=unit * sqrt(motion.high.round),
    )  # fmt: skip


def _still(fwhm: float, motion: Blurring, rest: AtRest) -> float:
    return without_round_motion(fwhm * motion.still, motion.round, rest.beta)


def _focus(seen: Seen, aperture_mm: float | None) -> MotionSpread:
    """Share of the squared FWHM, the mount's motion taken out, that focus and optics make."""
    field = MotionSpread(value=0.0, low=0.0, high=0.0)
    if isinstance(seen.tracking.field, FieldModel):
        field = _field_share(seen.tracking.field)
    value, low, high = field.value, field.low, field.high
    for finding in seen.findings:
        if finding.cause in FOCUS_CAUSES and finding.cost is not None:
            claimed = finding.confidence >= CLAIMED
            value += finding.confidence * finding.cost * claimed
            low += 0.5 * finding.cost * (finding.confidence >= SURE)
            high += 1.4 * finding.cost if claimed else finding.cost * finding.confidence
    bent = _bent_share(seen)
    value, high = max(value, bent), max(high, 1.2 * bent)
    width = float(np.median(seen.rest.rest_px))
    unseen = float(np.interp(width, HIDING_PX, (HIDDEN, UNSEEN_FOCUS)))
    if seen.scale is not None and width < HIDING_PX[1] and not seen.claims("poor-seeing"):
        usual = star_fwhm_arcsec(Blurs(seeing_arcsec=USUAL_AIR_ARCSEC, aperture_mm=aperture_mm))
        value = max(value, 1 - (usual / (seen.scale * width)) ** 2)
    return MotionSpread(value=min(value, 0.9), low=min(low, value, 0.9), high=min(max(high, value) + unseen, 0.98))


def _bent_share(seen: Seen) -> float:
    """Share of a claimed error of the wave front that is the same over the field.

    As its finding has it, or as the softness of the stars' core tells: whichever is more.
    """
    claimed = [one for one in seen.findings if one.cause in BENT_CAUSES and one.confidence >= CLAIMED]
    if not claimed:
        return 0.0
    soft = float(np.interp(log(seen.rest.beta), np.log(SOFT_BETA), SOFT_SHARE))
    return max(soft, *(one.confidence * (one.cost or 0.0) for one in claimed))


def _field_share(field: FieldModel) -> MotionSpread:
    """What tilt, curvature and comet shapes add, on average over the field, to the star at its sharpest place."""
    x, y = np.meshgrid(np.linspace(-1, 1, 9), np.linspace(-1, 1, 9))
    wide, high = 0.832, 0.555  # half sides of a sensor of 3 to 2, its corners at 1
    z = wide * x + 1j * high * y
    shrunk = [one.value * max(0.0, 1 - (one.error / max(abs(one.value), 1e-9)) ** 2) for one in field.tilt_px2]
    ridge = field.ridge_px2.value * np.exp(-2j * np.radians(field.ridge_pa_deg))
    bowl = field.curvature_px2.value
    bowl *= max(0.0, 1 - (field.curvature_px2.error / max(abs(bowl), 1e-9)) ** 2)
    size = shrunk[0] * x / 2 + shrunk[1] * y / 2 + bowl * np.abs(z) ** 2 + (ridge * z**2).real
    spare = float(size.mean() - np.quantile(size, 0.05))
    mean = max(field.centre_size_px2 + float(size.mean()), 1e-6)
    comet = 0.6 * (field.constant_coma_px.value**2 + 0.6 * field.coma_px.value**2) / 2
    tail = 8 * log(2) * comet
    shape = (field.astigmatism_px.value / 2) ** 2 / 3 + (field.linear_astigmatism_px.value / 2) ** 2 / 3
    return MotionSpread(
        value=float(np.clip((spare + tail / 2 + shape) / mean, 0, 0.8)), low=float(np.clip(0.7 * spare / mean, 0, 0.8)),
        high=float(np.clip((1.2 * spare + tail + 2 * shape) / mean, 0, 0.8)),
    )  # fmt: skip


def build_star(
    fwhm: float, at_rest: float, focus_share: float, aperture_mm: float | None, pixel: float
) -> Blurs:  # fmt: skip
    """The star, term by term, whose width before the pixel is the one given.

    Parameters
    ----------
    fwhm, at_rest : float
        Width before the pixel, and that without the mount's motion. [arcsec, or px without an aperture]
    focus_share : float
        Part of the squared width at rest that focus and optics make.
    aperture_mm : float or None
        Clear aperture.
    pixel : float
        Side of a pixel.

    Returns
    -------
    Blurs
        The air is what is left; where the aperture alone explains the star there is next to none.
    """
    none = NO_AIR * fwhm
    sharp = at_rest * sqrt(1 - focus_share)
    bare = Blurs(seeing_arcsec=none, aperture_mm=aperture_mm)
    air = _solve(lambda size: star_fwhm_arcsec(replace(bare, seeing_arcsec=size)), sharp, none, 1.2 * fwhm)
    star = replace(bare, seeing_arcsec=air)
    blurred = star
    disc = _solve(lambda size: star_fwhm_arcsec(replace(blurred, disc_arcsec=size)), at_rest, 0.0, 3 * fwhm)
    star = still = replace(star, disc_arcsec=disc)
    jitter = _solve(lambda size: star_fwhm_arcsec(replace(still, jitter_rms_arcsec=size)), fwhm, 0.0, fwhm)
    return replace(star, jitter_rms_arcsec=jitter, pixel_arcsec=pixel)


def _solve(width: Callable[[float], float], wanted: float, least: float, most: float) -> float:
    """Size of a blur for which the star has the width wanted; the end nearest to it if there is none."""
    from scipy.optimize import brentq

    if width(least) >= wanted * (1 - 1e-5):
        return least
    if width(most) <= wanted:
        return most
    return float(brentq(lambda size: width(size) - wanted, least, most, xtol=1e-4 * most))


_ORDER: Final[tuple[BudgetName, ...]] = ("atmosphere", "diffraction", "pixel", "tracking", "focus and optics")


def _without(star: Blurs, term: BudgetName) -> Blurs:
    match term:
        case "atmosphere":
            return replace(star, seeing_arcsec=NO_AIR * star_fwhm_arcsec(star))
        case "diffraction":
            return replace(star, aperture_mm=None)
        case "pixel":
            return replace(star, pixel_arcsec=0.0)
        case "tracking":
            return replace(star, jitter_rms_arcsec=0.0)
        case "focus and optics":
            return replace(star, disc_arcsec=0.0)


def _alone(star: Blurs) -> Mapping[BudgetName, float]:
    """Squared FWHM of each term by itself; of jitter, disc and pixel that of a Gaussian with their variance."""
    gaussian = FWHM_PER_SIGMA**2
    return {
        "atmosphere": star.seeing_arcsec**2,
        "diffraction": 0.0 if star.aperture_mm is None else diffraction_fwhm_arcsec(star.aperture_mm) ** 2,
        "pixel": gaussian * PIXEL_VARIANCE_PX2 * star.pixel_arcsec**2,
        "tracking": gaussian * star.jitter_rms_arcsec**2,
        "focus and optics": gaussian * star.disc_arcsec**2 / 16,
    }


def worth_of_terms(
    whole: float, without: Mapping[BudgetName, float], alone: Mapping[BudgetName, float]
) -> dict[BudgetName, tuple[float, float, float]]:
    """Share of each term in the squared width, with what it is from the two ends.

    Parameters
    ----------
    whole : float
        Squared FWHM of the star.
    without : mapping
        Squared FWHM of the star without the term.
    alone : mapping
        Squared FWHM of the term by itself.

    Returns
    -------
    dict
        Term -> share (they sum to 1), and its squared FWHM from the end where it is less and where it is more. Where
        all terms are Gaussian both ends are the same and the share is its part of the sum of squares.
    """
    ends = {name: (max(whole - without[name], 0.0), alone[name]) for name in alone}
    middle = {name: sum(pair) / 2 for name, pair in ends.items()}
    total = sum(middle.values()) or 1.0
    return {name: (middle[name] / total, min(ends[name]), max(ends[name])) for name in alone}


def _terms(cases: Sequence[Blurs], in_arcsec: bool) -> tuple[BudgetTerm, ...]:
    """Terms of the first case, with bounds from all."""
    whole = star_fwhm_arcsec(cases[0]) ** 2
    each = [
        worth_of_terms(
            star_fwhm_arcsec(case) ** 2,
            {name: star_fwhm_arcsec(_without(case, name)) ** 2 for name in _ORDER},
            _alone(case),
        )
        for case in cases
    ]
    terms = []
    for name in _ORDER:
        share = each[0][name][0]
        fwhm = sqrt(share * whole)
        low = min(fwhm, *(sqrt(worth[name][1]) for worth in each))
        high = max(fwhm, *(sqrt(worth[name][2]) for worth in each))
        known = in_arcsec and not (name == "diffraction" and cases[0].aperture_mm is None)
        terms.append(
            BudgetTerm(
                term=name, fwhm_arcsec=fwhm if known else None, low=low if known else None,
                high=high if known else None, share=share,
            )
        )  # fmt: skip
    return tuple(terms)


def effective_aperture_mm(aperture_mm: float | None, obstruction: float | None) -> float | None:
    """Clear round aperture that draws as wide a diffraction core as one with a secondary mirror in its middle."""
    if aperture_mm is None or not obstruction:
        return aperture_mm
    return aperture_mm * AIRY_FWHM_LAMBDA_OVER_D / annular_fwhm(round(obstruction, 3))


@lru_cache(maxsize=32)
def annular_fwhm(obstruction: float) -> float:
    """FWHM of the diffraction pattern of an aperture with a round obstruction. [lambda / D]

    Parameters
    ----------
    obstruction : float
        Its diameter over the aperture's, below 1.

    Notes
    -----
    The amplitude is that of the disc less that of the obstruction, 2 J1(x) / x - e² 2 J1(e x) / (e x), over 1 - e².
    Closed form, with the half maximum found numerically.
    """
    from scipy.optimize import brentq
    from scipy.special import j1

    def excess(x: float) -> float:
        dark = obstruction * 2 * j1(obstruction * x) / x if obstruction else 0.0
        amplitude = (2 * j1(x) / x - dark) / (1 - obstruction**2)
        return float(amplitude**2) - 0.5

    return 2 * float(brentq(excess, 0.5, 2.5)) / pi


def as_range(spread: MotionSpread) -> Range:
    """The spread as the records have it."""
    return Range(value=spread.value, low=spread.low, high=spread.high)
