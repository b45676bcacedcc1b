"""Render one exposure of a star field, as a monochrome camera would store it: what the speed is measured on.

    python benchmarks/render_frame.py frame.fits --megapixels 26

Elliptical Moffat stars with a power law of fluxes, the brightest clipped, widening towards the corners; a sky gradient
and nebulosity; photon and read noise; hot pixels and particle tracks. The same arguments give the same pixels. Nothing
of framecheck is used, and the tests of accuracy do not use this: they take their truth from GalSim.
"""

import argparse
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

Image = NDArray[np.float32]
CLIP_ADU = 65535
CORE_PX = 8  # half side of the box in which a star is integrated over each pixel


@dataclass(frozen=True, kw_only=True)
class Scene:
    """What is rendered. Levels in ADU, lengths in pixels."""

    width: int
    height: int
    n_stars: int  # above a matched-filter SNR of 10; fainter ones are drawn as well
    faintest_snr: float = 2.0
    brightest_snr: float = 3e5
    slope: float = 0.7  # N(> flux) goes as flux to the power of minus this
    fwhm_px: float = 3.2  # geometric mean of the axes, in the middle of the field
    axis_ratio: float = 0.92
    pa_deg: float = 35.0
    beta: float = 3.5
    corner: float = 0.1  # growth of the FWHM from the middle to a corner
    sky: tuple[float, float] = (300.0, 700.0)  # from one corner to the opposite one
    pedestal: float = 500.0
    nebula: float = 60.0
    gain: float = 0.77  # electrons per ADU
    read_noise_e: float = 1.5
    hot_share: float = 2e-4
    n_tracks: int = 12
    colours: tuple[float, float, float] | None = None  # what red, green and blue pixels see of it, of an RGGB mosaic
    seed: int = 1

    @property
    def sky_noise(self) -> float:
        """Noise of a pixel of the mean sky. [ADU]"""
        return float(np.sqrt(sum(self.sky) / 2 * self.gain + self.read_noise_e**2) / self.gain)


def scene_of(megapixels: float, n_stars: int | None = None) -> Scene:
    """Describe a 3:2 frame of a size; by default as many stars a square degree in each, 3000 on 26 megapixels."""
    width = round(np.sqrt(megapixels * 1.5e6) / 8) * 8
    height = round(megapixels * 1e6 / width / 8) * 8
    return Scene(width=width, height=height, n_stars=round(3000 * megapixels / 26) if n_stars is None else n_stars)


