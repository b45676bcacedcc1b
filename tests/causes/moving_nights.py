"""Nights of star tables made from closed forms: where the pointing was at each moment, and what each star looks like.

Stars are Gaussian, so squared axes at half maximum add: those of the air, of the path drawn in the exposure (8 ln 2
times its covariance), and of the optics at the star's place. Nothing here comes from the code under test.
"""

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from framecheck.field.result import FrameResult, FrameShape
from framecheck.motion import build_night
from framecheck.motion.night import Night
from framecheck.read.exposure import Exposure, Orientation
from framecheck.read.rig import Rig
from framecheck.sky.model import SkySummary
from framecheck.stars.table import STAR_DTYPE, Stars

Floats = NDArray[np.float64]
FWHM2 = 8 * np.log(2)  # squared FWHM of a Gaussian over its variance
DUSK = datetime(2024, 3, 12, 20, 0, tzinfo=UTC)
WIDTH, HEIGHT = 3000, 2000
CENTRE = (np.array([WIDTH, HEIGHT]) - 1) / 2
CORNER_PX = float(np.hypot(*CENTRE))
SCALE = 1.2  # arcsec a pixel
ERROR = 0.02  # of each star's ln(width) and shape


def still(t: Floats) -> NDArray[np.complex128]:
    """No motion of the pointing: east + i north, in arcseconds, at seconds after the first frame."""
    return np.zeros(len(t), complex)


@dataclass(frozen=True, kw_only=True)
class MovingNight:
    """What happens in a night of one target."""

    n: int = 24
    exposure_s: float = 120.0
    cadence_s: float = 130.0
    pointing: Callable[[Floats], NDArray[np.complex128]] = still
    jitter_arcsec: tuple[float, float] = (0.0, 0.0)  # east, north; fast, so that ten samples make an exposure
    turning_deg_per_hour: float = 0.0
    turned_deg: Callable[[int], float] | None = None  # in the place of even turning
    fwhm_px: Callable[[int], float] = lambda i: 2.8  # of air and focus
    beta: Callable[[int], float] = lambda i: 3.6
    light: Callable[[int], float] = lambda i: 1.0
    tilt_percent: float = 0.0  # edge to edge, along x
    bowl_percent: float = 0.0  # corner over centre
    coma_px3: complex = 0j  # third moment along the radius, at the corner
    constant_coma_px3: complex = 0j
    trefoil_px3: complex = 0j
    stretch_px2: Callable[[int], complex] = lambda i: 0j  # (a² - b²) / 2 of all stars, by the optics
    dither_px: float = 0.0
    guided: bool | None = None
    solved: bool = True
    rig: Rig = field(default_factory=Rig)
    seed: int = 5


def night_of(made: MovingNight) -> Night:
    """Star tables of the night, set beside each other by the code under test."""
    rng = np.random.default_rng(made.seed)
    x = rng.uniform(-0.6, 1.6, 900) * WIDTH
    y = rng.uniform(-0.6, 1.6, 900) * HEIGHT
    flux = np.minimum(2000 * rng.random(900) ** (-1 / 0.6), 3e6)
    results = [_frame(made, i, x, y, flux, rng) for i in range(made.n)]
    rig = Rig(
        focal_length_mm=646.0, pixel_um=3.76, aperture_mm=100.0, site_latitude_deg=48.0, site_longitude_deg=16.0,
        mount_type=made.rig.mount_type, guided=made.guided, worm_period_s=made.rig.worm_period_s,
    )  # fmt: skip
    return build_night(Path("night"), rig, results)


def _frame(made: MovingNight, i: int, x: Floats, y: Floats, flux: Floats, rng: np.random.Generator) -> FrameResult:
    t = i * made.cadence_s + (np.arange(200) + 0.5) / 200 * made.exposure_s
    # north is up and east to the left; stars move against the pointing
    path = made.pointing(t) / SCALE
    path = np.column_stack([path.real, -path.imag])
    mean, spread = path.mean(axis=0), np.cov(path.T, bias=True)
    samples = rng.standard_normal((10, 2)) * np.array(made.jitter_arcsec) / SCALE
    spread = spread + samples.T @ samples / 10
    turned = np.radians(made.turning_deg_per_hour * (i * made.cadence_s + made.exposure_s / 2) / 3600)
    arc = np.radians(made.turning_deg_per_hour * made.exposure_s / 3600)
    if made.turned_deg is not None:
        turned = np.radians(made.turned_deg(i))
        arc = (np.radians(made.turned_deg(min(i + 1, made.n - 1))) - turned) * made.exposure_s / made.cadence_s
    shift = mean + (rng.standard_normal(2) * made.dither_px if i else 0.0)
    turn = np.array([[np.cos(turned), -np.sin(turned)], [np.sin(turned), np.cos(turned)]])
    p = (np.column_stack([x, y]) - CENTRE) @ turn.T + CENTRE + shift
    seen = (p > 0).all(axis=1) & (p[:, 0] < WIDTH - 1) & (p[:, 1] < HEIGHT - 1)
    p, light = p[seen], flux[seen] * made.light(i)
    z = ((p - CENTRE) @ [1, 1j]) / CORNER_PX
    size, shape = _axes(made, i, z, spread, arc)
    table = _table(made, p, z, size, shape, light, rng)
    good = table["snr"] > 10
    table = table[good]
    return FrameResult(
        exposure=Exposure(
            file=Path(f"night/light_{i:04d}.fits"), kind="light", width_px=WIDTH, height_px=HEIGHT,
            start_utc=DUSK + timedelta(seconds=made.cadence_s * i), exposure_s=made.exposure_s, target="M 101",
            filter="L", binning=1, ra_deg=150.0, dec_deg=30.0,
            orientation=Orientation(pixel_scale_arcsec=SCALE, north_up_deg=0.0, mirrored=False, ra_deg=150.0,
                                    dec_deg=30.0) if made.solved else None,
        ),
        sky=SkySummary(level_adu=900.0, noise_adu=20.0, gradient_percent=1.0,
                       level_mesh_adu=np.full((2, 2), 900.0, np.float32)),
        stars=Stars(table=table, n_found=len(table), n_saturated=0),
        shape=_usual(table, made.beta(i)), stacked=None, saturation_adu=None,
    )  # fmt: skip


