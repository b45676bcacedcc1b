"""What changes while a night goes on: runs of frames that stand off from the calm ones before them."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from framecheck.causes.cause import Sign
from framecheck.causes.cloud import CLOUD_MARGIN, EXTINCTIONS_MAG, LIGHT_SCATTER, LN_PER_MAG, LOST_LIGHT, LOST_STARS
from framecheck.causes.series import Floats, Series, all_series
from framecheck.causes.sky import RISEN, SKY_PER_AIRMASS
from framecheck.constants import SEEING_POWER
from framecheck.decision.grades import STANDS_OUT
from framecheck.field.result import FrameFailure
from framecheck.motion.night import Night
from framecheck.night.groups import loose
from framecheck.night.records import NightFrame
from framecheck.night.sessions import GAP
from framecheck.read.exposure import Exposure
from framecheck.robust import mad_std

IN_A_ROW: Final = 2
"""Frames that must show a change, or its end, one after the other. Chosen: one is a gust or a passing wisp, and to
wait for a third costs another exposure."""
CALM_FRAMES: Final = 5
"""Frames before a change, for what is usual to have a meaning. Chosen."""
CALM_QUANTILE: Final = 0.25
"""The calm frames' value that counts as usual. [dimensionless] Chosen: the better ones, so that a slow change does not
move what it is measured by."""
SIGMA: Final = 2.0
"""Scatter of the calm frames, and error of the frame itself, that is added to each limit. Chosen."""
MOST_SCATTER: Final = 0.5
"""Part of the limit that the scatter adds at most. [dimensionless] Chosen: or a slow change would hide itself in it."""
BACK: Final = 0.5
"""Part of the limit below which a frame is as usual again. [dimensionless] Chosen."""

LATEST: Final = 12
"""A group none of whose frames is among the latest so many is no longer looked at. Chosen: four filters by turns."""

WIDER: Final = 0.13
"""ln(FWHM) by which stars must have grown. [dimensionless] Chosen: slow changes of the air reach a tenth."""

LIGHT_LIMIT: Final = 3.5 * LIGHT_SCATTER + CLOUD_MARGIN
"""Light lost, natural logarithm, from which a cloud is one (`causes.cloud.cloud`). [dimensionless]"""


@dataclass(frozen=True, kw_only=True, slots=True)
class Change:
    """Frames of one group that stand off from those before them."""

    sign: Sign
    group: str
    first: Exposure
    """The first frame that shows it."""
    last: Exposure
    """The last one so far, or before it ended."""
    n_frames: int
    usual: float
    """Before it: long over short axis; FWHM at the zenith [px]; light, 1 for the clearest; sky variance [ADU²]."""
    now: float
    """The same in the frames that show it, the median."""
    over_limit: float
    """How far the frames stand off, over the limit of the sign. [dimensionless]"""
    lasts: bool
    """Whether the group's latest frames show it still."""


@dataclass(frozen=True, kw_only=True, slots=True)
class _Course:
    """One quantity of a group along the night; it changes for the worse as it grows. Arrays of shape (n,)."""

    sign: Sign
    exposures: tuple[Exposure, ...]
    value: Floats
    """Natural logarithm; NaN where it is unknown."""
    error: Floats
    limit: float

    def told(self, value: float) -> float:
        """The quantity as a person reads it."""
        return math.exp(-value if self.sign == "dimmer" else value)


def changes(night: Night) -> tuple[Change, ...]:
    """Find what has changed for the worse in a night so far, and what of it lasts.

    Returns
    -------
    tuple of Change
        By group and sign, each in order of time. Only groups to which one of the latest frames belongs; one with
        `CALM_FRAMES` frames or fewer shows nothing.

    Notes
    -----
    Limits are those of the causes: what makes a star drawn out, focus lost, light clouded or the sky risen. The scatter
    of the calm frames is added to each. Air mass is taken out: FWHM and sky as the causes do it, light with the
    strongest extinction of a hazy site, so that no setting target looks like cloud.
    """
    found = []
    for series in all_series(night):
        if series.group.members[-1] < len(night.frames) - LATEST:
            continue
        for course in _courses(series, night.failures):
            found += _changes(course, series.group.id)
    return tuple(found)


