"""Causes in the optics that stay with the sensor: tilt, curvature, coma, astigmatism, pinching."""

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np

from framecheck.causes.moved import SEEN, Moved, all_moved
from framecheck.causes.result import (
    CannotTell,
    Evidence,
    Finding,
    Healthy,
    Rival,
    all_of,
    answer,
    any_of,
    log_odds_above,
)
from framecheck.constants import FWHM_PER_SIGMA
from framecheck.night.field_records import FieldModel, NoFieldModel
from framecheck.night.field_terms import Estimate
from framecheck.night.known import typical
from framecheck.night.records import Night
from framecheck.read.rig import Rig

UNEVEN_PERCENT: Final = 8.0
"""[percent] Change of the FWHM over the field from which the optics are called uneven. Chosen: half of what shows at
first sight; good optics keep within 5 (common practice, no source)."""
UNEVEN_SCATTER: Final = 1.5
"""[percent] Of healthy optics, beside the error of measurement. Chosen."""

SURE_SIGMA: Final = 3.0
"""Growth over its error of measurement from which it is real. [dimensionless] Chosen: few stars show some growth by
chance, however large it may be."""
SIGMA_SCATTER: Final = 1.0

RIDGE_SHARE: Final = 0.55
"""Part of the growth towards the edges that lies along one direction, from which it is a tilt's: 1 for a plane of
defocus through the focus, 0 for a bowl. Closed form; the limit chosen."""
RIDGE_SCATTER: Final = 0.12

OFF_CENTRE: Final = 0.35
"""Change from edge to edge over that from centre to corner below which it is a bowl a little off the centre. Chosen."""

SKEW: Final = 0.25
"""Third moment over the cube of the standard deviation from which a comet shape shows. [dimensionless] Chosen: half of
what draws the FWHM out by a fifth in stars drawn by GalSim."""
LOBED: Final = 0.4
"""The same for three lobes. Chosen."""
THIRD_SCATTER: Final = 0.25
"""Of the logarithm of a third moment. [dimensionless] Chosen."""
THIRD_SIGMA: Final = 5.0
"""Third moment over its error from which it is real. Chosen."""

MEAN_DISTANCE2: Final = 1 / 3
"""Mean squared distance from the centre of points spread over a rectangle, over that of the corner. Closed form."""

FEWEST_ALIKE: Final = 3
FEW_FRAMES: Final = 0.0
"""Log-odds of a comet shape that all stars share with fewer frames than that: a path with a knot makes one as well."""

LEAK: Final = 0.3
"""Part of a strong comet in the corners that turns up as a common one, and half of what a weak one turns up as three
lobes. [dimensionless] Chosen: drawn stars show a tenth and a half; those of strong comets up to their whole."""
HARD_BETA: Final = 6.0
"""Moffat exponent above which a disc of defocus enlarges every small aberration. Chosen."""

ONE_AXIS: Final = 0.85
"""Share of the smear's change through the night that lies along one axis and its perpendicular. [dimensionless]
Chosen: 0.5 is random."""
SMOOTH: Final = 0.5
"""Correlation of the smear with that of the next frame. [dimensionless] Chosen: 0 is random."""
CALM: Final = 0.025
"""Scatter of the smear from frame to frame, over the squared FWHM, below which all is still. [dimensionless] Chosen."""


@dataclass(frozen=True, kw_only=True, slots=True)
class _Pattern:
    """A group with its field model."""

    moved: Moved
    field: FieldModel
    n: int

    @property
    def sigma3(self) -> float:
        """Cube of the standard deviation of a Gaussian star as wide as a usual one's. [px³]"""
        growth = MEAN_DISTANCE2 * self.field.curvature_px2.value
        return float((math.sqrt(max(self.field.centre_size_px2 + growth, 1e-6)) / FWHM_PER_SIGMA) ** 3)

    @property
    def corner_sigma3(self) -> float:
        """The same of a star in the corner. [px³]"""
        return float(
            (math.sqrt(max(self.field.centre_size_px2 + self.field.curvature_px2.value, 1e-6)) / FWHM_PER_SIGMA) ** 3
        )

    @property
    def beta(self) -> float:
        return typical(self.moved.series.beta)

    def percent(self, growth_px2: float) -> float:
        """What a growth of the squared FWHM makes of the FWHM. [percent]"""
        ratio = 1 + growth_px2 / self.field.pattern_size_px2
        return 100 * (math.sqrt(max(ratio, 0.0)) - 1)


