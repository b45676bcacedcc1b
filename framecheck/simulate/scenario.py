"""Scenario: what a simulated night is made of, in the units of data sheets; frozen, every value within its bounds."""

# ruff: noqa: RUF009 - `within` and `one_of` return dataclass fields

from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any, Literal

from framecheck.constants import arcsec_of

MountKind = Literal["equatorial", "alt-azimuth", "fixed"]
Pair = tuple[float, float]


def within(least: float, most: float, default: Any) -> Any:
    """A field of a scenario with the range of values that make sense."""
    return field(default=default, metadata={"least": least, "most": most})


def one_of(*words: str) -> Any:
    """A field of a scenario that holds one of a few words, the first if nothing is said."""
    return field(default=words[0], metadata={"choices": words})


@dataclass(frozen=True, kw_only=True, slots=True)
class Site:
    """Where the rig stands."""

    latitude_deg: float = within(-89, 89, 48.0)
    longitude_deg: float = within(-180, 180, 16.0)
    """East positive. [deg]"""
    pressure_hpa: float = within(0, 1100, 1010.0)
    """Refraction grows with it; 0 switches refraction off. [hPa]"""


@dataclass(frozen=True, kw_only=True, slots=True)
class Target:
    """The field and its stars."""

    name: str = "Invented Field"
    ra_deg: float = within(0, 360, 300.0)
    dec_deg: float = within(-85, 85, 40.0)
    stars: int = within(0, 20_000, 450)
    """Stars on the sensor at one time, faint ones that drown in noise among them."""
    faintest_e_per_s: float = within(1e-3, 1e6, 8.0)
    brightest_e_per_s: float = within(1e-3, 1e8, 8000.0)
    """Electrons of a star outside the atmosphere in one second. [e/s]"""
    slope: float = within(0.1, 2.0, 0.7)
    """Stars brighter than F grow in number as F**-slope; 1.5 in an endless even space, less in the Milky Way."""


@dataclass(frozen=True, kw_only=True, slots=True)
class SceneOptics:
    """The lens or telescope. Aberrations are the rms coefficients of Noll's Zernike terms, in nanometres."""

    focal_length_mm: float = within(5, 20_000, 530.0)
    aperture_mm: float = within(1, 5_000, 106.0)
    obstruction: float = within(0, 0.8, 0.0)
    """Diameter of the secondary mirror over that of the aperture."""
    wavelength_nm: float = within(300, 1100, 550.0)
    filter: str = "L"
    defocus_um: float = within(-3000, 3000, 0.0)
    """Sensor behind the focus at the middle of the field. [micrometre]"""
    tilt_um: Pair = within(-3000, 3000, (0.0, 0.0))
    """Change of defocus from the left edge to the right one, and from the lowest row to the highest. [micrometre]"""
    curvature_um: float = within(-3000, 3000, 0.0)
    """Defocus of the corners against the middle, growing with the square of the distance. [micrometre]"""
    coma_corner_nm: float = within(-2000, 2000, 0.0)
    """Coma along the radius at the corners, growing with the distance from the middle. [nm]"""
    coma_nm: Pair = within(-2000, 2000, (0.0, 0.0))
    """Coma of the whole field, along x and along y. [nm]"""
    astigmatism_corner_nm: float = within(-2000, 2000, 0.0)
    """Astigmatism along the radius at the corners, growing with the square of the distance. [nm]"""
    astigmatism_nm: Pair = within(-2000, 2000, (0.0, 0.0))
    """Astigmatism of the whole field, at 0 and at 45 degrees. [nm]"""
    trefoil_nm: Pair = within(-2000, 2000, (0.0, 0.0))
    focus_um_per_k: float = within(-1000, 1000, 0.0)
    """Shift of the focus for each kelvin that the tube has cooled since the first frame. [micrometre/K]"""
    dew_from_frame: int = within(-1, 100_000, -1)
    """The first frame with dew on the glass; -1 for a dry night."""
    dew_per_hour: float = within(0, 5, 0.5)
    """Share of the light that dew scatters, growing by this each hour. [1/h]"""


