"""What the model of the night looks at: sizes, shapes and third moments in zones of the field, frame by frame."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from framecheck import robust, shear
from framecheck.field.sample import SMALLEST_ERROR, held_back
from framecheck.motion.tracking import MOST_ELONGATION
from framecheck.night.records import NightFrame

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

ACROSS: Final = 6
ALONG: Final = 5
"""Zones along x and y. Chosen: a bend beside a tilt is of fourth order in the place, which fewer would not show."""

STAR_SCATTER: Final = 0.02
"""What stars side by side differ by beyond their errors, over the squared FWHM. [dimensionless] Chosen: pixel phases
and neighbours leave one to three per cent on rendered and real frames."""

PIXEL_PHASE_PX: Final = 0.82
PIXEL_PHASE: Final = {"size": 0.5, "third": 2.5}
"""How much more single stars differ where pixels are coarse, by where in a pixel each lies: falling with their width as
the Gaussian of it, exp(-(FWHM / b)²), as aliased power does. [b in px; dimensionless] Measured on drawn frames: third
moments scatter by 0.2 to 0.3 at 1.1 px, 0.1 at 1.5 px, 0.03 at 1.7 px, sizes by 0.13 at 1.1 px and no more from
1.5 px on."""

FEWEST_IN_FRAME: Final = 6
"""Good stars below which a frame is left out. Chosen: it has seven terms of its own."""

OUTLYING: Final = 2.5
"""Residual over its error from which on a star pulls no harder. [dimensionless] Chosen: 1 % of stars."""

DOUBTED: Final = 4.0
"""Stars that the errors are worth against the scatter seen in a zone. Chosen."""

SIZE, SHAPE, COMET, LOBES = range(4)
"""Rows of what is measured in each zone."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Zones:
    """Means of the stars in each zone of each frame; N frames, Z zones."""

    frames: tuple[int, ...]
    """Index, in the frames given, of each frame that has enough stars."""
    place: Complexes
    """Mean place of the zone's stars, x + iy from the sensor's centre; the corners lie at 1. Shape (N, Z)."""
    value: Complexes
    """Shape (4, N, Z): size (a² + b²) / 2 and shape (a² - b²) / 2 exp(2 i pa) [px²], third moments of spin 1 and of
    spin 3 as the star table has them; 0 where a zone is empty."""
    weight: Floats
    """Inverse variance of one component of each, 0 where a zone is empty; shape (4, N, Z)."""
    half_width: float
    half_height: float
    """Distance of the edges from the centre, that of the corner being 1."""


def zones_of(frames: Sequence[NightFrame], *, held: bool = False) -> Zones | None:
    """Means over zones of the field, of the stars that take part in the fit or, if `held`, of those held back.

    Parameters
    ----------
    frames : sequence of NightFrame
        Of one camera.
    held : bool, optional
        Whether the stars that only judge the fit are wanted.

    Returns
    -------
    Zones or None
        None if no frame has enough stars.
    """
    parts, numbers = [], []
    for index, one in enumerate(frames):
        shape = one.result.shape
        if shape is None or shape.elongation > MOST_ELONGATION:
            continue
        stars = one.result.stars.good
        stars = stars[held_back(stars["x"].astype(float), stars["y"].astype(float)) == held]
        if len(stars) < (2 if held else FEWEST_IN_FRAME):
            continue
        parts.append(_frame_zones(stars, one.result.exposure.width_px, one.result.exposure.height_px))
        numbers.append(index)
    if not parts:
        return None
    exposure = frames[numbers[0]].result.exposure
    diagonal = float(np.hypot(exposure.width_px, exposure.height_px))
    return Zones(
        frames=tuple(numbers),
        place=np.stack([part[0] for part in parts]),
        value=np.stack([part[1] for part in parts], axis=1),
        weight=np.stack([part[2] for part in parts], axis=1),
        half_width=exposure.width_px / diagonal,
        half_height=exposure.height_px / diagonal,
    )


