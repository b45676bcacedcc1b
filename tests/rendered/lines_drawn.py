"""Lines of light over star fields: some of satellites, aeroplanes and meteors, others of things that only look so.

Each function gives light above the sky, in ADU, shape (height, width), before it is counted as photons.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from star_field import Scene, star_field

Light = NDArray[np.float64]

GAIN = 2.5  # electrons per ADU
SIZE = (640, 520)  # width, height
NOISE_ADU = 20.04  # of a pixel of sky of 1000 ADU: sqrt(1000 * 2.5 + 3²) / 2.5, closed form
SIGMA_PER_FWHM = 1 / 2.3548


def with_light(image: NDArray[np.uint16], light: Light, seed: int = 1) -> NDArray[np.uint16]:
    """A frame with more light, counted as photons."""
    more = np.random.default_rng(seed).poisson(np.maximum(light, 0) * GAIN) / GAIN
    return np.clip(np.rint(image + more), 0, 65535).astype(np.uint16)


def stars(**changes: object) -> NDArray[np.uint16]:
    """A star field of the usual size."""
    usual: dict[str, object] = {"size": SIZE, "n_stars": 120, "snr": tuple(np.geomspace(15, 400, 120))}
    return star_field(Scene(**(usual | changes)))[0]


def along_and_across(angle_deg: float, through: tuple[float, float], size: tuple[int, int] = SIZE) -> tuple[Light, ...]:
    """Coordinates along and across a line through a point."""
    v, u = np.mgrid[: size[1], : size[0]].astype(float)
    c, s = np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))
    return (u - through[0]) * c + (v - through[1]) * s, (v - through[1]) * c - (u - through[0]) * s


def ridge(across: Light, fwhm_px: float) -> Light:
    """A cross-section of height 1 with a star's wings: a Moffat star of beta 3 drawn along a line has beta 2.5."""
    core = fwhm_px / (2 * np.sqrt(2 ** (1 / 2.5) - 1))
    return (1 + (across / core) ** 2) ** -2.5


def satellite(
    angle_deg: float, through: tuple[float, float], sigmas: float, fwhm_px: float = 3.0, size: tuple[int, int] = SIZE
) -> Light:
    """An even line from edge to edge, so many times as high as the noise of a pixel."""
    return sigmas * NOISE_ADU * ridge(along_and_across(angle_deg, through, size)[1], fwhm_px)


def aeroplane(angle_deg: float, through: tuple[float, float], period_px: float, sigmas: float = 40) -> Light:
    """Flashes at even distances, each drawn out a little."""
    along, across = along_and_across(angle_deg, through)
    phase = (along / period_px + 0.5) % 1 - 0.5
    return sigmas * NOISE_ADU * ridge(across, 3.0) * np.exp(-((phase * period_px / 3) ** 2) / 2)


def meteor(angle_deg: float, middle: tuple[float, float], length_px: float, sigmas: float = 40) -> Light:
    """Light that rises, flares and ends within the frame."""
    along, across = along_and_across(angle_deg, middle)
    u = along / length_px + 0.5
    course = np.where((u > 0) & (u < 1), np.clip(u, 0, 1) ** 0.5 * np.clip(1.25 * (1 - u), 0, 1) ** 0.3, 0)
    return sigmas * NOISE_ADU * ridge(across, 3.0) * course


def piece(
    angle_deg: float, start: tuple[float, float], length_px: float, sigmas: float = 12, fwhm_px: float = 3.0,
    size: tuple[int, int] = SIZE,
) -> Light:  # fmt: skip
    """What a slow satellite draws in one exposure: an even line, with ends as sharp as stars."""
    along, across = along_and_across(angle_deg, start, size)
    ends = (np.clip(at / (0.8 * fwhm_px) + 0.5, 0, 1) for at in (along, length_px - along))
    return sigmas * NOISE_ADU * ridge(across, fwhm_px) * next(ends) * next(ends)


def filament(seed: int = 1, sigmas: float = 15, size: tuple[int, int] = SIZE) -> Light:
    """A bright nebula's filaments: they wander, broaden and fade, over diffuse light."""
    rng = np.random.default_rng(seed)
    light = np.zeros(size[::-1])
    for _ in range(5):
        angle, through = rng.uniform(0, 180), (rng.uniform(0.2, 0.8) * size[0], rng.uniform(0.2, 0.8) * size[1])
        along, across = along_and_across(angle, through, size)
        bend = sum(a * np.sin(along / w + p) for a, w, p in
                   zip(rng.uniform(1, 9, 4), rng.uniform(25, 120, 4), rng.uniform(0, 6, 4), strict=True))  # fmt: skip
        width = rng.uniform(3.5, 7) * (1 + 0.4 * np.sin(along / rng.uniform(60, 150)))
        bright = 0.35 + 0.65 * np.sin(along / rng.uniform(40, 110) + rng.uniform(0, 6)) ** 2
        light += bright * np.exp(-((across - bend) ** 2) / (2 * (width * SIGMA_PER_FWHM) ** 2))
        light += 0.8 * np.exp(-((across - bend) ** 2) / (2 * 40.0**2))
    return sigmas * NOISE_ADU * light


