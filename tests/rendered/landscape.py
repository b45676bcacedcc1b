"""Skies over ground, as a wide lens on a tripod or a tracker sees them, and skies that only look like it.

Stars are GalSim's drawings (`star_field.FineStar`); ground, lamps and the sky's light are drawn with numpy.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter, uniform_filter1d
from star_field import FULL_ADU, FineStar, Scene, half_maximum_widths

Image = NDArray[np.float64]
Light = Callable[[Image, Image, np.random.Generator], Image]
"""Light of the sky at u, v (0 to 1 across the image), 1 being the usual."""


WIDE = Scene(size=(640, 480), n_stars=150, snr=60.0, pedestal_adu=500.0, sky_adu=800.0)


@dataclass(frozen=True, kw_only=True)
class Landscape:
    """What is drawn; `stars` says size, sky, noise and stars of it."""

    stars: Scene = WIDE
    light: Light | None = None
    opaque: Callable[[Image, Image, np.random.Generator], NDArray[np.bool_]] | None = None
    ground_light: float = 0.3
    """Over the sky's."""
    texture: float = 0.35
    """Of the ground, over its own light."""
    lamps: int = 9
    lamp_px: tuple[float, float] = (2.5, 6.0)  # sigma: bloomed, out of focus, in haze
    windows: int = 0  # rows of five lit windows
    smear_px: int = 0  # along x: how far a tracker drew the ground out
    edges: tuple[int, int] = (0, 0)  # columns at the left, rows at the bottom, that see no light
    seed: int = 1


@dataclass(frozen=True, kw_only=True)
class Seen:
    """What was drawn."""

    x: NDArray[np.float64]  # stars that no ground hides
    y: NDArray[np.float64]
    hidden: NDArray[np.float64]  # how much of each pixel's sky is hidden, shape (height, width)
    lamps: NDArray[np.float64]  # places, shape (n, 2)
    fwhm_px: float
    elongation: float
    sky_adu: float  # median level of the sky in view, pedestal included

    @property
    def share(self) -> float:
        return float(self.hidden.mean())


