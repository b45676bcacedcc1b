"""Nights of known faults, drawn by GalSim: optics, air, pixel and motion multiplied as transfer functions.

Independent of the code under test, and drawn star by star: the pupil's aberrations are those of the nearest of a few
places in the field, the path over the sensor while the shutter was open is each star's own, rotation included.

Directions on the sky are complex numbers, north + i east, in arcseconds: their argument is a position angle.
"""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import cache, lru_cache, partial
from pathlib import Path

import galsim
import numpy as np
from astropy.io import fits
from mount_paths import Error, Geometry
from numpy.typing import NDArray
from scipy import fft

ARCSEC = np.degrees(3600.0)  # in a radian
WAVELENGTH_UM = 0.55
STEPS = 64  # places of a star's path through one exposure
NODES = (9, 7)  # places of the field, edges and corners among them, where the optics are drawn
STEP_WAVES = 0.008  # pupils nearer alike than this are drawn once: off by at most 0.1 % of Strehl ratio (Marechal)
START = datetime(2025, 3, 20, 20, 0, tzinfo=UTC)


@dataclass(frozen=True, kw_only=True)
class Rig:
    """Telescope and camera."""

    focal_mm: float
    aperture_mm: float
    obstruction: float = 0.0
    pixel_um: float = 3.76
    size: tuple[int, int] = (900, 600)  # width, height
    gain: float = 0.8  # electrons per ADU
    read_noise_e: float = 2.0
    full_well_e: float = 48000.0
    pedestal_adu: float = 500.0
    lens_blur_px: float = 0.0  # FWHM of a Gaussian: what the lens itself leaves

    @property
    def scale(self) -> float:
        return ARCSEC * self.pixel_um * 1e-3 / self.focal_mm

    @property
    def ratio(self) -> float:
        return self.focal_mm / self.aperture_mm

    def waves(self, defocus_um: float) -> float:
        """Noll coefficient of a focus error: delta / (8 N^2 lambda) / (2 sqrt 3). Closed form."""
        return defocus_um / (8 * self.ratio**2 * WAVELENGTH_UM) / (2 * np.sqrt(3))


@dataclass(frozen=True, kw_only=True)
class Optics:
    """Errors of the optics: focus in micrometres, the rest in waves rms (Noll). Field terms are given at the corner."""

    tilt_um: tuple[float, float] = (0.0, 0.0)  # focus at the right and at the upper edge against the centre
    curvature_um: float = 0.0
    coma: tuple[float, float] = (0.0, 0.0)  # the same all over the field, along x and y
    coma_linear: float = 0.0
    astigmatism: tuple[float, float] = (0.0, 0.0)  # along x when focus is positive; along the diagonal
    astigmatism_quadratic: float = 0.0  # along the radius when focus is positive
    trefoil: float = 0.0

    def coefficients(self, rig: Rig, focus_um: float, u: float, v: float) -> tuple[float, ...]:
        """Noll coefficients 4 to 10 at a place; u and v run from -1 to 1 over the sensor."""
        width, height = rig.size
        across = np.hypot(width, height)
        place = complex(u * width, v * height) / across  # size 1 in the corner
        focus = focus_um + self.tilt_um[0] * u + self.tilt_um[1] * v + self.curvature_um * abs(place) ** 2
        coma = complex(*self.coma) + self.coma_linear * place
        astigmatism = complex(*self.astigmatism) + self.astigmatism_quadratic * place**2
        # Noll: 4 defocus, 5 and 6 astigmatism (diagonal, along x), 7 and 8 coma (along y, along x), 9 and 10 trefoil
        terms = (rig.waves(focus), astigmatism.imag, astigmatism.real, coma.imag, coma.real, self.trefoil, 0.0)
        return tuple(round(float(term) / STEP_WAVES) * STEP_WAVES for term in terms)


def always(value: float) -> Callable[[int], float]:
    """The same for every frame."""
    return lambda frame: value


