"""Stars of a frame measured: found, chosen, fitted, flagged."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from framecheck.constants import BEYOND_NOISE_SIGMA, FWHM_PER_SIGMA
from framecheck.read.exposure import Frame
from framecheck.sky import Colours, Sky, mask_stars, measure_colours, measure_sky
from framecheck.stars.aperture_light import light_over_profile
from framecheck.stars.behind import find_stars_in_view
from framecheck.stars.choose import MOST_MEASURED, ChosenStars, choose_stars
from framecheck.stars.doubled import Doubled, common_companion
from framecheck.stars.ellipse_or_trail import brightest, fit_typical, is_long_trail, like_the_typical
from framecheck.stars.find import Found
from framecheck.stars.fit import StarFits, fit_stars, star_chunks
from framecheck.stars.flags import StarFlag
from framecheck.stars.line import Line
from framecheck.stars.mean_star import MeanStar, mean_star
from framecheck.stars.moments import half_flux_radii, measure_moments
from framecheck.stars.narrow import MAY_BE_NARROW_PX, fit_narrow
from framecheck.stars.pilot import UNKNOWN_STAR, Pilot
from framecheck.stars.profile import (
    E1,
    E2,
    F64,
    FLUX,
    LN_W,
    N_PARAMETERS,
    SKY,
    PixelRule,
    X,
    Y,
    wing_terms,
)
from framecheck.stars.saturation import clip_level
from framecheck.stars.second_image import second_image
from framecheck.stars.shapes import Shapes, shapes_of
from framecheck.stars.stamps import Stamps, cut_stamps
from framecheck.stars.table import STAR_DTYPE, Stars, StarTable
from framecheck.stars.trail_length import typical_length
from framecheck.stars.trails import TRAIL_X, TRAIL_Y, evaluate_trail

MASK_FWHM: Final = 2.5
"""How far from a star its light is kept out of the sky, where that is needed. [FWHM] Chosen."""

CROWDED: Final = 0.08
TOO_CROWDED: Final = 0.85
"""Shares of the image covered by stars between which the sky is measured again without them. Chosen: below, they do
not lift it by a tenth of its noise; above, too little is left."""

KNOT: Final = 1.4
FEWEST_ALIKE: Final = 5
LEAST_ALIKE: Final = 0.05
"""On an uneven sky fits so many times wider than the typical one are knots of light. Where the typical one is so much
wider than the pilot, but so many, and such a share of all, are not, most of them are. Chosen: a pilot is right to a
tenth, and stars of one frame differ by a fifth."""

WIDE_PX: Final = 6.0
"""Stars twice as wide, or more, are fitted to squares of pixels. [px] Chosen: squares of a sixth of the width tell all
that pixels do."""

GREEN_SHARE: Final = 0.5
"""Of the pixels of a mosaic. Closed form: two of four."""

MOST_TRAILS: Final = 300
"""Trails measured in a frame at the most. Chosen: each costs ten times as much as an ellipse, in time and memory."""


@dataclass(frozen=True, slots=True)
class Measured:
    """The stars of a frame, and its mean star."""

    stars: Stars
    sky: Sky
    """The sky under them, measured without them where they are crowded."""
    mean: MeanStar | None
    beta: float | None
    """Of the profile fitted to all stars."""
    trailed: bool
    """Whether a round star moved along a line explains the stars better than an ellipse does."""
    trail_length_px: float | None
    """Length of that line."""
    clip_adu: float | None
    """Level at which the camera clips."""
    light_over_profile: float | None
    """Light of the typical star over that of the profile fitted to it; None with too few good stars."""
    wing_in_size: float = 0.0
    """Relative error of all stars' widths together, from that of their common wings."""


