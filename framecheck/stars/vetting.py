"""Peaks looked at in full resolution: centre, flux, and whether their light is spread as optics spread it."""

from dataclasses import dataclass
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from framecheck.constants import BEYOND_NOISE_SIGMA, QUARTILES_PER_SIGMA
from framecheck.read.exposure import Frame
from framecheck.sky import Colours, Sky
from framecheck.stars.form import without_slope
from framecheck.stars.pilot import Pilot
from framecheck.stars.single_pixels import MOSAIC_SIDE_SHARE, SIDE_SHARE, fill_sharp_pixels, stands_alone
from framecheck.stars.stamps import Stamps, cut_stamps, together
from framecheck.stars.window import centres, contour, middle_window, windows, with_moments

F32 = NDArray[np.float32]

MOST_SIGNAL: Final = 1e4
"""What a peak counts at most where widths are tried, over the noise. Chosen: no undefined one rules the others."""

NARROWER: Final = 0.85
"""Each width that is tried, over the one before. Chosen: in between, a parabola is right to a hundredth."""

SPREAD_PX: Final = 2.5
"""Stars so wide shine beside a hot pixel that lies on them. [px] Chosen."""

LIKENESS: Final = 0.6
"""Least share of a core's squared light that the typical star's shape must explain. Chosen: stars explain over 0.9,
close pairs 0.7, tracks of particles a half."""

CLEARLY_ALIKE: Final = 0.9
"""With this likeness under the window a peak needs no closer look, if stars are wide. Chosen: a pixel that stands
alone has 1.18 / FWHM² [px], the sum over w³ over the square of that over w² (closed form): a fifth at SPREAD_PX."""

NEAR_MIDDLE: Final = 0.5
"""Exponent of the window at a star that one in the middle of the stamp serves: 0.4 FWHM. Chosen: beyond, less than
four fifths of its signal is left."""

MOSAIC_ALIKE: Final = 0.7
"""The same in a colour mosaic, where a star's pixels see it in different lights. Chosen: if red and blue pixels see
half of what green ones do, 0.9 is left of its likeness, and some more goes with a rough width."""

NOTHING_LEFT: Final = 2.0
"""Signal over noise without the brightest pixel, under which there is no star beside it. Chosen: a third of
BEYOND_NOISE_SIGMA, while that pixel holds a tenth of a star's signal, and a quarter of the narrowest one's."""

MOST_OF_DEVIATION: Final = 8**0.5 / QUARTILES_PER_SIGMA
"""Spread from the quartiles of any distribution, in units of its standard deviation, at most: with a quarter at each
end and half in the middle. Closed form."""

CORE_WEIGHT: Final = 0.06
"""The core of a star is where the window is higher than this: within one FWHM. Chosen."""

AROUND_WEIGHT: Final = 0.01
"""Pixels where the window, midway on the stamp, is lower than this are around the star: from 1.3 FWHM on. Chosen."""

DARK_BESIDE: Final = 0.25
"""Median of the light around such a peak over that of its middle. [dimensionless] Chosen: an edge has a half."""

UNLIKE_SIGMA: Final = 4.0
"""Mean of the middle nine pixels, over the noise of one, from which a peak may lie on a line. Chosen."""


class Vetted(NamedTuple):
    """What becomes of some peaks, shape (n,) each."""

    x: F32
    y: F32
    """Centre. [px]"""
    flux_adu: F32
    saturated: NDArray[np.bool_]
    real: NDArray[np.bool_]
    """Which are stars."""
    unlike: NDArray[np.bool_]
    """Which are bright, lie on a line of light, and are no stars."""


@dataclass(frozen=True, slots=True)
class _Look:
    """What a look at some stamps shows, shape (n,) each."""

    dx: NDArray[np.floating]
    dy: NDArray[np.floating]
    flux: NDArray[np.floating]
    snr: NDArray[np.floating]
    likeness: NDArray[np.floating]


