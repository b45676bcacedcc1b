"""Star fields of known truth, drawn by GalSim: a renderer independent of the code under test."""

from dataclasses import dataclass
from pathlib import Path

import galsim
import numpy as np
from astropy.io import fits

PROFILES = {
    "moffat 2.5": lambda w: galsim.Moffat(beta=2.5, fwhm=w),
    "moffat 3": lambda w: galsim.Moffat(beta=3.0, fwhm=w),
    "moffat 4.765": lambda w: galsim.Moffat(beta=4.765, fwhm=w),
    "gaussian": lambda w: galsim.Gaussian(fwhm=w),
    "kolmogorov": lambda w: galsim.Kolmogorov(fwhm=w),
}


@dataclass(frozen=True)
class Truth:
    """What was drawn. Widths are those of the profile before the pixel, at half maximum. [px]"""

    x: np.ndarray
    y: np.ndarray
    flux: np.ndarray
    fwhm_px: float
    elongation: float
    pa_deg: float
    sky_adu: float
    noise_adu: float


@dataclass(frozen=True)
class Scene:
    profile: str = "moffat 3"
    fwhm_px: float = 3.0
    elongation: float = 1.0
    pa_deg: float = 35.0
    trail_px: float = 0.0
    n_stars: int = 300
    snr: float = 50.0
    size: tuple[int, int] = (1200, 1000)  # width, height
    sky_adu: float = 1000.0
    noise_adu: float = 20.0
    gain: float | None = None  # e/ADU; None: the stars' own light makes no noise
    slope_adu: float = 0.0  # rise of the sky from left to right
    nebula_adu: float = 0.0
    hot_pixels: int = 0
    tracks: int = 0
    seed: int = 1

    @property
    def star(self) -> galsim.GSObject:
        """The profile before the pixel, flux 1."""
        star = PROFILES[self.profile](self.fwhm_px).shear(q=1 / self.elongation, beta=self.pa_deg * galsim.degrees)
        if self.trail_px:
            line = galsim.Box(self.trail_px, 1e-2).rotate(self.pa_deg * galsim.degrees)
            star = galsim.Convolve(star, line)
        return star