def _frame_zones(stars: NDArray[np.void], width_px: int, height_px: int) -> tuple[Complexes, Complexes, Floats]:
    """Places, values and weights of the zones of one frame."""
    x, y = stars["x"].astype(float), stars["y"].astype(float)
    column = np.clip((x * ACROSS / width_px).astype(int), 0, ACROSS - 1)
    row = np.clip((y * ALONG / height_px).astype(int), 0, ALONG - 1)
    zone, n = row * ACROSS + column, ACROSS * ALONG
    half = np.array([max(width_px - 1, 1), max(height_px - 1, 1)]) / 2
    place = ((x - half[0]) + 1j * (y - half[1])) / np.hypot(*half)
    value, error = star_values(stars)
    count = np.maximum(np.bincount(zone, minlength=n), 1)
    middle = np.asarray((np.bincount(zone, place.real, n) + 1j * np.bincount(zone, place.imag, n)) / count)
    means = [_robust_means(value[k], error[k], zone, n, components=1 if k == SIZE else 2) for k in range(4)]
    return middle.astype(complex), np.stack([mean for mean, _ in means]), np.stack([weight for _, weight in means])


def star_values(stars: NDArray[np.void]) -> tuple[Complexes, Floats]:
    """Size, shape, comet and lobes of each star, and their errors with the scatter that stars have; shape (4, n)."""
    width = stars["fwhm_px"].astype(float)
    e = stars["e1"].astype(float) + 1j * stars["e2"].astype(float)
    relative = np.maximum(stars["fwhm_error_px"] / width, SMALLEST_ERROR)
    e_error = np.sqrt((stars["e1_error"].astype(float) ** 2 + stars["e2_error"].astype(float) ** 2) / 2)
    size, shape, size_error, shape_error = shear.squares(width, relative, e, np.maximum(e_error, SMALLEST_ERROR))
    square = float(np.median(width)) ** 2
    coarse = np.exp(-square / PIXEL_PHASE_PX**2)
    scatter = {name: np.hypot(STAR_SCATTER, coarse * most) for name, most in PIXEL_PHASE.items()}
    third_error = np.hypot(np.maximum(stars["third_error"], SMALLEST_ERROR), scatter["third"])
    own = [square * np.hypot(one, scatter["size"]) for one in (size_error, shape_error)]
    error = np.stack([*own, third_error, third_error])
    comet = stars["coma1"].astype(float) + 1j * stars["coma2"].astype(float)
    lobes = stars["trefoil1"].astype(float) + 1j * stars["trefoil2"].astype(float)
    return np.stack([size.astype(complex), shape, comet, lobes]), error


def _robust_means(
    value: Complexes, error: Floats, zone: NDArray[np.intp], n: int, *, components: int
) -> tuple[Complexes, Floats]:
    """Mean of each zone with outlying stars held, and its weight by the errors or, if larger, by the scatter seen."""
    known = np.isfinite(value) & np.isfinite(error)
    value, zone, precise = value[known], zone[known], 1 / error[known] ** 2
    held = precise
    for _ in range(4):
        total = np.bincount(zone, held, n)
        mean = np.bincount(zone, held * value.real, n) + 1j * np.bincount(zone, held * value.imag, n)
        mean = mean / np.maximum(total, 1e-30)
        away = np.abs(value - mean[zone]) ** 2 * precise / components
        held = precise * robust.huber_weight(np.sqrt(away), OUTLYING)
    count = np.bincount(zone, minlength=n)
    # What stars of one zone show beyond their errors, drawn towards none while they are few.
    chi2 = np.bincount(zone, held * away / precise, n)
    excess = (chi2 + DOUBTED) / (np.maximum(count - 1, 0) + DOUBTED)
    return mean, total / np.maximum(excess, 1.0)


def mean_over_field(zones: Zones, quantity: int) -> Complexes:
    """Mean over the zones of each frame: of size, shape, comet or lobes, by number; shape (N,)."""
    seen = zones.weight[0] > 0
    return np.asarray((zones.value[quantity] * seen).sum(axis=1) / np.maximum(seen.sum(axis=1), 1))


def drawn_out(zones: Zones) -> Floats:
    """Mean shape over mean size of each frame: 0 of round stars, 1 of endless lines; shape (N,)."""
    shape, size = (np.abs(mean_over_field(zones, k)) for k in (1, 0))
    return np.asarray(shape / np.maximum(size, 1e-9))
