"""What of a night can be set beside another: each figure with its interval, air mass and seeing taken out.

Seeing is taken out of the field's terms by telling them at the width of one night: squared widths add, so what tilt or
curvature adds to the squared width stays the same in any air, while its per cent of the width do not.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import inf, sqrt
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from framecheck.decision.estimate import USUAL_LEVEL, Estimate, over_stretches, t_quantile
from framecheck.decision.judgement import FieldPattern
from framecheck.decision.past_night import PastFrame, PastNight, budget_fwhm_arcsec
from framecheck.decision.stretches import split_in_stretches

Floats = NDArray[np.float64]

SEEING_POWER: Final = 0.6
"""The air widens stars as the air mass to this power (Kolmogorov turbulence; D. L. Fried 1966, J. Opt. Soc. Am. 56,
1372; shared/reference_values.csv, PSF-28)."""

OUTSTANDING: Final = 1.5
"""Motion over that of the upper quarter of the frames, from which one counts no more, as in `figures`."""

SEEING_SCATTER: Final = 0.25
"""[dimensionless] Scatter of ln(seeing) from night to night at one place. Common practice, no source."""

Owner = Literal["equipment", "weather"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Measure:
    """What lengths are told in, alike for all nights compared."""

    in_arcsec: bool
    centre_fwhm: float | None
    """Width of the first night's stars at the sensor's centre, which the field's terms are told at."""

    @property
    def unit(self) -> str:
        """Of lengths."""
        return "arcsec" if self.in_arcsec else "px"

    def of_px(self, night: PastNight) -> float:
        """One pixel in that unit."""
        return (night.scale_arcsec or 1.0) if self.in_arcsec else 1.0


@dataclass(frozen=True, kw_only=True, slots=True)
class Quantity:
    """A figure of a night."""

    key: str
    """In JSON; the unit is told beside it."""
    name: str
    owner: Owner
    """Who makes it: the equipment, or the weather as well."""
    unit: Callable[[Measure], str]
    estimate: Callable[[PastNight, Measure], Estimate | None]
    nightly: Callable[[PastNight, float, Measure], float]
    """Standard deviation between nights of an unchanged rig, at a night's value. Chosen, each with its reason."""
    more_is_better: bool = False
    least: float = 0.0
    """No night can have less, nor more than `most`: intervals of a single night end there."""
    most: float = inf
    alike: tuple[str, ...] = ()
    """Facts that both nights must share."""
    missing: str = ""
    """What a night lacks that has no estimate."""

    def bounds(self, estimate: Estimate) -> tuple[float, float]:
        """Interval of a night's figure, inside what is possible."""
        low, high = estimate.interval()
        return max(low, min(self.least, estimate.value)), min(high, max(self.most, estimate.value))


def measure_for(nights: Sequence[PastNight]) -> Measure:
    """Arcseconds if all nights know their scale; the width at the centre of the first night's field."""
    in_arcsec = all(night.scale_arcsec is not None for night in nights)
    measure = Measure(in_arcsec=in_arcsec, centre_fwhm=None)
    first = nights[0]
    if first.field is None or not first.field.each:
        return measure
    widths = [stretch.centre_fwhm_px * measure.of_px(first) for stretch in first.field.each]
    return Measure(in_arcsec=in_arcsec, centre_fwhm=float(np.mean(widths)))


def minutes_of(frames: Sequence[PastFrame]) -> Floats:
    """When each frame was begun; where one does not say, all are taken to follow each other without a pause. [min]"""
    starts = [frame.start_utc for frame in frames]
    known = [start for start in starts if start is not None]
    if known and len(known) == len(starts):
        return np.array([(start - known[0]).total_seconds() / 60 for start in known])
    exposures = np.array([frame.exposure_s or 60.0 for frame in frames])
    return np.concatenate([[0.0], np.cumsum(exposures)[:-1]]) / 60


def _along_night(
    frames: Sequence[PastFrame], values: Floats, typical: Callable[[Floats], float]
) -> Estimate | None:  # fmt: skip
    """A figure from the frames of each stretch, and its mean over them."""
    known = np.isfinite(values)
    if not known.any():
        return None
    minutes, values = (
        minutes_of([frame for frame, is_known in zip(frames, known, strict=True) if is_known]),
        values[known],
    )
    stretches = split_in_stretches(minutes)
    return over_stretches([typical(values[one]) for one in stretches], [minutes[one] for one in stretches])


def _column(frames: Sequence[PastFrame], name: str) -> Floats:
    return np.array([np.nan if getattr(one, name) is None else getattr(one, name) for one in frames], dtype=float)