def measure_stars(frame: Frame, sky: Sky, saturation_adu: float | None = None, gain: float | None = None) -> Measured:
    """Find the stars of a frame and measure a well-spread set of them.

    Parameters
    ----------
    frame : Frame
    sky : Sky
        Of the same frame.
    saturation_adu : float or None
        Level at which the camera clips; None to look for it in the pixels. [ADU]
    gain : float or None
        Electrons an ADU, for the noise of the stars' own light.

    Returns
    -------
    Measured
        An empty table if the frame has no star.
    """
    clip = clip_level(frame, saturation_adu)
    found, sky = find_stars_in_view(frame, sky, clip)
    pilot = found.pilot or UNKNOWN_STAR
    sky = _sky_between_stars(frame, sky, found, pilot)
    doubled = common_companion(found, frame.pixels.shape, pilot) or second_image(frame, found, pilot)
    choice = choose_stars(found, frame.pixels.shape, pilot, MOST_TRAILS if is_long_trail(pilot) else MOST_MEASURED)
    under = found.sky or sky
    colours = measure_colours(frame)
    one = _fit_chosen(frame, under, found, pilot, choice, clip, gain, colours)
    stamps, fit, shapes = one.stamps, one.fit, shapes_of(one.fit)
    flags = _flags(fit, one.choice, stamps, pilot, uneven=found.sky is not None)
    if one.lean:
        shapes = shapes.corrected(float(np.exp(one.lean / 2)), float(np.exp(-one.lean / 2)))
    trailed = fit.profile is evaluate_trail
    elongated = bool(np.hypot(np.median(shapes.e1), np.median(shapes.e2)) > 0.03) if len(flags) else False
    good, long = flags == 0, is_long_trail(pilot)
    mean = None if long else mean_star(stamps, fit, shapes, good, elongated, gain)
    if mean is not None:
        shapes = shapes.corrected(mean.long_factor, mean.short_factor)
    fitted = one.as_fitted if long else stamps
    seen = 1.0 if frame.mosaic is None else GREEN_SHARE
    table = _table(stamps, fitted, fit, shapes, flags, one.rule, under.level_at(stamps.x, stamps.y), seen)
    table["x"] += frame.corner_px[0]
    table["y"] += frame.corner_px[1]
    x, y = stamps.x + fit.p[:, X], stamps.y + fit.p[:, Y]
    light = None if long else light_over_profile(frame, sky, x, y, fit, shapes.fwhm_px, good, clip, colours)
    return Measured(
        stars=_stars(frame, table, found, doubled),
        sky=sky,
        mean=mean,
        beta=1 / fit.wing if good.any() else None,
        trailed=trailed,
        trail_length_px=_trail_length(fit, x, y, good) if trailed and good.any() else None,
        clip_adu=clip,
        light_over_profile=light,
        wing_in_size=one.wing_in_size,
    )


def _stars(frame: Frame, table: StarTable, found: Found, doubled: Doubled | None) -> Stars:
    """The stars of a frame, with all that was found beside them."""
    return Stars(
        table=table,
        n_found=len(found),
        n_saturated=int(found.saturated.sum()),
        lines=tuple(line.moved_by(*frame.corner_px) for line in found.lines),
        doubled_px=None if doubled is None else (doubled.dx_px, doubled.dy_px),
        doubled_share=None if doubled is None else doubled.share,
    )


def _trail_length(fit: StarFits, x: F64, y: F64, good: NDArray[np.bool_]) -> float:
    """Typical length of the good stars' lines. [px]"""
    moved, covariance = fit.p[good][:, [TRAIL_X, TRAIL_Y]], fit.covariance[good]
    variance = np.einsum("si,sij,sj->s", moved, covariance[:, [TRAIL_X, TRAIL_Y]][:, :, [TRAIL_X, TRAIL_Y]], moved)
    light_error = np.sqrt(np.maximum(covariance[:, FLUX, FLUX], 1e-30)) / fit.p[good, FLUX]
    squared_error = float(np.median(2 * np.sqrt(np.maximum(variance, 0)) / light_error))
    return typical_length(x[good], y[good], moved, light_error, squared_error)


@dataclass(frozen=True, kw_only=True, slots=True)
class _Fit:
    """The chosen stars, fitted."""

    choice: ChosenStars
    stamps: Stamps
    as_fitted: Stamps
    """The same, cut as they were fitted, but never in coarser pixels."""
    fit: StarFits
    rule: PixelRule
    lean: float
    """Shear to be added to the shapes, as `fit_typical` says."""
    wing_in_size: float


