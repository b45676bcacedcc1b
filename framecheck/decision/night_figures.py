"""Figures of a judged night, each with its interval, air mass and seeing taken out.

Seeing is taken out of the field's terms by telling them at the width of one night: squared widths add, so what tilt or
curvature adds to the squared width stays the same in any air, while its per cent of the width do not.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from math import sqrt

import numpy as np
from numpy.typing import NDArray

from framecheck.constants import SEEING_POWER
from framecheck.decision.estimate import USUAL_LEVEL, Estimate, over_stretches, t_quantile
from framecheck.decision.frame_row import FrameRow
from framecheck.decision.past_night import PastNight, budget_fwhm_arcsec
from framecheck.decision.records import FieldPattern
from framecheck.decision.stretches import split_in_stretches
from framecheck.robust import held_back, typical

Floats = NDArray[np.float64]


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


def measure_for(nights: Sequence[PastNight]) -> Measure:
    """Arcseconds if all nights know their scale; the width at the centre of the first night's field."""
    in_arcsec = all(night.scale_arcsec is not None for night in nights)
    measure = Measure(in_arcsec=in_arcsec, centre_fwhm=None)
    first = nights[0]
    if first.field_stretches is None or not first.field_stretches.each:
        return measure
    widths = [stretch.centre_fwhm_px * measure.of_px(first) for stretch in first.field_stretches.each]
    return Measure(in_arcsec=in_arcsec, centre_fwhm=float(np.mean(widths)))


def minutes_of(frames: Sequence[FrameRow]) -> Floats:
    """When each frame was begun; where one does not say, all are taken to follow each other without a pause. [min]"""
    starts = [frame.start for frame in frames]
    known = [start for start in starts if start is not None]
    if known and len(known) == len(starts):
        return np.array([(start - known[0]).total_seconds() / 60 for start in known])
    exposures = np.array([frame.exposure_s or 60.0 for frame in frames])
    return np.concatenate([[0.0], np.cumsum(exposures)[:-1]]) / 60


def _along_night(frames: Sequence[FrameRow], values: Floats, typical: Callable[[Floats], float]) -> Estimate | None:
    """A figure from the frames of each stretch, and its mean over them."""
    known = np.isfinite(values)
    if not known.any():
        return None
    values = values[known]
    minutes = minutes_of([frame for frame, is_known in zip(frames, known, strict=True) if is_known])
    stretches = split_in_stretches(minutes)
    return over_stretches([typical(values[one]) for one in stretches], [minutes[one] for one in stretches])


def _column(frames: Sequence[FrameRow], name: str) -> Floats:
    return np.array([np.nan if getattr(one, name) is None else getattr(one, name) for one in frames], dtype=float)


def smear(night: PastNight, measure: Measure) -> Estimate | None:
    """Motion inside exposures: root mean square over the frames, those far out held back."""
    found = _column(night.main_frames, "smear_px") * measure.of_px(night)
    if not np.isfinite(found).any():
        return None
    return _along_night(night.main_frames, held_back(found), lambda some: float(np.sqrt(np.mean(np.square(some)))))


def drift(night: PastNight, measure: Measure) -> Estimate | None:
    """Drift between exposures: size of the mean slope of the pointing."""
    course = night.course
    if course is None:
        return None
    minutes = np.array(course.minutes)
    factor = 1.0 if course.in_arcsec else measure.of_px(night)
    stretches = split_in_stretches(minutes)
    means = []
    for places in course.places:
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


def polar(night: PastNight, measure: Measure) -> Estimate | None:
    """Distance of the mount's axis from the pole, whose interval in night.json reaches one standard error."""
    off = night.tracking.polar_error_arcmin
    if off is None or off.value is None or off.low is None or off.high is None:
        return None
    return Estimate(value=off.value, down=off.value - off.low, up=off.high - off.value)