def _smear(night: PastNight, measure: Measure) -> Estimate | None:
    """Root of the mean square over the frames; those that stand far out are held back, or one knock would speak."""
    smear = _column(night.main_frames, "smear_px") * measure.of_px(night)
    if not np.isfinite(smear).any():
        return None
    most = OUTSTANDING * float(np.nanquantile(smear, 0.75))
    return _along_night(
        night.main_frames, np.minimum(smear, most), lambda some: float(np.sqrt(np.mean(np.square(some))))
    )


def _drift(night: PastNight, measure: Measure) -> Estimate | None:
    """Size of the mean slope of the pointing."""
    course = night.course
    if course is None:
        return None
    minutes = np.array(course.minutes)
    factor = 1.0 if course.in_arcsec else measure.of_px(night)
    stretches = split_in_stretches(minutes)
    means = []
    for places in (course.first, course.second):
        place = np.array(places) * factor
        slopes = [float(np.polyfit(minutes[one], place[one], 1)[0]) for one in stretches if np.ptp(minutes[one]) > 0]
        mean = over_stretches(slopes, [minutes[one] for one in stretches]) if len(slopes) == len(stretches) else None
        if mean is None:
            return None
        means.append(mean)
    return _size(means[0], means[1])


def _size(first: Estimate, second: Estimate, factor: float = 1.0) -> Estimate:
    """Length of a vector, noise taken off: that of a vector of noise would be its error otherwise, and never 0."""
    square = first.value**2 + second.value**2 - first.down**2 - second.down**2
    error = factor * max(first.down, second.down)
    return Estimate(value=factor * sqrt(max(square, 0.0)), down=error, up=error, freedom=first.freedom)


def _polar(night: PastNight, measure: Measure) -> Estimate | None:
    polar = night.polar_error_arcmin
    if polar is None or polar.value is None or polar.low is None or polar.high is None:
        return None
    return Estimate(value=polar.value, down=polar.value - polar.low, up=polar.high - polar.value)


def _over_field(night: PastNight, of: Callable[[FieldPattern, float], float | None]) -> Estimate | None:
    """A term of the field: its mean over the stretches. `of` takes the pattern and the width at the centre in px."""
    if night.field is None or any(one.start_utc is None for one in night.field.each):
        return None
    each = night.field.each
    values = [of(one.pattern, one.centre_fwhm_px) for one in each]
    return over_stretches([np.nan if value is None else value for value in values], _spans(night))


def _spans(night: PastNight) -> list[Floats]:
    """Times within each stretch of the field, up to the start of the next."""
    from datetime import datetime

    each = () if night.field is None else night.field.each
    starts = [datetime.fromisoformat(one.start_utc or "").timestamp() / 60 for one in each]
    lengths = np.diff(starts)
    usual = [float(np.median(lengths)) if len(lengths) else 0.0] if starts else []
    return [start + np.linspace(0, length, 6) for start, length in zip(starts, [*lengths, *usual], strict=True)]


def _tilt(night: PastNight, measure: Measure) -> Estimate | None:
    """Both axes' slopes as one length."""
    means = []
    for name in ("tilt_x_percent", "tilt_y_percent"):
        mean = _over_field(night, lambda pattern, width, name=name: _grown(getattr(pattern, name), width))  # type: ignore[misc]
        if mean is None or measure.centre_fwhm is None:
            return None
        means.append(mean)
    return _size(means[0], means[1], factor=(measure.of_px(night) / (measure.centre_fwhm or 1.0)) ** 2)


def _grown(percent: float | None, width_px: float) -> float | None:
    """Per cent of the FWHM from edge to edge, times the squared width: the same in any air."""
    return None if percent is None else percent * width_px**2


def _curvature(night: PastNight, measure: Measure) -> Estimate | None:
    if measure.centre_fwhm is None:
        return None
    to_unit, at = measure.of_px(night), measure.centre_fwhm

    def percent(pattern: FieldPattern, width_px: float) -> float | None:
        if pattern.curvature_percent is None:
            return None
        added = (to_unit * width_px) ** 2 * ((1 + pattern.curvature_percent / 100) ** 2 - 1)
        return 100 * (sqrt(max(1 + added / at**2, 0.0)) - 1)

    return _over_field(night, percent)


