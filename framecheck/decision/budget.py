"""The budget: what makes the stars of a group as large as they are, in parts of the squared FWHM.

All numbers are read from the parts that the model of the night takes the stars into (`model.parts`), draw by draw:
shares, widths, the mount's motion and what perfect tracking would gain are one story, and their bounds hold what the
frames cannot tell apart.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from math import sqrt
from typing import Final

import numpy as np
from numpy.typing import NDArray

from framecheck.causes.catalogue import causes_with
from framecheck.causes.result import CLAIMED, Finding
from framecheck.causes.weigh import WeighedSession, told_together
from framecheck.constants import AIRY_FWHM_LAMBDA_OVER_D
from framecheck.decision.records import BudgetName, BudgetTerm, Range
from framecheck.decision.star_width import WIDENED, Blurs, jitter_for_growth, star_fwhm_arcsec
from framecheck.field.result import FrameShape
from framecheck.field.sampling import annular_fwhm
from framecheck.model.parts import Parts, parts_of, parts_of_lines
from framecheck.motion.night import Night
from framecheck.night.records import Group

Floats = NDArray[np.float64]

BOUNDS: Final = (16.0, 50.0, 84.0)
"""[percent] Of the draws: the interval that holds a value in about 68 of 100 cases, and its middle."""

PLAIN_LINES: Final = 2.0
"""Long over short axis of the usual star from which it is a line, whatever the optics. Chosen."""

MOST_COARSE: Final = 4.0
"""Pixel over the FWHM before it, up to which it is worked out. Chosen: nothing is seen of such a star."""

STEADY_MOTION: Final = causes_with("steady motion")
"""Causes that change the smear from frame to frame without being random."""

UNNAMED_RANDOM: Final = 0.2
"""Probability that what changes from frame to frame is random motion though nothing claims it. Chosen: the upper bound
is to hold it, the middle is not."""

WORST_AIR_ARCSEC: Final = 10.0
"""Air that makes wider stars than this is none: what is left of a star's width is the lens's. [arcsec] Chosen: poor
nights near the horizon have half of it."""

FEWEST_ON_RECORD: Final = 0.5
"""Share of the frames from which a guiding record speaks for the night. Chosen."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Bounded:
    """A value with its bounds."""

    value: float
    low: float
    high: float

    @classmethod
    def of(cls, draws: Floats) -> "Bounded":
        """What draws come to."""
        low, value, high = (float(one) for one in np.percentile(draws, BOUNDS))
        return cls(value=value, low=low, high=high)

    @property
    def as_range(self) -> Range:
        """As the records have it."""
        return Range(value=self.value, low=self.low, high=self.high)


@dataclass(frozen=True, kw_only=True, slots=True)
class Budget:
    """What makes a group's usual star. Lengths are in `unit`."""

    terms: tuple[BudgetTerm, ...]
    unit: str
    """"arcsec", or "px" where no pixel scale is known."""
    parts: Parts
    """Of the group's frames."""
    pixel: float
    """Side of a pixel."""
    fwhm_now: float
    """Of the usual frame, before the pixel."""
    fwhm_at_rest: Bounded
    """The same star without any motion of the mount."""
    recorded_now: float
    """With the pixel."""
    recorded_at_rest: Bounded
    gain: Bounded
    """Share by which the recorded star would be narrower at rest."""
    tracking_rms: Bounded
    """Motion inside one exposure, rms on each axis (the root of the mean of both axes' variances)."""
    needed_rms: float
    """Motion, rms on each axis, that widens the recorded star at rest by a tenth."""
    settled: bool
    """True if a guiding record told the motion."""

    def term(self, name: BudgetName) -> BudgetTerm:
        """One of the terms."""
        return next(term for term in self.terms if term.term == name)

    def recorded(self, width: float, pixel: float | None = None) -> float:
        """Width with the pixel, or with another one, of a star so wide before it."""
        return float(recorded_width(np.array(width), pixel or self.pixel))