def _patterns(night: Night) -> Iterator[_Pattern]:
    for moved in all_moved(night):
        field = moved.tracking.field
        if isinstance(field, FieldModel) and field.centre_size_px2 > 0:
            yield _Pattern(moved=moved, field=field, n=len(moved.frames))


def _no_pattern(night: Night, cause: str) -> CannotTell:
    reasons = [one.tracking.field.because for one in all_moved(night) if isinstance(one.tracking.field, NoFieldModel)]
    return CannotTell(
        cause=cause,
        because=reasons[0] if reasons else "no frame has stars enough to show how their shape changes over the field",
        what_would_settle_it="frames of a field rich in stars, without trails",
    )


def sensor_tilt(night: Night, rig: Rig) -> Finding | Healthy | CannotTell:
    """The FWHM changes in a straight line over the field, or grows to both sides of a line of best focus."""
    patterns = list(_patterns(night))
    if not patterns:
        return _no_pattern(night, "sensor-tilt")
    log_odds, one = _best([(_tilted(one), one) for one in patterns])
    field = one.field
    across, ridge = math.hypot(field.tilt_x_percent.value, field.tilt_y_percent.value), _ridge_percent(one)
    angle = math.degrees(math.atan2(field.tilt_y_percent.value, field.tilt_x_percent.value)) % 360
    return answer(
        "sensor-tilt",
        log_odds,
        affected=one.moved.every_frame if log_odds > 0 else frozenset(),
        cost=_share_of_field(field.centre_size_px2, math.hypot(*(e.value for e in field.tilt_px2)) / 4),
        evidence=(
            Evidence(statement=f"from edge to edge, towards {angle:.0f} degrees from +x, the FWHM grows by",
                     value=across, unit="percent", expected_if_healthy=f"below {UNEVEN_PERCENT:.0f}"),
            Evidence(statement="and to both sides of a line of best focus by", value=ridge, unit="percent",
                     expected_if_healthy=f"below {UNEVEN_PERCENT:.0f}"),
        ),
        rivals=(
            Rival(cause="field-curvature",
                  why_less_likely="it grows alike in all directions from the centre; this has one direction"),
            Rival(cause="miscollimation", why_less_likely="it makes comets, not soft sides"),
        ),
    )  # fmt: skip


def _tilted(one: _Pattern) -> float:
    field = one.field
    across = math.hypot(field.tilt_x_percent.value, field.tilt_y_percent.value)
    error = math.hypot(UNEVEN_SCATTER, math.hypot(field.tilt_x_percent.error, field.tilt_y_percent.error))
    bowl = max(abs(field.curvature_px2.value), 1e-9)
    share = field.ridge_px2.value / bowl
    share_error = math.hypot(field.ridge_px2.error / bowl, share * field.curvature_px2.error / bowl)
    both_sides = all_of(
        log_odds_above(_ridge_percent(one), 1.5 * UNEVEN_PERCENT, 1.5 * error),
        _sure(field.ridge_px2.value, field.ridge_px2.error),
        log_odds_above(share, RIDGE_SHARE, math.hypot(RIDGE_SCATTER, share_error)),
    )
    bowl_percent = one.percent(abs(field.curvature_px2.value) - min(field.ridge_px2.value, bowl))
    # two comets, of the corners and of the whole field, make one about a point beside the centre
    off_centre = 1.5 if _in_the_corners(one) > 0 else OFF_CENTRE
    one_sided = all_of(
        log_odds_above(across, UNEVEN_PERCENT, error),
        _sure(across, math.hypot(field.tilt_x_percent.error, field.tilt_y_percent.error) / math.sqrt(2)),
        log_odds_above(across, off_centre * abs(bowl_percent), 0.1 * abs(bowl_percent) + UNEVEN_SCATTER),
    )
    return any_of(one_sided, both_sides)


def _sure(value: float, error: float) -> float:
    """Log-odds that a growth is more than the error of measuring it."""
    return log_odds_above(abs(value) / max(error, 1e-12), SURE_SIGMA, SIGMA_SCATTER)


def _ridge_percent(one: _Pattern) -> float:
    """Growth of the FWHM from the line of best focus to the edges, as far as it has one direction. [percent]"""
    return one.percent(2 * one.field.ridge_px2.value * _edge2(one))


def _edge2(one: _Pattern) -> float:
    """Squared distance of the longer edge over that of the corner."""
    exposure = one.moved.frames[0].result.exposure
    width, height = exposure.width_px, exposure.height_px
    return max(width, height) ** 2 / (width**2 + height**2)