def vet_peaks(
    frame: Frame,
    sky: Sky,
    x: NDArray[np.floating],
    y: NDArray[np.floating],
    shape: Pilot,
    clip_adu: float | None,
    colours: Colours | None,
) -> Vetted:
    """Look at peaks in full resolution, and more closely at those that are not spread as stars are at first sight."""
    half, side_share = half_side(shape), _side_share(colours)

    def parts_of(rows: NDArray[np.intp]) -> list[NDArray[np.intp]]:
        return [rows[some] for some in together(max(len(rows), 1), (2 * half + 1) ** 2, 64)]

    def stamps_of(rows: NDArray[np.intp]) -> Stamps:
        return cut_stamps(frame, sky, x[rows], y[rows], half, colours=colours)

    def closely(rows: NDArray[np.intp]) -> Vetted:
        stamps = stamps_of(rows)
        if shape.short_px >= SPREAD_PX:
            fill_sharp_pixels(stamps, shape, side_share)
        without_slope(stamps, np.flatnonzero(sky.uneven_at(stamps.x, stamps.y)), shape)
        look = _closer_look(stamps, shape)
        return _decided(stamps, sky, clip_adu, look, ~stands_alone(stamps, shape, side_share))

    every = np.arange(len(x))
    if shape.short_px < SPREAD_PX:
        return _joined([closely(rows) for rows in parts_of(every)])
    doubtful, parts = [], []
    for rows in parts_of(every):
        stamps = stamps_of(rows)
        look, alike, single = _first_look(stamps, shape, CLEARLY_ALIKE if colours is None else MOSAIC_ALIKE)
        parts.append(_decided(stamps, sky, clip_adu, look, alike))
        doubtful.append(rows[~alike & ~single])
    vetted, rest = _joined(parts), np.concatenate(doubtful)
    for column, other in zip(vetted, _joined([closely(rows) for rows in parts_of(rest)]), strict=True):
        column[rest] = other
    return vetted


def best_width(
    frame: Frame,
    sky: Sky,
    x: NDArray[Any],
    y: NDArray[Any],
    widest: Pilot,
    narrowest_px: float,
    colours: Colours | None,
) -> Pilot:
    """The width at which a window gathers most signal over noise from some peaks.

    Narrower ones of the same form are tried, down to a short axis: it is where a parabola through the best of them and
    those beside it is highest.
    """
    stamps = cut_stamps(frame, sky, x, y, half_side(widest), colours=colours)
    fill_sharp_pixels(stamps, widest, _side_share(colours))
    signals: list[float] = []
    while not signals or widest.short_px * NARROWER ** len(signals) >= narrowest_px:
        shape = widest.scaled(NARROWER ** len(signals))
        height, _, norm, _ = _under_window(stamps, *centres(stamps, shape), shape)
        signals.append(float(np.clip(_ratio(height * np.sqrt(norm), stamps.noise), 0, MOST_SIGNAL).sum()))
    best = int(np.argmax(signals))
    if 0 < best < len(signals) - 1:
        before, here, after = signals[best - 1 : best + 2]
        return widest.scaled(NARROWER ** (best + (after - before) / (2 * max(2 * here - before - after, 1e-9))))
    return widest.scaled(NARROWER**best)


def half_side(shape: Pilot) -> int:
    """Half side of the stamp that a peak is looked at in. [px]"""
    return int(np.clip(np.ceil(1.3 * shape.long_px), 4, 40))


def _side_share(colours: Colours | None) -> float:
    return SIDE_SHARE if colours is None else MOSAIC_SIDE_SHARE


def _joined(parts: list[Vetted]) -> Vetted:
    return Vetted(*(np.concatenate(column) for column in zip(*parts, strict=True)))


def _decided(stamps: Stamps, sky: Sky, clip_adu: float | None, look: _Look, soft: NDArray[np.bool_]) -> Vetted:
    """Stars by what was seen; `soft` are the peaks that are no single pixels."""
    saturated, plateau, dx, dy = _clipped(stamps, sky, clip_adu, look.dx, look.dy)
    like = saturated | (look.likeness > LIKENESS)
    real = soft & (plateau | ((look.snr > BEYOND_NOISE_SIGMA) & like))
    unlike = soft & ~real
    unlike[unlike] = _is_ridge(stamps.part(unlike))
    x, y = (stamps.x + dx).astype(np.float32), (stamps.y + dy).astype(np.float32)
    return Vetted(x, y, look.flux.astype(np.float32), saturated, real, unlike)