def hills(height: float, rough: float = 0.06, roughness: float = 1.0) -> Callable[..., NDArray[np.bool_]]:
    """Ground under a fractal line: `height` of the image on the average, `rough` its root-mean-square."""

    def opaque(u: Image, v: Image, rng: np.random.Generator) -> NDArray[np.bool_]:
        n = u.shape[1]
        waves = np.arange(1, n // 2)
        phases = np.exp(2j * np.pi * rng.random(len(waves)))
        line = np.real(np.exp(2j * np.pi * np.outer(u[0], waves)) @ (phases * waves ** (-0.5 - roughness)))
        return v < height + rough * line / line.std()

    return opaque


def roofs(height: float) -> Callable[..., NDArray[np.bool_]]:
    """Houses of several heights beside each other, flat roofs and gables."""

    def opaque(u: Image, v: Image, rng: np.random.Generator) -> NDArray[np.bool_]:
        out, left = np.zeros(u.shape, bool), 0.0
        while left < 1:
            wide, top, gable = rng.uniform(0.06, 0.2), height * rng.uniform(0.5, 1.5), rng.uniform(0, 0.08)
            middle = np.abs(u - left - wide / 2) / (wide / 2)
            out |= (middle < 1) & (v < top + gable * (1 - middle))
            left += wide
        return out

    return opaque


def tree(u: Image, v: Image, rng: np.random.Generator) -> NDArray[np.bool_]:
    """Leaves that reach in from the right, with sky between them."""
    leaves = gaussian_filter(rng.standard_normal(u.shape), 4)
    leaves /= leaves.std()
    return 3.5 * (u - 0.78 - 0.12 * np.cos(5 * v)) / 0.1 + leaves > 0


def landscape(scene: Landscape) -> tuple[NDArray[np.uint16], Seen]:
    """Draw a scene, and say what is in it."""
    stars = scene.stars
    rng = np.random.default_rng(scene.seed)
    width, height = stars.size
    v, u = np.mgrid[:height, :width] / np.array([height, width])[:, None, None]
    sky = np.full(u.shape, stars.sky_adu)
    if scene.light is not None:
        sky = sky * scene.light(u, v, rng)
    hides = np.zeros(u.shape) if scene.opaque is None else scene.opaque(u, v, rng).astype(float)
    ground, lamps = _ground(scene, hides > 0, rng)
    if scene.smear_px:
        hides, ground = (uniform_filter1d(image, scene.smear_px, axis=1, mode="nearest") for image in (hides, ground))
    light, x, y = _stars(stars, hides, rng)
    image = (sky + light) * (1 - hides) + ground
    image[:, : scene.edges[0]] = image[: scene.edges[1]] = 0
    image = np.concatenate([image[: scene.edges[1]], image[scene.edges[1] :]])
    electrons = rng.poisson(np.maximum(image, 0) * stars.gain) + stars.read_noise_e * rng.standard_normal(image.shape)
    out = np.clip(np.rint(electrons / stars.gain + stars.pedestal_adu), 0, FULL_ADU).astype(np.uint16)
    along, across = half_maximum_widths(stars)
    seen = Seen(
        x=x, y=y, hidden=hides, lamps=lamps, fwhm_px=float(np.sqrt(along * across)), elongation=along / across,
        sky_adu=float(np.median(sky[hides < 0.5])) + stars.pedestal_adu,
    )  # fmt: skip
    return out, seen


def _stars(stars: Scene, hides: Image, rng: np.random.Generator) -> tuple[Image, Image, Image]:
    """Light of stars all over the frame, and the places of those in clear view."""
    drawing = FineStar.of(stars)
    noise = np.sqrt(stars.sky_adu * stars.gain + stars.read_noise_e**2) / stars.gain
    width, height = stars.size
    cell = max(stars.apart_px, 12.0)
    columns, rows = int(width / cell) - 1, int(height / cell) - 1
    at = rng.choice(columns * rows, min(stars.n_stars, columns * rows), replace=False)
    x, y = ((k + 1 + 0.3 * rng.uniform(-1, 1, len(at))) * cell for k in (at % columns, at // columns))
    x, y = drawing.on_lattice(x, y)
    light = np.zeros(hides.shape)
    for i in range(len(at)):
        snr = stars.snr if np.isscalar(stars.snr) else stars.snr[i]
        drawing.add(light, x[i], y[i], float(snr) * noise / drawing.sharpness)
    clear = hides[np.rint(y).astype(int), np.rint(x).astype(int)] == 0
    return light, x[clear], y[clear]


def _ground(scene: Landscape, hides: NDArray[np.bool_], rng: np.random.Generator) -> tuple[Image, Image]:
    """Light of the ground: rough at several scales, with lamps and windows."""
    light, lamps = np.zeros(hides.shape), []
    if not hides.any():
        return light, np.zeros((0, 2))
    rough = sum(gaussian_filter(rng.standard_normal(hides.shape), s) * s for s in (1.5, 5, 16))
    light += scene.stars.sky_adu * scene.ground_light * np.maximum(1 + scene.texture * rough / rough.std(), 0)
    places = np.argwhere(hides)
    v, u = np.mgrid[: hides.shape[0], : hides.shape[1]]
    for _ in range(scene.lamps):
        y, x = places[rng.integers(len(places))]
        light += rng.uniform(3000, 60_000) * np.exp(
            -((u - x) ** 2 + (v - y) ** 2) / 2 / rng.uniform(*scene.lamp_px) ** 2
        )
        lamps.append((x, y))
    for _ in range(scene.windows):
        y, x = places[rng.integers(len(places))]
        for k in range(5):
            light[y : y + 6, x + 9 * k : x + 9 * k + 4] += rng.uniform(2000, 20_000)
    return light * hides, np.array(lamps).reshape(-1, 2)