def field_curvature(night: Night, rig: Rig) -> Finding | Healthy | CannotTell:
    """The FWHM grows from the centre to the corners alike, and stars there stretch along or across the radius."""
    patterns = list(_patterns(night))
    if not patterns:
        return _no_pattern(night, "field-curvature")
    log_odds, one = _best([(_bowl(one), one) for one in patterns])
    field = one.field
    return answer(
        "field-curvature",
        log_odds,
        affected=one.moved.every_frame if log_odds > 0 else frozenset(),
        cost=_share_of_field(field.centre_size_px2, abs(field.curvature_px2.value) / 2),
        evidence=(
            Evidence(statement="from the centre to the corners the FWHM grows by", value=field.curvature_percent.value,
                     unit="percent", expected_if_healthy=f"within {UNEVEN_PERCENT:.0f}"),
            Evidence(statement="stars in the corners are longer along the radius than across by",
                     value=field.astigmatism_px.value, unit="px", expected_if_healthy=0.0),
        ),
        rivals=(
            Rival(cause="sensor-tilt",
                  why_less_likely=f"{field.ridge_px2.value / max(abs(field.curvature_px2.value), 1e-9):.0%} of the "
                  "growth has one direction; a tilt has all of it"),
            Rival(cause="coma", why_less_likely="the corner stars have no tail on one side"),
            Rival(cause="field-rotation", why_less_likely="the frames do not turn against each other"),
        ),
    )  # fmt: skip


def _bowl(one: _Pattern) -> float:
    field = one.field
    rest = abs(field.curvature_px2.value) - field.ridge_px2.value
    percent = one.percent(rest) if field.curvature_px2.value > 0 else -one.percent(-rest)
    error = math.hypot(UNEVEN_SCATTER, field.curvature_percent.error)
    along = abs(field.astigmatism_px.value) / math.sqrt(field.centre_size_px2)
    along_error = math.hypot(0.025, field.astigmatism_px.error / math.sqrt(field.centre_size_px2))
    odds = [
        any_of(
            all_of(
                log_odds_above(percent, UNEVEN_PERCENT, error),
                _sure(field.curvature_px2.value, field.curvature_px2.error),
            ),
            all_of(
                log_odds_above(along, 0.16, along_error), _sure(field.astigmatism_px.value, field.astigmatism_px.error)
            ),
        ),
        -_comet(abs(field.coma_px3.value) / one.corner_sigma3, field.coma_px3),
    ]
    arc = _turned(one)
    if arc > 0:  # rotation widens the corners, along the circle
        spin2 = float(one.moved.tracking.spin2_of_line(arc))
        odds.append(log_odds_above(abs(field.curvature_px2.value) / max(1.3 * spin2, 1e-9), 1.8, 0.4))
    return all_of(*odds)


def _turned(one: _Pattern) -> float:
    """Length of the arc that the corner draws in one exposure. [px]"""
    motion = one.moved.motion
    rate, error = abs(motion.rotation_deg_per_hour or 0.0), motion.rotation_error_deg_per_hour or math.inf
    if rate < 3 * error:
        return 0.0
    exposure = one.moved.frames[0].result.exposure
    seconds = one.moved.tracking.smears.typical_exposure_s
    return math.radians(rate) * seconds / 3600 * math.hypot(exposure.width_px, exposure.height_px) / 2


def coma(night: Night, rig: Rig) -> Finding | Healthy | CannotTell:
    """Comet shapes that grow with the distance from the centre and point along the radius."""
    patterns = list(_patterns(night))
    if not patterns:
        return _no_pattern(night, "coma")
    log_odds, one = _best([(_in_the_corners(one), one) for one in patterns])
    field = one.field
    skew = field.coma_px3.value / one.corner_sigma3
    outward = "outward" if skew > 0 else "inward"
    return answer(
        "coma",
        log_odds,
        affected=one.moved.every_frame if log_odds > 0 else frozenset(),
        cost=_share_of_field(field.centre_size_px2, max(field.curvature_px2.value, 0.0) / 2),
        evidence=(
            Evidence(statement=f"tails in the corners point {outward}: third moment over that of a star's own width",
                     value=abs(skew), unit="ratio", expected_if_healthy=f"below {SKEW}"),
            Evidence(statement="as a length", value=field.coma_px.value, unit="px"),
        ),
        rivals=(
            Rival(cause="miscollimation", why_less_likely="its tails are the same in the centre; these grow outward"),
            Rival(cause="guiding-noise", why_less_likely="motion draws all stars alike, and has no tail on one side"),
        ),
    )  # fmt: skip