@dataclass(frozen=True, kw_only=True, slots=True)
class Camera:
    """Sensor and readout."""

    pixel_um: float = within(0.5, 50, 3.76)
    width: int = within(64, 12_000, 1500)
    height: int = within(64, 12_000, 1000)
    gain_e_per_adu: float = within(1e-3, 100, 0.8)
    read_noise_e: float = within(0, 100, 1.6)
    full_well_e: float = within(100, 1e6, 50_000.0)
    bits: int = within(8, 16, 16)
    pedestal_adu: float = within(0, 10_000, 500.0)
    dark_e_per_s: float = within(0, 100, 0.002)
    hot_pixels: int = within(0, 100_000, 200)
    cosmic_rays_per_min: float = within(0, 1000, 2.0)
    """Particle tracks on the whole sensor in one minute. [1/min]"""
    mosaic: str = one_of("", "RGGB", "BGGR", "GRBG", "GBRG")
    """Colours of the first 2 x 2 pixels, row by row; empty for a plain sensor."""
    angle_deg: float = within(-360, 360, 0.0)
    """Position angle of the +y axis, east of north, before a flip. [deg]"""
    sensor_temp_c: float = within(-80, 50, -10.0)


@dataclass(frozen=True, kw_only=True, slots=True)
class Mount:
    """What follows the sky, and how badly. With a guider, errors are those that it leaves."""

    kind: MountKind = one_of("equatorial", "alt-azimuth", "fixed")
    guided: bool = False
    polar_error_arcmin: Pair = within(-600, 600, (0.0, 0.0))
    """Polar axis east of the pole in azimuth, and above the pole in altitude. [arcmin]"""
    guide_star_arcmin: Pair = within(-300, 300, (0.0, 0.0))
    """Place of the guide star east and north of the target; it is what stays put under a guider. [arcmin]"""
    tracking_rate: float = within(0, 2, 1.0)
    """Rate of the drive over the sidereal rate."""
    periodic_arcsec: float = within(0, 300, 0.0)
    """Amplitude of the worm's error about the polar axis: half of peak to peak. [arcsec]"""
    period_s: float = within(5, 86_164, 478.7)
    second_harmonic: float = within(0, 2, 0.0)
    """Amplitude at half the period over that at the period."""
    rms_ra_arcsec: float = within(0, 60, 0.0)
    rms_dec_arcsec: float = within(0, 60, 0.0)
    """Random error by axis, on the sky. [arcsec]"""
    correlation_s: float = within(0.1, 1000, 4.0)
    """Time over which the random error forgets itself (to 1/e). [s]"""
    drift_ra_arcsec_per_min: float = within(-100, 100, 0.0)
    drift_dec_arcsec_per_min: float = within(-100, 100, 0.0)
    flexure_arcsec_per_min: float = within(0, 30, 0.0)
    flexure_pa_deg: float = within(-360, 360, 60.0)
    """Direction of the flexure on the sky at the first frame, east of north; it turns with the hour angle. [deg]"""
    backlash_arcsec: float = within(0, 120, 0.0)
    backlash_frames: Pair = within(0, 100_000, (0, 100_000))
    """First and last frame in which declination creeps through the backlash and is fetched back."""
    gust_frames: tuple[int, ...] = within(0, 100_000, ())
    gust_arcsec: float = within(0, 600, 12.0)


@dataclass(frozen=True, kw_only=True, slots=True)
class Cloud:
    """A cloud passing."""

    first: int = within(0, 100_000, 0)
    last: int = within(0, 100_000, 0)
    depth: float = within(0, 1, 0.5)
    """Share of the starlight that is lost in the thick of it."""


