"""Peaks on a background that is lit by more than stars: nebulae, galaxies, comets, what bright stars scatter."""

from typing import Final

import numpy as np
from numpy.typing import NDArray

from framecheck.constants import BEYOND_NOISE_SIGMA, QUARTILES_PER_SIGMA
from framecheck.read.exposure import Frame
from framecheck.sky import Colours, Sky
from framecheck.stars.form import measure_form
from framecheck.stars.order import quantiles_of_rows
from framecheck.stars.pilot import LARGEST_HALF, Pilot
from framecheck.stars.stamps import Stamps, cut_stamps
from framecheck.stars.vetting import Vetted, half_side
from framecheck.stars.window import middle_window

F32 = NDArray[np.float32]

WIDER: Final = 0.33
"""Spread beyond that of stars, in units of their variance and mean of both axes, from which light may be no star's.
Chosen: two stars in one peak have 0.29 at the most, an endless line as narrow as a star 0.47, a round knot 1.5 times
as wide 0.45 (GalSim's Moffat and Gaussian profiles, looked at as in `form`)."""

LONGER: Final = 0.85
"""The same along one axis. Chosen: two stars in one peak have 0.7 at the most, a line 1.5."""

NEARLY: Final = 0.25
"""Peaks whose spread is that near to the pilot's tell what stars have. Chosen: the pilot is right to a tenth."""

CLEAR_ERROR: Final = 0.1
"""If it is known so well. Chosen."""

AROUND_FWHM: Final = 3.0
"""The background around a peak is looked at up to this distance. [FWHM] Chosen: some dozens of places for a star."""

ROUGH: Final = 1.3
"""Background that scatters so many times as much as noise does, at the scale of a star, is lit by more than stars.
Chosen: a hundred stars in half a megapixel make 1.1."""


SCATTERERS: Final = 10
SCATTERED_FWHM: Final = 60.0
"""So many of the brightest clipped stars scatter their light so far, in spikes and haloes. [FWHM] Chosen: spikes of
stars a hundred times as bright as full wells allow end there."""


def lost_on_uneven_sky(
    frame: Frame, sky: Sky, vetted: Vetted, shape: Pilot, colours: Colours | None
) -> NDArray[np.bool_]:
    """Which peaks do not stand out of their own background as stars do, where that is rough.

    Either the background has as much light elsewhere, seen through the same filter, or the light of the peak is wider
    or longer than the frame's stars, or the image's edge hides how wide it is.
    """
    lost = np.zeros(len(vetted.x), bool)
    scattered, uneven = _near_bright_stars(vetted, shape), sky.uneven_at(vetted.x, vetted.y)
    some = np.flatnonzero(vetted.real & ~vetted.saturated & (scattered | uneven))
    if not len(some):
        return lost
    x, y = vetted.x[some], vetted.y[some]
    form = measure_form(cut_stamps(frame, sky, x, y, half_side(shape), colours=colours), shape)
    with np.errstate(invalid="ignore"):
        clear = (form.error < CLEAR_ERROR) & (np.abs(form.spread - 1) < NEARLY)
        usual = float(np.median(form.spread[clear])) if clear.any() else 1.0
        wide = (form.spread - usual > WIDER + form.error) | (form.along - usual > LONGER + 2 * form.error)
    lost[some] = scattered[some] & wide
    on_uneven = uneven[some]
    if on_uneven.any():
        lost[some[on_uneven]] |= _within_light(frame, sky, vetted, some[on_uneven], wide[on_uneven], shape, colours)
    return lost


def _within_light(
    frame: Frame,
    sky: Sky,
    vetted: Vetted,
    some: NDArray[np.intp],
    wide: NDArray[np.bool_],
    shape: Pilot,
    colours: Colours | None,
) -> NDArray[np.bool_]:
    """Which of some peaks on an uneven sky are parts of its light; `wide` are those that are no star by their form."""
    x, y = vetted.x[some], vetted.y[some]
    half = int(min(np.ceil(AROUND_FWHM * shape.long_px), LARGEST_HALF))
    stamps = cut_stamps(frame, sky, x, y, half, colours=colours)
    rough, window = _roughness(stamps, shape), middle_window(2 * half + 1, shape)
    signal = vetted.flux_adu[some] * np.sqrt((window**2).sum() - window.sum() ** 2 / len(window)) / window.sum()
    cut = np.minimum(np.minimum(x, sky.shape[1] - 1 - x), np.minimum(y, sky.shape[0] - 1 - y)) < shape.long_px
    out: NDArray[np.bool_] = cut | ((rough > ROUGH) & (wide | (signal < BEYOND_NOISE_SIGMA * rough * stamps.noise)))
    return out


def _near_bright_stars(vetted: Vetted, shape: Pilot) -> NDArray[np.bool_]:
    """Which peaks lie where clipped stars have spikes and haloes."""
    clipped = np.flatnonzero(vetted.saturated & vetted.real)
    near = np.zeros(len(vetted.x), bool)
    for star in clipped[np.argsort(-vetted.flux_adu[clipped])][:SCATTERERS]:
        near |= np.hypot(vetted.x - vetted.x[star], vetted.y - vetted.y[star]) < SCATTERED_FWHM * shape.long_px
    return near


def _roughness(stamps: Stamps, shape: Pilot) -> F32:
    """Scatter of the background at the scale of a star, over that of noise alone.

    From second differences, one FWHM apart, of means over 3 x 3 pixels, none of them the star's own: slopes drop out.
    """
    n, apart = 2 * stamps.half - 1, int(np.clip(round(shape.long_px), 2, (stamps.half - 2) // 2))
    smooth = np.zeros((len(stamps), n, n), np.float32)
    for i in range(3):
        for j in range(3):
            smooth += stamps.pictures[:, i : i + n, j : j + n]
    at = np.arange(n) - n // 2
    own = np.hypot(at[:, None], at) < shape.long_px
    parts = []
    for image, middle in ((smooth, own), (smooth.swapaxes(1, 2), own.T)):
        bend = image[:, : -2 * apart] - 2 * image[:, apart:-apart] + image[:, 2 * apart :]
        parts.append(bend[:, ~(middle[: -2 * apart] | middle[apart:-apart] | middle[2 * apart :])])
    both = np.concatenate(parts, axis=1)
    low, high = quantiles_of_rows(both, 0.25, 0.75)
    of_noise = np.sqrt(6 * 9) * stamps.noise  # six times the variance of nine pixels
    return np.asarray((high - low) / QUARTILES_PER_SIGMA / of_noise, np.float32)