def miscollimation(night: Night, rig: Rig) -> Finding | Healthy | CannotTell:
    """Comet shapes of one size and direction over the whole field, in all frames."""
    patterns = list(_patterns(night))
    if not patterns:
        return _no_pattern(night, "miscollimation")
    log_odds, one = _best([(_all_over(one), one) for one in patterns])
    field = one.field
    skew = field.constant_coma_px3.value / one.sigma3
    return answer(
        "miscollimation",
        log_odds,
        affected=one.moved.every_frame if log_odds > 0 else frozenset(),
        cost=float(min(abs(skew) / 3, 0.5)),
        evidence=(
            Evidence(statement="all stars have a tail towards "
                     f"{field.constant_coma_pa_deg:.0f} degrees from +x: third moment over that of a star's own width",
                     value=skew, unit="ratio", expected_if_healthy=f"below {SKEW}"),
            Evidence(statement="as a length", value=field.constant_coma_px.value, unit="px"),
        ),
        rivals=(
            Rival(cause="coma", why_less_likely="its tails vanish in the centre; these are there too"),
            Rival(cause="guiding-noise", why_less_likely="motion would change its tails from frame to frame"),
        ),
    )  # fmt: skip


def _in_the_corners(one: _Pattern) -> float:
    return _comet(abs(one.field.coma_px3.value) / one.corner_sigma3, one.field.coma_px3, beta=one.beta)


def _all_over(one: _Pattern) -> float:
    """Log-odds of one comet shape all over the field; a strong one in the corners leaves a little of it everywhere."""
    constant, corner = one.field.constant_coma_px3.value, abs(one.field.coma_px3.value)
    odds = _comet(constant / one.sigma3, one.field.constant_coma_px3, beta=one.beta)
    steady = one.field.constant_coma_px3.error
    return all_of(
        odds,
        FEW_FRAMES if one.n < FEWEST_ALIKE else 4.0,
        log_odds_above(math.log(max(constant, 1e-9)), math.log(max(LEAK * corner, 1e-9)), 0.3),
        log_odds_above(constant / max(steady, 1e-12), 2 * THIRD_SIGMA, 3.0),
    )


def _comet(skew: float, moment: Estimate, limit: float = SKEW, beta: float = 4.0) -> float:
    soft = float(np.clip(math.log(max(beta, 1.0) / HARD_BETA), 0.0, 1.5)) if math.isfinite(beta) else 0.0
    return all_of(
        log_odds_above(math.log(max(skew, 1e-6)), math.log(limit * (1 + soft)), THIRD_SCATTER),
        log_odds_above(abs(moment.value) / max(moment.error, 1e-12), THIRD_SIGMA, 1.5),
    )


def pinched_optics(night: Night, rig: Rig) -> Finding | Healthy | CannotTell:
    """Stars have three lobes."""
    patterns = list(_patterns(night))
    if not patterns:
        return _no_pattern(night, "pinched-optics")
    log_odds, one = _best([(_lobes(one), one) for one in patterns])
    return answer(
        "pinched-optics",
        log_odds,
        affected=one.moved.every_frame if log_odds > 0 else frozenset(),
        cost=float(min(one.field.trefoil_px.value**3 / one.sigma3 / 6, 0.5)),
        evidence=(
            Evidence(statement="stars have three lobes: third moment over that of a star's own width",
                     value=one.field.trefoil_px.value ** 3 / one.sigma3, unit="ratio",
                     expected_if_healthy=f"below {LOBED}"),
        ),
        rivals=(
            Rival(cause="defocus", why_less_likely="without strain in the optics it leaves stars round"),
            Rival(cause="miscollimation", why_less_likely="it draws one tail, not three lobes"),
        ),
    )  # fmt: skip


def _lobes(one: _Pattern) -> float:
    cube, error = one.field.trefoil_px.value**3, 3 * one.field.trefoil_px.value**2 * one.field.trefoil_px.error
    odds = _comet(cube / one.sigma3, Estimate(value=cube, error=error), LOBED)
    comet = max(one.field.constant_coma_px3.value, abs(one.field.coma_px3.value))
    # a comet has some of every odd moment, the more of it the stronger it is
    leak = 2 * LEAK * (1 + min(comet / one.sigma3, 2.0))
    return all_of(odds, log_odds_above(math.log(max(cube, 1e-9)), math.log(max(leak * comet, 1e-9)), 0.3))


