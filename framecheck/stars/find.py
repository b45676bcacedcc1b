"""All the stars of a frame: peaks, looked at in full resolution and told from hot pixels and particle tracks."""

from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from framecheck.read.exposure import Frame
from framecheck.sky.model import Sky
from framecheck.stars.crossing import in_crossing_lines
from framecheck.stars.peaks import Peaks, find_peaks, mean_cells
from framecheck.stars.pilot import Pilot, pilot_star
from framecheck.stars.stamps import Stamps, colour_levels, cut_stamps

PEAK_SIGMA: Final = 4.0
"""A cell this far above the sky is looked at. [sigma of a cell] Chosen: a star of SNR 10 passes at every width."""

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

LIKENESS: Final = 0.6
"""Least share of a core's squared light that the typical star's shape must explain. Chosen: stars explain over 0.9,
close pairs 0.7, tracks of particles a half."""

TRAILED: Final = 1.8
TRAILED_LONG_PX: Final = 6.0
"""From this elongation and length on, stars are looked for as trails. Chosen: below it one peak a star is the rule."""

NARROWER: Final = (1.0, 0.75, 0.55, 0.4)
"""Widths tried on a mosaic, as parts of what its cells show. Chosen: a star of 1.5 px in cells of 2 px seems 4 px
wide."""

TRIED_PEAKS: Final = 200
"""Brightest peaks on which they are tried. Chosen."""

NEARLY_ROUND: Final = 1.2
"""Up to this ratio of the axes a round filter does as well. Chosen: it loses less than 1 % of a star's signal."""

FEW_PILOTS: Final = 8
"""With fewer pilots than this they may be particle tracks: wider cells are tried, and believed if they have more.
Chosen."""

QUARTILES_PER_SIGMA: Final = 1.3489795003921634
"""Distance of the quartiles of a normal distribution, in standard deviations. Closed form."""

MOST_VETTED: Final = 60_000
"""Peaks looked at, brightest first. Chosen: more stars than the crowded fields that a night's grading needs."""


DARK_BESIDE: Final = 0.25
"""Median of the light around such a peak over that of its middle. [dimensionless] Chosen: an edge has a half."""

UNLIKE_SIGMA: Final = 4.0
"""Mean of the middle nine pixels, over the noise of one, from which a peak may lie on a line. Chosen."""


@dataclass(frozen=True, slots=True)
class Found:
    """Stars found, brightest first, shape (n,) each."""

    x: NDArray[np.float32]
    y: NDArray[np.float32]
    """Rough centre. [px]"""
    flux_adu: NDArray[np.float32]
    snr: NDArray[np.float32]
    saturated: NDArray[np.bool_]
    pilot: Pilot | None
    """The frame's typical star; None if there are too few to tell."""
    n_crossing: int = 0
    """Lines across the frame whose detections were left out."""

    def __len__(self) -> int:
        return len(self.x)


def find_stars(frame: Frame, sky: Sky, clip_adu: float | None) -> Found:
    """Find every star of a frame once.

    Peaks are sought in cells of 2 x 2 pixels, or wider ones where the brightest stars turn out to be wide; trails by
    their own shape. Each is then measured in full resolution with a filter of the typical star's shape over a free
    background, and kept if it is bright enough and its light is spread as optics spread it.

    Parameters
    ----------
    frame : Frame
    sky : Sky
        Of the same frame.
    clip_adu : float or None
        Level at which the camera clips. [ADU]

    Returns
    -------
    Found
        Empty if there is no star.
    """
    cell_frame, cell_sky, scale = _detection_plane(frame, sky)
    cell = 2 // scale
    peaks = find_peaks(cell_frame, cell_sky, cell, PEAK_SIGMA)
    if scale == 1:  # a cell of a mosaic may hold a whole star
        peaks = _without_lone_pixels(cell_frame, cell_sky, peaks, cell)
    pilot = pilot_star(cell_frame, cell_sky, peaks, cell, clip_adu)
    if pilot is None or pilot.short_px > 5 or pilot.n < FEW_PILOTS:
        peaks, pilot = _wider(cell_frame, cell_sky, peaks, pilot, cell, clip_adu)
    if pilot is not None and pilot.long_px > max(TRAILED * pilot.short_px, TRAILED_LONG_PX):
        from framecheck.stars.trails import find_trail_peaks

        peaks = find_trail_peaks(cell_frame, cell_sky, pilot)
    if scale > 1:
        peaks, pilot = _to_full_grid(peaks, pilot, scale)
        pilot = _narrowed(frame, sky, peaks, pilot)
    return _vetted(frame, sky, peaks, pilot, clip_adu)