def half_maximum_widths(star: galsim.GSObject, pa_deg: float, reach_px: float) -> tuple[float, float]:
    """Full widths at half maximum along and across a direction, from a finely drawn image without pixels."""
    fine = 0.05
    n = 2 * int(reach_px / fine) + 1
    upright = star.rotate(-pa_deg * galsim.degrees)
    image = upright.drawImage(nx=n, ny=n, scale=fine, method="no_pixel", dtype=float).array

    def width(cut: np.ndarray) -> float:
        half = image.max() / 2
        above = np.flatnonzero(cut > half)
        left, right = above[0], above[-1]
        start = left - (cut[left] - half) / (cut[left] - cut[left - 1])
        end = right + (cut[right] - half) / (cut[right] - cut[right + 1])
        return float((end - start) * fine)

    return width(image[n // 2]), width(image[:, n // 2])


def render(scene: Scene) -> tuple[np.ndarray, Truth]:
    """Draw a scene as a camera would store it.

    SNR is that of a matched filter against the noise of the blank sky: flux sqrt(sum(p²)) / noise.
    """
    rng = np.random.default_rng(scene.seed)
    width, height = scene.size
    star = scene.star
    reach = int(max(8 * scene.fwhm_px, 30) + scene.trail_px)
    pixels = star.drawImage(nx=2 * reach + 1, ny=2 * reach + 1, scale=1, dtype=float).array
    flux = scene.snr * scene.noise_adu / np.sqrt((pixels**2).sum())
    x, y = _spread(scene, rng, margin=int(3 * scene.fwhm_px + scene.trail_px / 2 + 6))
    image = np.zeros((height, width))
    for cx, cy in zip(x, y, strict=True):
        _stamp(image, star.withFlux(flux), cx, cy, reach)
    stars = image.copy()
    image += scene.sky_adu + scene.slope_adu * (np.arange(width) / width - 0.5)
    if scene.nebula_adu:
        v, u = np.mgrid[:height, :width]
        image += scene.nebula_adu * np.exp(-(((u - 0.4 * width) / 220) ** 2) - ((v - 0.6 * height) / 160) ** 2)
    variance = scene.noise_adu**2 + (stars / scene.gain if scene.gain else 0.0)
    image += np.sqrt(variance) * rng.standard_normal(image.shape)
    _spoil(image, scene, rng)
    along, across = half_maximum_widths(star, scene.pa_deg, 3 * scene.fwhm_px + scene.trail_px)
    truth = Truth(
        x=x, y=y, flux=np.full(len(x), flux), fwhm_px=float(np.sqrt(along * across)), elongation=along / across,
        pa_deg=scene.pa_deg, sky_adu=scene.sky_adu, noise_adu=scene.noise_adu,
    )  # fmt: skip
    return np.clip(np.rint(image), 0, 65535).astype(np.uint16), truth


def write(folder: Path, scene: Scene, image: np.ndarray) -> Path:
    """Write a rendered frame as a light frame."""
    path = folder / "frame.fits"
    header = fits.Header()
    header["IMAGETYP"], header["EXPTIME"] = "Light Frame", 60.0
    header["DATE-OBS"] = "2026-02-03T21:10:00"
    if scene.gain:
        header["EGAIN"] = scene.gain
    fits.PrimaryHDU(image, header).writeto(path, overwrite=True)
    return path


def _spread(scene: Scene, rng: np.random.Generator, margin: int) -> tuple[np.ndarray, np.ndarray]:
    """Positions on a shaken grid: stars apart from each other, at every sub-pixel phase."""
    width, height = scene.size[0] - 2 * margin, scene.size[1] - 2 * margin
    rows = max(1, round(np.sqrt(scene.n_stars * height / width)))
    columns = int(np.ceil(scene.n_stars / rows))
    at = np.arange(scene.n_stars)
    pitch_x, pitch_y = width / columns, height / rows
    shake = 0.2 * min(pitch_x, pitch_y)
    x = margin + (at % columns + 0.5) * pitch_x + rng.uniform(-shake, shake, scene.n_stars)
    y = margin + (at // columns + 0.5) * pitch_y + rng.uniform(-shake, shake, scene.n_stars)
    return x, y


def _stamp(image: np.ndarray, star: galsim.GSObject, x: float, y: float, reach: int) -> None:
    height, width = image.shape
    ix, iy = round(x), round(y)
    n = 2 * reach + 1
    drawn = star.drawImage(nx=n, ny=n, scale=1, offset=(x - ix, y - iy), dtype=float).array
    x0, x1, y0, y1 = max(ix - reach, 0), min(ix + reach + 1, width), max(iy - reach, 0), min(iy + reach + 1, height)
    image[y0:y1, x0:x1] += drawn[y0 - iy + reach : y1 - iy + reach, x0 - ix + reach : x1 - ix + reach]


def _spoil(image: np.ndarray, scene: Scene, rng: np.random.Generator) -> None:
    height, width = image.shape
    hot = rng.integers(0, image.size, scene.hot_pixels)
    image.reshape(-1)[hot] += 100 * rng.pareto(1.0, scene.hot_pixels) + 100
    for _ in range(scene.tracks):
        length, angle = rng.uniform(3, 25), rng.uniform(0, np.pi)
        t = np.linspace(0, length, int(2 * length))
        u = np.clip(np.round(rng.uniform(30, width - 30) + t * np.cos(angle)).astype(int), 0, width - 1)
        v = np.clip(np.round(rng.uniform(30, height - 30) + t * np.sin(angle)).astype(int), 0, height - 1)
        image[v, u] += rng.uniform(400, 4000)
