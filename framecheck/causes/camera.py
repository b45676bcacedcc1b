"""Causes in the camera: pixels too coarse or too fine, clipped stars, read noise."""

import math
from dataclasses import replace
from typing import Final

import numpy as np

from framecheck.causes.result import CannotTell, Evidence, Finding, Healthy, Rival, answer, log_odds_above
from framecheck.causes.series import Series, all_series, loss_of, share
from framecheck.constants import FWHM_PER_SIGMA, PIXEL_VARIANCE_PX2, USUAL_READ_E
from framecheck.field.sampling import OVERSAMPLED_PX, UNDERSAMPLED_PX
from framecheck.motion.night import Night
from framecheck.night.sky_rate import USUAL_READ_SCATTER
from framecheck.read.rig import Rig
from framecheck.robust import typical

WIDTH_SCATTER: Final = 0.05
"""[dimensionless] Relative error of the width of badly sampled stars, and of one night's air. Chosen."""

COMMON_AIR_ARCSEC: Final = 3.5
"""Wider stars are not the pixels' fault. [arcsec] Upper end of what the air allows on common nights; common practice,
no source."""

BLURRED_BY: Final = 1.3
BLURRED_SCATTER: Final = 0.15
"""By how much stars may be wider than sharp ones where their size on the sky is unknown, and the scatter of its natural
logarithm. [dimensionless] Chosen: a blur of focus that nobody noticed."""

BRIGHTEST: Final = 0.1
"""[dimensionless] The stars that matter: the brightest tenth of all found. Chosen."""

MOST_CLIPPED: Final = 0.4
"""[dimensionless] Share of the brightest tenth that may be clipped. Chosen: 16 bits span about 650 from the
faintest star found to the clipping level, and where star counts go as 1/flux (all sky, magnitude 10 to 16: flux^-1.07
to flux^-0.90, Tycho-2 with UCAC4) that clips 2 in a hundred of the brightest tenth; rich camera settings and nearby
clusters allow for the rest."""

CLIPPED_SCATTER: Final = 0.25
"""[dimensionless] Star fields differ in the share of bright stars, natural logarithm. Chosen."""

LEAST_STARS: Final = 20
"""Stars found in a frame, for its brightest tenth to mean something. Chosen."""

BURIED_EXTRA_NOISE: Final = 0.05
"""[dimensionless] Noise that read noise may add to the sky's: the "ten read noises squared" rule, common practice."""

NAMED_EXTRA_NOISE: Final = 0.10
"""[dimensionless] Chosen: twice the rule, 21 % of the effective exposure, is worth a word."""

READ_SCATTER: Final = 0.2
"""[dimensionless] Read noise and gain are stated to about 10 %, which doubles in the square. Chosen."""

LEFT_OPEN: Final = 1.4
"""Log-odds below which, of either sign, a usual read noise decides nothing. Chosen: four to one."""


def undersampled(night: Night, rig: Rig) -> Finding | Healthy | CannotTell:
    """Fewer than about two pixels span the stars, so that detail between the pixels is lost.

    The median frame of the coarsest group counts, as it was recorded: a trail spans more pixels than the star would.
    FWHM is that before the pixel's own blur.
    """
    known = [one.fwhm_px[np.isfinite(one.fwhm_px)] for one in all_series(night)]
    widths = [float(np.median(width)) for width in known if len(width)]
    if not widths:
        return _no_stars("undersampled")
    fwhm_px = min(widths)
    log_odds = -log_odds_above(math.log(fwhm_px), math.log(UNDERSAMPLED_PX), WIDTH_SCATTER)
    pixel = PIXEL_VARIANCE_PX2 * FWHM_PER_SIGMA**2
    return answer(
        "undersampled",
        log_odds,
        affected=_frames_of_width(night, below=UNDERSAMPLED_PX),
        cost=pixel / (pixel + fwhm_px**2),
        evidence=(
            Evidence(
                statement="stars are only so many pixels wide",
                value=fwhm_px,
                unit="px",
                expected_if_healthy=f"above {UNDERSAMPLED_PX:g}",
            ),
        ),
    )