NEVER, EVENLY = always(0.0), always(1.0)


@dataclass(frozen=True, kw_only=True)
class Scene(Geometry):
    """A night. What is a function is asked for each frame by its number from 0."""

    rig: Rig
    errors: tuple[Error, ...] = ()
    optics: Optics = Optics()
    focus_um: Callable[[int], float] = NEVER
    n_frames: int = 12
    exposure_s: float = 120.0
    gap_s: float = 6.0
    camera_angle_deg: float = 20.0  # position angle of +y
    flip_before: int | None = None  # frame before which the mount changes sides
    dither_arcsec: float = 0.0
    dither_every: int = 1
    seeing_arcsec: float = 2.5  # in the zenith
    beta: float | None = None  # of a Moffat profile; Kolmogorov's where None
    restless: float = 0.04  # slow changes of the seeing
    seeing_factor: Callable[[int], float] = EVENLY
    transparency: Callable[[int], float] = EVENLY
    extinction: float = 0.15  # magnitudes per air mass
    sky_e_per_s: float = 2.0
    sky_factor: Callable[[int], float] = EVENLY
    gradient: tuple[float, float] = (0.03, 0.02)  # of the sky, edge to edge
    scatter_px: Callable[[int], float] = NEVER  # FWHM of a Gaussian: wet glass
    halo: Callable[[int], float] = NEVER  # share of the light thrown far out
    crossings: tuple[int, ...] = ()  # frames that something flies across
    n_stars: int = 130
    snr: tuple[float, float] = (30.0, 500.0)
    solved: bool = True  # headers hold a world coordinate system
    tube_temp_c: Callable[[int], float] = NEVER
    seed: int = 1

    def start_s(self, frame: int) -> float:
        return frame * (self.exposure_s + self.gap_s)

    def times(self, frame: int, steps: int = STEPS) -> NDArray[np.float64]:
        return self.start_s(frame) + (np.arange(steps) + 0.5) / steps * self.exposure_s

    def airmass(self, frame: int) -> float:
        return float(1 / np.sin(self.altitude(self.times(frame, 1)))[0])

    def pointing(self, frame: int, t: NDArray[np.float64]) -> tuple[NDArray[np.complex128], NDArray[np.float64]]:
        """Offset of the sensor's centre from the target, and position angle of +y in degrees."""
        offset, angle = self.errors_at(t)
        return offset + self.dither(frame), angle + self.flip_deg(frame)

    def errors_at(self, t: NDArray[np.float64]) -> tuple[NDArray[np.complex128], NDArray[np.float64]]:
        """What the mount does, dithers and flips left out."""
        offset, angle = np.zeros(t.shape, complex), np.full(t.shape, self.camera_angle_deg)
        for error in self.errors:
            by, turn = error(self, t)
            offset, angle = offset + by, angle + turn
        return offset, angle

    def flip_deg(self, frame: int) -> float:
        return 180.0 if self.flip_before is not None and frame >= self.flip_before else 0.0

    def dither(self, frame: int) -> complex:
        rng = np.random.default_rng([self.seed, 7, frame // self.dither_every])
        offset = self.dither_arcsec * complex(*rng.normal(0, 0.7, 2)) if frame >= self.dither_every else 0j
        return offset + (complex(25, -18) * self.rig.scale if self.flip_deg(frame) else 0)

    def seeing_px(self, frame: int) -> float:
        rng = np.random.default_rng([self.seed, 8])
        phase, cycles = rng.uniform(0, 6.3, 3), rng.uniform(0.5, 3, 3)
        wave = np.sin(phase + 6.3 * cycles * frame / self.n_frames).sum() * self.restless / np.sqrt(1.5)
        quick = np.random.default_rng([self.seed, 9, frame]).normal(0, self.restless / 4)
        factor = (1 + wave + quick) * self.seeing_factor(frame) * self.airmass(frame) ** 0.6
        return float(self.seeing_arcsec * factor / self.rig.scale)


@dataclass(frozen=True)
class Grid:
    """Frequencies at which the light of one star is put together, in radians per pixel."""

    stamp: int  # pixels on a side
    fine: int  # samples per pixel

    @property
    def n(self) -> int:
        return self.stamp * self.fine

    @property
    def ky(self) -> NDArray[np.float64]:
        return 2 * np.pi * np.fft.fftfreq(self.n, 1 / self.fine)

    @property
    def kx(self) -> NDArray[np.float64]:
        return 2 * np.pi * np.fft.rfftfreq(self.n, 1 / self.fine)

    def transfer(self, profile: galsim.GSObject) -> NDArray[np.complex64]:
        """A profile's Fourier transform, laid out as `irfft2` wants it."""
        drawn = galsim.ImageCD(galsim.BoundsI(-self.n // 2, self.n // 2, -self.n // 2, self.n // 2))
        profile.drawKImage(image=drawn, scale=2 * np.pi / self.stamp)
        return np.roll(drawn.array[:-1, self.n // 2 :], self.n // 2, axis=0).astype(np.complex64)


@lru_cache(maxsize=400)
def _pupil(grid: Grid, coefficients: tuple[float, ...], width_px: float, obstruction: float) -> NDArray[np.complex64]:
    """Transfer function of an aperture with aberrations; `width_px` is lambda / D on the sensor."""
    optics = galsim.OpticalPSF(
        lam_over_diam=width_px, obscuration=obstruction, aberrations=[0, 0, 0, 0, *coefficients], pad_factor=1.0
    )
    return grid.transfer(optics)


def _air(scene: Scene, frame: int, grid: Grid) -> NDArray[np.complex64]:
    """Air, wet glass, the lens's own blur and the pixel: what all stars of a frame share."""
    width = scene.seeing_px(frame)
    air = galsim.Kolmogorov(fwhm=width) if scene.beta is None else galsim.Moffat(beta=scene.beta, fwhm=width)
    scatter, lens, halo = scene.scatter_px(frame), scene.rig.lens_blur_px, scene.halo(frame)
    total = grid.transfer(air) * grid.transfer(galsim.Pixel(1.0))
    for blur in (scatter, lens):
        if blur:
            total = total * grid.transfer(galsim.Gaussian(fwhm=blur))
    if halo:
        total = total * (1 - halo + halo * grid.transfer(galsim.Gaussian(fwhm=min(grid.stamp / 4, 6 * width))))
    return total


def _grid(scene: Scene, length_px: float) -> Grid:
    """Room for a star's wings and its path."""
    seeing = [scene.seeing_px(frame) for frame in range(scene.n_frames)]
    blur = max(abs(scene.focus_um(frame)) for frame in range(scene.n_frames)) + abs(scene.optics.curvature_um)
    need = 14 * max(seeing) + 2.5 * length_px + 2 * blur / scene.rig.ratio / scene.rig.pixel_um
    stamp = next(side for side in (48, 64, 96, 128, 192, 256) if side >= min(need, 256))
    # of Kolmogorov's light, exp(-3.44 (f FWHM / 0.976)^(5/3)) is left at f cycles a pixel (Fried 1966): here 3e-5
    sharpest = float(np.hypot(min(seeing), scene.rig.lens_blur_px))
    return Grid(stamp, next(fine for fine in (1, 2, 4) if fine * sharpest > 3.8 or fine == 4))


@dataclass(frozen=True)
class Stars:
    """The sky around the target: places in arcseconds north + i east, and flux in electrons per exposure."""

    place: NDArray[np.complex128]
    flux_e: NDArray[np.float64]

    @classmethod
    def around(cls, scene: Scene) -> "Stars":
        rng = np.random.default_rng([scene.seed, 1])
        width, height = scene.rig.size
        corners = np.array([complex(v, u) for u in (-width, width) for v in (-height, height)]) * scene.rig.scale / 2
        reach = np.concatenate([_sky(scene, frame, corners).ravel() for frame in range(scene.n_frames)])
        low, high = (f(reach.real) + 1j * f(reach.imag) for f in (np.min, np.max))
        area = (high - low).real * (high - low).imag
        n = round(scene.n_stars * area / (width * height * scene.rig.scale**2))
        apart, place = 22 * scene.rig.scale, np.empty(0, complex)
        for _ in range(40 * n):
            one = complex(rng.uniform(low.real, high.real), rng.uniform(low.imag, high.imag))
            if not len(place) or np.abs(place - one).min() > apart:
                place = np.append(place, one)
            if len(place) == n:
                break
        least, most = scene.snr
        share = rng.uniform((least / most) ** 0.7, 1, len(place))
        noise = np.sqrt(scene.sky_e_per_s * scene.exposure_s + scene.rig.read_noise_e**2)
        typical = np.hypot(scene.seeing_arcsec / scene.rig.scale * 1.15, max(scene.rig.lens_blur_px, 0.8))
        return cls(place, least * share ** (-1 / 0.7) * noise * 2 * np.sqrt(np.pi) * typical / 2.355)


def _sky(scene: Scene, frame: int, image_arcsec: NDArray[np.complex128]) -> NDArray[np.complex128]:
    """Sky places of offsets from the sensor's centre (up + i left) at the start and the end of a frame."""
    offset, angle = scene.pointing(frame, scene.times(frame)[[0, -1]])
    return np.multiply.outer(image_arcsec, np.exp(1j * np.radians(angle))) + offset


def paths_px(
    scene: Scene, frame: int, place: NDArray[np.complex128], steps: int = STEPS
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Where stars stand on the sensor through an exposure: x and y, one row a star."""
    offset, angle = scene.pointing(frame, scene.times(frame, steps))
    image = (place[:, None] - offset) * np.exp(-1j * np.radians(angle)) / scene.rig.scale  # up + i left
    width, height = scene.rig.size
    return (width - 1) / 2 - image.imag, (height - 1) / 2 + image.real


def frame_image(scene: Scene, frame: int, stars: Stars) -> NDArray[np.uint16]:
    """One exposure as the camera stores it."""
    rng = np.random.default_rng([scene.seed, 2, frame])
    x, y = paths_px(scene, frame, stars.place)
    lengths = np.hypot(np.ptp(x, axis=1), np.ptp(y, axis=1))
    inside = (np.abs(x.mean(1) - scene.rig.size[0] / 2) < scene.rig.size[0] / 2 + 20) & (
        np.abs(y.mean(1) - scene.rig.size[1] / 2) < scene.rig.size[1] / 2 + 20
    )
    grid = _grid(scene, float(lengths[inside].max(initial=0.0)))
    light = np.zeros(scene.rig.size[::-1])
    fade = scene.transparency(frame) * 10 ** (-0.4 * scene.extinction * (scene.airmass(frame) - 1))
    shared = _air(scene, frame, grid)
    node = cache(partial(_node, scene, frame, grid))
    for star in np.flatnonzero(inside):
        transfer = shared * _optics_at(scene.rig, node, x[star].mean(), y[star].mean())
        _add(light, grid, transfer, x[star], y[star], fade * stars.flux_e[star])
    light += _sky_light(scene, frame)
    if frame in scene.crossings:
        light += _crossing(scene, rng)
    return _read_out(scene.rig, light, rng)


def _optics_at(
    rig: Rig, node: Callable[[int, int], NDArray[np.complex64]], x: float, y: float
) -> NDArray[np.complex64]:
    """Transfer function at a place: of the four nodes around it, mixed by nearness, so that the field is smooth."""
    sides = zip((x, y), rig.size, NODES, strict=True)
    (column, u), (row, v) = (divmod(float(np.clip((at + 0.5) / side, 0, 0.9999)) * (n - 1), 1) for at, side, n in sides)
    mixed: NDArray[np.complex64] | float = 0.0
    for i, j, share in ((0, 0, (1 - u) * (1 - v)), (1, 0, u * (1 - v)), (0, 1, (1 - u) * v), (1, 1, u * v)):
        mixed = mixed + np.float32(share) * node(int(column) + i, int(row) + j)
    return np.asarray(mixed)


def _node(scene: Scene, frame: int, grid: Grid, column: int, row: int) -> NDArray[np.complex64]:
    u, v = (2 * at / (n - 1) - 1 for at, n in zip((column, row), NODES, strict=True))
    coefficients = scene.optics.coefficients(scene.rig, scene.focus_um(frame), u, v)
    width = WAVELENGTH_UM * 1e-3 / scene.rig.aperture_mm * ARCSEC / scene.rig.scale
    return _pupil(grid, coefficients, round(width, 6), scene.rig.obstruction)


def _add(light: NDArray[np.float64], grid: Grid, transfer: NDArray[np.complex64], x: NDArray[np.float64],
         y: NDArray[np.float64], flux: float) -> None:  # fmt: skip
    """Add one star that ran along a path."""
    column, row = round(float(x.mean())), round(float(y.mean()))
    path = _turned_back(np.outer(grid.ky, y - row)) @ _turned_back(np.outer(x - column, grid.kx))
    fine = fft.irfft2(transfer * path * np.float32(1 / len(x)), (grid.n, grid.n))
    pixels = np.fft.fftshift(fine[:: grid.fine, :: grid.fine]) * (flux * grid.fine**2)
    left, low = column - grid.stamp // 2, row - grid.stamp // 2
    height, width = light.shape
    x0, x1, y0, y1 = max(left, 0), min(left + grid.stamp, width), max(low, 0), min(low + grid.stamp, height)
    if x0 < x1 and y0 < y1:
        light[y0:y1, x0:x1] += np.maximum(pixels[y0 - low : y1 - low, x0 - left : x1 - left], 0)


def _turned_back(phase: NDArray[np.float64]) -> NDArray[np.complex64]:
    """exp(-i phase), to six digits: a third of the time of the complex exponential."""
    single = phase.astype(np.float32)
    out = np.empty(phase.shape, np.complex64)
    out.real, out.imag = np.cos(single), -np.sin(single)
    return out


def _sky_light(scene: Scene, frame: int) -> NDArray[np.float64]:
    width, height = scene.rig.size
    slope_x = scene.gradient[0] * (np.arange(width) / width - 0.5)
    slope_y = scene.gradient[1] * (np.arange(height) / height - 0.5)
    level = scene.sky_e_per_s * scene.exposure_s * scene.sky_factor(frame) * (0.7 + 0.3 * scene.airmass(frame))
    return level * (1 + slope_x[None, :] + slope_y[:, None])


def _crossing(scene: Scene, rng: np.random.Generator) -> NDArray[np.float64]:
    """A bright line from edge to edge."""
    width, height = scene.rig.size
    angle, through = rng.uniform(0.2, 1.2), (rng.uniform(0.3, 0.7) * width, rng.uniform(0.3, 0.7) * height)
    v, u = np.mgrid[:height, :width]
    off = (u - through[0]) * np.sin(angle) - (v - through[1]) * np.cos(angle)
    noise = np.sqrt(scene.sky_e_per_s * scene.exposure_s + scene.rig.read_noise_e**2)
    return 25 * noise * np.exp(-(off**2) / (2 * 1.5**2))


def _read_out(rig: Rig, light_e: NDArray[np.float64], rng: np.random.Generator) -> NDArray[np.uint16]:
    electrons = np.minimum(rng.poisson(light_e), rig.full_well_e) + rig.read_noise_e * rng.standard_normal(
        light_e.shape
    )
    return np.clip(np.rint(electrons / rig.gain + rig.pedestal_adu), 0, 65535).astype(np.uint16)


def header(scene: Scene, frame: int) -> fits.Header:
    """What a capture program writes."""
    rig, cards = scene.rig, fits.Header()
    start = START + timedelta(seconds=scene.start_s(frame))
    ra = scene.right_ascension_deg(START)
    cards["IMAGETYP"], cards["OBJECT"], cards["FILTER"] = "Light Frame", "Field 1", "L"
    cards["DATE-OBS"], cards["EXPTIME"] = (
        start.replace(tzinfo=None).isoformat(timespec="milliseconds"),
        scene.exposure_s,
    )
    cards["FOCALLEN"], cards["APTDIA"], cards["XPIXSZ"], cards["YPIXSZ"] = (
        rig.focal_mm, rig.aperture_mm, rig.pixel_um, rig.pixel_um,
    )  # fmt: skip
    cards["XBINNING"], cards["YBINNING"] = 1, 1
    cards["EGAIN"], cards["RDNOISE"], cards["CCD-TEMP"] = rig.gain, rig.read_noise_e, -10.0
    cards["FOCTEMP"], cards["FOCPOS"] = round(scene.tube_temp_c(frame), 1), 11200
    cards["SITELAT"], cards["SITELONG"] = scene.latitude_deg, scene.longitude_deg
    cards["RA"], cards["DEC"] = round(ra, 5), round(scene.declination_deg, 5)
    if scene.solved:
        offsets, angles = scene.pointing(frame, scene.times(frame))
        offset, angle = offsets.mean(), np.radians(angles.mean())
        step = rig.scale / 3600
        cards["CTYPE1"], cards["CTYPE2"] = "RA---TAN", "DEC--TAN"
        cards["CRPIX1"], cards["CRPIX2"] = (rig.size[0] + 1) / 2, (rig.size[1] + 1) / 2
        cards["CRVAL1"] = ra + offset.imag / 3600 / np.cos(np.radians(scene.declination_deg))
        cards["CRVAL2"] = scene.declination_deg + offset.real / 3600
        cards["CD1_1"], cards["CD1_2"] = -step * np.cos(angle), step * np.sin(angle)
        cards["CD2_1"], cards["CD2_2"] = step * np.sin(angle), step * np.cos(angle)
    return cards


def render(scene: Scene, folder: Path) -> list[Path]:
    """Write all frames of a night."""
    folder.mkdir(parents=True, exist_ok=True)
    stars, paths = Stars.around(scene), []
    for frame in range(scene.n_frames):
        path = folder / f"light_{frame + 1:03d}.fits"
        fits.PrimaryHDU(frame_image(scene, frame, stars), header(scene, frame)).writeto(path, overwrite=True)
        paths.append(path)
    _pupil.cache_clear()
    return paths


def truth(scene: Scene) -> dict[str, float]:
    """Figures of night.json that follow from the mount's path alone."""
    frames = range(scene.n_frames)
    paths = [scene.errors_at(scene.times(frame, 240)) for frame in frames]
    spread = np.array([(offset.real.var(), offset.imag.var()) for offset, _ in paths]).mean(0)
    minutes = np.array([scene.times(frame, 1)[0] / 60 for frame in frames])
    means = np.array([offset.mean() for offset, _ in paths])
    angle = np.array([turn.mean() for _, turn in paths])
    return {
        "rms_dec_arcsec": float(np.sqrt(spread[0])),
        "rms_ra_arcsec": float(np.sqrt(spread[1])),
        "drift_dec_arcsec_per_min": float(np.polyfit(minutes, means.real, 1)[0]),
        "drift_ra_arcsec_per_min": float(np.polyfit(minutes, means.imag, 1)[0]),
        # The stars turn against the sensor.
        "rotation_deg_per_hour": -60 * float(np.polyfit(minutes, angle, 1)[0]),
    }
