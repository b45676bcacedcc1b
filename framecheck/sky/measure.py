"""Level and noise of the sky, from a sample of the pixels."""

from dataclasses import replace
from functools import cache
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from framecheck.constants import PIXEL_VARIANCE_PX2, QUARTILES_PER_SIGMA
from framecheck.read.cells import sum_cells, sum_type
from framecheck.read.exposure import Frame
from framecheck.sky.cover import Cover, Ground
from framecheck.sky.distribution import ONE_SIGMA_BELOW, distribution, lower_half, undo_clip
from framecheck.sky.meshes import (
    CellGrid,
    by_mesh,
    filled,
    in_meshes,
    mean_of_nine,
    median_of_nine,
    mesh_side,
    over_neighbours,
    picked_by_mesh,
    slope_variance,
    without_lifted_meshes,
)
from framecheck.sky.model import Sky

MESH_PX: Final = 64
"""Side of a mesh. [px] Chosen: wider than any star we measure, narrower than most nebulosity."""

SAMPLES_WANTED: Final = 450_000
"""Pixels looked at in a frame, about. Chosen: the noise comes out to 0.2 %, in a few milliseconds."""

LEAST_STEP: Final = 2
"""Of so many rows and columns one is looked at, at the most. Chosen: a mesh has a thousand samples then, and its level
comes out to a twenty-fifth of the noise; all of its pixels would tell it twice as well, in four times the time."""

CELLS_WANTED: Final = 200_000
"""Cells of a mosaic, or second differences, looked at, about. Chosen: the level of a mesh comes out to a tenth of a
cell's noise. A quartile range of n differences tells a spread to 1.17 / sqrt(n) (closed form): the noise of the image
to 0.3 %, that of one mesh of 26 megapixels to 21 %, smoothed over 5 x 5 to 6 %."""

CELL_ROWS: Final = 4
"""Rows of cells looked at in each mesh. Chosen: no row of clouds or of a faulty sensor decides alone."""

HOT_CURVE: Final = 4 * 6**0.5
"""Second differences larger than this are no noise. [sigma of a pixel] Four of their own standard deviations."""

MOSTLY_HIDDEN: Final = 0.4
"""Share of a mesh behind ground from which it is not asked. Chosen: what is left tells of the sky elsewhere than in its
middle."""

FEWEST_CURVES: Final = 12
"""Second differences that a mesh needs. Chosen: its quartiles are then not those of two or three."""

INDEPENDENT: Final = 1.08
"""Pixels are independent if the noise seen on flat sky is at most so many times that of second differences. Chosen."""

UNEVEN: Final = 1.25
"""Meshes with this spread over the noise of a pixel are lit by more than stars and an even sky. Chosen: stars make 1.1,
even where there is one in 60 pixels (rendered fields)."""

UNEVEN_ERROR: Final = 3.6
"""And by so much more, over the root of the samples of a mesh. Chosen: four and a half standard errors of a spread from
the dark side of samples, median of nine meshes, as drawn noise has them."""

APART: Final = (3, 3)
"""Rows and columns between pixels that share nothing, if any do not. Chosen: interpolation reaches two, and neither
faulty rows nor columns are missed; finer structure than stars no sky has."""

DARK_SIDE_SIGMA: Final = 1.5
"""The same for the samples of the whole image together. [sigma] Chosen: what is left is nearly all sky."""

WHOLE_IMAGE_SAMPLES: Final = 150_000
"""Pixels that settle the level of the whole image, at the least. Chosen: to a half per cent of the noise."""

_LEAST_FLOAT_NOISE: Final = 1e-18
"""[ADU] Chosen: the square of less is no normal number in float32."""
_LEAST_SHARE: Final = 1e-15
"""Noise over the brightest pixel, at least. Chosen: float32 holds the square of no larger ratio."""
DIFFERENT_PARTS: Final = 65_521
"""Random numbers that spread whole numbers over their unit, used again and again: a prime, so that no row of pixels
gets the same as another. Chosen: drawing one for each sample takes longer than sorting them."""


