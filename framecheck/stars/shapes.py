"""Axes at half maximum of fitted stars, whatever profile was fitted."""

from dataclasses import dataclass

import numpy as np

from framecheck.stars.fit import StarFits
from framecheck.stars.profile import E1, E2, F64, LN_W
from framecheck.stars.trails import TRAIL_X, TRAIL_Y, evaluate_trail, stretches


@dataclass(frozen=True, slots=True)
class Shapes:
    """Size and elongation of each star, shape (n_stars,) each; columns as in the star table."""

    fwhm_px: F64
    fwhm_error_px: F64
    e1: F64
    e2: F64
    e1_error: F64
    e2_error: F64
    trail_px: F64
    """Length of the line along which the star moved; NaN if an ellipse was fitted."""

    def corrected(self, long_factor: float, short_factor: float) -> "Shapes":
        """Shapes with both axes multiplied, along the typical star's direction."""
        if not len(self.fwhm_px):
            return self
        pa2 = np.arctan2(np.median(self.e2), np.median(self.e1))
        more = np.log(long_factor / short_factor)
        size = np.sqrt(long_factor * short_factor)
        return Shapes(
            self.fwhm_px * size,
            self.fwhm_error_px * size,
            self.e1 + more * np.cos(pa2),
            self.e2 + more * np.sin(pa2),
            self.e1_error,
            self.e2_error,
            self.trail_px,
        )


def shapes_of(fit: StarFits) -> Shapes:
    """Axes at half maximum, with errors from the fit's covariance."""
    error = np.sqrt(np.maximum(np.diagonal(fit.covariance, axis1=1, axis2=2), 0))
    width = np.exp(fit.p[:, LN_W])
    if fit.profile is not evaluate_trail:
        nothing = np.full(len(width), np.nan)
        return Shapes(width, width * error[:, LN_W], fit.p[:, E1], fit.p[:, E2], error[:, E1], error[:, E2], nothing)
    return _shapes_of_trails(fit, width, error)


def _shapes_of_trails(fit: StarFits, width: F64, error: F64) -> Shapes:
    length = np.hypot(fit.p[:, TRAIL_X], fit.p[:, TRAIL_Y])
    ratio = length / width
    curves = stretches(fit.wing, float(ratio.max(initial=0.0)))
    (log_along, slope_along), (log_across, slope_across) = (curve(ratio) for curve in curves)
    along, across = width * np.exp(log_along), width * np.exp(log_across)
    e, pa2 = np.log(along / across), 2 * np.arctan2(fit.p[:, TRAIL_Y], fit.p[:, TRAIL_X])
    # derivatives of the two axes' logarithms by the length, and by ln(width)
    slopes = slope_along, slope_across
    by_length = [slope / width for slope in slopes]
    by_width = [1 - ratio * slope for slope in slopes]
    c, s = np.cos(pa2 / 2), np.sin(pa2 / 2)
    block = fit.covariance[:, LN_W : TRAIL_Y + 1, LN_W : TRAIL_Y + 1]
    to_length = np.stack([np.zeros_like(c), c, s], axis=1)
    to_angle = np.stack([np.zeros_like(c), -s, c], axis=1) / np.maximum(length, 1e-6)[:, None]
    to_width = np.array([1.0, 0.0, 0.0])

    def sigma(gradient: F64) -> F64:
        return np.sqrt(np.maximum(np.einsum("si,sij,sj->s", gradient, block, gradient), 0))

    size = (by_width[0] + by_width[1])[:, None] / 2 * to_width + (by_length[0] + by_length[1])[:, None] / 2 * to_length
    shear = (by_width[0] - by_width[1])[:, None] * to_width + (by_length[0] - by_length[1])[:, None] * to_length
    turn = 2 * e[:, None] * to_angle
    fwhm = np.sqrt(along * across)
    return Shapes(
        fwhm,
        fwhm * sigma(size),
        e * np.cos(pa2),
        e * np.sin(pa2),
        np.hypot(sigma(shear) * np.cos(pa2), sigma(turn) * np.sin(pa2)),
        np.hypot(sigma(shear) * np.sin(pa2), sigma(turn) * np.cos(pa2)),
        length,
    )
