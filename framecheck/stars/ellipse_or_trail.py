"""What the stars of a frame are, ellipses or round stars moved along a line, tried on the brightest."""

from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from framecheck import shear
from framecheck.stars.fit import StarFits, fit_common_wing
from framecheck.stars.pilot import Pilot
from framecheck.stars.profile import E1, E2, F32, F64, FLUX, LN_W, N_PARAMETERS, SKY, PixelRule, pixel_rule
from framecheck.stars.shapes import shapes_of
from framecheck.stars.stamps import Stamps
from framecheck.stars.trails import evaluate_trail

WING_STARS: Final = 240
"""Stars that settle the common wings, if need be. Chosen: beta to 1 % on a good frame."""

FIRST_LOOK: Final = 60
WING_KNOWN: Final = 0.01
"""The brightest of them, which suffice where they tell beta so well. Chosen: as well as all of them should. Else the
others begin two steps from where they end."""

LONG_TRAIL: Final = 2.5
"""From this ratio of the pilot's axes on, a star is a trail, not an ellipse. Chosen."""

NO_ELLIPSE: Final = 5.0
"""From this ratio on, no optics or air make an ellipse, and it is not tried. Chosen."""

LOOK_FOR_TRAIL: Final = 0.03
"""From this typical shear on, a moved round star is tried against an ellipse. Chosen: below it both give the same
axes to a hundredth, and faint round stars would be taken for moved ones."""

UNDECIDED: Final = (0.3, 0.7)
"""Between these parts of the way from the ellipse to the moved star the stars may be either, and the elongation goes
over from one to the other. Chosen: noise, which each of the two fits follows in its own way, moves either end in by
a fifth; profiles that are neither function do the rest."""

TRAIL_SNR2: Final = 6e5
"""Sum of squared SNR of the brightest stars on which it is tried. Chosen: 240 stars of SNR 50 tell the two apart by
some 5 standard deviations where the elongations differ by a hundredth."""

FEWEST_FOR_TRAIL: Final = 40
"""Stars on which it is tried at the least. Chosen: no single odd one decides."""

HELD: Final = 0.5
"""Share of the stars that ellipses fit, which moved stars must fit as well to be what they are. Chosen: in stars about
a pixel wide lines run away from all but a few, which tell nothing of the others."""

NOISE_PIXELS: Final = 3.8
"""Noise-equivalent area of a Moffat star of beta 3, in units of its squared FWHM. Closed form."""


def is_long_trail(pilot: Pilot) -> bool:
    """Whether stars are so long that they are trails, not ellipses."""
    return pilot.long_px > LONG_TRAIL * pilot.short_px


def brightest(stamps: Stamps, start: F64) -> NDArray[np.intp]:
    """The stars that settle the common wings, brightest first."""
    return np.argsort(-start[:, FLUX] / stamps.noise, kind="stable")[:WING_STARS]


def fit_typical(stamps: Stamps, start: F64, pilot: Pilot, gain: float | None) -> tuple[StarFits, PixelRule, float]:
    """Fit the brightest stars with common wings, as ellipses and, if they are long, as moved round stars.

    Both have as many parameters; the one that the stars are nearer to is taken. Where they lie between, the third
    result is the shear to add, so that the elongation lies between as well.
    """
    bright = brightest(stamps, start)
    part, guess = stamps.part(bright), start[bright]
    if not len(guess):
        rule = pixel_rule(3.0)
        return fit_common_wing(part, guess, rule, gain), rule, 0.0
    if is_long_trail(pilot):
        rule = pixel_rule(max(pilot.short_px - 0.3, 1.7), stamps.pixel_px)
        trail = fit_common_wing(part, _as_trail(guess), rule, gain, profile=evaluate_trail, steps=20)
        if pilot.long_px > NO_ELLIPSE * pilot.short_px:
            return trail, rule, 0.0
        ellipse = fit_common_wing(part, guess, rule, gain, steps=20)
        return (trail if _chi2_gain(ellipse, trail, part) > 0 else ellipse), rule, 0.0
    rule = pixel_rule(max(pilot.short_px - 0.3, 1.0), stamps.pixel_px)
    first = part.part(slice(FIRST_LOOK))
    fit = fit_common_wing(first, guess[:FIRST_LOOK], rule, gain)
    long, narrow = _typical_shear_and_width(fit)
    right = pixel_rule(narrow, stamps.pixel_px) == rule
    if right and (len(guess) <= FIRST_LOOK or _enough(first, fit, long)):
        part = first
    else:
        rule = pixel_rule(narrow, stamps.pixel_px)
        fit = fit_common_wing(part, like_the_typical(guess, fit, np.arange(len(guess))), rule, gain, wing=fit.wing)
        long, narrow = _typical_shear_and_width(fit)
    if long > LOOK_FOR_TRAIL:
        few = slice(0, _enough_for_trail(part, fit.p))
        trail, trail_rule = _trail_fit(part.part(few), fit.p[few], fit.wing, narrow, gain)
        models = fit.part(few).models(part.grid, rule), trail.models(part.grid, trail_rule)
        way = _way_to_trail(fit.part(few), trail, models, part.part(few), gain)
        in_turn = _mean_shear(fit) <= LOOK_FOR_TRAIL
        share = float(way > UNDECIDED[1] if in_turn else np.interp(way, UNDECIDED, (0, 1)))
        between = _difference_of_shears(fit.part(few), trail) if 0 < share < 1 else 0.0
        if share > 0.5:
            return _with_the_others(trail, fit), trail_rule, -(1 - share) * between
        return fit, rule, share * between
    return fit, rule, 0.0