def _detection_plane(frame: Frame, sky: Sky) -> tuple[NDArray[Any], Sky, int]:
    """Pixels to look for peaks in: the frame itself, or the 2 x 2 cells of a mosaic, all colours in each."""
    if frame.mosaic is None:
        return frame.pixels, sky, 1
    from framecheck.sky.measure import measure_sky

    cells = mean_cells(frame.pixels, 2)
    plane = Frame(exposure=replace(frame.exposure, mosaic_pattern=None), pixels=cells)
    return cells, measure_sky(plane), 2


def _to_full_grid(peaks: Peaks, pilot: Pilot | None, scale: int) -> tuple[Peaks, Pilot | None]:
    offset = np.float32((scale - 1) / 2)
    if pilot is not None:
        pilot = Pilot(pilot.long_px * scale, pilot.short_px * scale, pilot.pa_deg, pilot.n)
    return Peaks(peaks.x * scale + offset, peaks.y * scale + offset, peaks.height), pilot


def _narrowed(frame: Frame, sky: Sky, peaks: Peaks, pilot: Pilot | None) -> Pilot | None:
    """The pilot of a mosaic at the width that suits its brightest peaks: cells are too coarse for narrow stars."""
    if pilot is None or not len(peaks):
        return pilot
    levels, most = colour_levels(frame), min(len(peaks), TRIED_PEAKS)
    best, best_snr = pilot, 0.0
    for factor in NARROWER:
        shape = Pilot(max(pilot.long_px * factor, 1.6), max(pilot.short_px * factor, 1.6), pilot.pa_deg, pilot.n)
        half = int(np.clip(np.ceil(1.3 * shape.long_px), 4, 40))
        tried = _vet_part(frame, sky, peaks.x[:most], peaks.y[:most], half, shape, None, levels)
        snr = float(np.clip(tried[3], 0, 1e4).sum())
        if snr > best_snr:
            best, best_snr = shape, snr
    return best


def _wider(
    pixels: NDArray[Any], sky: Sky, peaks: Peaks, pilot: Pilot | None, cell: int, clip_adu: float | None
) -> tuple[Peaks, Pilot | None]:
    """Look again in wider cells, until a star is two to four cells wide."""
    for wider in (4, 8, 16):
        if wider <= cell or min(pixels.shape) < 8 * wider:
            continue
        again = _without_lone_pixels(pixels, sky, find_peaks(pixels, sky, wider, PEAK_SIGMA), wider)
        second = pilot_star(pixels, sky, again, wider, clip_adu)
        if second is None or (pilot is not None and pilot.short_px <= 5 and second.n <= pilot.n):
            continue
        peaks, pilot = again, second
        if second.short_px <= 3 * wider:
            break
    return peaks, pilot