def oversampled(night: Night, rig: Rig, blur: float = 0.0) -> Finding | Healthy | CannotTell:
    """Many more pixels span the stars than the detail needs, and each of them adds read noise.

    The sharper frames of the sharpest group count, and no star wider than the air makes it on common nights: blurred
    stars are no fault of the pixels. `blur` is the share of their squared width that focus, optics and mount are known
    to make.
    """
    widths = _widths(night, 25)
    if not widths:
        return _no_stars("oversampled")
    seen_px = min(widths) * math.sqrt(1 - blur)
    scale = rig.pixel_scale_arcsec
    blurred = scale is not None and seen_px > OVERSAMPLED_PX and seen_px * scale > COMMON_AIR_ARCSEC
    fwhm_px = COMMON_AIR_ARCSEC / scale if scale is not None and blurred else seen_px
    limit_px, scatter = (OVERSAMPLED_PX, WIDTH_SCATTER) if scale else (OVERSAMPLED_PX * BLURRED_BY, BLURRED_SCATTER)
    unknown = Rival(cause="defocus", why_less_likely="without a pixel scale, blurred stars look like fine pixels")
    return answer(
        "oversampled",
        log_odds_above(math.log(fwhm_px), math.log(limit_px), scatter),
        affected=_frames_of_width(night, above=OVERSAMPLED_PX),
        cost=_binning_gain(night, rig),
        evidence=(
            Evidence(
                statement="stars are as many pixels wide"
                + (", at common seeing" if blurred else "")
                + (", without the blur of focus, optics and mount" if blur else ""),
                value=fwhm_px,
                unit="px",
                expected_if_healthy=f"below {limit_px:g}",
            ),
        ),
        rivals=() if scale is not None else (unknown,),
    )


def saturation(night: Night, rig: Rig) -> Finding | Healthy | CannotTell:
    """Too many of the bright stars are clipped: their light and colour are lost."""
    clipped = {
        i: min(stars.n_saturated / (BRIGHTEST * stars.n_found), 1 / BRIGHTEST)
        for group in night.groups
        for i in group.members
        for stars in [night.frames[i].result.stars]
        if stars.n_found >= LEAST_STARS
    }
    shares = [(i, [clipped[i] for i in group.members if i in clipped]) for i, group in enumerate(night.groups)]
    shares = [(i, values) for i, values in shares if values]
    if not shares:
        return CannotTell(
            cause="saturation",
            because=f"no frame shows {LEAST_STARS} stars, so the brightest tenth is too few",
            what_would_settle_it="frames of a field with more stars",
        )
    worst, seen = max(((i, float(np.median(values))) for i, values in shares), key=lambda one: one[1])
    stars = np.median([night.frames[i].result.stars.n_found for i in night.groups[worst].members if i in clipped])
    # a share of few stars is uncertain by chance: Poisson
    scatter = math.hypot(CLIPPED_SCATTER, 1 / math.sqrt(max(seen, MOST_CLIPPED) * BRIGHTEST * float(stars)))
    return answer(
        "saturation",
        log_odds_above(math.log(max(seen, 1e-4)), math.log(MOST_CLIPPED), scatter),
        affected=frozenset(i for i, value in clipped.items() if value > MOST_CLIPPED),
        cost=None,
        evidence=(
            Evidence(
                statement="clipped stars, against the brightest tenth of all found",
                value=100 * seen,
                unit="percent",
                expected_if_healthy=f"below {100 * MOST_CLIPPED:.0f}",
            ),
        ),
    )