def _typical_shear_and_width(fit: StarFits) -> tuple[float, float]:
    """Shear of the typical ellipse, and its width along the short axis. [1, px]

    Where stars are long in all directions it is that of each by itself.
    """
    alike = _mean_shear(fit)
    error2 = np.median(np.diagonal(fit.covariance, axis1=1, axis2=2)[:, [E1, E2]])
    alone = float(shear.calm(np.median(np.hypot(fit.p[:, E1], fit.p[:, E2])), np.sqrt(max(error2, 0.0))))
    return max(alike, alone), float(np.exp(np.median(fit.p[:, LN_W]) - alike / 2))


def _mean_shear(fit: StarFits) -> float:
    return float(np.hypot(np.median(fit.p[:, E1]), np.median(fit.p[:, E2])))


def like_the_typical(start: F64, first: StarFits, fitted: NDArray[np.intp]) -> F64:
    """First guesses with the typical shape of the stars fitted already, and these as they were fitted.

    `fitted` are the rows of `start`, shape (n_stars, 7), that the fit began with.
    """
    out = start.copy()
    if len(first.p):
        for column in (LN_W, E1, E2):
            out[:, column] = np.median(first.p[:, column])
        out[fitted[: len(first.p)][first.converged]] = first.p[first.converged]
    return out


def _with_the_others(trail: StarFits, ellipses: StarFits) -> StarFits:
    """First guesses as moved stars of all that were fitted as ellipses, of which the first were fitted again."""
    p = like_the_typical(ellipses.p, trail, np.arange(len(ellipses.p)))
    converged = np.concatenate([trail.converged, ellipses.converged[len(trail.p) :]])
    return replace(ellipses, p=p, converged=converged, wing=trail.wing, profile=trail.profile)


def _chi2_gain(ellipse: StarFits, trail: StarFits, stamps: Stamps, weight: F64 | float = 1.0) -> float:
    """By how much the chi-square of moved stars is lower, over the stars that both fits hold."""
    both = ellipse.converged & trail.converged
    freedom = stamps.values.shape[1] - N_PARAMETERS
    gain = weight * (ellipse.chi2 - trail.chi2) * freedom
    return float(gain[both].sum()) if both.any() else -np.inf


def _way_to_trail(
    ellipse: StarFits, trail: StarFits, models: tuple[F32, F32], stamps: Stamps, gain: float | None
) -> float:
    """Where the stars lie on the straight way from the fitted ellipses, 0, to the fitted moved stars, 1.

    The foot of the perpendicular in the space of pixels over their noise: with the squared distance d of the two
    models, (chi2 of the ellipses - chi2 of the moved stars + d) / 2 d. Closed form. A star that neither fits, such as
    a pair, counts as if its noise were larger in proportion.
    """
    both = ellipse.converged & trail.converged
    if both.sum() < HELD * ellipse.converged.sum():
        return 0.0
    trusted = 1 / np.maximum(np.minimum(ellipse.chi2, trail.chi2), 1)
    variance = np.maximum(models[0], 0) / np.float32(gain) if gain is not None else np.float32(0)
    apart = models[1] - models[0] + (trail.p[:, SKY] - ellipse.p[:, SKY]).astype(np.float32)[:, None]
    distance = (stamps.usable * apart**2 / (variance + (stamps.noise**2)[:, None])).sum(axis=1)
    total = float((trusted * distance)[both].sum())
    return 0.5 + 0.5 * _chi2_gain(ellipse, trail, stamps, trusted) / total if total > 0 else 0.0


def _difference_of_shears(ellipse: StarFits, trail: StarFits) -> float:
    """By how much the typical shear of the moved stars is larger."""
    shapes = shapes_of(trail)
    moved = np.hypot(np.median(shapes.e1), np.median(shapes.e2))
    return float(moved - np.hypot(np.median(ellipse.p[:, E1]), np.median(ellipse.p[:, E2])))


def _enough(stamps: Stamps, fit: StarFits, long: float) -> bool:
    """Whether these stars tell the wings, and what they are, well enough."""
    settled = fit.wing_error < WING_KNOWN * fit.wing
    return settled and (long <= LOOK_FOR_TRAIL or _enough_for_trail(stamps, fit.p) <= len(fit.p))


def _enough_for_trail(stamps: Stamps, p: F64) -> int:
    """How many of the stars, brightest first, tell a trail from an ellipse."""
    snr2 = (p[:, FLUX] / stamps.noise) ** 2 / (NOISE_PIXELS * np.exp(2 * p[:, LN_W]))
    return max(FEWEST_FOR_TRAIL, int(np.searchsorted(np.cumsum(snr2), TRAIL_SNR2)) + 1)


def _trail_fit(
    stamps: Stamps, ellipses: F64, wing: float, narrow_px: float, gain: float | None
) -> tuple[StarFits, PixelRule]:
    """Fit moved round stars to stars fitted as ellipses; the line's own nodes spare some of the pixel's."""
    rule = pixel_rule(max(narrow_px, 1.7), stamps.pixel_px)
    start = _as_trail(ellipses)
    return fit_common_wing(stamps, start, rule, gain, profile=evaluate_trail, wing=wing, steps=12), rule


def _as_trail(ellipses: F64) -> F64:
    """Parameters of moved round stars with about the axes of ellipses."""
    p = ellipses.copy()
    e, pa = np.hypot(p[:, E1], p[:, E2]), np.arctan2(np.median(p[:, E2]), np.median(p[:, E1])) / 2
    long_px, short_px = np.exp(p[:, LN_W] + e / 2), np.exp(p[:, LN_W] - e / 2)
    length = np.median(np.where(e > 1, long_px, np.sqrt(np.maximum(long_px**2 - short_px**2, 0.25))))
    p[:, E1], p[:, E2] = length * np.cos(pa), length * np.sin(pa)
    p[:, LN_W] = np.log(np.median(short_px)) - 0.05
    return p
