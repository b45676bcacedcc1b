"""Light that is neither star nor even sky: a nebula, the heart of a cluster, a galaxy, the head of a comet.

Each is drawn as an image of surface brightness, seen through the same air and optics as the stars beside it.
"""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter
from star_field import FineStar, Scene, power_law

F64 = NDArray[np.float64]


def nebula(scene: Scene) -> F64:
    """Clouds over half of the frame, two sky levels bright, with filaments a little wider than a star.

    Clouds with the power spectrum k^-2.9 of interstellar matter (e.g. N. Miville-Deschenes et al., Astron.
    Astrophys. 593, A4 (2016), from memory), random phases; filaments where other such fields cross a level.
    """
    rng = np.random.default_rng(scene.seed + 100)
    width, _ = scene.size
    u = np.arange(width)[None, :]
    half = 1 / (1 + np.exp((u / width - 0.5 + 0.15 * _power_law_field(scene.size, 4.0, rng)) * 25))
    clouds = np.clip(0.5 + 0.25 * _power_law_field(scene.size, 2.9, rng), 0, None)
    light = 1.2 * clouds
    for _ in range(4):
        field = _power_law_field(scene.size, 3.6, rng)
        steep = np.hypot(*np.gradient(field)) + 1e-9
        across = np.abs(field - 0.3 * rng.standard_normal()) / steep  # distance from the filament's middle, about
        light += rng.uniform(0.2, 0.8) * clouds * np.exp(-((across / rng.uniform(1.5, 4.0)) ** 2) / 2)
    light = _seen(half * light, scene)
    return 2 * scene.sky_adu * light / np.percentile(light, 99)


def cluster(scene: Scene, n: int = 4000) -> F64:
    """The stars of a globular cluster: Plummer's law, mass of light in faint ones, 3 in 4 of them unresolved."""
    rng = np.random.default_rng(scene.seed + 200)
    width, height = scene.size
    share = rng.uniform(0.02, 0.98, n)
    radius = 0.09 * width / np.sqrt(share ** (-2 / 3) - 1)  # in three dimensions
    direction = rng.standard_normal((2, n)) / np.linalg.norm(rng.standard_normal((3, n)), axis=0)
    direction /= np.maximum(1, np.linalg.norm(direction, axis=0))
    x, y = width / 2 + radius * direction[0], height / 2 + radius * direction[1]
    star = FineStar.of(replace(scene, snr=50.0))
    noise = np.sqrt(scene.sky_adu * scene.gain + scene.read_noise_e**2) / scene.gain
    flux = np.array(power_law(n, 3.0, 150.0, 0.9, seed=scene.seed)) * noise / star.sharpness
    light = np.zeros((height, width))
    for place in zip(*star.on_lattice(x, y), flux, strict=True):
        star.add(light, *place)
    return light


def galaxy(scene: Scene) -> F64:
    """A spiral: bulge, disc, two arms, and knots of glowing gas along them."""
    rng = np.random.default_rng(scene.seed + 300)
    width, height = scene.size
    v, u = np.mgrid[:height, :width] - np.array([height, width])[:, None, None] / 2.0
    x, y = u, v / 0.7  # seen aslant
    r, angle = np.hypot(x, y) + 1e-6, np.arctan2(y, x)
    scale = width / 9
    arms = np.cos(2 * (angle - np.log(r / scale) / np.tan(np.radians(18)))) ** 4
    light = 1.2 * np.exp(-r / scale) * (0.4 + arms) + 6.0 * np.exp(-7.67 * (r / (0.12 * scale * 2)) ** 0.25 + 3)
    for _ in range(70):
        far = scale * rng.uniform(0.4, 2.6)
        theta = np.log(far / scale) / np.tan(np.radians(18)) + np.pi * rng.integers(2) + 0.2 * rng.standard_normal()
        at = far * np.cos(theta), 0.7 * far * np.sin(theta)
        size = rng.uniform(1.5, 4.0)
        light += rng.uniform(0.2, 1.0) * np.exp(-((u - at[0]) ** 2 + (v - at[1]) ** 2) / (2 * size**2))
    return scene.sky_adu * _seen(light, scene)


def comet(scene: Scene) -> F64:
    """A coma whose brightness falls as 1 / r (a steady outflow, closed form), and a tail with rays."""
    width, height = scene.size
    v, u = np.mgrid[:height, :width] - np.array([0.5 * height, 0.3 * width])[:, None, None]
    coma = 25.0 / np.hypot(np.hypot(u, v), 1.0)
    along, angle = np.maximum(u, 0), np.arctan2(v, np.maximum(u, 1e-6))
    rays = sum(np.exp(-(((angle - at) / 0.02) ** 2) / 2) for at in (-0.12, -0.02, 0.07, 0.15))
    tail = 0.5 * np.exp(-along / (0.4 * width)) * np.exp(-((angle / 0.15) ** 2) / 2) * (1 + rays) * (u > 0)
    return scene.sky_adu * _seen(coma + tail, scene)


def _power_law_field(size: tuple[int, int], slope: float, rng: np.random.Generator) -> F64:
    """A random field of unit variance whose power falls with the frequency as k to the minus `slope`."""
    width, height = size
    k = np.hypot(np.fft.fftfreq(height)[:, None], np.fft.rfftfreq(width)[None, :])
    k[0, 0] = np.inf
    field = np.fft.irfft2(np.fft.rfft2(rng.standard_normal((height, width))) * k ** (-slope / 2), s=(height, width))
    return field / field.std()


def _seen(light: F64, scene: Scene) -> F64:
    """Smeared by air and optics; a Gaussian does for what is no point."""
    return gaussian_filter(light, scene.fwhm_px / 2.355)


def particle_hits(scene: Scene, n: int) -> F64:
    """Tracks of charged particles: lines from grazing to steep, and charge that spreads a little in the sensor.

    Lengths follow from directions that are even over the sky above a layer a pixel thick (closed form); the charge
    spreads by 0.3 px (from memory: 4 to 5 micrometres in thick sensors) and is that of some hundred to thousand
    electrons a pixel of path.
    """
    rng = np.random.default_rng(scene.seed + 400)
    width, height = scene.size
    light, fine = np.zeros((height, width)), 4
    for _ in range(n):
        length = min(np.tan(np.arccos(np.sqrt(rng.uniform(0.005, 1)))), 12.0)
        angle, charge = rng.uniform(0, 2 * np.pi), rng.lognormal(np.log(1500.0), 0.8) * np.hypot(1, length)
        along = np.linspace(0, length, 16)
        column, row = rng.integers(20, width - 20), rng.integers(20, height - 20)
        track = np.zeros((40 * fine, 40 * fine))
        place = [
            ((20 + rng.uniform(-0.5, 0.5) + along * part) * fine).astype(int) for part in (np.sin(angle), np.cos(angle))
        ]
        np.add.at(track, tuple(place), charge / len(along) / scene.gain)
        pixels = gaussian_filter(track, 0.3 * fine).reshape(40, fine, 40, fine).sum(axis=(1, 3))
        light[row - 20 : row + 20, column - 20 : column + 20] += pixels
    return light