def _first_look(
    stamps: Stamps, shape: Pilot, clearly_alike: float
) -> tuple[_Look, NDArray[np.bool_], NDArray[np.bool_]]:
    """A quick look at stamps; which peaks are surely spread as stars are, and which are a single pixel and no more.

    One window, in the middle of all stamps, serves for all: products of Gaussians tell in closed form what a star
    beside its middle has under it. The likeness is the share of the squared light, as the window weighs it and noise
    of blank sky taken off, that the shape explains. Signal over noise is given at the least where that is enough
    already: the noise is no more than the standard deviation around a star allows.
    """
    w = middle_window(2 * stamps.half + 1, shape)
    around = w < AROUND_WEIGHT
    every, some = np.ones(len(w), np.float32), around.astype(np.float32)
    light = stamps.values @ np.column_stack([with_moments(w), every, some])
    wv, wvx, wvy, v, v_around = light.T
    wvv, vv_around = (stamps.values * stamps.values @ np.column_stack([w, some])).T
    sum_w, sum_ww, sum_www, n = w.sum(), (w * w).sum(), (w * w * w).sum(), len(w)
    whole = stamps.usable @ every == n
    first = (wv - sum_w / n * v) / (sum_ww - sum_w**2 / n)
    own = np.maximum(wv - sum_w * (v - first * sum_w) / n, 1e-3)
    # midway between window and star lies the centre of their product
    dx, dy = (np.clip(2 * moment / own, -stamps.half, stamps.half) for moment in (wvx, wvy))
    q = contour(shape).exponent(dx, dy)
    near = q < NEAR_MIDDLE
    q = np.minimum(q, np.float32(NEAR_MIDDLE))
    shared = sum_ww * np.exp(-q / 2)
    height = (wv - sum_w / n * v) / (shared - sum_w**2 / n)
    level = (v - height * sum_w) / n
    signal = height * np.sqrt(sum_ww - sum_w**2 / n)  # over the noise of a pixel: under a window at the star itself
    explained = height**2 * sum_www * np.exp(-q * 2 / 3)
    likeness = _share(explained, wvv - 2 * level * wv + level**2 * sum_w - sum_w * stamps.noise**2)
    alike = near & (height > 0) & (likeness > clearly_alike) & whole
    count = max(np.count_nonzero(around), 1)
    deviation = np.sqrt(np.maximum(vv_around / count - (v_around / count) ** 2, 0))
    noise = np.fmax(np.float32(MOST_OF_DEVIATION) * deviation, stamps.noise)
    unsure = np.flatnonzero(alike & ~(signal > BEYOND_NOISE_SIGMA * noise))
    noise[unsure] = np.fmax(_scatter(stamps.values[unsure][:, around]), stamps.noise[unsure])
    single = whole & ~alike & _nothing_beside_top(stamps, w, wv, v)
    return _Look(dx, dy, height * sum_w, _ratio(signal, noise), likeness), alike, single


def _nothing_beside_top(stamps: Stamps, w: F32, wv: F32, v: F32) -> NDArray[np.bool_]:
    """Whether a stamp without its brightest pixel has no signal under the window w; sums of w v and v are given."""
    top = stamps.values.argmax(axis=1)
    v_top, w_top = stamps.values[np.arange(len(top)), top], w[top]
    others, w_others = len(w) - 1, w.sum() - w_top
    norm = (w * w).sum() - w_top**2 - w_others**2 / others
    signal = (wv - w_top * v_top - w_others / others * (v - v_top)) / np.sqrt(norm)
    out: NDArray[np.bool_] = signal < NOTHING_LEFT * stamps.noise
    return out


