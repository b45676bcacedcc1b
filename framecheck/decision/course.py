"""Where the pointing of a group went over the night, and the rhythm in it: what charts and night.json show."""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from framecheck.motion.records import Motion
from framecheck.motion.rhythm import Rhythm
from framecheck.motion.tracking import Tracking

Floats = NDArray[np.float64]

FEWEST: Final = 3
"""Frames below which a curve says nothing."""


@dataclass(frozen=True, kw_only=True, slots=True)
class PointingCourse:
    """Where the pointing of one group went, dithers and flips taken out, from its first frame."""

    frames: tuple[int, ...]
    """Indices in `Night.frames`."""
    minutes: Floats
    first: Floats
    """Towards the east, or of the stars along x where the axes are not known."""
    second: Floats
    """Towards the north, or of the stars along y."""
    drift: tuple[float, float]
    """Of the two, a minute."""
    names: tuple[str, str]
    unit: str


def course_of(motion: Motion, tracking: Tracking | None) -> PointingCourse | None:
    """Drift and what remains about it, added up again; None with too few frames."""
    drift, place = motion.drift_px_per_min, motion.place_px
    if len(motion.minutes) < FEWEST or drift is None:
        return None
    first, second = place.real, place.imag
    rate = drift.real, drift.imag
    orientation = None if tracking is None or tracking.axes is None else tracking.axes.orientation
    names, unit = ("stars along x", "stars along y"), "px"
    if orientation is not None:
        first, second = orientation.on_sky(-place)  # the pointing goes the other way than the stars
        rate = orientation.on_sky(-drift)
        names, unit = ("right ascension", "declination"), "arcsec"
    return PointingCourse(
        frames=motion.frames,
        minutes=np.array(motion.minutes),
        first=first - first[0],
        second=second - second[0],
        drift=rate,
        names=names,
        unit=unit,
    )


@dataclass(frozen=True, kw_only=True, slots=True)
class Wave:
    """What the rhythm of one group was found in."""

    frames: tuple[int, ...]
    """Indices in `Night.frames`."""
    minutes: Floats
    value: Floats
    """Position about its mean, or smear."""
    name: str
    unit: str
    rhythm: Rhythm
    peak_to_peak: float | None
    """In `unit`; None for smear, which is no position."""


def wave_of(motion: Motion, tracking: Tracking, scale_arcsec: float | None) -> Wave | None:
    """Positions along right ascension (or the main direction) with their rhythm; else that of the smear; else None."""
    if tracking.rhythm is not None:
        return _wave_between(motion, tracking, tracking.rhythm)
    if tracking.rhythm_inside is None:
        return None
    smears = tracking.smears
    factor, unit = (1.0, "px") if scale_arcsec is None else (scale_arcsec, "arcsec")
    return Wave(
        frames=smears.frames,
        minutes=smears.minutes,
        value=smears.rms_px * factor,
        name="smear in each exposure, rms",
        unit=unit,
        rhythm=tracking.rhythm_inside,
        peak_to_peak=None,
    )


def _wave_between(motion: Motion, tracking: Tracking, rhythm: Rhythm) -> Wave:
    x, y = np.array(motion.residual_x_px), np.array(motion.residual_y_px)
    orientation = None if tracking.axes is None else tracking.axes.orientation
    value, unit, name, factor = x, "px", "main direction", 1.0
    if orientation is not None:
        value, unit, name = orientation.on_sky(-motion.residual_px)[0], "arcsec", "right ascension"
        factor = orientation.pixel_scale_arcsec
    elif len(x):
        angle = 0.5 * np.arctan2(2 * np.mean(x * y), np.mean(x**2) - np.mean(y**2))
        value = x * np.cos(angle) + y * np.sin(angle)
    return Wave(
        frames=motion.frames,
        minutes=np.array(motion.minutes),
        value=value,
        name=name,
        unit=unit,
        rhythm=rhythm,
        peak_to_peak=None if rhythm.amplitude_px is None else 2 * factor * rhythm.amplitude_px,
    )