def _axes(
    made: MovingNight, i: int, z: NDArray[np.complex128], spread: Floats, arc: float
) -> tuple[Floats, NDArray[np.complex128]]:
    """(a² + b²) / 2 and (a² - b²) / 2 exp(2 i pa) of each star."""
    width = made.fwhm_px(i)
    half_width = CENTRE[0] / CORNER_PX
    size = width**2 * (1 + made.tilt_percent / 100 * z.real / half_width)
    size = size + width**2 * ((1 + made.bowl_percent / 100) ** 2 - 1) * np.abs(z) ** 2
    moved = FWHM2 * complex((spread[0, 0] - spread[1, 1]) / 2, spread[0, 1])
    size = size + FWHM2 * (spread[0, 0] + spread[1, 1]) / 2
    drawn = FWHM2 * (arc * CORNER_PX * np.abs(z)) ** 2 / 12  # along the circle: length² / 12 is its second moment
    angle = np.exp(2j * np.angle(z))
    return size + drawn / 2, moved - drawn / 2 * angle + made.stretch_px2(i)


def _table(
    made: MovingNight, p: Floats, z: NDArray[np.complex128], size: Floats, shape: NDArray[np.complex128],
    light: Floats, rng: np.random.Generator,
) -> NDArray[np.void]:  # fmt: skip
    n = len(p)
    e = np.arctanh(np.minimum(np.abs(shape) / size, 0.999))
    width = np.sqrt(size / np.cosh(e))
    ell = e * np.exp(1j * np.angle(shape))
    sigma = float(np.median(width)) / np.sqrt(FWHM2)
    weighted = 8 * sigma**3  # a weight as wide as a Gaussian star takes a third moment to an eighth (closed form)
    coma = (made.constant_coma_px3 + made.coma_px3 * z) / weighted
    noise = rng.standard_normal((9, n)) * ERROR
    table = np.zeros(n, STAR_DTYPE)
    table["x"], table["y"] = (p + rng.standard_normal((n, 2)) * 0.03).T
    table["x_error"] = table["y_error"] = 0.03
    table["flux_adu"], table["flux_error_adu"] = light * (1 + noise[8] / 4), 50.0
    table["snr"] = light / 50.0
    table["fwhm_px"], table["fwhm_error_px"] = width * (1 + noise[0]), width * ERROR
    table["e1"], table["e2"] = ell.real + noise[1], ell.imag + noise[2]
    table["e1_error"] = table["e2_error"] = table["third_error"] = ERROR
    table["coma1"], table["coma2"] = coma.real + noise[3], coma.imag + noise[4]
    trefoil = made.trefoil_px3 / weighted
    table["trefoil1"], table["trefoil2"] = trefoil.real + noise[5], trefoil.imag + noise[6]
    table["moment_xx_px2"] = table["moment_yy_px2"] = sigma**2
    return table


def _usual(table: NDArray[np.void], beta: float) -> FrameShape:
    """Averages over the stars, shapes as e1 and e2."""
    e1, e2, width = (float(np.median(table[name])) for name in ("e1", "e2", "fwhm_px"))
    error = 1.25 * ERROR / np.sqrt(len(table))
    e = float(np.hypot(e1, e2))
    return FrameShape(
        fwhm_px=width, fwhm_px_error=float(width * error), elongation=float(np.exp(e)),
        elongation_error=float(np.exp(e) * error), elongation_pa_deg=float(np.degrees(np.arctan2(e2, e1)) / 2 % 180),
        e1=e1, e2=e2, moffat_beta=beta, half_flux_radius_px=0.57 * width, trail_length_px=None, n_measured=len(table),
    )  # fmt: skip