def _astigmatism(night: PastNight, measure: Measure) -> Estimate | None:
    """Difference of the axes, at the width of the first night: (a² - b²) / 2 stays the same in any air."""
    if measure.centre_fwhm is None:
        return None
    to_unit, at = measure.of_px(night), measure.centre_fwhm
    return _over_field(
        night,
        lambda pattern, width: (
            None if pattern.astigmatism_px is None else pattern.astigmatism_px * to_unit * width * to_unit / at
        ),
    )


def _third(name: str) -> Callable[[PastNight, Measure], Estimate | None]:
    """Coma or trefoil: third moments add, and round air has none."""

    def estimate(night: PastNight, measure: Measure) -> Estimate | None:
        to_unit = measure.of_px(night)

        def value(pattern: FieldPattern, _: float) -> float | None:
            length = getattr(pattern, name)
            return None if length is None else length * to_unit

        return _over_field(night, value)

    return estimate


def _without_air(night: PastNight, measure: Measure) -> Estimate | None:
    """What is left of the budget without its air: mount, optics and pixels."""
    whole, air = budget_fwhm_arcsec(night), next((one for one in night.budget if one.term == "atmosphere"), None)
    if not measure.in_arcsec or whole is None or air is None or None in (air.fwhm_arcsec, air.low, air.high):
        return None
    value, low, high = (
        sqrt(max(whole**2 - (width or 0.0) ** 2, 0.0)) for width in (air.fwhm_arcsec, air.high, air.low)
    )
    return _of_bounds(value, low, high)


def _of_bounds(value: float, low: float, high: float) -> Estimate:
    """The budget's bounds are to hold: they are taken for an interval of the usual level."""
    reach = t_quantile(USUAL_LEVEL, np.inf)
    return Estimate(value=value, down=max(value - low, 0.0) / reach, up=max(high - value, 0.0) / reach)


def zenith_fwhm(fwhm: Floats, airmass: Floats, air_share: float) -> Floats:
    """Widths as they would be at the zenith: the air's part shrinks as X^-0.6, the rest stays.

    Parameters
    ----------
    fwhm, airmass : ndarray, shape (n_frames,)
        NaN where unknown.
    air_share : float
        Part of the usual frame's squared width that the air makes.
    """
    rest = (1 - air_share) * float(np.nanmedian(fwhm)) ** 2
    air = np.maximum(fwhm**2 - rest, 0.0)
    out: Floats = np.sqrt(np.minimum(rest, fwhm**2) + air * airmass ** (-2 * SEEING_POWER))
    return out


def _at_zenith(night: PastNight, measure: Measure) -> Estimate | None:
    frames = night.main_frames
    fwhm, airmass = _column(frames, "fwhm_px") * measure.of_px(night), _column(frames, "airmass")
    if night.air_share is None or not np.isfinite(fwhm * airmass).any():
        return None
    return _along_night(frames, zenith_fwhm(fwhm, airmass, night.air_share), lambda some: float(np.median(some)))


def _air(night: PastNight, measure: Measure) -> Estimate | None:
    air = next((one for one in night.budget if one.term == "atmosphere"), None)
    airmass = _column(night.main_frames, "airmass")
    if not measure.in_arcsec or air is None or not np.isfinite(airmass).any():
        return None
    if air.fwhm_arcsec is None or air.low is None or air.high is None:
        return None
    factor = float(np.nanmedian(airmass)) ** -SEEING_POWER
    return _of_bounds(factor * air.fwhm_arcsec, factor * air.low, factor * air.high)


def _kept(night: PastNight, measure: Measure) -> Estimate | None:
    kept = np.array([np.nan if one.grade is None else 100.0 * (one.grade == "keep") for one in night.frames])
    return _along_night(night.frames, kept, lambda some: float(np.mean(some)))


def _effective(night: PastNight, measure: Measure) -> Estimate | None:
    """Effective minutes of frames kept in an hour of the clock, pauses counted."""
    frames = night.frames
    minutes = minutes_of(frames)
    stretches = split_in_stretches(minutes) if len(frames) else []
    if not stretches:
        return None
    last = frames[int(stretches[-1][-1])]
    ends = [float(minutes[one[0]]) for one in stretches[1:]]
    ends.append(float(minutes[stretches[-1][-1]]) + (last.exposure_s or 0.0) / 60)
    gain = _column(frames, "effective_exposure_s") * np.array([one.grade == "keep" for one in frames])
    if not np.isfinite(gain).any():
        return None
    rates = [
        float(np.nansum(gain[one])) / max(end - float(minutes[one[0]]), 1e-9)
        for one, end in zip(stretches, ends, strict=True)
    ]
    return over_stretches(rates, [minutes[one] for one in stretches])


def _length(measure: Measure) -> str:
    return measure.unit