def read_noise_limited(night: Night, rig: Rig) -> Finding | Healthy | CannotTell:
    """Exposures are so short that the camera's read noise adds to the sky's.

    With the read noise's part f of the variance of a blank pixel, noise is 1 / sqrt(1 - f) times that of the sky alone
    (closed form); dark current counts as sky.
    """
    parts = [(series, _read_part(series, rig)) for series in all_series(night)]
    known = [(series, part) for series, part in parts if np.isfinite(part).any()]
    scatter, stated = READ_SCATTER, bool(known)
    if not known:
        usual = replace(rig, read_noise_e=USUAL_READ_E)
        known = [(one, _read_part(one, usual)) for one in all_series(night) if _as_read(one)]
        known = [(series, part) for series, part in known if np.isfinite(part).any()]
        scatter = 2 * USUAL_READ_SCATTER
    unknown = CannotTell(
        cause="read-noise-limited",
        because="gain or read noise is unknown",
        what_would_settle_it="gain_e_per_adu and read_noise_e in the rig file",
    )
    if not known:
        return unknown
    worst, part = max(known, key=lambda one: typical(one[1]))
    seen = typical(part)
    if stated and seen > 1 + 2 * READ_SCATTER:
        return CannotTell(
            cause="read-noise-limited",
            because="the sky's noise is smaller than the stated read noise alone",
            what_would_settle_it="gain and read noise of this camera setting, and frames as the camera wrote them",
        )
    limit, held = _part_of(NAMED_EXTRA_NOISE), min(seen, 0.98)
    log_odds = log_odds_above(math.log(max(seen, 1e-4)), math.log(limit), scatter)
    if not stated and abs(log_odds) < LEFT_OPEN:
        return unknown
    seconds = typical(worst.exposure_s) * _sub_length_factor(held)
    evidence = [
        Evidence(
            statement="read noise adds so much to the noise of the sky"
            + ("" if stated else f" (with a usual one of {USUAL_READ_E:g} electrons: this camera's is unknown)"),
            value=100 * (1 / math.sqrt(1 - held) - 1),
            unit="percent",
            expected_if_healthy=f"below {100 * BURIED_EXTRA_NOISE:.0f}",
        )
    ]
    if math.isfinite(seconds):
        evidence.append(Evidence(statement="exposure at which it would add 5 %", value=seconds, unit="s"))
    return answer(
        "read-noise-limited",
        log_odds,
        affected=frozenset().union(*(series.where(one > limit) for series, one in known)),
        cost=share([loss_of(series, np.minimum(one, 1.0)) for series, one in known]),
        evidence=tuple(evidence),
    )


def _as_read(series: Series) -> bool:
    """Whether the frames are as the camera wrote them: averaging and flat fields change their noise."""
    return not any(frame.result.exposure.processed for frame in series.frames)


def _part_of(extra_noise: float) -> float:
    """Read noise's part of a blank pixel's variance, where it adds this share to the sky's noise. Closed form."""
    return 1 - 1 / (1 + extra_noise) ** 2


def _sub_length_factor(part: float) -> float:
    """Times the exposure that buries the read noise: R² / S (1.05² - 1) over t, with R² / (S t) = part / (1 - part)."""
    return part / (1 - part) / ((1 + BURIED_EXTRA_NOISE) ** 2 - 1)


def _read_part(series: Series, rig: Rig) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """Read noise's part of the variance of a blank pixel, shape (n_frames,); NaN where it is unknown."""
    part = np.full(len(series.frames), np.nan)
    for i, frame in enumerate(series.frames):
        exposure = frame.result.exposure
        gain = exposure.gain_e_per_adu if exposure.gain_e_per_adu is not None else rig.gain_e_per_adu
        read = exposure.read_noise_e if exposure.read_noise_e is not None else rig.read_noise_e
        if gain and read and series.noise_adu[i] > 0:
            part[i] = (read / (gain * series.noise_adu[i])) ** 2
    return part


def _binning_gain(night: Night, rig: Rig) -> float | None:
    """Share of the effective exposure that binning 2 x 2 would give back; None without gain and read noise."""
    parts = [(series, _read_part(series, rig)) for series in all_series(night)]
    return share([loss_of(series, 0.75 * np.minimum(part, 1)) for series, part in parts if np.isfinite(part).any()])


def _widths(night: Night, percentile: float) -> list[float]:
    """A percentile of each group's width across the stars' long axis, which motion along it leaves alone. [px]"""
    short = [series.fwhm_px / np.sqrt(series.elongation) for series in all_series(night)]
    known = [widths[np.isfinite(widths)] for widths in short]
    return [float(np.percentile(widths, percentile)) for widths in known if len(widths)]


def _frames_of_width(night: Night, below: float = math.inf, above: float = 0.0) -> frozenset[int]:
    """Frames whose stars are so wide."""
    every = all_series(night)
    return frozenset().union(*(one.where((above < one.fwhm_px) & (one.fwhm_px < below)) for one in every))


def _no_stars(cause: str) -> CannotTell:
    return CannotTell(
        cause=cause,
        because="no frame has enough stars to measure their size",
        what_would_settle_it="frames with more stars",
    )