def mask_stars(shape: tuple[int, int], x: NDArray[Any], y: NDArray[Any], reach_px: float) -> Cover:
    """Mark the surroundings of stars at x and y, shape (n,) each, as far as their light counts. [px]"""
    cell = max(1, int(reach_px / 2))
    n_y, n_x = -(-shape[0] // cell), -(-shape[1] // cell)
    stars = np.zeros((n_y + 4, n_x + 4), bool)
    rows, columns = np.clip((y / cell).astype(np.intp), 0, n_y - 1), np.clip((x / cell).astype(np.intp), 0, n_x - 1)
    stars[rows + 2, columns + 2] = True
    along = np.logical_or.reduce([stars[:, k : k + n_x] for k in range(5)])
    return Cover(np.logical_or.reduce([along[k : k + n_y] for k in range(5)]), cell)


def measure_sky(frame: Frame, stars: Cover | None = None, ground: Ground | None = None) -> Sky:
    """Measure the sky's level and noise on a mesh over the image.

    In each mesh the level is the median of sampled pixels and the noise the distance from there down to the 16th
    percentile: stars only ever add light, so the lower half of the distribution is the sky's own. What lies well
    above is cut off and both are taken again. A sparse sample of the whole image, each pixel against the level
    interpolated to it, then scales the noise and shifts the level: many pixels together, free of the slope within a
    mesh.

    Parameters
    ----------
    frame : Frame
        Pixels as stored. Of a colour mosaic, only green pixels are looked at.
    stars : Cover, optional
        Where stars are known to be, in a crowded field; their pixels are left out.
    ground : Ground, optional
        What hides the sky; its pixels are left out, and meshes behind it are taken to be like the nearest sky.

    Returns
    -------
    Sky
        Level and noise. [ADU]
    """
    pixels = frame.pixels if frame.mosaic is None else green_lattice(frame)
    pitch = 1 if frame.mosaic is None else 2
    sides = [mesh_side(n, MESH_PX // pitch) for n in pixels.shape]
    step = max(LEAST_STEP, round(float(np.sqrt(pixels.size / SAMPLES_WANTED))))
    if ground is not None:
        stars = ground.cover.and_also(stars)
    samples = _samples_by_mesh(pixels, sides, min(step, max(1, min(sides) // 8)), stars, pitch, ground)
    unit = _unit_of(samples)
    level, flat_noise = _level_and_noise(_spread_over_unit(samples, unit))
    least = max(_least_noise(pixels, unit, level), frame.hidden_noise_adu)
    flat_noise = np.maximum(flat_noise, least)
    rough = _sky(level, flat_noise, [side * pitch for side in sides], frame)
    shift, factor = _dark_side(pixels, rough, stars, pitch, unit)
    level, flat_noise = level + shift * flat_noise, factor * flat_noise
    grain = _grain(pixels, sides, unit, stars, pitch, behind_ground=ground is not None)
    # Where pixels are independent both agree on flat sky, and the grain sees no slopes; where they are not, as in an
    # interpolated picture, it sees less than there is. Sky that is nowhere flat leaves that to pixels farther apart.
    if grain is not None and np.percentile(flat_noise / grain, 20) >= INDEPENDENT:
        coarse = _grain(pixels, sides, unit, stars, pitch, behind_ground=ground is not None, apart=APART)
        grain = grain if coarse is not None and np.percentile(coarse / grain, 20) < INDEPENDENT else None
    noise = np.maximum(flat_noise if grain is None else grain, least)
    uneven_from = max(UNEVEN, 1 + UNEVEN_ERROR / float(np.sqrt(samples.shape[2])))
    return replace(
        rough,
        level_adu=level.astype(np.float32),
        noise_adu=noise.astype(np.float32),
        uneven=over_neighbours((flat_noise > uneven_from * noise).astype(float), mean_of_nine) > 0.1,
        ground=ground,
    )


def measure_finely(frame: Frame, sky: Sky, mesh_px: int) -> Sky:
    """Measure the level again on a finer mesh, where the sky is uneven; elsewhere it stays, as does the noise.

    Stars lift a fine mesh a little: their wings fill it.
    """
    pixels, pitch = (frame.pixels, 1) if frame.mosaic is None else (green_lattice(frame), 2)
    sides = [mesh_side(n, max(mesh_px // pitch, 4)) for n in pixels.shape]
    step = max(1, round(float(np.sqrt(pixels.size / SAMPLES_WANTED))))
    stars = None if sky.ground is None else sky.ground.cover
    samples = _samples_by_mesh(pixels, sides, min(step, max(1, min(sides) // 4)), stars, pitch, sky.ground)
    level, _ = lower_half(np.sort(_spread_over_unit(samples, _unit_of(samples)), axis=2))
    fine = _sky(filled(level), np.zeros_like(level), [side * pitch for side in sides], frame)
    y, x = (at.ravel() for at in np.meshgrid(fine.y_centres, fine.x_centres, indexing="ij"))
    before, noise = (known.reshape(level.shape) for known in sky.level_and_noise_at(x, y))
    uneven = sky.uneven_at(x, y).reshape(level.shape)
    level = without_lifted_meshes(filled(level), noise.astype(float), samples.shape[2])
    level = np.where(uneven, level, before)
    return replace(
        sky,
        level_adu=level.astype(np.float32),
        noise_adu=noise,
        x_centres=fine.x_centres,
        y_centres=fine.y_centres,
        uneven=uneven,
    )


def measure_cells(frame: Frame, ground: Ground | None = None, mesh_cells: int = MESH_PX) -> Sky:
    """Measure the sky of the 2 x 2 cells of a colour mosaic, all colours in each: a quick look, to find peaks by.

    Its noise is twice that of a cell's mean, so that it relates to cells as a pixel's does.
    """
    grid = CellGrid.over(frame.pixels, mesh_cells, CELL_ROWS, CELLS_WANTED)
    rows, columns, width = grid.rows, grid.columns, frame.pixels.shape[1] // 2
    sums = np.empty((rows.size, width), sum_type(frame.pixels.dtype))
    sum_cells(frame.pixels[grid.lines, : 2 * width], 2, sums)
    picked = sums[:, columns.ravel()] / np.float32(4)
    if ground is not None:
        picked = ground.cover.blanked(picked, 2 * rows.ravel(), 2 * columns.ravel())
    samples = by_mesh(picked, rows, columns)
    if ground is not None:
        samples[_mostly_hidden(ground, 2 * rows, 2 * columns)] = np.nan
    level, noise = _level_and_noise(samples)
    noise = np.maximum(2 * noise, _least_noise(frame.pixels, 1, level))
    return replace(_sky(level, noise, [2 * side for side in grid.sides], frame), ground=ground)


def _level_and_noise(samples: NDArray[Any]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Level and noise of each mesh from its samples, mended by its neighbours; slopes within meshes are no noise."""
    level, noise = lower_half(np.sort(samples, axis=2))
    level, noise = filled(level, sloping=True), over_neighbours(filled(noise), median_of_nine)
    level = without_lifted_meshes(level, noise, samples.shape[2])
    return level, np.sqrt(np.maximum(noise**2 - slope_variance(level), (0.5 * noise) ** 2))


def _sky(level: NDArray[np.float64], noise: NDArray[np.float64], sides_px: list[int], frame: Frame) -> Sky:
    """A sky on meshes with these sides along y and x."""
    y_centres, x_centres = (
        ((np.arange(n) + 0.5) * side - 0.5).astype(np.float32) for n, side in zip(level.shape, sides_px, strict=True)
    )
    return Sky(
        level_adu=level.astype(np.float32),
        noise_adu=noise.astype(np.float32),
        x_centres=x_centres,
        y_centres=y_centres,
        shape=frame.pixels.shape,
    )


def _least_noise(pixels: NDArray[Any], unit: int, level: NDArray[np.float64]) -> float:
    """Noise that rounding makes, where a picture has none of its own: a step over the root of 12. [ADU] Closed form."""
    if np.issubdtype(pixels.dtype, np.integer):
        return float(unit * np.sqrt(PIXEL_VARIANCE_PX2))
    top = max(float(np.fmax.reduce(pixels, axis=None)), -float(np.fmin.reduce(pixels, axis=None)))
    return float(max(np.finfo(np.float32).eps * np.nanmax(np.abs(level)), _LEAST_SHARE * top, _LEAST_FLOAT_NOISE))


def _unit_of(samples: NDArray[Any]) -> int:
    """Step between the values of whole-number pixels: 1, or more where a short converter's counts are shifted up."""
    if not np.issubdtype(samples.dtype, np.integer):
        return 1
    values = np.unique(samples.reshape(-1)[:: max(1, samples.size // 5000)])
    return max(1, int(np.gcd.reduce(np.diff(values)))) if len(values) > 3 else 1


def _grain(
    pixels: NDArray[Any],
    sides: list[int],
    unit: int,
    stars: Cover | None,
    pitch: int,
    *,
    behind_ground: bool,
    apart: tuple[int, int] = (0, 1),
) -> NDArray[np.float64] | None:
    """Noise of each mesh from second differences, along rows if nothing is said, which neither slopes nor wings reach.

    p[x - 1] - 2 p[x] + p[x + 1] has the variance 6 sigma². The quartiles of sampled ones give a mesh's noise, and
    those of all meshes together, each over its own, take out what so few samples miss. None where an image is too
    small or rounded too coarsely to tell.
    """
    every = min(max(1, round(float(np.sqrt(pixels.size / CELLS_WANTED)))), max(1, min(sides) // 4))
    rows, columns = (in_meshes(n, side, every) for n, side in zip(pixels.shape, sides, strict=True))
    down, across = apart
    row, column = (
        np.clip(at.ravel(), far, n - 1 - far) for at, far, n in zip((rows, columns), apart, pixels.shape, strict=True)
    )
    whole = np.issubdtype(pixels.dtype, np.integer)
    lines = [pixels[row + k * down] for k in (-1, 0, 1)] if down else [pixels[row]] * 3
    left, here, right = (
        line[:, column + k * across].astype(np.int32 if whole else np.float32)
        for k, line in zip((-1, 0, 1), lines, strict=True)
    )
    curve = left + right - 2 * here
    rounding = unit**2 * PIXEL_VARIANCE_PX2 / 6 if whole else 0.0
    even = _spread_over_unit(curve, unit)
    if stars is not None:
        even = stars.blanked(even, rows.ravel() * pitch, columns.ravel() * pitch)
    values = np.sort(by_mesh(even, rows, columns), axis=2)
    counts = np.isfinite(values).sum(axis=2)
    few = counts < FEWEST_CURVES
    if few.all() or (few.any() and not behind_ground):
        return None
    quarter, three = (
        np.take_along_axis(values, at[..., None], axis=2)[..., 0] for at in (counts // 4, 3 * counts // 4)
    )
    spread = (three - quarter).astype(float) / (QUARTILES_PER_SIGMA * np.sqrt(6))
    if few.any():
        spread[few] = np.nan
        spread = filled(spread)
    noise = over_neighbours(over_neighbours(spread, median_of_nine), mean_of_nine)
    if noise.min() < 0.3:
        return None
    values /= noise[..., None].astype(np.float32)
    together = distribution(values)
    within = together.below(HOT_CURVE) - together.below(-HOT_CURVE)  # three differences feel each hot pixel
    low, high = (together.value(together.below(-HOT_CURVE) + share * within) for share in (0.25, 0.75))
    if not high > low:
        return None
    noise *= (high - low) / (QUARTILES_PER_SIGMA * np.sqrt(6))
    return np.sqrt(np.maximum(noise**2 - rounding, (0.3 * noise) ** 2))


def green_lattice(frame: Frame) -> NDArray[Any]:
    """One of the two green sub-lattices of a colour mosaic: a view of its pixels, shape (n_y // 2, n_x // 2)."""
    at = (frame.mosaic or "G").index("G")
    return frame.pixels[at // 2 :: 2, at % 2 :: 2]


def _samples_by_mesh(
    pixels: NDArray[Any], sides: list[int], step: int, stars: Cover | None, pitch: int, ground: Ground | None
) -> NDArray[Any]:
    """Sampled pixels; shape (n_y, n_x, n_samples)."""
    if stars is None:
        return picked_by_mesh(pixels, sides, step)
    rows, columns = (in_meshes(n, side, step) for n, side in zip(pixels.shape, sides, strict=True))
    picked = pixels[rows.ravel()][:, columns.ravel()]
    picked = stars.blanked(picked, rows.ravel() * pitch, columns.ravel() * pitch)
    samples = by_mesh(picked, rows, columns)
    if ground is not None:
        samples[_mostly_hidden(ground, rows * pitch, columns * pitch)] = np.nan
    return samples


def _mostly_hidden(ground: Ground, rows: NDArray[np.intp], columns: NDArray[np.intp]) -> NDArray[np.bool_]:
    """Which meshes lie behind ground, from some rows and columns of each; shape (n_y, n_x)."""
    hidden = by_mesh(ground.cover.crossings(rows.ravel(), columns.ravel()), rows, columns)
    return np.asarray(hidden.mean(axis=2) > MOSTLY_HIDDEN)


def _spread_over_unit(values: NDArray[Any], unit: int) -> NDArray[np.float32]:
    """Whole numbers spread evenly over their unit, so that they have quantiles as a smooth distribution has."""
    out = values.astype(np.float32)
    if np.issubdtype(values.dtype, np.integer):
        out += np.resize(_even_parts() * np.float32(unit), values.shape)
    return out


@cache
def _even_parts() -> NDArray[np.float32]:
    return np.random.default_rng(0).random(DIFFERENT_PARTS, dtype=np.float32) - np.float32(0.5)


def _odd(step: float) -> int:
    """The longest odd step that is no longer: with it samples meet all phases of any pattern."""
    return max(0, int(step) - 1) // 2 * 2 + 1


def _dark_side(pixels: NDArray[Any], rough: Sky, stars: Cover | None, pitch: int, unit: int) -> tuple[float, float]:
    """How far the level must be shifted, in units of the noise, and what the noise must be multiplied by.

    The spread of a hundred samples scatters, and its median is a little low. Deviations of pixels all over the image,
    each over its own noise, do not scatter so, and allow a look at the dark side of the distribution alone. Whole
    numbers are spread over their unit by random parts, taken out again.
    """
    fewer = pixels.size / WHOLE_IMAGE_SAMPLES
    across = _odd(np.sqrt(fewer))
    down = _odd(min(fewer / across, across + 2))
    rows, columns = np.arange(0, pixels.shape[0], down), np.arange(0, pixels.shape[1], across)
    values = _spread_over_unit(pixels[::down, ::across], unit)
    rounding = unit**2 * PIXEL_VARIANCE_PX2 if np.issubdtype(pixels.dtype, np.integer) else 0.0
    if stars is not None:
        values = stars.blanked(values, rows * pitch, columns * pitch)
    values -= rough.crossings(rows * pitch, columns * pitch)
    with np.errstate(over="ignore"):  # over next to no noise; what is infinite then is left out
        values /= np.median(rough.noise_adu) if np.ptp(rough.noise_adu) == 0 else rough.noise_rows(rows, columns, pitch)
    deviation = distribution(values)
    if deviation.count[-1] < 1000:
        return 0.0, 1.0
    middle, sigma = 0.0, 1.0
    for _ in range(5):
        kept = deviation.below(middle + DARK_SIDE_SIGMA * sigma)
        if not kept > 0:  # a picture without noise, whose values are all above its level
            return 0.0, 1.0
        half, low = deviation.value(kept / 2), deviation.value(kept * ONE_SIGMA_BELOW)
        middle, sigma = undo_clip(half, half - low, DARK_SIDE_SIGMA)
    corrected = np.sqrt(max(sigma**2 - rounding / float(np.median(rough.noise_adu)) ** 2, 0.25))
    return float(middle), float(corrected)