def straight_filament(sigmas: float = 12, size: tuple[int, int] = SIZE) -> Light:
    """A thin shock front, as straight and narrow as a trail, over half of the frame."""
    along, across = along_and_across(63, (size[0] / 2, size[1] / 2), size)
    bright = np.exp(-((along / 190) ** 8)) * (0.85 + 0.15 * np.sin(along / 45))
    return sigmas * NOISE_ADU * bright * ridge(across, 3.6)


def bright_star(x: float, y: float, size: tuple[int, int] = SIZE, angle_deg: float = 31, spikes: int = 4) -> Light:
    """A star far beyond the clipping level, with a halo and the spikes of its secondary's vanes."""
    along, across = along_and_across(angle_deg, (x, y), size)
    r = np.hypot(along, across)
    light = 3e5 * (1 + (r / 3.0) ** 2) ** -2.2
    light += 2000 / (1 + (r / 30) ** 2)
    for k in range(spikes // 2):
        along, across = along_and_across(angle_deg + 360 * k / spikes, (x, y), size)
        light += 4e4 / (1 + (np.abs(along) / 6) ** 1.6) * np.exp(-(across**2) / (2 * 1.3**2))
    return light


def needle(
    x: float,
    y: float,
    angle_deg: float = 20,
    size: tuple[int, int] = SIZE,
    length_px: float = 55,
    width_px: float = 3.5,
) -> Light:
    """A galaxy seen from its edge; lengths over which its light falls by a factor of e."""
    along, across = along_and_across(angle_deg, (x, y), size)
    return 60 * NOISE_ADU * np.exp(-np.abs(along) / length_px - np.abs(across) / width_px)


def cluster(image_size: tuple[int, int] = SIZE, n: int = 6000, seed: int = 3) -> Light:
    """A globular cluster: a core of stars that blend (King's profile, AJ 67, 471, 1962, from memory)."""
    rng = np.random.default_rng(seed)
    core, edge = 25.0, 230.0
    r = np.linspace(0, edge, 4000)
    density = r * (1 / np.sqrt(1 + (r / core) ** 2) - 1 / np.sqrt(1 + (edge / core) ** 2)) ** 2
    radius = np.interp(rng.uniform(size=n), np.cumsum(density) / density.sum(), r)
    angle = rng.uniform(0, 2 * np.pi, n)
    x = np.rint(image_size[0] / 2 + radius * np.cos(angle)).astype(int)
    y = np.rint(image_size[1] / 2 + radius * np.sin(angle)).astype(int)
    flux = 400 * (1 - rng.uniform(size=n)) ** -0.8
    points = np.zeros(image_size[::-1])
    inside = (x >= 0) & (x < image_size[0]) & (y >= 0) & (y < image_size[1])
    np.add.at(points, (y[inside], x[inside]), np.minimum(flux[inside], 4e4))
    return _blurred(points, 3.0)


def lamps(ground_below: NDArray[np.float64], seed: int = 4) -> Light:
    """Lamps and windows along a ridge, whose height is given for each column."""
    rng = np.random.default_rng(seed)
    width = len(ground_below)
    points = np.zeros(SIZE[::-1])
    for x in np.cumsum(rng.uniform(4, 22, 60)):
        if x < width - 4:
            y = int(ground_below[int(x)] - rng.uniform(2, 7))
            points[max(y, 0), int(x)] += rng.uniform(3e3, 6e4)
    return _blurred(points, 3.2)


def ridge_height(seed: int = 5) -> NDArray[np.float64]:
    """The edge of a nearly straight hill."""
    rng = np.random.default_rng(seed)
    x = np.arange(SIZE[0])
    return 130 + 0.12 * x + 2.5 * np.cumsum(rng.normal(0, 0.25, SIZE[0])) / 3


def behind(image: NDArray[np.uint16], height: NDArray[np.float64], seed: int = 6) -> NDArray[np.uint16]:
    """A frame whose lower part is dark ground."""
    rng = np.random.default_rng(seed)
    dark = 350 + 8 * rng.standard_normal(image.shape)
    below = np.arange(image.shape[0])[:, None] < height[None, :]
    return np.where(below, dark, image).astype(np.uint16)


def bad_column(columns: Sequence[int], sigmas: float = 15, width: int = 1) -> Light:
    """Columns of the detector that are brighter than the others."""
    light = np.zeros(SIZE[::-1])
    for column in columns:
        light[:, column : column + width] += sigmas * NOISE_ADU
    return light


def noisy_rows(rows: Sequence[int], sigmas: float = 4) -> Light:
    """Rows that were read with another level."""
    light = np.zeros(SIZE[::-1])
    for row in rows:
        light[row] += sigmas * NOISE_ADU
    return light


def _blurred(points: Light, fwhm_px: float) -> Light:
    from scipy.signal import fftconvolve

    at = np.arange(-30, 31)
    r2 = at[:, None] ** 2 + at[None, :] ** 2
    core = fwhm_px / (2 * np.sqrt(2 ** (1 / 3) - 1))
    star = (1 + r2 / core**2) ** -3.0
    out: Light = np.maximum(fftconvolve(points, star / star.sum(), mode="same"), 0)
    return out