@dataclass(frozen=True, kw_only=True, slots=True)
class SceneSky:
    """Air, sky light and what crosses it."""

    brightness_e_per_s: float = within(0, 10_000, 3.0)
    """Electrons of the sky in one pixel and second, at the zenith. [e/s]"""
    gradient_percent: float = within(0, 300, 0.0)
    """Change of the sky level from one side of the sensor to the other. [percent]"""
    gradient_deg: float = within(-360, 360, 30.0)
    """Direction in which the sky brightens, counter-clockwise from +x. [deg]"""
    moon_rise_frame: int = within(-1, 100_000, -1)
    moon_e_per_s_per_hour: float = within(0, 1000, 3.0)
    """Growth of the sky level after moonrise. [e/s per hour]"""
    twilight_frame: int = within(-1, 100_000, -1)
    """The frame at which morning twilight is felt; -1 for a night that ends before it."""
    twilight_doubling_min: float = within(0.5, 120, 6.0)
    """Time in which the sky level doubles from then on. [min]"""
    seeing_arcsec: float = within(0.1, 60, 2.5)
    """FWHM of the air at the zenith and at the filter's wavelength. [arcsec]"""
    seeing_variation: float = within(0, 1, 0.04)
    """Standard deviation of its slow variation, over its mean."""
    extinction_mag: float = within(0, 2, 0.2)
    """Loss of light for each unit of airmass. [mag]"""
    satellite_frames: tuple[int, ...] = within(0, 100_000, ())
    clouds: tuple[Cloud, ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class SceneGround:
    """Hills along the lower edge of the first frame."""

    height: float = within(0, 0.9, 0.0)
    """Mean height of their line over that of the sensor; 0 without ground in view."""
    roughness: float = within(0, 0.5, 0.05)
    """Standard deviation of the line, over the sensor's height."""
    light: float = within(0, 10, 0.3)
    """Light of the ground over the sky's."""
    lamps: int = within(0, 200, 4)


@dataclass(frozen=True, kw_only=True, slots=True)
class ScenePlan:
    """What was to be exposed."""

    start_utc: datetime = datetime(2025, 9, 12, 20, 0, tzinfo=UTC)
    exposure_s: float = within(0.001, 3600, 120.0)
    frames: int = within(1, 5000, 48)
    cadence_s: float = within(0.001, 7200, 125.0)
    """From one start to the next. [s]"""
    dither_px: float = within(0, 500, 0.0)
    """Standard deviation of random steps between frames, on each axis. [px]"""
    flip_frame: int = within(-1, 100_000, -1)
    """The first frame on the other side of the pier; -1 without a flip."""
    tube_temp_c: float = within(-50, 60, 12.0)
    cooling_k_per_hour: float = within(-20, 20, 0.0)
    cooling_from_frame: int = within(0, 100_000, 0)
    darks: int = within(0, 100, 0)
    solved: str = one_of("every frame", "first frame", "no frame")
    """Which headers hold a plate solution."""
    broken: int = within(0, 10, 0)
    """Copies of the last light that end half-way, as after a failed transfer."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Scenario:
    """A night to be rendered."""

    name: str = "a night"
    story: str = ""
    causes: tuple[str, ...] = ()
    """Causes that a good judge should name, as in the table of causes."""
    slight_causes: tuple[str, ...] = ()
    """Causes that are there but hardly to be seen; a judge may name them or not."""
    seed: int = within(0, 2**31, 1)
    site: Site = Site()
    target: Target = Target()
    optics: SceneOptics = SceneOptics()
    camera: Camera = Camera()
    mount: Mount = Mount()
    sky: SceneSky = SceneSky()
    ground: SceneGround = SceneGround()
    plan: ScenePlan = ScenePlan()

    @property
    def scale_arcsec(self) -> float:
        """Angle that one pixel spans at the middle of the field. [arcsec/px]"""
        return arcsec_of(self.camera.pixel_um, self.optics.focal_length_mm)
