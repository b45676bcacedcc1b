"""Star fields of known truth, drawn by GalSim: a renderer independent of the code under test.

A star is drawn once, finely, its pixel included; every star of the field takes the samples of that drawing that fall
on its pixels. Centres therefore lie on a lattice of a fraction of a pixel, and nothing is interpolated.
"""

from dataclasses import dataclass, replace
from pathlib import Path

import galsim
import numpy as np
from astropy.io import fits
from numpy.typing import NDArray
from scipy.spatial import cKDTree

PROFILES = ("moffat", "gaussian", "kolmogorov")
TIGHT = galsim.GSParams(folding_threshold=1e-3, maxk_threshold=1e-4)
"""Drawn by Fourier transform, a heavy-winged star folds half a per cent of its light back by default."""
FULL_ADU = 65535


@dataclass(frozen=True, kw_only=True)
class Scene:
    """What is rendered: 300 stars of SNR 50 where nothing else is said. Lengths in pixels, levels in ADU."""

    profile: str = "moffat"
    fwhm_px: float = 3.0  # of the profile before the pixel and before the trail; geometric mean of its axes
    beta: float = 3.0  # of a Moffat profile
    elongation: float = 1.0
    pa_deg: float = 35.0  # of the long axis and of the trail, from +x towards +y
    trail_px: float = 0.0
    n_stars: int = 300
    snr: float | tuple[float, ...] = 50.0  # matched filter against the noise of the blank sky
    size: tuple[int, int] = (1200, 1000)  # width, height
    sky_adu: float = 1000.0  # above the pedestal
    pedestal_adu: float = 100.0
    gain: float = 2.5  # electrons per ADU
    gain_in_header: bool = True
    read_noise_e: float = 3.0
    gradient_adu: float = 0.0  # rise of the sky from the lower left corner to the upper right one
    nebulosity_adu: float = 0.0  # brightest of some smooth clouds
    hot_pixels: int = 0
    cosmic_rays: int = 0
    min_separation_px: float | None = None  # None: no star disturbs another; 0: at random
    knocked_px: tuple[float, float] | None = None  # where every star's second image lies, if there is one
    knocked_share: float = 0.3  # of the light, in the second image
    step_adu: int = 1  # values are multiples of this: 16 for 12 bits shifted up to 16
    seed: int = 1

    @property
    def star(self) -> galsim.GSObject:
        """The star as it falls on the sensor, before the pixel integrates it; flux 1."""
        return star_profile(self)

    @property
    def apart_px(self) -> float:
        """Least distance of two stars."""
        return 4 * self.fwhm_px + self.trail_px + 8 if self.min_separation_px is None else self.min_separation_px


@dataclass(frozen=True, kw_only=True)
class Truth:
    """What was drawn."""

    x: NDArray[np.float64]
    y: NDArray[np.float64]
    flux_adu: NDArray[np.float64]
    snr: NDArray[np.float64]
    peak_adu: NDArray[np.float64]
    fwhm_px: float  # geometric mean of the widths at half maximum along and across, before the pixel
    elongation: float  # their ratio
    pa_deg: float
    sky_adu: float  # median level, pedestal included
    noise_adu: float  # of a pixel of median sky, rounding included
    sky_map_adu: NDArray[np.float32]

    @property
    def n_stars(self) -> int:
        return len(self.x)


def star_field(
    scene: Scene | None = None,
    more_light: NDArray[np.floating] | float = 0.0,
    passed: NDArray[np.floating] | float = 1.0,
    **changes: object,
) -> tuple[NDArray[np.uint16], Truth]:
    """Render a scene, described as a whole or by what differs from the usual one, as a camera stores it.

    More light [ADU] is added, and a share of all light passes, before photons are counted.
    """
    scene = replace(scene or Scene(), **changes)
    rng = np.random.default_rng(scene.seed)
    sky = _sky(scene, rng)
    noise = float(np.sqrt(np.median(sky) * scene.gain + scene.read_noise_e**2) / scene.gain)
    drawing = FineStar.of(scene)
    snr = np.broadcast_to(np.asarray(scene.snr, dtype=float), scene.n_stars)
    flux = snr * noise / drawing.sharpness
    x, y = drawing.on_lattice(*_places(scene, rng))
    light = np.zeros(sky.shape)
    second_share = 0.0 if scene.knocked_px is None else scene.knocked_share
    for star in zip(x, y, flux * (1 - second_share), strict=True):
        drawing.add(light, *star)
    if scene.knocked_px is not None:
        moved = drawing.on_lattice(x + scene.knocked_px[0], y + scene.knocked_px[1])
        for star in zip(*moved, flux * second_share, strict=True):
            drawing.add(light, *star)
    image = _read_out(scene, passed * (sky + light + more_light), rng)
    along, across = half_maximum_widths(scene)
    truth = Truth(
        x=x,
        y=y,
        flux_adu=flux,
        snr=snr.copy(),
        peak_adu=flux * drawing.peak,
        fwhm_px=float(np.sqrt(along * across)),
        elongation=along / across,
        pa_deg=scene.pa_deg,
        sky_adu=float(np.median(sky)) + scene.pedestal_adu,
        noise_adu=float(np.sqrt(noise**2 + scene.step_adu**2 / 12)),  # rounding adds its own variance
        sky_map_adu=(sky + scene.pedestal_adu).astype(np.float32),
    )
    return image, truth


