"""The light in round apertures around the brightest stars, against that of the profiles fitted to them.

A fitted profile knows the light of a star as well as its shape: where the pixel is as wide as the star, or the
wings are not those of the function, its flux moves with the seeing by several per cent. Light added up in an aperture
does not, but is noisy. So the brightest stars say how much the one differs from the other, for all stars of the frame.
"""

from functools import reduce
from typing import Final

import numpy as np
from numpy.typing import NDArray

from framecheck.constants import BEYOND_NOISE_SIGMA, FEWEST_OF_A_MEDIAN
from framecheck.read.exposure import Frame
from framecheck.sky import Colours, Sky
from framecheck.stars.fit import StarFits
from framecheck.stars.mean_star import MOST_STARS
from framecheck.stars.profile import F32, F64, FLUX, wing_terms
from framecheck.stars.stamps import Stamps, cut_stamps

RADIUS_FWHM: Final = 2.5
LEAST_RADIUS_PX: Final = 6.0
"""Radius of the aperture, in FWHM and at the least. [px] Chosen: of a star in turbulent air 98 % of the light are in
it, what wet glass throws far is not; and where stars are narrow, a halo is held whatever their width."""

RING_PX: Final = 4
"""Width of the ring around it in which the sky is taken. [px] Chosen."""

USUAL_WINGS: Final = (2.5, 3.5)
"""Between these betas the light farther out is taken to fall. Chosen: fits beyond them speak of the core alone; far out
even turbulent air has wings of beta 3 to 4, though its core is like 5."""

LONE: Final = 3.0
"""Pixels that are so many times as bright as the brightest around them, and stand beyond noise above that, are hot
pixels or hits. Chosen: beyond a FWHM from its middle no star has so steep a light."""

PROFILE_OFF: Final = 0.03
"""How far the profile's light is usually off. Chosen: the noise of an aperture that is larger counts less."""


def light_over_profile(
    frame: Frame,
    sky: Sky,
    x: F64,
    y: F64,
    fit: StarFits,
    fwhm_px: F64,
    good: NDArray[np.bool_],
    clip_adu: float | None,
    colours: Colours | None,
) -> float | None:
    """Light of the typical star over that of its fitted profile; None with too few good stars.

    Centres, widths and `good` have the shape (n_stars,). [px, px, 1]
    """
    index = np.flatnonzero(good)
    if len(index) < FEWEST_OF_A_MEDIAN:
        return None
    index = index[np.argsort(-fit.p[index, FLUX], kind="stable")][:MOST_STARS]
    typical_px = float(np.median(fwhm_px[good]))
    radius = max(RADIUS_FWHM * typical_px, LEAST_RADIUS_PX)
    half = int(np.ceil(radius)) + RING_PX
    stamps = cut_stamps(frame, sky, x[index], y[index], half, clip_adu, colours=colours, green_alone=True)
    centre_x, centre_y = x[index] - stamps.x, y[index] - stamps.y
    reach = np.arange(-half, half + 1)
    distance = np.hypot(reach[None, None, :] - centre_x[:, None, None], reach[None, :, None] - centre_y[:, None, None])
    distance = distance.reshape(len(index), -1).astype(np.float32)
    ring = distance > radius + 0.5
    some = np.flatnonzero(ring.any(axis=0))
    level = _level(stamps.values[:, some], (stamps.usable * ring)[:, some])
    values = _without_lone_pixels(stamps, distance, level, typical_px)
    inside = np.clip(radius + 0.5 - distance, 0, 1)
    # what does not count is as bright as the rest of the aperture: every other pixel of a mosaic
    seen = (inside * stamps.usable).sum(axis=1) / inside.sum(axis=1)
    light = ((values - level[:, None]) * inside * stamps.usable).sum(axis=1) / np.maximum(seen, 0.1)
    ratio = light / fit.p[index, FLUX]
    own = _share_kept(radius, typical_px, 1 / fit.wing)
    held = _share_kept(radius, typical_px, min(max(1 / fit.wing, USUAL_WINGS[0]), USUAL_WINGS[1]))
    low, middle, high = np.percentile(ratio, [25, 50, 75])
    typical = float(ratio[(ratio >= low) & (ratio <= high)].mean())
    error = 0.93 * (high - low) / np.sqrt(len(ratio))  # of the mean of the middle half, if the noise is normal
    trust = PROFILE_OFF**2 / (PROFILE_OFF**2 + error**2)
    return float((own + trust * (typical - own)) / held) if np.isfinite(middle) else None


def _without_lone_pixels(stamps: Stamps, distance: F32, level: F32, fwhm_px: float) -> F32:
    """Pixels of the stamps; those beside the core that stand far above all around them are put at the level."""
    side = 2 * stamps.half + 1
    above = stamps.values - level[:, None]
    padded = np.pad((above * stamps.usable).reshape(-1, side, side), ((0, 0), (1, 1), (1, 1)))
    around = [padded[:, i : i + side, j : j + side] for i in range(3) for j in range(3) if (i, j) != (1, 1)]
    brightest = reduce(np.maximum, around).reshape(above.shape)
    lone = above > np.float32(LONE) * np.maximum(brightest, 0) + np.float32(BEYOND_NOISE_SIGMA) * stamps.noise[:, None]
    return np.where(lone & (distance > fwhm_px), level[:, None], stamps.values)


def _level(values: F32, usable: F32) -> F32:
    """Median of the usable pixels of each stamp; 0 where there are none."""
    light = np.sort(np.where(usable > 0, values, np.float32(np.inf)), axis=1)
    count = (usable > 0).sum(axis=1)
    middle = light[np.arange(len(light)), count // 2]
    return np.where(count > 0, middle, np.float32(0))


def _share_kept(radius: float, fwhm_px: float, beta: float) -> float:
    """Share of a Moffat star's light in an aperture, less what is taken for sky in the ring."""
    outer = radius + RING_PX
    inside, beyond = share_within(radius / fwhm_px, beta), share_within(outer / fwhm_px, beta)
    return inside - (beyond - inside) * radius**2 / (outer**2 - radius**2)


def share_within(radius_fwhm: float, beta: float) -> float:
    """Share of a Moffat star's light within a radius: 1 - (1 + c (2 r)²)^(1 - beta), r in FWHM.

    Closed form, from A. F. J. Moffat, A&A 3, 455 (1969).
    """
    c, _, _ = wing_terms(1 / max(beta, 1.01))
    return float(1 - (1 + 4 * c * radius_fwhm**2) ** (1 - max(beta, 1.01)))