def _over_field(night: PastNight, of: Callable[[FieldPattern, float], float | None]) -> Estimate | None:
    """A term of the field: its mean over the stretches. `of` takes the pattern and the width at the centre in px."""
    if night.field_stretches is None or any(one.start_utc is None for one in night.field_stretches.each):
        return None
    each = night.field_stretches.each
    values = [of(one.pattern, one.centre_fwhm_px) for one in each]
    return over_stretches([np.nan if value is None else value for value in values], _spans(night))


def _spans(night: PastNight) -> list[Floats]:
    """Times within each stretch of the field, up to the start of the next."""
    each = () if night.field_stretches is None else night.field_stretches.each
    starts = [datetime.fromisoformat(one.start_utc or "").timestamp() / 60 for one in each]
    lengths = np.diff(starts)
    usual = [float(np.median(lengths)) if len(lengths) else 0.0] if starts else []
    return [start + np.linspace(0, length, 6) for start, length in zip(starts, [*lengths, *usual], strict=True)]


def tilt(night: PastNight, measure: Measure) -> Estimate | None:
    """Tilt: both axes' slopes as one length, at the width of the first night."""
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


def curvature(night: PastNight, measure: Measure) -> Estimate | None:
    """Field curvature, corner over centre, at the width of the first night."""
    if measure.centre_fwhm is None:
        return None
    to_unit, at = measure.of_px(night), measure.centre_fwhm

    def percent(pattern: FieldPattern, width_px: float) -> float | None:
        if pattern.curvature_percent is None:
            return None
        added = (to_unit * width_px) ** 2 * ((1 + pattern.curvature_percent / 100) ** 2 - 1)
        return 100 * (sqrt(max(1 + added / at**2, 0.0)) - 1)

    return _over_field(night, percent)


def astigmatism(night: PastNight, measure: Measure) -> Estimate | None:
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


def third(name: str) -> Callable[[PastNight, Measure], Estimate | None]:
    """Estimate coma or trefoil, by its name in the pattern: third moments add, and round air has none."""

    def estimate(night: PastNight, measure: Measure) -> Estimate | None:
        to_unit = measure.of_px(night)

        def value(pattern: FieldPattern, _: float) -> float | None:
            length = getattr(pattern, name)
            return None if length is None else length * to_unit

        return _over_field(night, value)

    return estimate


def without_air(night: PastNight, measure: Measure) -> Estimate | None:
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
    rest = (1 - air_share) * typical(fwhm) ** 2
    air = np.maximum(fwhm**2 - rest, 0.0)
    out: Floats = np.sqrt(np.minimum(rest, fwhm**2) + air * airmass ** (-2 * SEEING_POWER))
    return out


def at_zenith(night: PastNight, measure: Measure) -> Estimate | None:
    """FWHM with the air's part brought to the zenith: the mean over the night of what is usual in a stretch."""
    frames = night.main_frames
    fwhm, airmass = _column(frames, "fwhm_px") * measure.of_px(night), _column(frames, "airmass")
    if night.air_share is None or not np.isfinite(fwhm * airmass).any():
        return None
    return _along_night(frames, zenith_fwhm(fwhm, airmass, night.air_share), lambda some: float(np.median(some)))


def air(night: PastNight, measure: Measure) -> Estimate | None:
    """What the air alone makes, at the zenith; the budget's bounds are its interval."""
    term = next((one for one in night.budget if one.term == "atmosphere"), None)
    airmass = _column(night.main_frames, "airmass")
    if not measure.in_arcsec or term is None or not np.isfinite(airmass).any():
        return None
    if term.fwhm_arcsec is None or term.low is None or term.high is None:
        return None
    factor = typical(airmass) ** -SEEING_POWER
    return _of_bounds(factor * term.fwhm_arcsec, factor * term.low, factor * term.high)


def kept(night: PastNight, measure: Measure) -> Estimate | None:
    """Frames graded keep, of all measured. [percent]"""
    share = np.array([np.nan if one.grade is None else 100.0 * (one.grade == "keep") for one in night.frames])
    return _along_night(night.frames, share, lambda some: float(np.mean(some)))


def effective(night: PastNight, measure: Measure) -> Estimate | None:
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