def write(path: Path, image: NDArray[np.generic], scene: Scene | None = None) -> Path:
    """Write an image as a light frame."""
    header = fits.Header()
    header["IMAGETYP"], header["EXPTIME"], header["DATE-OBS"] = "Light Frame", 60.0, "2025-02-03T21:10:00"
    if scene is not None and scene.gain_in_header:
        header["EGAIN"] = scene.gain
    fits.PrimaryHDU(image, header).writeto(path, overwrite=True)
    return path


def power_law(n: int, least: float, most: float, slope: float = 0.7, seed: int = 0) -> tuple[float, ...]:
    """SNR of stars whose number above a flux goes as that flux to the power of minus `slope`, as in real fields."""
    share = np.random.default_rng(seed).uniform((least / most) ** slope, 1, n)
    return tuple(least * share ** (-1 / slope))


def star_profile(scene: Scene) -> galsim.GSObject:
    """Build the profile before the pixel: a round one, sheared without change of area, then moved along a line."""
    star = {
        "moffat": lambda width: galsim.Moffat(beta=scene.beta, fwhm=width, gsparams=TIGHT),
        "gaussian": lambda width: galsim.Gaussian(fwhm=width, gsparams=TIGHT),
        "kolmogorov": lambda width: galsim.Kolmogorov(fwhm=width, gsparams=TIGHT),
    }[scene.profile](scene.fwhm_px)
    star = star.shear(q=1 / scene.elongation, beta=scene.pa_deg * galsim.degrees)
    if scene.trail_px:
        line = galsim.Box(scene.trail_px, 1e-2, gsparams=TIGHT).rotate(scene.pa_deg * galsim.degrees)
        star = galsim.Convolve(star, line, gsparams=TIGHT)
    return star