def _fit_chosen(
    frame: Frame,
    under: Sky,
    found: Found,
    pilot: Pilot,
    choice: ChosenStars,
    clip: float | None,
    gain: float | None,
    colours: Colours | None,
) -> _Fit:
    """Cut the chosen stars out and fit them: the typical star first, then each by itself."""
    x, y = found.x[choice.index], found.y[choice.index]
    stamps = cut_stamps(frame, under, x, y, pilot.stamp_half_px, clip, colours=colours, green_alone=True)
    stamps = _without_trails(stamps, [line for line in found.lines if line.flown])
    start = _start(found, choice, stamps, pilot)
    stamps = _without_strangers(stamps, start, pilot)
    fitted = _to_be_fitted(stamps, pilot, frame.mosaic)
    if frame.mosaic is not None and pilot.short_px < MAY_BE_NARROW_PX and not is_long_trail(pilot):
        narrow = fit_narrow(fitted, start, brightest(stamps, start), gain)
        if narrow is not None:
            fit, rule = narrow
            return _Fit(
                choice=choice,
                stamps=stamps,
                as_fitted=fitted,
                fit=fit,
                rule=rule,
                lean=0.0,
                wing_in_size=fit.wing_in_size,
            )
    first, rule, lean = fit_typical(fitted, start, pilot, gain)
    start = like_the_typical(start, first, brightest(stamps, start))
    if first.profile is evaluate_trail and len(start) > MOST_TRAILS:
        choice, stamps, start = _brightest(choice, stamps, start)
        fitted = _to_be_fitted(stamps, pilot, frame.mosaic)
    fit = fit_stars(fitted, start, first.wing, rule, gain, profile=first.profile)
    if fitted.pixel_px > 1:
        fitted, rule = stamps, replace(rule, pixel_px=1)
    return _Fit(
        choice=choice, stamps=stamps, as_fitted=fitted, fit=fit, rule=rule, lean=lean, wing_in_size=first.wing_in_size
    )


def _sky_between_stars(frame: Frame, sky: Sky, found: Found, pilot: Pilot) -> Sky:
    """The sky measured again without the stars, if they cover enough of the image to lift it."""
    if not len(found):
        return sky
    reach = MASK_FWHM * pilot.long_px
    if len(found) * np.pi * reach**2 < CROWDED * frame.pixels.size:
        return sky
    mask = mask_stars(frame.pixels.shape, found.x, found.y, reach)
    if not CROWDED < mask.share < TOO_CROWDED:
        return sky
    return replace(measure_sky(frame, mask, sky.ground), ground_told=sky.ground_told)


def _start(found: Found, choice: ChosenStars, stamps: Stamps, pilot: Pilot) -> F64:
    """First guess: the typical star at each star's rough centre."""
    i = choice.index
    p = np.zeros((len(i), N_PARAMETERS))
    p[:, X], p[:, Y] = found.x[i] - stamps.x, found.y[i] - stamps.y
    long_px, short_px = pilot.axes_px
    p[:, LN_W] = np.log(long_px * short_px) / 2
    e, pa = np.log(long_px / short_px), np.radians(pilot.pa_deg)
    p[:, E1], p[:, E2] = e * np.cos(2 * pa), e * np.sin(2 * pa)
    p[:, FLUX] = np.maximum(found.flux_adu[i], 1e-6) * 1.2
    return p


def _without_trails(stamps: Stamps, trails: Sequence[Line]) -> Stamps:
    """Stamps without the pixels that satellites and aeroplanes lit."""
    if not trails:
        return stamps
    dark = np.ones(stamps.values.shape, bool)
    side = np.arange(-stamps.half, stamps.half + 1)
    for line in trails:
        near = np.flatnonzero(line.covers(stamps.x, stamps.y, 1.5 * stamps.half))
        x = stamps.x[near].reshape(-1, 1, 1) + side
        y = stamps.y[near].reshape(-1, 1, 1) + side.reshape(-1, 1)
        dark[near] &= ~line.covers(x, y).reshape(len(near), stamps.values.shape[1])
    return stamps.masked(dark)


def _without_strangers(stamps: Stamps, p: F64, pilot: Pilot) -> Stamps:
    """Stamps without the pixels that stand above any star of the typical width: hot pixels, tracks, neighbours."""
    if not len(stamps):
        return stamps
    chunks = star_chunks(len(stamps), stamps.values.shape[1])
    return stamps.masked(np.concatenate([_below_any_star(stamps.part(some), p[some], pilot) for some in chunks]))


def _below_any_star(stamps: Stamps, p: F64, pilot: Pilot) -> NDArray[np.bool_]:
    """Pixels that a star of the typical width may have lit."""
    grid = np.arange(-stamps.half, stamps.half + 1, dtype=np.float32)
    dx = grid[None, None, :] - p[:, X].astype(np.float32)[:, None, None]
    dy = grid[None, :, None] - p[:, Y].astype(np.float32)[:, None, None]
    pa = np.radians(pilot.pa_deg)
    c, s = np.float32(np.cos(pa)), np.float32(np.sin(pa))
    beyond = np.maximum(np.abs(c * dx + s * dy) - np.float32((pilot.long_px - pilot.short_px) / 2), 0)
    r2 = (beyond**2 + (c * dy - s * dx) ** 2) * np.float32(4 / pilot.short_px**2)
    r2 = r2.reshape(len(stamps), -1)
    peak = np.where(r2 < 1, stamps.values, 0).max(axis=1, keepdims=True)
    # Twice a profile with the heaviest wings (beta 2): no star's own light is above it.
    ceiling = 2 * peak / (1 + np.float32(0.414) * r2) ** 2 + np.float32(BEYOND_NOISE_SIGMA) * stamps.noise[:, None]
    out: NDArray[np.bool_] = (r2 < 2.5) | (stamps.values < ceiling)
    return out


