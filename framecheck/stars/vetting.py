"""Peaks looked at in full resolution: centre, flux, and whether their light is spread as optics spread it."""

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from framecheck.read.exposure import Frame
from framecheck.sky.model import Sky
from framecheck.stars.pilot import Pilot
from framecheck.stars.stamps import Stamps, cut_stamps

FOUND_SNR: Final = 6.0
"""Matched-filter signal over noise of a star that is found. Chosen: noise alone reaches it less than once a frame."""

SHARP_PIXEL_SIGMA: Final = 7.0
"""Pixels higher than this are asked whether their neighbours share the light. [sigma] Chosen: below it a hot pixel
does not reach FOUND_SNR."""

SIDE_SHARE: Final = 0.45
"""Least light of a pixel's two neighbours, along each axis, in units of what a star would have. Chosen: half-way,
nearly, between a star's 1 and a hot pixel's 0."""

MOSAIC_SIDE_SHARE: Final = 0.15
"""The same in a colour mosaic, where the neighbours see another colour: a third of the light, or less. Chosen."""

SPREAD_PX: Final = 2.5
"""Stars so wide shine beside a hot pixel that lies on them. [px] Chosen."""

LIKENESS: Final = 0.6
"""Least share of a core's squared light that the typical star's shape must explain. Chosen: stars explain over 0.9,
close pairs 0.7, tracks of particles a half."""

NEARLY_ROUND: Final = 1.2
"""Up to this ratio of the axes a round filter does as well. Chosen: it loses less than 1 % of a star's signal."""

CORE_WEIGHT: Final = 0.06
"""The core of a star is where the window is higher than this: within one FWHM. Chosen."""

QUARTILES_PER_SIGMA: Final = 1.3489795003921634
"""Distance of the quartiles of a normal distribution, in standard deviations. Closed form."""

DARK_BESIDE: Final = 0.25
"""Median of the light around such a peak over that of its middle. [dimensionless] Chosen: an edge has a half."""

UNLIKE_SIGMA: Final = 4.0
"""Mean of the middle nine pixels, over the noise of one, from which a peak may lie on a line. Chosen."""


def vet_peaks(
    frame: Frame,
    sky: Sky,
    x: NDArray[np.floating],
    y: NDArray[np.floating],
    half: int,
    shape: Pilot,
    clip_adu: float | None,
    levels: NDArray[np.float32] | None,
) -> tuple[Any, ...]:
    """Centre, flux, signal over noise, saturation and reality of some peaks, and which are bright but unlike a star."""
    side_share = SIDE_SHARE if levels is None else MOSAIC_SIDE_SHARE
    stamps = cut_stamps(frame, sky, x, y, half, colour_levels=levels)
    n = 2 * half + 1
    image = stamps.values.reshape(-1, n, n)
    if shape.short_px >= SPREAD_PX:
        _fill_sharp_pixels(stamps, shape, side_share)
    grid = np.arange(-half, half + 1, dtype=np.float32)
    dx, dy = _centroid(image, grid, shape)
    weight = _window(grid, dx, dy, shape).reshape(len(image), -1)
    weight *= stamps.usable
    flux, error, likeness = _matched(stamps, weight)
    snr = np.divide(flux, error, out=np.zeros_like(flux), where=error > 0)  # none where no pixel is usable
    saturated, plateau, dx, dy = _clipped(image, stamps, sky, clip_adu, dx, dy)
    soft = ~_stands_alone(image, stamps, shape, side_share)
    like = saturated | (likeness > LIKENESS)
    real = soft & (plateau | ((snr > FOUND_SNR) & like))
    unlike = soft & ~real
    unlike[unlike] = _is_ridge(image[unlike], stamps.noise[unlike])
    return (
        (stamps.x + dx).astype(np.float32), (stamps.y + dy).astype(np.float32),
        flux.astype(np.float32), snr.astype(np.float32), saturated, real, unlike,
    )  # fmt: skip