def half_maximum_widths(scene: Scene) -> tuple[float, float]:
    """Full widths at half maximum along and across `pa_deg`: closed form, or from a fine drawing of a trail."""
    stretch = float(np.sqrt(scene.elongation))
    if not scene.trail_px:
        return scene.fwhm_px * stretch, scene.fwhm_px / stretch
    fine = min(0.05, scene.fwhm_px / 60)
    reach = 1.5 * scene.fwhm_px * stretch
    across, along = (2 * int((reach + extra) / fine) + 1 for extra in (0.0, scene.trail_px / 2))
    upright = star_profile(replace(scene, pa_deg=0.0))
    drawn = upright.drawImage(nx=along, ny=across, scale=fine, method="no_pixel", dtype=float).array
    half = drawn.max() / 2
    return width_above(drawn[across // 2], half) * fine, width_above(drawn[:, along // 2], half) * fine


def width_above(cut: NDArray[np.floating], level: float) -> float:
    """Distance of the outermost crossings of a level, in samples; straight between samples."""
    above = np.flatnonzero(cut > level)
    left, right = above[0], above[-1]
    start = left - (cut[left] - level) / (cut[left] - cut[left - 1])
    end = right + (cut[right] - level) / (cut[right] - cut[right + 1])
    return float(end - start)


@dataclass(frozen=True)
class FineStar:
    """A star drawn with `per_px` samples a pixel, each the light of a whole pixel there; flux 1."""

    samples: NDArray[np.float64]
    per_px: int
    reach: int

    @classmethod
    def of(cls, scene: Scene) -> "FineStar":
        """Draw the scene's star out to where its light is lost in the noise."""
        per_px = 16 if scene.fwhm_px <= 4 else 8 if scene.fwhm_px <= 8 else 4
        widths = 16 if np.max(scene.snr) > 300 else 8
        reach = int(np.ceil(max(widths * scene.fwhm_px, 20) + scene.trail_px / 2))
        n = 2 * per_px * (reach + 1) + 1
        seen = galsim.Convolve(scene.star, galsim.Pixel(1.0), gsparams=TIGHT)
        # Surface brightness of a star seen through a pixel: the flux of the pixel centred on the sample.
        return cls(seen.drawImage(nx=n, ny=n, scale=1 / per_px, method="sb", dtype=float).array, per_px, reach)

    @property
    def sharpness(self) -> float:
        """Root of the sum of squared pixels, mean over places within a pixel: SNR of unit flux in unit noise."""
        phases = range(0, self.per_px, self.per_px // 4)
        return float(np.mean([np.sqrt((self._pixels(px, py) ** 2).sum()) for px in phases for py in phases]))

    @property
    def peak(self) -> float:
        """The brightest pixel of a star centred on it."""
        return float(self.samples.max())

    def on_lattice(self, *places: NDArray[np.float64]) -> list[NDArray[np.float64]]:
        """The nearest positions that can be drawn."""
        return [np.rint(place * self.per_px) / self.per_px for place in places]

    def add(self, image: NDArray[np.float64], x: float, y: float, flux: float) -> None:
        """Add a star; positions on the lattice."""
        column, row = int(np.floor(x)), int(np.floor(y))
        pixels = self._pixels(round((x - column) * self.per_px), round((y - row) * self.per_px))
        from_x, from_y = column - self.reach, row - self.reach
        left, right = max(from_x, 0), min(column + self.reach + 1, image.shape[1])
        low, high = max(from_y, 0), min(row + self.reach + 1, image.shape[0])
        if left < right and low < high:
            image[low:high, left:right] += flux * pixels[low - from_y : high - from_y, left - from_x : right - from_x]

    def _pixels(self, phase_x: int, phase_y: int) -> NDArray[np.float64]:
        """Pixels around a star whose centre lies some samples beyond that of the middle pixel."""
        side = self.per_px * (2 * self.reach + 1)
        rows, columns = (slice(self.per_px - p, self.per_px - p + side, self.per_px) for p in (phase_y, phase_x))
        return self.samples[rows, columns]


def _places(scene: Scene, rng: np.random.Generator) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Positions at random, none nearer to another than asked for, clear of the edges."""
    margin = 3 * scene.fwhm_px * np.sqrt(scene.elongation) + scene.trail_px / 2 + 6
    kept = np.empty((0, 2))
    for _ in range(400):
        more = rng.uniform(margin, np.array(scene.size) - 1 - margin, (2 * scene.n_stars, 2))
        kept = _apart(np.concatenate([kept, more]), scene.apart_px)
        if len(kept) >= scene.n_stars:
            return kept[: scene.n_stars, 0], kept[: scene.n_stars, 1]
    raise ValueError(f"there is no room for {scene.n_stars} stars {scene.apart_px:g} px apart; {len(kept)} fit")


def _apart(places: NDArray[np.float64], least_px: float) -> NDArray[np.float64]:
    """Places without those too near to an earlier one that stays."""
    if least_px <= 0:
        return places
    pairs = cKDTree(places).query_pairs(least_px, output_type="ndarray")
    lost = np.zeros(len(places), bool)
    for earlier, later in pairs[np.argsort(pairs[:, 1], kind="stable")]:  # each pair comes as (lower, higher) index
        lost[later] |= not lost[earlier]
    return places[~lost]


def _sky(scene: Scene, rng: np.random.Generator) -> NDArray[np.float64]:
    """The sky's light: a plane and clouds of a hundred pixels and more."""
    width, height = scene.size
    v, u = np.mgrid[:height, :width]
    sky = scene.sky_adu + scene.gradient_adu * (0.6 * (u / width - 0.5) + 0.4 * (v / height - 0.5))
    if scene.nebulosity_adu:
        clouds = np.zeros(sky.shape)
        for _ in range(12):
            x, y, angle = rng.uniform(0, width), rng.uniform(0, height), rng.uniform(0, np.pi)
            along, across, bright = rng.uniform(160, 320), rng.uniform(90, 160), rng.uniform(0.3, 1.0)
            p, q = (u - x) * np.cos(angle) + (v - y) * np.sin(angle), (v - y) * np.cos(angle) - (u - x) * np.sin(angle)
            clouds += bright * np.exp(-((p / along) ** 2 + (q / across) ** 2) / 2)
        sky += scene.nebulosity_adu * clouds / clouds.max()
    return sky


def _read_out(scene: Scene, light_adu: NDArray[np.float64], rng: np.random.Generator) -> NDArray[np.uint16]:
    """Photons counted, read out with noise, and turned into numbers; bad pixels and particles added."""
    electrons = rng.poisson(light_adu * scene.gain) + scene.read_noise_e * rng.standard_normal(light_adu.shape)
    image = electrons / scene.gain + scene.pedestal_adu
    hot = rng.integers(0, image.size, scene.hot_pixels)
    image.reshape(-1)[hot] += 100 * rng.pareto(1.0, scene.hot_pixels) + 100
    for _ in range(scene.cosmic_rays):
        _add_track(image, rng)
    return np.clip(np.rint(image / scene.step_adu) * scene.step_adu, 0, FULL_ADU).astype(np.uint16)


def _add_track(image: NDArray[np.float64], rng: np.random.Generator) -> None:
    """The track of a particle: a straight line, one pixel wide."""
    height, width = image.shape
    length, angle = rng.uniform(3, 25), rng.uniform(0, np.pi)
    along = np.linspace(0, length, int(2 * length))
    x = np.clip(np.rint(rng.uniform(30, width - 30) + along * np.cos(angle)).astype(int), 0, width - 1)
    y = np.clip(np.rint(rng.uniform(30, height - 30) + along * np.sin(angle)).astype(int), 0, height - 1)
    image[y, x] += rng.uniform(400, 4000)
