"""Level and noise of the sky, from a sample of the pixels."""

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from framecheck.constants import PIXEL_VARIANCE_PX2
from framecheck.read.exposure import Frame
from framecheck.sky.model import Floats, Sky

MESH_PX: Final = 64
"""Side of a mesh. [px] Chosen: wider than any star we measure, narrower than most nebulosity."""

SAMPLES_WANTED: Final = 600_000
"""Pixels looked at in a frame, about. Chosen: the noise comes out to 0.2 %, in a few milliseconds."""

CLIP_SIGMA: Final = 2.5
"""Samples further above the level are taken for stars. [sigma] Chosen."""

_ONE_SIGMA_BELOW: Final = 0.15865525393145707
"""Share of a normal distribution that lies more than one standard deviation below its mean. Closed form."""


def measure_sky(frame: Frame) -> Sky:
    """Measure the sky's level and noise on a mesh over the image.

    In each mesh the level is the median of sampled pixels and the noise the distance from there down to the 16th
    percentile: stars only ever add light, so the lower half of the distribution is the sky's own. What lies well
    above is cut off and both are taken again. The slope of the sky within a mesh is taken out of its noise.

    Parameters
    ----------
    frame : Frame
        Pixels as stored. Of a colour mosaic, only green pixels are looked at.

    Returns
    -------
    Sky
        Level and noise. [ADU]
    """
    pixels = frame.pixels if frame.mosaic is None else _green_lattice(frame)
    pitch = 1 if frame.mosaic is None else 2
    side = min(MESH_PX // pitch, *pixels.shape)
    step = max(1, int(np.sqrt(pixels.size / SAMPLES_WANTED)))
    samples = _samples_by_mesh(pixels, side, min(step, max(1, side // 8)))
    level, noise = _lower_half(samples)
    level, noise = _filled(level), _filled(noise)
    smooth, noise = _median_of_neighbours(level), _median_of_neighbours(noise)
    noise *= _pooled_factor(samples, smooth, noise)
    noise = np.sqrt(np.maximum(noise**2 - _slope_variance(smooth), (0.5 * noise) ** 2))
    centres = [((np.arange(n) + 0.5) * side * pitch - 0.5).astype(np.float32) for n in level.shape]
    return Sky(
        level_adu=smooth.astype(np.float32),
        noise_adu=noise.astype(np.float32),
        x_centres=centres[1],
        y_centres=centres[0],
    )


def _green_lattice(frame: Frame) -> NDArray[Any]:
    """One of the two green sub-lattices of a colour mosaic."""
    at = (frame.mosaic or "G").index("G")
    return frame.pixels[at // 2 :: 2, at % 2 :: 2]


def _samples_by_mesh(pixels: NDArray[Any], side: int, step: int) -> NDArray[Any]:
    """Sampled pixels, sorted within each mesh; shape (n_y, n_x, n_samples). Rows and columns left over are cut."""
    n_y, n_x = pixels.shape[0] // side, pixels.shape[1] // side
    start = (side % step + step) // 2 % step
    cut = pixels[: n_y * side, : n_x * side]
    count = len(range(start, side, step))
    if side % step == 0:
        picked = cut[start::step, start::step]
    else:
        within = np.arange(start, side, step)
        rows = (np.arange(n_y)[:, None] * side + within).ravel()
        columns = (np.arange(n_x)[:, None] * side + within).ravel()
        picked = cut[rows][:, columns]
    blocks = picked.reshape(n_y, count, n_x, count).swapaxes(1, 2).reshape(n_y, n_x, count * count)
    return np.sort(blocks, axis=2)  # NaN goes last


def _lower_half(samples: NDArray[Any]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Median and lower-half spread of each mesh, bright outliers cut off; NaN where too few pixels are defined."""
    flat = samples.reshape(-1, samples.shape[2])
    whole = np.issubdtype(flat.dtype, np.integer)
    defined = np.full(len(flat), flat.shape[1]) if whole else np.isfinite(flat).sum(axis=1)
    level = _quantile(flat, defined, 0.5, whole)
    noise = level - _quantile(flat, defined, _ONE_SIGMA_BELOW, whole)
    for _ in range(2):
        kept = np.minimum((flat <= (level + CLIP_SIGMA * noise)[:, None]).sum(axis=1), defined)
        level = _quantile(flat, kept, 0.5, whole)
        noise = level - _quantile(flat, kept, _ONE_SIGMA_BELOW, whole)
        level, noise = _undo_clip(level, noise)
    poor = defined < max(16, flat.shape[1] // 4)
    level[poor] = noise[poor] = np.nan
    return level.reshape(samples.shape[:2]), noise.reshape(samples.shape[:2])


def _pooled_factor(samples: NDArray[Any], level: NDArray[np.float64], noise: NDArray[np.float64]) -> float:
    """What the meshes' noise must be multiplied by.

    The spread of a hundred samples scatters, and its median is a little low; deviations of many meshes together,
    each over its own noise, are not. Whole numbers are spread over their unit by random parts, taken out again.
    """
    flat = samples.reshape(-1, samples.shape[2])
    every = max(1, flat.size // 200_000)
    values = flat[::every].astype(np.float32)
    rounding = 0.0
    if np.issubdtype(flat.dtype, np.integer):
        values += np.random.default_rng(0).random(values.shape, dtype=np.float32) - 0.5
        rounding = PIXEL_VARIANCE_PX2
    own_noise = noise.ravel()[::every, None]
    deviation = np.sort(((values - level.ravel()[::every, None]) / own_noise).ravel())
    deviation = deviation[: np.isfinite(deviation).sum()]
    if len(deviation) < 1000:
        return 1.0
    for_quantile = deviation[: np.searchsorted(deviation, CLIP_SIGMA)]
    middle, low = np.quantile(for_quantile, [0.5, _ONE_SIGMA_BELOW])
    _, factor = _undo_clip(middle, middle - low)
    typical = float(np.median(noise))
    return float(np.sqrt(max(factor**2 - rounding / typical**2, 0.25)))


def _undo_clip(level: NDArray[np.float64], noise: NDArray[np.float64]) -> tuple[Any, Any]:
    """Level and noise of the whole normal distribution from those of one cut at CLIP_SIGMA above its level."""
    from scipy.special import ndtr, ndtri

    kept = ndtr(CLIP_SIGMA)
    middle, low = ndtri(kept / 2), ndtri(kept * _ONE_SIGMA_BELOW)
    sigma = noise / (middle - low)
    return level - middle * sigma, sigma


def _quantile(flat: NDArray[Any], count: NDArray[np.intp], share: float, whole: bool) -> NDArray[np.float64]:
    """Quantile of the first `count` of each sorted row; whole numbers are spread evenly over their unit."""
    rank = count * share - 0.5
    below = np.clip(np.floor(rank).astype(np.intp), 0, np.maximum(count - 1, 0))
    above = np.minimum(below + 1, np.maximum(count - 1, 0))
    row = np.arange(len(flat))
    low, high = flat[row, below].astype(float), flat[row, above].astype(float)
    value = low + (high - low) * (rank - below)
    if not whole:
        return value
    centre = np.rint(value).astype(flat.dtype)
    first = (flat < centre[:, None]).sum(axis=1)
    last = np.minimum((flat <= centre[:, None]).sum(axis=1), count)
    spread = centre - 0.5 + (rank + 0.5 - first) / np.maximum(last - first, 1)
    return np.where(last > first, spread, value)


def _filled(mesh: NDArray[np.float64]) -> NDArray[np.float64]:
    """The mesh with its undefined cells at the median of the others."""
    return np.where(np.isfinite(mesh), mesh, np.nanmedian(mesh) if np.isfinite(mesh).any() else 0.0)


def _median_of_neighbours(mesh: NDArray[np.float64]) -> NDArray[np.float64]:
    """Median over 3 x 3 meshes, so that one bright star does not lift a patch of sky."""
    padded = np.pad(mesh, 1, mode="reflect" if min(mesh.shape) > 1 else "edge")
    windows = np.lib.stride_tricks.sliding_window_view(padded, (3, 3)).reshape(*mesh.shape, 9)
    return np.median(windows, axis=2)


def _slope_variance(level: NDArray[np.float64]) -> NDArray[np.float64]:
    """Variance that a plane of the mesh's slope has within the mesh: (rise across)²/12 for each axis."""
    total = np.zeros_like(level)
    for axis in (0, 1):
        if level.shape[axis] > 1:
            total += np.gradient(level, axis=axis) ** 2 / 12
    return total


__all__ = ["Floats", "measure_sky"]
