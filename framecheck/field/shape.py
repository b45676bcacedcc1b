"""The frame's typical star: size, elongation and direction, averaged over the good stars."""

from dataclasses import replace

import numpy as np

from framecheck import robust, shear
from framecheck.constants import FEWEST_THAT_AGREE, KNOWN_SIGMA
from framecheck.field.result import FrameShape, StackedStar
from framecheck.stars.measure import Measured
from framecheck.stars.table import StarTable


def frame_shape(measured: Measured) -> FrameShape | None:
    """Average the good stars of a frame.

    Sizes are averaged as logarithms and shapes as e1 and e2 (never as a/b: a faint round star reads as elongated),
    each star weighing by its own error and by the scatter that the stars have beyond their errors, since the field is
    not uniform.

    Parameters
    ----------
    measured : Measured
        Stars of a frame, as `stars.measure_stars` leaves them.

    Returns
    -------
    FrameShape or None
        None with fewer than three good stars.
    """
    good = measured.stars.good
    if len(good) < FEWEST_THAT_AGREE or measured.beta is None:
        return None
    profile_error, shear_error = measured.wing_in_size, 0.0
    if measured.mean is not None:
        profile_error = float(np.hypot(profile_error, measured.mean.factor_error))
        shear_error = measured.mean.shear_error
    shape = _averaged(good, measured.beta, measured.trail_length_px, profile_error, shear_error)
    return replace(shape, light_over_profile=measured.light_over_profile)


def averaged_again(shape: FrameShape, before: StarTable, good: StarTable) -> FrameShape | None:
    """A frame's shape without some of the stars that it rested on; None with fewer than three left.

    What its profile adds to the errors stays. `before` are the stars that it rests on, `good` those that are left.
    """
    if len(good) < FEWEST_THAT_AGREE:
        return None
    beta, trail = shape.moffat_beta, shape.trail_length_px
    was = _averaged(before, beta, trail, 0.0, 0.0)

    def added(error: float, value: float, own_error: float, own_value: float) -> float:
        return float(np.sqrt(max((error / value) ** 2 - (own_error / own_value) ** 2, 0.0)))

    profile_error = added(shape.fwhm_px_error, shape.fwhm_px, was.fwhm_px_error, was.fwhm_px)
    shear_error = added(shape.elongation_error, shape.elongation, was.elongation_error, was.elongation)
    again = _averaged(good, beta, trail, profile_error, shear_error)
    return replace(again, light_over_profile=shape.light_over_profile)


def _averaged(
    good: StarTable, beta: float, trail_length_px: float | None, profile_error: float, shear_error: float
) -> FrameShape:
    """Averages of stars; the profile's relative errors of size and shear go into theirs."""
    size, size_error = robust.scattered_mean(np.log(good["fwhm_px"]), good["fwhm_error_px"] / good["fwhm_px"])
    e1, e1_error = robust.scattered_mean(good["e1"], good["e1_error"])
    e2, e2_error = robust.scattered_mean(good["e2"], good["e2_error"])
    e = abs(complex(e1, e2))
    along = float(np.hypot(e1_error * e1, e2_error * e2) / e) if e > 0 else e1_error
    radius = good["half_flux_radius_px"]
    return FrameShape(
        fwhm_px=float(np.exp(size)),
        fwhm_px_error=float(np.exp(size) * np.hypot(size_error, profile_error)),
        elongation=float(np.exp(e)),
        elongation_error=float(np.exp(e) * np.hypot(along, shear_error)),
        elongation_pa_deg=float(shear.pa_deg(complex(e1, e2))) if e > KNOWN_SIGMA * along else None,
        e1=e1,
        e2=e2,
        moffat_beta=beta,
        half_flux_radius_px=float(np.nanmedian(radius)) if np.isfinite(radius).any() else float("nan"),
        trail_length_px=None if e <= KNOWN_SIGMA * along else trail_length_px,  # noise draws short lines, too
        n_measured=len(good),
    )


def stacked_star(measured: Measured) -> StackedStar | None:
    """The mean star of a frame as an image; None if too few stars were averaged."""
    if measured.mean is None:
        return None
    return StackedStar(image=measured.mean.image, pixel_px=measured.mean.pixel_px)