def _courses(series: Series, failures: Sequence[FrameFailure]) -> tuple[_Course, ...]:
    exposures = tuple(frame.result.exposure for frame in series.frames)
    airmass = np.where(np.isfinite(series.airmass), series.airmass, 1.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        length = np.log(series.elongation)
        width = (
            np.log(series.fwhm_px) - length / 2 - SEEING_POWER * np.log(airmass)
        )  # the short axis, which motion leaves alone
        sky = 2 * np.log(series.noise_adu) - SKY_PER_AIRMASS * np.log(airmass)
    zero = np.zeros(len(exposures))
    return (
        _Course(
            sign="trailed",
            exposures=exposures,
            value=length,
            error=_length_error(series.frames),
            limit=math.log(STANDS_OUT),
        ),
        _Course(sign="wider", exposures=exposures, value=width, error=_width_error(series.frames), limit=WIDER),
        _light(series, exposures, airmass, failures),
        _Course(sign="brighter sky", exposures=exposures, value=sky, error=zero, limit=RISEN),
    )


def _length_error(frames: Sequence[NightFrame]) -> Floats:
    shapes = [frame.result.shape for frame in frames]
    return np.array([0.0 if one is None else one.elongation_error / one.elongation for one in shapes])


def _width_error(frames: Sequence[NightFrame]) -> Floats:
    shapes = [frame.result.shape for frame in frames]
    return np.array([0.0 if one is None else one.fwhm_px_error / one.fwhm_px for one in shapes])


def _light(
    series: Series, exposures: tuple[Exposure, ...], airmass: Floats, failures: Sequence[FrameFailure]
) -> _Course:
    """Light lost; frames that show hardly a star, or none at all, have lost much."""
    strongest = LN_PER_MAG * EXTINCTIONS_MAG[-1]
    lost = -series.light - strongest * (airmass - airmass.min(initial=1.0))
    few = np.isnan(lost) & (series.n_found < LOST_STARS * np.median(series.n_found))
    lost[few] = LOST_LIGHT
    dark = [one.exposure for one in failures if _starless(one, exposures)]
    every = [*exposures, *(one for one in dark if one is not None)]
    value = np.concatenate([lost, np.full(len(every) - len(exposures), LOST_LIGHT)])
    error = np.concatenate([np.nan_to_num(series.light_error), np.zeros(len(every) - len(exposures))])
    order = sorted(range(len(every)), key=lambda i: (every[i].start_by_clock is None, str(every[i].start_by_clock), i))
    return _Course(
        sign="dimmer",
        exposures=tuple(every[i] for i in order),
        value=value[order],
        error=error[order],
        limit=LIGHT_LIMIT,
    )


def _starless(failure: FrameFailure, group: Sequence[Exposure]) -> bool:
    """Whether a frame of a group's kind and session was read well but holds no star."""
    one, first = failure.exposure, group[0]
    if one is None or one.start_by_clock is None or not failure.fault.startswith(NO_STARS):
        return False
    starts = [exposure.start_by_clock for exposure in group if exposure.start_by_clock is not None]
    if starts and not min(starts) - GAP < one.start_by_clock < max(starts) + GAP:
        return False
    kinds = [
        (loose(each.target), loose(each.filter), loose(each.camera), each.exposure_s, each.width_px, each.height_px)
        for each in (one, first)
    ]
    return kinds[0] == kinds[1]


NO_STARS: Final = "no stars were found"
"""How the fault of a frame without a star begins."""


def _changes(course: _Course, group: str) -> list[Change]:
    known = np.flatnonzero(np.isfinite(course.value))
    value, error = course.value[known], course.error[known]
    runs = standing_off(value, error, course.limit)
    out = []
    for first, end, usual in runs:
        run = value[first : len(value) if end is None else end]
        last = int(known[first + len(run) - 1])
        now = float(np.median(run[-3:]))
        out.append(
            Change(
                sign=course.sign,
                group=group,
                first=course.exposures[known[first]],
                last=course.exposures[last],
                n_frames=len(run),
                usual=course.told(usual),
                now=course.told(now),
                over_limit=(now - usual) / course.limit,
                lasts=end is None,
            )
        )
    return out


def standing_off(value: Floats, error: Floats, limit: float) -> list[tuple[int, int | None, float]]:
    """Runs of values that lie above the calm ones before them.

    Parameters
    ----------
    value, error : ndarray, shape (n,)
        In order of time; finite. `error` is one standard deviation of each.
    limit : float
        How far above the calm ones a value may lie, scatter aside; same unit, above 0.

    Returns
    -------
    list of (first, end, usual)
        First index of each run, the index after its last (None if it lasts), and the calm level before it.
    """
    runs: list[tuple[int, int | None, float]] = []
    calm: list[int] = []
    row: list[int] = []  # frames at the end of the calm part that are off, or of the run that are back
    first: int | None = None
    level = 0.0
    for i in range(len(value)):
        if first is None:
            level, scatter = _usual(value[calm]) if len(calm) >= CALM_FRAMES else (math.inf, 0.0)
            above = value[i] - level
            if above <= limit + min(SIGMA * scatter, MOST_SCATTER * limit) + SIGMA * error[i]:
                calm += [*row, i]
                row = []
                continue
            row.append(i)
            if len(row) == IN_A_ROW:
                first, row = row[0], []
        else:
            row = [*row, i] if value[i] - level < BACK * limit + SIGMA * error[i] else []
            if len(row) == IN_A_ROW:
                runs.append((first, row[0], level))
                calm += row
                first, row = None, []
    if first is not None:
        runs.append((first, None, level))
    return runs


def _usual(calm: Floats) -> tuple[float, float]:
    """Level and scatter of the calm values."""
    scatter = mad_std(calm)
    return float(np.quantile(calm, CALM_QUANTILE)), scatter