def group_parts(session: WeighedSession, group: Group) -> tuple[Parts, bool] | None:
    """Take the stars of a group's frames apart, as the model explains its session.

    Parameters
    ----------
    session : WeighedSession
    group : Group
        One of its groups.

    Returns
    -------
    parts, settled : Parts, bool
        The second is true if a guiding record told the motion. None if no frame of the group was explained.
    """
    night, explained = session.night, None if session.optics is None else session.optics.explained
    rows = np.flatnonzero(np.isin(explained.frames, group.members)) if explained is not None else np.zeros(0, int)
    if explained is None or not len(rows):
        return _lines(night, group)
    frames = [explained.frames[k] for k in rows]
    recorded = _recorded_px2(night, frames)
    settled = recorded is not None and float(np.isfinite(recorded).mean()) >= FEWEST_ON_RECORD
    exposure_s = np.array([night.frames[i].result.exposure.exposure_s or np.nan for i in frames])
    random = _random(night, group, told_together([session])[0])
    by_optics = session.drawn_by_optics.get(group.id, 0.0)
    return parts_of(explained, rows, exposure_s, random, by_optics, recorded if settled else None), settled


def _lines(night: Night, group: Group) -> tuple[Parts, bool] | None:
    known = shapes_in(night, group)
    if not known or float(np.median([shape.elongation for _, shape in known])) < PLAIN_LINES:
        return None
    return parts_of_lines([i for i, _ in known], [shape for _, shape in known]), False


def shapes_in(night: Night, group: Group) -> list[tuple[int, FrameShape]]:
    """The group's frames whose stars have a shape, by their index in the night."""
    return [(i, shape) for i in group.members for shape in [night.frames[i].result.shape] if shape is not None]


def _random(night: Night, group: Group, findings: Sequence[Finding]) -> float:
    """Probability that what changes from frame to frame is a motion that goes on in all directions."""
    confidence = {one.cause: one.confidence for one in findings}
    if any(confidence.get(cause, 0.0) >= CLAIMED for cause in STEADY_MOTION):
        return 0.0
    tracking = night.tracking.get(group.id)
    unguided = tracking is not None and tracking.guided is False
    return max(confidence.get("guiding-noise", 0.0), 0.0 if unguided else UNNAMED_RANDOM)


def budget_of(night: Night, group: Group, parts: Parts, *, settled: bool = False) -> Budget:
    """What makes the stars of a group as large as they are.

    Parameters
    ----------
    night : Night
        With the rig that took the group.
    group : Group
    parts : Parts
        Of that group's frames.
    settled : bool
        True if a guiding record told the motion.

    Notes
    -----
    The usual frame has the group's median width. What motion takes from it is the median over the frames, what else
    makes it the mean of their shares, so that the terms add up to the star in each draw.
    """
    scale = pixel_scale_arcsec(night, group)
    unit = scale or 1.0
    moved = np.median(1 - parts.still_px2 / parts.total_px2, axis=1)
    optics = np.mean(1 - (parts.focused_px2 - parts.own_px2) / parts.still_px2, axis=1)
    # an obstruction sharpens the core
    core2 = (annular_fwhm(round(night.rig.central_obstruction or 0.0, 3)) / AIRY_FWHM_LAMBDA_OVER_D) ** 2
    airy = np.minimum(np.mean(core2 * parts.diffraction_px2 / parts.still_px2, axis=1), 1 - optics)
    fwhm = group.median_fwhm_px or float(np.sqrt(np.median(parts.total_px2)))
    whole2 = float(recorded_width(np.array(fwhm), 1.0)) ** 2
    of_star, still = fwhm**2 / whole2, 1 - moved
    shares: dict[BudgetName, Floats] = {
        "atmosphere": of_star * still * (1 - optics - airy),
        "diffraction": of_star * still * airy,
        "pixel": np.full(len(moved), 1 - of_star),
        "tracking": of_star * moved,
        "focus and optics": of_star * still * optics,
    }
    if scale is not None:
        most = (WORST_AIR_ARCSEC / scale) ** 2 / whole2
        beyond = np.maximum(shares["atmosphere"] - most, 0.0)
        shares["atmosphere"] -= beyond
        shares["focus and optics"] += beyond
    rest = Bounded.of(unit * fwhm * np.sqrt(still))
    at_rest = recorded_width(fwhm * np.sqrt(still), 1.0)
    return Budget(
        terms=_terms(shares, unit * sqrt(whole2) if scale else None, known_aperture=night.rig.aperture_mm is not None),
        unit="px" if scale is None else "arcsec",
        parts=parts,
        pixel=unit,
        fwhm_now=unit * fwhm,
        fwhm_at_rest=rest,
        recorded_now=unit * sqrt(whole2),
        recorded_at_rest=Bounded.of(unit * at_rest),
        gain=Bounded.of(1 - at_rest / sqrt(whole2)),
        tracking_rms=Bounded.of(unit * np.sqrt(np.median(parts.along_px2 / 2 + parts.round_px2, axis=1))),
        needed_rms=needed_rms(rest.value, unit),
        settled=settled,
    )