def _brightest(choice: ChosenStars, stamps: Stamps, start: F64) -> tuple[ChosenStars, Stamps, F64]:
    """The brightest of the stars chosen, as many as trails are measured, in their order."""
    keep = np.sort(np.argsort(-start[:, FLUX], kind="stable")[:MOST_TRAILS])
    return ChosenStars(choice.index[keep], choice.blended[keep]), stamps.part(keep), start[keep]


def _to_be_fitted(stamps: Stamps, pilot: Pilot, mosaic: str | None) -> Stamps:
    """The pixels to fit: near the line of a long trail, which is a small part of its square; the green of a mosaic.

    Of wide stars squares of pixels.
    """
    if is_long_trail(pilot):
        return stamps.near_line(pilot.pa_deg, pilot.long_px - pilot.short_px, 2.2 * pilot.short_px + 2)
    if mosaic is not None:
        return stamps.like_the_middle()
    side_px = int(pilot.short_px / WIDE_PX)
    return stamps.in_squares(side_px) if side_px > 1 else stamps


def _flags(fit: StarFits, choice: ChosenStars, stamps: Stamps, pilot: Pilot, *, uneven: bool) -> NDArray[np.uint16]:
    """Reasons to leave fitted stars out."""
    n = len(fit.p)
    flags = np.zeros(n, dtype=np.uint16)
    if not n:
        return flags
    flags[choice.blended] |= np.uint16(StarFlag.BLENDED)
    side = 2 * stamps.half + 1
    usable = stamps.usable.reshape(n, side, side)
    core = usable[:, stamps.half - 1 : stamps.half + 2, stamps.half - 1 : stamps.half + 2]
    flags[usable.mean(axis=(1, 2)) < 0.4 * usable.mean()] |= np.uint16(StarFlag.EDGE)
    flags[core.sum(axis=(1, 2)) < 0.5 * np.median(core.sum(axis=(1, 2)))] |= np.uint16(StarFlag.EDGE)
    width = fit.p[:, LN_W]
    typical, widest = np.median(width), np.log(KNOT if uneven else 2.5)
    pilot_width = np.log(pilot.fwhm_px if fit.profile is not evaluate_trail else pilot.axes_px[1])
    alike = np.count_nonzero(np.abs(width - pilot_width) < np.log(KNOT))
    if typical - pilot_width > np.log(KNOT) and alike >= max(FEWEST_ALIKE, LEAST_ALIKE * n):
        typical, widest = pilot_width, np.log(KNOT)
    error = np.sqrt(np.maximum(fit.covariance[:, LN_W, LN_W], 0))
    lost = ~fit.converged | ~np.isfinite(fit.p).all(axis=1) | (fit.p[:, FLUX] <= 0)
    lost |= np.hypot(fit.p[:, X], fit.p[:, Y]) > max(2.0, 0.6 * np.exp(typical))
    lost |= (width - typical > widest) | (error > 0.5)
    flags[lost] |= np.uint16(StarFlag.BAD_FIT)
    sharp = width - typical < -np.maximum(0.35, 4 * error)
    flags[sharp & ~lost] |= np.uint16(StarFlag.HOT_PIXEL)
    spread = np.hypot(fit.p[:, E1] - np.median(fit.p[:, E1]), fit.p[:, E2] - np.median(fit.p[:, E2]))
    track = sharp & (spread > 0.7)
    flags[track] |= np.uint16(StarFlag.COSMIC_RAY)
    # The worst fits of a frame, in units of its usual misfit at that brightness, are galaxies and unseen pairs.
    flags[fit.chi2 > 4 * _usual_chi2(fit, stamps)] |= np.uint16(StarFlag.BAD_FIT)
    return flags


def _usual_chi2(fit: StarFits, stamps: Stamps) -> F64:
    """Reduced chi-square that stars as bright usually have: where the profile is not exact it grows with brightness."""
    snr = fit.p[:, FLUX] / stamps.noise
    excess = np.maximum(fit.chi2 - 1, 0) / np.maximum(snr, 1e-9) ** 2
    return np.asarray(1 + np.median(excess) * snr**2)