def astigmatism(night: Night, rig: Rig) -> Finding | Healthy | CannotTell:
    """One elongation over the whole field that turns by 90 degrees through focus, or never changes at all."""
    groups = [one for one in all_moved(night) if len(one.frames) >= 4]
    if not groups:
        return CannotTell(
            cause="astigmatism", because="fewer than 4 frames of one kind have stars enough",
            what_would_settle_it="a series of frames through focus",
        )  # fmt: skip
    log_odds, moved = max(((any_of(_through_focus(one), _never_changes(one)), one) for one in groups), key=_first)
    through, along = _through_focus(moved), _principal(moved)
    statement = (
        "stars are drawn out one way on one side of focus and across it on the other" if through > 0
        else "stars of all frames are drawn out alike"
    )  # fmt: skip
    return answer(
        "astigmatism",
        log_odds,
        affected=moved.where(moved.size > SEEN),
        cost=float(1 - np.exp(-np.arcsinh(np.median(np.abs(moved.smear))))),
        evidence=(
            Evidence(statement=f"{statement}, at the most by", unit="long over short axis",
                     value=float(np.exp(np.arcsinh(np.max(np.abs(along))))), expected_if_healthy="below 1.10"),
        ),
        rivals=(
            Rival(cause="guiding-noise", why_less_likely="its direction and size change at random"),
            Rival(cause="periodic-error", why_less_likely="it draws stars along right ascension, never across"),
        ),
    )  # fmt: skip


def _principal(moved: Moved) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """Smear along the axis on which it varies, or lies, most; the other side is at right angles on the sky."""
    square = np.sum(moved.smear**2)
    turn = np.exp(-1j * np.angle(square) / 2)
    out: np.ndarray[tuple[int], np.dtype[np.float64]] = (moved.smear * turn).real
    return out


def _through_focus(moved: Moved) -> float:
    """Log-odds that the elongation passes from one direction through round to the one across it, smoothly."""
    along = _principal(moved)
    if len(along) < 6:
        return -4.0
    ends = min(float(np.percentile(along, 90)), -float(np.percentile(along, 10)))
    power = float(np.sum(along**2)) / max(float(np.sum(np.abs(moved.smear) ** 2)), 1e-12)
    off = along - along.mean()
    smooth = float(np.sum(off[1:] * off[:-1]) / max(float(np.sum(off**2)), 1e-12))
    return all_of(
        log_odds_above(ends, 0.06, 0.02), log_odds_above(power, ONE_AXIS, 0.05), log_odds_above(smooth, SMOOTH, 0.15)
    )


def _never_changes(moved: Moved) -> float:
    """Log-odds of an elongation that all frames share to a hair, and that no drift explains."""
    size = abs(moved.middle)
    drift = abs(complex(np.median(moved.from_drift.real), np.median(moved.from_drift.imag)))
    odds = [
        log_odds_above(size, SEEN, 0.02),
        log_odds_above(CALM + 0.05 * size, moved.scatter, 0.008),
        log_odds_above(size / max(drift, 1e-3), 2.0, 0.5) if moved.drift_seen > 3 else 0.5,
    ]
    along = moved.along_ra
    if along is not None:  # what lies along an axis of the mount may be the mount's
        off_axis = abs(math.sin(np.angle(np.median(along.real) + 1j * np.median(along.imag))))
        odds.append(log_odds_above(off_axis, 0.35, 0.1))
    field = moved.tracking.field
    if isinstance(field, FieldModel) and field.centre_size_px2 > 0:  # a comet is longer than wide as well
        one = _Pattern(moved=moved, field=field, n=len(moved.frames))
        odds.append(-_comet(2 * field.constant_coma_px3.value / one.sigma3, field.constant_coma_px3))
    return all_of(*odds)


def _first(row: tuple[float, Moved]) -> float:
    return row[0]


def _best(rows: list[tuple[float, _Pattern]]) -> tuple[float, _Pattern]:
    return max(rows, key=lambda row: row[0])


def _share_of_field(size_px2: float, growth_px2: float) -> float:
    """Part of the squared FWHM, averaged over the field, that a growth makes."""
    return max(growth_px2, 0.0) / (size_px2 + max(growth_px2, 0.0))