def _terms(
    shares: dict[BudgetName, Floats], recorded_arcsec: float | None, *, known_aperture: bool
) -> tuple[BudgetTerm, ...]:
    terms = []
    for name, of_draws in shares.items():
        share, bounds = float(of_draws.mean()), Bounded.of(of_draws)
        known = recorded_arcsec is not None and (name != "diffraction" or known_aperture)
        low, value, high = (
            (recorded_arcsec or 0.0) * sqrt(max(one, 0.0))
            for one in (min(bounds.low, share), share, max(bounds.high, share))
        )
        terms.append(
            BudgetTerm(
                term=name, fwhm_arcsec=value if known else None, low=low if known else None,
                high=high if known else None, share=share,
            )
        )  # fmt: skip
    return tuple(terms)


def pixel_scale_arcsec(night: Night, group: Group) -> float | None:
    """Arcseconds a pixel, from the group's own axes where they are known."""
    tracking = night.tracking.get(group.id)
    if tracking is not None and tracking.axes is not None and tracking.axes.orientation is not None:
        return tracking.axes.orientation.pixel_scale_arcsec
    return night.rig.pixel_scale_arcsec


def _recorded_px2(night: Night, frames: Sequence[int]) -> Floats | None:
    """Variance of the guide star on each axis in each frame; None without a record or a scale. [px²]"""
    scale = night.rig.pixel_scale_arcsec
    both = [night.frames[i].guide_rms_arcsec for i in frames]
    if scale is None or not any(both):
        return None
    return np.array([np.nan if rms is None else (rms[0] ** 2 + rms[1] ** 2) / 2 / scale**2 for rms in both])


def recorded_width(width: Floats, pixel: float) -> Floats:
    """FWHM with the pixel of stars of turbulent air so wide before it: their wings count, widths do not add in squares.

    Parameters
    ----------
    width : ndarray
        Of any shape.
    pixel : float
        Side of the pixel, in the same unit.
    """
    ratio, grown = _pixel_grows()
    return np.asarray(width * np.interp(pixel / np.maximum(width, 1e-9), ratio, grown))


@cache
def _pixel_grows() -> tuple[Floats, Floats]:
    """Pixel over the width of a star before it, and by how much it grows."""
    ratio = np.linspace(0, MOST_COARSE, 41)
    still = star_fwhm_arcsec(Blurs(seeing_arcsec=1.0))
    return ratio, np.array(
        [star_fwhm_arcsec(Blurs(seeing_arcsec=1.0, pixel_arcsec=float(one) * still)) / still for one in ratio]
    )


def needed_rms(rest_fwhm: float, pixel: float = 0.0) -> float:
    """Random motion, rms on each axis, that widens the recorded star at rest by a tenth.

    Parameters
    ----------
    rest_fwhm : float
        Width of the star without motion, before the pixel; a star of turbulent air.
    pixel : float
        Side of the pixel that records it.

    Returns
    -------
    float
        In the unit of `rest_fwhm`. For a Gaussian star it is FWHM sqrt(1.1² - 1) / 2.3548, a fifth of the FWHM; the
        wings of the air make it less.
    """
    still = star_fwhm_arcsec(Blurs(seeing_arcsec=1.0))
    star = Blurs(seeing_arcsec=1.0, pixel_arcsec=round(min(pixel / rest_fwhm, MOST_COARSE), 2) * still)
    return rest_fwhm * jitter_for_growth(star, WIDENED) / still