def _table(
    stamps: Stamps,
    fitted: Stamps,
    fit: StarFits,
    shapes: Shapes,
    flags: NDArray[np.uint16],
    rule: PixelRule,
    sky_level: NDArray[np.float32],
    seen: float,
) -> StarTable:
    """One row a star, of which the colour that is measured sees a share of the pixels."""
    n = len(fit.p)
    table = np.zeros(n, dtype=STAR_DTYPE)
    if not n:
        return table
    # Where the model leaves more than noise, its errors are larger in proportion.
    inflation = np.sqrt(np.maximum(fit.chi2 - 3 * np.sqrt(2 / max(stamps.values.shape[1], 1)), 1))
    variance = np.maximum(np.diagonal(fit.covariance, axis1=1, axis2=2), 0)
    error = _storable(np.sqrt(variance) * inflation[:, None])
    table["x"], table["y"] = stamps.x + fit.p[:, X], stamps.y + fit.p[:, Y]
    table["x_error"], table["y_error"] = error[:, X], error[:, Y]
    table["flux_adu"], table["flux_error_adu"] = fit.p[:, FLUX], error[:, FLUX]
    table["sky_adu"] = sky_level + fit.p[:, SKY]
    table["fwhm_px"], table["fwhm_error_px"] = shapes.fwhm_px, _storable(shapes.fwhm_error_px * inflation)
    table["e1"], table["e2"] = shapes.e1, shapes.e2
    table["e1_error"] = _storable(shapes.e1_error * inflation)
    table["e2_error"] = _storable(shapes.e2_error * inflation)
    table["chi2"], table["flags"] = fit.chi2, flags
    model = fit.models(fitted.grid, rule)
    table["snr"] = np.sqrt(np.einsum("sp,sp->s", model, model)) / stamps.noise
    sky = fit.p[:, SKY, None].astype(np.float32)
    light = np.where(fitted.usable > 0, fitted.values - sky, model)
    table["peak_adu"] = light.max(axis=1)
    if fitted is not stamps:
        light = np.where(stamps.usable > 0, stamps.values - sky, 0)
    elif seen < 1:  # what the model misses, comets and lobes, it misses of the pixels between as well
        light = model + (light - model) / np.float32(seen)
    side = 2 * stamps.half + 1
    _fill_moments(table, light.reshape(n, side, side), stamps, fit, shapes)
    # fewer pixels have less noise; the light that it is set against is whole where the model fills in, else a share
    table["third_error"] *= np.float32(seen ** (-0.5 if fitted is stamps else 0.5))
    return table


def _storable(error: F64) -> F64:
    """Errors that single precision holds: that of a fit which tells nothing has no bounds."""
    return np.minimum(error, np.finfo(np.float32).max)


def _fill_moments(table: StarTable, images: NDArray[np.float32], stamps: Stamps, fit: StarFits, shapes: Shapes) -> None:
    """Moments and half-flux radii into the table."""
    typical = float(np.median(shapes.fwhm_px))
    moments = measure_moments(images, stamps.noise, fit.p[:, X], fit.p[:, Y], 1.1 * typical / FWHM_PER_SIGMA)
    table["moment_xx_px2"], table["moment_yy_px2"], table["moment_xy_px2"] = moments.xx, moments.yy, moments.xy
    table["coma1"], table["coma2"] = moments.coma1, moments.coma2
    table["trefoil1"], table["trefoil2"] = moments.trefoil1, moments.trefoil2
    table["third_error"] = moments.third_error
    guess = half_flux_of_profile(shapes.fwhm_px, fit.wing)
    table["half_flux_radius_px"] = half_flux_radii(images, fit.p[:, X], fit.p[:, Y], fit.p[:, FLUX], guess)
    relative = table["flux_error_adu"].astype(float) / np.maximum(table["flux_adu"], 1e-9)
    table["half_flux_radius_error_px"] = _storable(guess * relative)


def half_flux_of_profile(fwhm_px: NDArray[np.floating], wing: float) -> F64:
    """Half-flux radius of a Moffat profile: sqrt(2^(1/(beta-1)) - 1) core radii. [px] Closed form."""
    c, _, _ = wing_terms(wing)
    beta = 1 / wing
    return np.asarray(fwhm_px, dtype=float) / (2 * np.sqrt(c)) * np.sqrt(2 ** (1 / (beta - 1)) - 1)