def _percent(_: Measure) -> str:
    return "percent"


_FIELD: Final = ("field of view", "focal length")
_NO_PATTERN: Final = "stars over the whole field in three stretches of the night, in a report of this version"
_NO_FRAMES: Final = "nine frames or more"
_NO_BUDGET: Final = "a pixel scale and a budget of the star's width"

QUANTITIES: Final[tuple[Quantity, ...]] = (
    Quantity(
        key="smear", name="motion inside an exposure", owner="equipment", unit=_length, estimate=_smear,
        nightly=lambda _night, value, _: 0.15 * value,  # wind, balance, and how well a guider follows in other air
        alike=("exposure",), missing=_NO_FRAMES,
    ),
    Quantity(
        key="drift", name="drift between exposures", owner="equipment", estimate=_drift,
        unit=lambda measure: f"{measure.unit}/min",
        nightly=lambda _night, _value, _: 0.15,  # refraction and bending change with the pointing (TRK-37: up to 0.5)
        missing="the pointing of nine frames or more",
    ),
    Quantity(
        key="polar_error", name="polar error", owner="equipment", unit=lambda _: "arcmin", estimate=_polar,
        nightly=lambda _night, _value, _: 0.0,  # the axis stays where it was set, and setting it anew is a change
        missing="a place, axes and hours enough to solve for the polar axis",
    ),
    Quantity(
        key="tilt", name="tilt, edge to edge", owner="equipment", unit=_percent, estimate=_tilt,
        nightly=lambda _night, value, _: 2 + 0.05 * value,  # focus found anew moves the line of best focus
        alike=_FIELD, missing=_NO_PATTERN,
    ),
    Quantity(
        key="curvature", name="field curvature, corner over centre", owner="equipment", unit=_percent,
        estimate=_curvature, least=-inf,
        nightly=lambda _night, value, _: 2 + 0.05 * abs(value),  # the same for the bowl's ring
        alike=_FIELD, missing=_NO_PATTERN,
    ),
    Quantity(
        key="coma", name="coma", owner="equipment", unit=_length, estimate=_third("coma_px"),
        nightly=lambda _night, _value, measure: 0.04 * (measure.centre_fwhm or 0.0),  # mirrors settle, tubes cool
        alike=_FIELD, missing=_NO_PATTERN,
    ),
    Quantity(
        key="astigmatism", name="astigmatism", owner="equipment", unit=_length, estimate=_astigmatism,
        nightly=lambda _night, _value, measure: 0.04 * (measure.centre_fwhm or 0.0),  # changes sign through focus
        alike=_FIELD, missing=_NO_PATTERN,
    ),
    Quantity(
        key="trefoil", name="trefoil", owner="equipment", unit=_length, estimate=_third("trefoil_px"),
        nightly=lambda _night, _value, measure: 0.04 * (measure.centre_fwhm or 0.0),  # cold tightens a lens in its cell
        alike=_FIELD, missing=_NO_PATTERN,
    ),
    Quantity(
        key="fwhm_without_air", name="FWHM with the air taken out", owner="equipment", unit=_length,
        estimate=_without_air, nightly=lambda _night, value, _: 0.05 * value,  # focus found anew
        alike=("filter",), missing=_NO_BUDGET,
    ),
    Quantity(
        key="fwhm_at_zenith", name="FWHM, as at the zenith", owner="weather", unit=_length, estimate=_at_zenith,
        nightly=lambda night, value, _: SEEING_SCATTER * (night.air_share or 1.0) * value,
        alike=("filter",), missing="air mass and nine frames or more",
    ),
    Quantity(
        key="air_at_zenith", name="the air's own FWHM, as at the zenith", owner="weather", unit=_length,
        estimate=_air, nightly=lambda _night, value, _: 0.25 * value,
        alike=("filter",), missing=_NO_BUDGET + ", and air mass",
    ),
    Quantity(
        key="kept", name="frames kept", owner="weather", unit=_percent, estimate=_kept, more_is_better=True,
        most=100.0,
        nightly=lambda _night, _value, _: 15.0,  # clouds and wind come and go
        missing=_NO_FRAMES,
    ),
    Quantity(
        key="effective", name="effective exposure an hour", owner="weather", unit=lambda _: "min/h",
        estimate=_effective, more_is_better=True,
        nightly=lambda _night, value, _: 0.3 * value,  # the same
        missing=_NO_FRAMES,
    ),
)  # fmt: skip
"""Equipment first. The scatter between nights is chosen in each: one night on either side cannot show it."""