def _closer_look(stamps: Stamps, shape: Pilot) -> _Look:
    """A look at peaks, pixels that stand alone filled in and slopes taken off, and at the noise around each.

    The window's shape is fitted over a free flat background. The noise comes from the scatter of the surroundings,
    less the star's own light; the likeness is the share of the core's light squared, noise taken off, that the shape
    explains.
    """
    dx, dy = centres(stamps, shape)
    height, level, norm, weight = _under_window(stamps, dx, dy, shape)
    usable, values = stamps.usable, stamps.values
    core = weight > CORE_WEIGHT
    residual = values - height[:, None] * weight
    np.putmask(residual, core | (usable == 0), np.float32(np.nan))
    within = core.astype(np.float32)
    n_core = _dot(within, within)
    noise = np.fmax(_scatter(residual, np.rint(_dot(usable, usable) - n_core).astype(np.intp)), stamps.noise)
    above = (values - level[:, None]) * within
    explained = height**2 * _dot(weight, weight) * np.float32(1 - CORE_WEIGHT**2)  # what lies in a core; closed form
    likeness = _share(explained, _dot(above, above) - n_core * noise**2)
    return _Look(dx, dy, height * weight.sum(axis=1), _ratio(height * np.sqrt(norm), noise), likeness)


def _under_window(
    stamps: Stamps, dx: NDArray[np.floating], dy: NDArray[np.floating], shape: Pilot
) -> tuple[NDArray[np.floating], NDArray[np.floating], NDArray[np.floating], F32]:
    """Height of the window's shape around each centre over a free flat background, and that background's level.

    Then the height's inverse variance, in units of a pixel's, and the window, 0 where a pixel does not count.
    """
    usable, values = stamps.usable, stamps.values
    weight = windows(2 * stamps.half + 1, dx, dy, shape).reshape(values.shape) * usable
    count = np.maximum(_dot(usable, usable), 1)
    volume, light = _dot(weight, usable), _dot(values, usable)
    norm = np.maximum(_dot(weight, weight) - volume**2 / count, np.float32(1e-9))
    height = (_dot(weight, values) - volume / count * light) / norm
    return height, (light - height * volume) / count, norm, weight


def _dot(a: NDArray[Any], b: NDArray[Any]) -> F32:
    """Sum over each stamp of a product."""
    out: F32 = np.einsum("sp,sp->s", a, b)
    return out


def _share(explained: NDArray[Any], light: NDArray[Any]) -> F32:
    """Explained part of some squared light, which noise may have made too small."""
    out: F32 = explained / np.maximum(np.maximum(light, explained * np.float32(0.5)), np.finfo(np.float32).tiny)
    return out


def _ratio(height: NDArray[Any], error: NDArray[Any]) -> F32:
    """Signal over noise; none where no pixel is usable."""
    return np.divide(height, error, out=np.zeros_like(height), where=error > 0)


def _scatter(values: F32, count: NDArray[np.intp] | None = None) -> F32:
    """Robust spread of each row, or of its `count` defined values; 0 where there are none."""
    order = np.sort(values, axis=1)  # undefined ones go last
    if count is None:
        n = values.shape[1]
        spread = order[:, 3 * n // 4] - order[:, n // 4] if n else np.zeros(len(values), np.float32)
        return spread / np.float32(QUARTILES_PER_SIGMA)
    row = np.arange(len(order))
    quarter, three = order[row, count // 4], order[row, np.minimum(3 * count // 4, np.maximum(count - 1, 0))]
    return np.where(count > 0, (three - quarter) / np.float32(QUARTILES_PER_SIGMA), np.float32(0))


def _is_ridge(stamps: Stamps) -> NDArray[np.bool_]:
    """Whether light runs through the middle of a stamp with dark sky on both sides: no edge, no cloud does."""
    image, half = stamps.pictures, stamps.half
    core = image[:, half - 1 : half + 2, half - 1 : half + 2].mean(axis=(1, 2))
    bright = np.flatnonzero(core > UNLIKE_SIGMA * stamps.noise)
    at = np.arange(-half, half + 1)
    distance = np.hypot(at[:, None], at[None, :])
    ring = image[bright][:, (distance > 0.75 * half) & (distance <= half + 0.5)]
    middle = np.sort(ring, axis=1)[:, ring.shape[1] // 2]
    out = np.zeros(len(image), bool)
    out[bright] = middle < DARK_BESIDE * core[bright]
    return out


def _clipped(stamps: Stamps, sky: Sky, clip_adu: float | None, dx: Any, dy: Any) -> tuple[Any, ...]:
    """Which stars are clipped, which over several pixels, and their centres: there, the middle of the plateau."""
    image = stamps.pictures
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