def _vetted(frame: Frame, sky: Sky, peaks: Peaks, pilot: Pilot | None, clip_adu: float | None) -> Found:
    """Peaks that are stars, each once."""
    shape = pilot or Pilot(3.0, 3.0, 0.0, 0)
    half = int(np.clip(np.ceil(1.3 * shape.long_px), 4, 40))
    parts = []
    levels = colour_levels(frame)
    size = max(64, 400_000 // (2 * half + 1) ** 2)
    for i in range(0, min(len(peaks), MOST_VETTED), size):
        x, y = peaks.x[i : i + size], peaks.y[i : i + size]
        parts.append(_vet_part(frame, sky, x, y, half, shape, clip_adu, levels))
    if not parts:
        empty = np.zeros(0, np.float32)
        return Found(empty, empty, empty, empty, np.zeros(0, bool), pilot)
    x, y, flux, snr, saturated, real, unlike = (np.concatenate(column) for column in zip(*parts, strict=True))
    # a bright, even line makes peaks that are no stars: they tell where it runs
    seen = np.flatnonzero(real | unlike)
    marked, n_lines = in_crossing_lines(x[seen], y[seen], frame.pixels.shape, shape.long_px)
    real[seen[marked]] = False
    keep = np.flatnonzero(real)
    keep = keep[np.argsort(-flux[keep], kind="stable")]
    keep = keep[_first_of_each(x[keep], y[keep], saturated[keep], shape)]
    return Found(x[keep], y[keep], flux[keep], snr[keep], saturated[keep], pilot, n_lines)


def _without_lone_pixels(pixels: NDArray[Any], sky: Sky, peaks: Peaks, cell: int) -> Peaks:
    """Peaks less those whose light is, beyond doubt, in one pixel: a quick look that spares the full one."""
    side = 2 * cell
    height, width = pixels.shape
    if not len(peaks) or min(height, width) < side:
        return peaks
    left = np.clip(np.floor(peaks.x - cell / 2).astype(np.intp), 0, width - side)
    top = np.clip(np.floor(peaks.y - cell / 2).astype(np.intp), 0, height - side)
    windows = np.lib.stride_tricks.sliding_window_view(pixels, (side, side))
    level, noise = sky.level_at(peaks.x, peaks.y), sky.noise_at(peaks.x, peaks.y)
    lone = np.zeros(len(peaks), bool)
    size = max(256, 300_000 // side**2)
    for i in range(0, len(peaks), size):
        part = slice(i, i + size)
        light = windows[top[part], left[part]].reshape(-1, side * side).astype(np.float32) - level[part, None]
        highest = light.max(axis=1)
        others = light.sum(axis=1) - highest
        # Even a star of 1.3 px FWHM has as much again beside its brightest pixel; two standard errors for the doubt.
        lone[part] = others + 2 * np.sqrt(side * side - 1) * noise[part] < 0.4 * highest
    return Peaks(peaks.x[~lone], peaks.y[~lone], peaks.height[~lone])


def _vet_part(
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
    stamps = _without_sharp_pixel(cut_stamps(frame, sky, x, y, half, colour_levels=levels), shape, side_share)
    n = 2 * half + 1
    image = (stamps.values * stamps.usable).reshape(-1, n, n)
    grid = np.arange(-half, half + 1, dtype=np.float32)
    dx, dy = _centroid(image, grid, shape)
    weight = _window(grid, dx, dy, shape).reshape(len(image), -1) * stamps.usable
    flux, error, likeness = _matched(stamps, weight)
    snr = flux / error
    saturated, plateau, dx, dy = _clipped(image, stamps, sky, clip_adu, dx, dy)
    soft = _lack_beside(image, stamps, shape, side_share)[0] < 2
    like = saturated | (likeness > LIKENESS)
    real = soft & (plateau | ((snr > FOUND_SNR) & like))
    unlike = soft & ~real & _is_ridge(image, stamps.noise)
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
    out: NDArray[np.bool_] = (core > UNLIKE_SIGMA * noise) & (np.median(ring, axis=1) < DARK_BESIDE * core)
    return out


def _clipped(
    image: NDArray[np.float32], stamps: Stamps, sky: Sky, clip_adu: float | None, dx: Any, dy: Any
) -> tuple[Any, ...]:
    """Which stars are clipped, which over several pixels, and their centres: there, the middle of the plateau."""
    if clip_adu is None:
        nothing = np.zeros(len(image), bool)
        return nothing, nothing, dx, dy
    half = stamps.half
    grid = np.arange(-half, half + 1, dtype=np.float32)
    top = (clip_adu - sky.level_at(stamps.x, stamps.y))[:, None, None] * (1 - 1e-5)
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
    dx = np.zeros(len(image), np.float32)
    dy = np.zeros(len(image), np.float32)
    limit = max(1.5, 0.6 * shape.long_px)
    for _ in range(2):
        across, down = _marginals(image, grid, dx, dy, shape)
        total = np.maximum(across.sum(axis=1), 1e-3)
        dx += np.clip(2 * (across @ grid / total - dx), -1.5, 1.5)
        dy += np.clip(2 * (down @ grid / total - dy), -1.5, 1.5)
        dx, dy = np.clip(dx, -limit, limit), np.clip(dy, -limit, limit)
    return dx, dy


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
    usable = stamps.usable
    count = np.maximum(usable.sum(axis=1), 1)
    mean = (weight.sum(axis=1) / count)[:, None]
    lifted = (weight - mean) * usable
    norm = np.maximum((lifted**2).sum(axis=1), 1e-9)
    height = (lifted * stamps.values).sum(axis=1) / norm
    outside = (weight < 0.06) & (usable > 0)
    model = height[:, None] * weight
    residual = np.where(outside, stamps.values - model, np.nan)
    noise = np.fmax(_scatter(residual), stamps.noise)
    volume = weight.sum(axis=1)
    core = (weight > 0.06) & (usable > 0)
    level = mean[:, 0] * -height + (stamps.values * usable).sum(axis=1) / count
    light = (np.where(core, stamps.values - level[:, None], 0) ** 2).sum(axis=1) - core.sum(axis=1) * noise**2
    explained = height**2 * np.where(core, weight**2, 0).sum(axis=1)
    likeness = explained / np.maximum(light, explained * 0.5)
    return height * volume, noise / np.sqrt(norm) * volume, likeness


def _scatter(residual: NDArray[np.float32]) -> NDArray[np.floating]:
    """Robust spread of each row's defined values; 0 where there are none."""
    order = np.sort(residual, axis=1)  # NaN goes last
    count = np.isfinite(residual).sum(axis=1)
    row = np.arange(len(order))
    quarter, three = order[row, count // 4], order[row, np.minimum(3 * count // 4, np.maximum(count - 1, 0))]
    return np.nan_to_num((three - quarter) / QUARTILES_PER_SIGMA)


def _without_sharp_pixel(stamps: Stamps, shape: Pilot, side_share: float) -> Stamps:
    """Stamps whose brightest pixel stands alone, without that pixel: a star may lie under a hot one."""
    n = 2 * stamps.half + 1
    image = (stamps.values * stamps.usable).reshape(-1, n, n)
    lack, at = _lack_beside(image, stamps, shape, side_share)
    sharp = np.flatnonzero(lack >= 2)
    if not len(sharp) or shape.short_px < 2.5:
        return stamps
    values, usable = stamps.values.copy(), stamps.usable.copy()
    values[sharp, at[sharp]] = 0
    usable[sharp, at[sharp]] = 0
    return replace(stamps, values=values, usable=usable)


def _lack_beside(
    image: NDArray[np.float32], stamps: Stamps, shape: Pilot, side_share: float
) -> tuple[NDArray[np.floating], NDArray[np.intp]]:
    """How much light the neighbours of each stamp's brightest pixel lack for a star, and where that pixel is.

    In standard errors, along the axis where more is lacking; 0 where the pixel is too faint to tell. The place is an
    index into the flat stamp.
    """
    n, half = len(image), stamps.half
    side = 2 * half + 1
    core = image[:, half - 2 : half + 3, half - 2 : half + 3].reshape(n, 25)
    brightest = core.argmax(axis=1)
    row, column = brightest // 5 + half - 2, brightest % 5 + half - 2
    star = np.arange(n)
    peak = image[star, row, column]
    share = side_share * np.exp(-4 * np.log(2) / (shape.short_px**2 + 0.5))
    lack = np.zeros(n)
    usable = stamps.usable.reshape(-1, side, side)
    for down, right in ((0, 1), (1, 0)):
        low = np.maximum(row - down, 0), np.maximum(column - right, 0)
        high = np.minimum(row + down, side - 1), np.minimum(column + right, side - 1)
        known = (usable[star, low[0], low[1]] > 0) & (usable[star, high[0], high[1]] > 0)
        beside = (image[star, low[0], low[1]] + image[star, high[0], high[1]]) / 2
        missing = (share * peak - beside) / (stamps.noise * np.sqrt(0.5 + share**2))
        lack = np.maximum(lack, np.where(known, missing, 0))
    return np.where(peak < SHARP_PIXEL_SIGMA * stamps.noise, 0, lack), row * side + column


def _first_of_each(x: Any, y: Any, saturated: Any, shape: Pilot) -> NDArray[np.intp]:
    """Indices of stars that are not the same as a brighter one; inputs are brightest first."""
    from scipy.spatial import cKDTree

    if len(x) < 2:
        return np.arange(len(x))
    c, s = np.cos(np.radians(shape.pa_deg)), np.sin(np.radians(shape.pa_deg))
    along, across = (c * x + s * y) / shape.long_px, (c * y - s * x) / shape.short_px
    tree = cKDTree(np.column_stack([along, across]))
    drop = np.zeros(len(x), bool)
    same = tree.query_pairs(0.6, output_type="ndarray")
    clipped = tree.query_pairs(3.0, output_type="ndarray") if saturated.any() else np.zeros((0, 2), int)
    clipped = clipped[saturated[clipped].any(axis=1)]
    if len(same):
        drop[same.max(axis=1)] = True
    if len(clipped):
        drop[clipped.max(axis=1)[saturated[clipped.min(axis=1)]]] = True
    return np.flatnonzero(~drop)