def render(scene: Scene) -> NDArray[np.uint16]:
    """Draw the scene; shape (height, width)."""
    rng = np.random.default_rng(scene.seed)
    image = _sky_light(scene, rng)
    _add_stars(image, scene, rng)
    if scene.colours is not None:
        red, green, blue = scene.colours
        for k, share in enumerate((red, green, green, blue)):
            image[k // 2 :: 2, k % 2 :: 2] *= np.float32(share)
    for top in range(0, scene.height, 256):
        band = image[top : top + 256]
        variance = band / scene.gain + (scene.read_noise_e / scene.gain) ** 2
        band += np.sqrt(variance) * rng.standard_normal(band.shape, dtype=np.float32)
    hot = rng.integers(0, image.size, int(scene.hot_share * image.size))
    image.reshape(-1)[hot] += 100 * rng.pareto(1.0, hot.size) + 100
    _add_tracks(image, scene, rng)
    image += scene.pedestal
    return np.clip(np.rint(image, out=image), 0, CLIP_ADU, out=image).astype(np.uint16)


def write(path: Path, image: NDArray[np.uint16], scene: Scene, *, compressed: bool = False) -> None:
    """Write the image as a light frame, plain or in tiles compressed by Rice's code."""
    from astropy.io import fits

    header = fits.Header()
    header["IMAGETYP"], header["EXPTIME"], header["DATE-OBS"] = "Light Frame", 120.0, "2024-03-09T22:14:05.120"
    header["EGAIN"], header["XPIXSZ"], header["FOCALLEN"] = scene.gain, 3.76, 530.0
    if scene.colours is not None:
        header["BAYERPAT"], header["ROWORDER"] = "RGGB", "TOP-DOWN"
    if compressed:
        units = [fits.PrimaryHDU(), fits.CompImageHDU(image, header, compression_type="RICE_1")]
        fits.HDUList(units).writeto(path, overwrite=True)
    else:
        fits.PrimaryHDU(image, header).writeto(path, overwrite=True)


def _core_radius(fwhm_px: NDArray[np.floating] | float, beta: float) -> NDArray[np.floating]:
    """Radius scale of a Moffat profile: FWHM / (2 sqrt(2^(1/beta) - 1)). Closed form."""
    return np.asarray(fwhm_px / (2 * np.sqrt(2 ** (1 / beta) - 1)))


def _noise_pixels(scene: Scene) -> float:
    """Pixels' worth of sky noise under a matched filter, 1 / sum(psf²), without the pixel's blur. Closed form."""
    radius = _core_radius(scene.fwhm_px, scene.beta)
    return float(np.pi * radius**2 * (2 * scene.beta - 1) / (scene.beta - 1) ** 2)


def _add_stars(image: Image, scene: Scene, rng: np.random.Generator) -> None:
    count = round(scene.n_stars * (10 / scene.faintest_snr) ** scene.slope)
    rarest = (scene.faintest_snr / scene.brightest_snr) ** scene.slope
    snr = scene.faintest_snr * rng.uniform(rarest, 1, count) ** (-1 / scene.slope)
    x, y = rng.uniform(-0.5, scene.width - 0.5, count), rng.uniform(-0.5, scene.height - 0.5, count)
    middle = (scene.width - 1) / 2, (scene.height - 1) / 2
    off_axis = ((x - middle[0]) ** 2 + (y - middle[1]) ** 2) / (middle[0] ** 2 + middle[1] ** 2)
    radius = _core_radius(scene.fwhm_px, scene.beta) * (1 + scene.corner * off_axis)
    flux = snr * scene.sky_noise * np.sqrt(_noise_pixels(scene))
    peak = flux * (scene.beta - 1) / (np.pi * radius**2)
    for star in zip(x, y, peak, radius, strict=True):
        _add_star(image, scene, *(float(value) for value in star))


def _add_star(image: Image, scene: Scene, x: float, y: float, peak: float, radius: float) -> None:
    """Add a star out to where it falls below 3 % of the sky's noise."""
    reach = radius * np.sqrt(max((peak / (0.03 * scene.sky_noise)) ** (1 / scene.beta) - 1, 0))
    wide = int(min(max(CORE_PX, np.ceil(reach)), 600))
    for half, nodes in ((wide, 1), (CORE_PX, 4)):
        left, right = max(round(x) - half, 0), min(round(x) + half + 1, scene.width)
        top, bottom = max(round(y) - half, 0), min(round(y) + half + 1, scene.height)
        if nodes == 1:
            stamp = _moffat(scene, np.arange(left, right) - x, np.arange(top, bottom) - y, radius)
            origin = left, top
        else:
            node, weight = np.polynomial.legendre.leggauss(nodes)
            dx = (np.arange(left, right)[:, None] + node / 2).ravel() - x
            dy = (np.arange(top, bottom)[:, None] + node / 2).ravel() - y
            fine = _moffat(scene, dx, dy, radius).reshape(bottom - top, nodes, right - left, nodes)
            core = np.einsum("yaxb,a,b->yx", fine, weight / 2, weight / 2, optimize=True)
            stamp[top - origin[1] : bottom - origin[1], left - origin[0] : right - origin[0]] = core
    image[origin[1] : origin[1] + stamp.shape[0], origin[0] : origin[0] + stamp.shape[1]] += peak * stamp


def _moffat(scene: Scene, dx: NDArray[np.floating], dy: NDArray[np.floating], radius: float) -> NDArray[np.floating]:
    """Profile of unit peak on the grid of `dx` and `dy`."""
    c, s = np.cos(np.radians(scene.pa_deg)), np.sin(np.radians(scene.pa_deg))
    stretch = np.sqrt(scene.axis_ratio)
    along = (c * dx + s * dy[:, None]) * stretch / radius
    across = (c * dy[:, None] - s * dx) / (stretch * radius)
    return (1 + along**2 + across**2) ** -scene.beta


def _sky_light(scene: Scene, rng: np.random.Generator, coarse: int = 96) -> Image:
    """A plane, and nebulosity of a steep power spectrum drawn on a coarse grid and enlarged by splines."""
    rows, columns = scene.height // coarse + 4, scene.width // coarse + 4
    frequency = np.hypot(np.fft.fftfreq(rows)[:, None], np.fft.rfftfreq(columns))
    frequency[0, 0] = np.inf
    cloud = np.fft.irfft2(np.fft.rfft2(rng.standard_normal((rows, columns))) * frequency**-1.7, s=(rows, columns))
    cloud = scene.nebula * np.clip(cloud / cloud.max(), 0, 1).astype(np.float32)
    image: Image = (_enlarging(scene.height, rows) @ cloud) @ _enlarging(scene.width, columns).T
    low, high = scene.sky
    image += low + (high - low) * np.linspace(0, 0.6, scene.width, dtype=np.float32)
    image += (high - low) * np.linspace(0, 0.4, scene.height, dtype=np.float32)[:, None]
    return image


def _enlarging(fine: int, coarse: int) -> Image:
    """Matrix, shape (fine, coarse), that evaluates a uniform cubic B-spline."""
    at = np.linspace(1, coarse - 3.001, fine)
    knot, f = np.floor(at).astype(int), at - np.floor(at)
    weights = np.stack([(1 - f) ** 3, 3 * f**3 - 6 * f**2 + 4, -3 * f**3 + 3 * f**2 + 3 * f + 1, f**3]) / 6
    matrix = np.zeros((fine, coarse), np.float32)
    for k, weight in enumerate(weights):
        matrix[np.arange(fine), knot - 1 + k] = weight
    return matrix


def _add_tracks(image: Image, scene: Scene, rng: np.random.Generator) -> None:
    for _ in range(scene.n_tracks):
        length, angle = rng.uniform(3, 25), rng.uniform(0, np.pi)
        along = np.linspace(0, length, int(2 * length))
        x = np.rint(rng.uniform(30, scene.width - 30) + along * np.cos(angle)).astype(int)
        y = np.rint(rng.uniform(30, scene.height - 30) + along * np.sin(angle)).astype(int)
        inside = (x >= 0) & (x < scene.width) & (y < scene.height)
        image[y[inside], x[inside]] += rng.uniform(400, 4000)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("out", type=Path)
    parser.add_argument("--megapixels", type=float, default=26.0)
    parser.add_argument("--stars", type=int, help="stars above SNR 10; by default 3000 on 26 megapixels")
    parser.add_argument("--mosaic", action="store_true", help="of a colour camera, RGGB")
    parser.add_argument("--compressed", action="store_true", help="tiles compressed by Rice's code")
    arguments = parser.parse_args()
    scene = scene_of(arguments.megapixels, arguments.stars)
    if arguments.mosaic:
        scene = replace(scene, colours=(0.6, 1.0, 0.7))
    write(arguments.out, render(scene), scene, compressed=arguments.compressed)
    print(f"{arguments.out}: {scene.width} x {scene.height} pixels, {scene.n_stars} stars above SNR 10")


if __name__ == "__main__":
    main()