def _is_ridge(image: NDArray[np.float32], noise: NDArray[np.floating]) -> NDArray[np.bool_]:
    """Whether light runs through the middle of a stamp with dark sky on both sides: no edge, no cloud does."""
    half = image.shape[1] // 2
    at = np.arange(-half, half + 1)
    distance = np.hypot(at[:, None], at[None, :])
    ring = image[:, (distance > 0.75 * half) & (distance <= half + 0.5)]
    core = image[:, half - 1 : half + 2, half - 1 : half + 2].mean(axis=(1, 2))
    middle = np.sort(ring, axis=1)[:, ring.shape[1] // 2]
    out: NDArray[np.bool_] = (core > UNLIKE_SIGMA * noise) & (middle < DARK_BESIDE * core)
    return out


def _clipped(
    image: NDArray[np.float32], stamps: Stamps, sky: Sky, clip_adu: float | None, dx: Any, dy: Any
) -> tuple[Any, ...]:
    """Which stars are clipped, which over several pixels, and their centres: there, the middle of the plateau."""
    if clip_adu is None or image.max(initial=0) < 0.999 * (clip_adu - sky.level_adu.max()):
        nothing = np.zeros(len(image), bool)
        return nothing, nothing, dx, dy
    half = stamps.half
    grid = np.arange(-half, half + 1, dtype=np.float32)
    top = (clip_adu - sky.level_at(stamps.x, stamps.y))[:, None, None] * np.float32(1 - 1e-5)
    core = slice(half - 2, half + 3)
    saturated = (image[:, core, core] >= top).any(axis=(1, 2))
    few = np.flatnonzero(saturated)
    full = image[few] >= top[few]
    count = full.sum(axis=(1, 2))
    several = np.zeros(len(image), bool)
    several[few[count > 8]] = True
    full, count = full[count > 8], count[count > 8]
    dx[several] = (full.sum(axis=1) @ grid) / count
    dy[several] = (full.sum(axis=2) @ grid) / count
    return saturated, several, dx, dy


def _window(grid: Any, dx: Any, dy: Any, shape: Pilot) -> NDArray[np.float32]:
    """Gaussian of the typical star's size and direction around each centre; shape (n, side, side)."""
    if shape.long_px < NEARLY_ROUND * shape.short_px:
        along_x, along_y = (_round_window(grid, centre, shape) for centre in (dx, dy))
        return along_y[:, :, None] * along_x[:, None, :]
    k = 4 * np.log(2)
    u = (grid[None, None, :] - dx[:, None, None]).astype(np.float32)
    v = (grid[None, :, None] - dy[:, None, None]).astype(np.float32)
    c, s = np.cos(np.radians(shape.pa_deg)), np.sin(np.radians(shape.pa_deg))
    a, b = k / shape.long_px**2, k / shape.short_px**2
    xx, yy, xy = a * c * c + b * s * s, a * s * s + b * c * c, 2 * (a - b) * c * s
    out: NDArray[np.float32] = np.exp(-(np.float32(xx) * u * u + np.float32(yy) * v * v + np.float32(xy) * u * v))
    return out


def _round_window(grid: Any, centre: Any, shape: Pilot) -> NDArray[np.float32]:
    """A round window is a product of two such vectors, one for each axis; shape (n, side)."""
    per_axis = np.float32(4 * np.log(2) / (shape.long_px * shape.short_px))
    out: NDArray[np.float32] = np.exp(-per_axis * (grid[None, :] - centre[:, None]).astype(np.float32) ** 2)
    return out


def _centroid(image: NDArray[np.float32], grid: Any, shape: Pilot) -> tuple[Any, Any]:
    """Centre under a Gaussian window that follows it; twice the window's offset undoes the window's pull."""
    middle = np.zeros(1, np.float32)
    window = _window(grid, middle, middle, shape)[0]
    sums = np.stack([window, window * grid[None, :], window * grid[:, None]]).reshape(3, -1)
    total, across, down = (image.reshape(len(image), -1) @ sums.T).T  # one window for all: one product
    total = np.maximum(total, 1e-3)
    limit = max(1.5, 0.6 * shape.long_px)
    dx, dy = np.clip(2 * across / total, -1.5, 1.5), np.clip(2 * down / total, -1.5, 1.5)
    along_x, along_y = _marginals(image, grid, dx, dy, shape)
    total = np.maximum(along_x.sum(axis=1), 1e-3)
    dx += np.clip(2 * (along_x @ grid / total - dx), -1.5, 1.5)
    dy += np.clip(2 * (along_y @ grid / total - dy), -1.5, 1.5)
    return np.clip(dx, -limit, limit), np.clip(dy, -limit, limit)


def _marginals(image: NDArray[np.float32], grid: Any, dx: Any, dy: Any, shape: Pilot) -> tuple[Any, Any]:
    """Light under the window, added up along columns and along rows; shape (n, side) each."""
    if shape.long_px < NEARLY_ROUND * shape.short_px:
        along_x, along_y = (_round_window(grid, centre, shape) for centre in (dx, dy))
        columns = np.matmul(along_y[:, None, :], image)[:, 0]
        return columns * along_x, np.matmul(image, along_x[:, :, None])[:, :, 0] * along_y
    light = image * _window(grid, dx, dy, shape)
    return light.sum(axis=1), light.sum(axis=2)


def _matched(stamps: Stamps, weight: NDArray[np.float32]) -> tuple[Any, Any, Any]:
    """Flux of the window's shape over a free flat background, its error, and its likeness.

    The error comes from the scatter of the surroundings; the likeness is the share of the core's light squared, noise
    taken off, that the shape explains.
    """
    usable, values = stamps.usable, stamps.values
    count = np.maximum(_dot(usable, usable), 1)
    volume, square, light = _dot(weight, usable), _dot(weight, weight), _dot(values, usable)
    norm = np.maximum(square - volume**2 / count, 1e-9)
    height = (_dot(weight, values) - volume / count * light) / norm
    core = weight > CORE_WEIGHT
    within = core.astype(np.float32)
    residual = values - height[:, None] * weight
    np.putmask(residual, core | (usable == 0), np.nan)
    n_core = _dot(within, within)
    noise = np.fmax(_scatter(residual, np.rint(count - n_core).astype(np.intp)), stamps.noise)
    level = (light - height * volume) / count
    above: NDArray[Any] = (values - level[:, None]) * within
    explained = height**2 * square * (1 - CORE_WEIGHT**2)  # what of a Gaussian's square lies in its core; closed form
    light_there = np.maximum(_dot(above, above) - n_core * noise**2, explained * 0.5)
    likeness = explained / np.maximum(light_there, np.finfo(np.float32).tiny)
    return height * volume, noise / np.sqrt(norm) * volume, likeness


def _dot(a: NDArray[np.float32], b: NDArray[np.float32]) -> NDArray[np.float32]:
    """Sum over each stamp of a product."""
    out: NDArray[np.float32] = np.einsum("sp,sp->s", a, b)
    return out


def _scatter(residual: NDArray[Any], count: NDArray[np.intp]) -> NDArray[np.floating]:
    """Robust spread of each row's `count` defined values; 0 where there are none."""
    order = np.sort(residual, axis=1)  # NaN goes last
    row = np.arange(len(order))
    quarter, three = order[row, count // 4], order[row, np.minimum(3 * count // 4, np.maximum(count - 1, 0))]
    return np.where(count > 0, (three - quarter) / np.float32(QUARTILES_PER_SIGMA), 0)


def _fill_sharp_pixels(stamps: Stamps, shape: Pilot, side_share: float) -> None:
    """Mark the pixels that stand alone as unusable, since a star may lie under hot ones, and fill them in."""
    side = 2 * stamps.half + 1
    inner = np.pad(np.ones((side - 2, side - 2), bool), 1).ravel()
    flat = stamps.values.reshape(-1)
    at = np.flatnonzero((stamps.values > SHARP_PIXEL_SIGMA * stamps.noise[:, None]) & inner)
    noise, share = stamps.noise[at // side**2], _share_beside(shape, side_share)
    beside_x = (flat[at - 1] + flat[at + 1]) / 2
    beside_y = (flat[at - side] + flat[at + side]) / 2
    least = np.minimum(beside_x, beside_y)
    sharp = share * flat[at] - least > 2 * noise * np.float32(np.sqrt(0.5 + share**2))
    flat[at[sharp]] = least[sharp]
    stamps.usable.reshape(-1)[at[sharp]] = 0


def _share_beside(shape: Pilot, side_share: float) -> float:
    """Light that a pixel's two neighbours must have at least, over its own."""
    return float(side_share * np.exp(-4 * np.log(2) / (shape.short_px**2 + 0.5)))


def _stands_alone(image: NDArray[np.float32], stamps: Stamps, shape: Pilot, side_share: float) -> NDArray[np.bool_]:
    """Whether the neighbours of each stamp's brightest pixel lack light for a star, by two standard errors.

    Asked along each axis; not where that pixel is too faint to tell, or a neighbour is unknown.
    """
    side, half = 2 * stamps.half + 1, stamps.half
    core = image[:, half - 2 : half + 3, half - 2 : half + 3].reshape(len(image), 25)
    star = np.flatnonzero(core.max(axis=1) >= SHARP_PIXEL_SIGMA * stamps.noise)
    row, column = np.divmod(core[star].argmax(axis=1), 5)
    at = (star * side + row + half - 2) * side + column + half - 2
    flat, usable, share = image.ravel(), stamps.usable.ravel(), _share_beside(shape, side_share)
    least = share * flat[at] - 2 * stamps.noise[star] * np.float32(np.sqrt(0.5 + share**2))
    alone = np.zeros(len(star), bool)
    for beside in (1, side):
        known = (usable[at - beside] > 0) & (usable[at + beside] > 0)
        alone |= known & ((flat[at - beside] + flat[at + beside]) / 2 <= least)
    out = np.zeros(len(image), bool)
    out[star] = alone
    return out
