"""Moved stars: the smear of a group's frames beside what its drift, rhythm and turning would make of them."""

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from framecheck.causes.series import Floats, Series, series_of
from framecheck.constants import SIGMA_PER_MAD
from framecheck.night.records import Motion, Night, NightFrame
from framecheck.night.tracking import Tracking

Complexes = NDArray[np.complex128]

SEEN: Final = 0.1
"""|spin2| over the squared FWHM from which a smear counts: an elongation of 1.10. [dimensionless] Chosen: half of
1.22, which any eye sees."""

LINE_SEEN: Final = 0.4
"""Length of a line over the FWHM from which it counts. [dimensionless] Chosen: it makes an elongation of 1.04 alone,
and one of 1.2 where another smear lies along it."""

STEADY: Final = 0.015
"""Scatter of the smear, over the squared FWHM, of frames that nothing moves. [dimensionless] Chosen: what air leaves in
a minute's exposure."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Moved:
    """One group's smear, frame by frame; arrays of shape (n,)."""

    series: Series
    tracking: Tracking
    motion: Motion
    frames: tuple[NightFrame, ...]
    """Those with a smear."""
    scale_arcsec: float | None
    fwhm_px: float
    """Usual one."""
    smear: Complexes
    """spin2 over the squared FWHM: tanh-like; |smear| 0.22 is an elongation of 1.25. Reference frame's axes."""
    error: Floats
    """Of real and imaginary part each."""
    from_drift: Complexes
    """What the drift between exposures would make of them inside; 0 where the drift is unknown."""
    from_speed: Complexes
    """What the speed seen between each frame and its neighbours would make of it; NaN where it is unknown."""
    line_px: Floats
    """Length of the drift's line in each exposure."""

    @property
    def size(self) -> Floats:
        """|smear|, noise taken off."""
        out: Floats = np.sqrt(np.maximum(np.abs(self.smear) ** 2 - 2 * self.error**2, 0.0))
        return out

    @property
    def e(self) -> Complexes:
        """ln(long axis / short axis) times exp(2 i pa), as motion alone would make it."""
        size = np.abs(self.smear)
        out: Complexes = np.where(size > 1e-9, np.arcsinh(size) / np.maximum(size, 1e-9), 1.0) * self.smear
        return out

    @property
    def drift_seen(self) -> float:
        """Drift over its error; 0 where unknown."""
        x, y, error = self.motion.drift_x_px_per_min, self.motion.drift_y_px_per_min, self.motion.drift_error_px_per_min
        return 0.0 if x is None or y is None or not error else math.hypot(x, y) / (math.sqrt(2) * error)

    @property
    def along_ra(self) -> Complexes | None:
        """Smear with its direction counted from right ascension: real part positive along it, negative across."""
        if self.tracking.axes is None:
            return None
        out: Complexes = self.smear * np.exp(-2j * math.radians(self.tracking.axes.ra_angle_deg))
        return out

    @property
    def slow(self) -> float:
        """Correlation of the smear with what the speed between frames lets expect.

        1 if the motion lasts from one frame to the next, 0 if it is faster, or unknown.
        """
        known = np.isfinite(self.from_speed)
        if known.sum() < 5:
            return 0.0
        seen, expected = self.smear[known], self.from_speed[known]
        power = float(np.sqrt(np.sum(np.abs(seen) ** 2) * np.sum(np.abs(expected) ** 2)))
        return float(np.sum((seen * expected.conj()).real)) / power if power > 0 else 0.0

    @property
    def middle(self) -> complex:
        """Usual smear of the group."""
        return complex(np.median(self.smear.real), np.median(self.smear.imag))

    @property
    def scatter(self) -> float:
        """Of each component from frame to frame, robust, measuring errors taken off."""
        off = np.concatenate([(self.smear - self.middle).real, (self.smear - self.middle).imag])
        seen = SIGMA_PER_MAD * float(np.median(np.abs(off)))
        return math.sqrt(max(seen**2 - float(np.median(self.error)) ** 2, 0.0))


def all_moved(night: Night) -> Iterator[Moved]:
    """One for each group whose frames show a smear or its absence."""
    for group in night.groups:
        tracking = night.tracking.get(group.id)
        if tracking is None or not len(tracking.smears.frames):
            continue
        smears, motion = tracking.smears, night.motion[group.id]
        square = smears.fwhm_px**2
        x, y = motion.drift_x_px_per_min or 0.0, motion.drift_y_px_per_min or 0.0
        line = math.hypot(x, y) * np.nan_to_num(smears.exposure_s) / 60
        turn = np.exp(2j * math.atan2(y, x))
        yield Moved(
            series=series_of(night, group),
            tracking=tracking,
            motion=motion,
            frames=tuple(night.frames[i] for i in smears.frames),
            scale_arcsec=_scale(night, tracking),
            fwhm_px=float(np.median(smears.fwhm_px)),
            smear=smears.spin2_px2 / square,
            error=np.hypot(smears.error_px2 / square, STEADY),
            from_drift=tracking.spin2_of_line(line) / square * turn,
            from_speed=_from_speed(tracking, motion) / square,
            line_px=line,
        )


def _from_speed(tracking: Tracking, motion: Motion) -> Complexes:
    """Smear that the motion from the frame before to the frame after makes in an exposure; NaN at jumps. [px²]"""
    smears = tracking.smears
    out = np.full(len(smears.frames), np.nan + 0j)
    if motion.drift_x_px_per_min is None or motion.drift_y_px_per_min is None:
        return out
    t = np.array(motion.minutes)
    drift = complex(motion.drift_x_px_per_min, motion.drift_y_px_per_min)
    place = np.array(motion.residual_x_px) + 1j * np.array(motion.residual_y_px) + drift * t
    if motion.dithered and max(motion.stretch, default=0) == 0:
        return out
    where = {frame: k for k, frame in enumerate(motion.frames)}
    for i, frame in enumerate(smears.frames):
        k = where.get(frame)
        if k is None:
            continue
        near = [j for j in (k - 1, k + 1) if 0 <= j < len(t) and motion.stretch[j] == motion.stretch[k]]
        ends = (min([*near, k]), max([*near, k]))
        if not near or t[ends[1]] <= t[ends[0]]:
            continue
        speed = (place[ends[1]] - place[ends[0]]) / (t[ends[1]] - t[ends[0]])
        line = abs(speed) * smears.exposure_s[i] / 60
        out[i] = tracking.spin2_of_line(line) * np.exp(2j * np.angle(speed))
    return out


def _scale(night: Night, tracking: Tracking) -> float | None:
    if tracking.axes is not None and tracking.axes.orientation is not None:
        return tracking.axes.orientation.pixel_scale_arcsec
    return night.rig.pixel_scale_arcsec
