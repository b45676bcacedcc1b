"""The rigs of the set, from a fixed 24 mm lens to a telescope of 2000 mm, and the nights that they are used in."""

from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import Final, Literal

import numpy as np

from framecheck.read.rig import MountType, Rig
from framecheck.simulate.scenario import (
    Camera,
    Mount,
    Scenario,
    SceneOptics,
    ScenePlan,
    SceneSky,
    Site,
    Target,
)
from framecheck.simulate.sky_path import airmass, altitude_deg, direction, sidereal_angle_deg

RigName = Literal["tripod", "tracker", "refractor", "newtonian", "long", "alt-azimuth"]
RIGS: Final[tuple[tuple[RigName, float], ...]] = (
    ("tripod", 0.06), ("tracker", 0.2), ("refractor", 0.27), ("newtonian", 0.2), ("long", 0.2), ("alt-azimuth", 0.07),
)  # fmt: skip
"""With their shares. Chosen."""
SKY_PER_APERTURE: Final = 1.25e-4
"""[e/s for each mm² arcsec²] Light of a suburban sky in one pixel: 3 e/s at 106 mm and 1.5 arcsec. Chosen."""
NOISE_PIXELS_ROOT: Final = 1.95
"""[1/FWHM] Root of the noise-equivalent area of a star."""


@dataclass(frozen=True, slots=True)
class Ranges:
    """What a kind of rig is made of; pairs are bounds, drawn evenly in the logarithm."""

    focal_mm: tuple[float, float]
    ratio: tuple[float, float]
    pixel_um: tuple[float, float]
    exposure_s: tuple[float, float]
    obstruction: float
    guided: float
    mount: MountType
    blur_px: tuple[float, float] | None = None
    """Width of the stars that a camera lens makes, far wider than its diffraction; None where the air sets it."""


RANGES: Final[dict[RigName, Ranges]] = {
    "tripod": Ranges((20, 50), (2, 4), (3.9, 6), (5, 25), 0.0, 0.0, "fixed", (1.2, 2.3)),
    "tracker": Ranges((50, 200), (2.8, 5.6), (3.7, 6), (20, 180), 0.0, 0.0, "tracker", (1.2, 2.4)),
    "refractor": Ranges((400, 600), (5, 7), (2.4, 6), (30, 600), 0.0, 0.7, "equatorial"),
    "newtonian": Ranges((800, 1000), (4, 5), (2.9, 6), (30, 300), 0.33, 0.8, "equatorial"),
    "long": Ranges((1500, 2000), (8, 10), (2.9, 9), (30, 600), 0.36, 0.85, "equatorial"),
    "alt-azimuth": Ranges((800, 2000), (6, 10), (2.9, 9), (5, 40), 0.36, 0.3, "alt-azimuth"),
}


@dataclass(frozen=True, slots=True)
class Setup:
    """A rig in a night, without a fault."""

    rig_name: RigName
    scenario: Scenario
    rig: Rig
    """What the owner's rig file says."""
    hidden: frozenset[str]
    """Header keywords that the capture program does not write."""


def draw_setup(chance: np.random.Generator, seed: int, *, airmass_limit: float) -> Setup:
    """Draw a rig, a sky and a plan.

    Parameters
    ----------
    chance : Generator
    seed : int
        Of the scenario's own random numbers.
    airmass_limit : float
        The target's air mass reaches this at its lowest, if above 1.6; else it stays below.
    """
    name = RIGS[int(chance.choice(len(RIGS), p=[share for _, share in RIGS]))][0]
    ranges = RANGES[name]
    focal, ratio, pixel = (_between(chance, *pair) for pair in (ranges.focal_mm, ranges.ratio, ranges.pixel_um))
    exposure = _between(chance, *ranges.exposure_s)
    optics = SceneOptics(
        focal_length_mm=round(focal, 1), aperture_mm=round(focal / ratio, 1), obstruction=ranges.obstruction,
        filter=str(chance.choice(["L", "R", "G", "Ha"])),
    )  # fmt: skip
    width = int(chance.choice([1600, 2400, 3200, 4800]))
    camera = Camera(
        pixel_um=round(pixel, 2), width=width, height=width * 2 // 3, angle_deg=float(chance.uniform(0, 360)),
        gain_e_per_adu=float(_between(chance, 0.25, 1.5)), read_noise_e=float(_between(chance, 1.2, 4.0)),
        full_well_e=float(_between(chance, 15_000, 70_000)), pedestal_adu=float(chance.choice([100, 256, 500, 1000])),
    )  # fmt: skip
    guided = bool(chance.uniform() < ranges.guided)
    kind: Literal["fixed", "alt-azimuth", "equatorial"]
    kind = ranges.mount if ranges.mount in ("fixed", "alt-azimuth") else "equatorial"  # type: ignore[assignment]
    east, north = (float(place) for place in chance.uniform(-15, 15, 2))
    mount = Mount(kind=kind, guided=guided, guide_star_arcmin=(east, north) if guided else (0.0, 0.0))
    seeing = float(np.clip(np.exp(chance.normal(np.log(2.3), 0.2)), 1.2, 3.1))
    scale = 206.265 * camera.pixel_um / optics.focal_length_mm
    restless = float(chance.uniform(0.02, 0.08))
    if ranges.blur_px is not None:  # the lens's own blur, which no night changes, stands in the place of the air's
        seeing, restless = min(float(chance.uniform(*ranges.blur_px)) * scale, 60.0), 0.004
    light = SKY_PER_APERTURE * optics.aperture_mm**2 * scale**2 * float(_between(chance, 0.5, 4.0))
    sky = SceneSky(
        brightness_e_per_s=light, gradient_percent=float(chance.uniform(0, 5)), seeing_arcsec=seeing,
        gradient_deg=float(chance.uniform(0, 360)), seeing_variation=restless,
        extinction_mag=float(chance.uniform(0.12, 0.3)),
    )  # fmt: skip
    frames = round(_between(chance, 8, 50))
    frames = max(8, min(frames, int(4.5 * 3600 / exposure)))
    cadence = exposure + float(chance.uniform(1, 8))
    dither = float(_between(chance, 2, 12)) if chance.uniform() < 0.55 and kind != "fixed" else 0.0
    plan = ScenePlan(
        exposure_s=round(exposure, 1), frames=frames, cadence_s=round(cadence, 2), dither_px=dither,
        tube_temp_c=float(chance.uniform(-5, 22)), cooling_k_per_hour=float(chance.uniform(0.3, 2.5)),
        solved=str(chance.choice(["every frame", "first frame", "no frame"], p=[0.45, 0.1, 0.45])),
    )  # fmt: skip
    scenario = Scenario(name=name, seed=seed, optics=optics, camera=camera, mount=mount, sky=sky, plan=plan)
    scenario = _placed(scenario, chance, airmass_limit)
    return Setup(name, with_stars(scenario, chance), _rig_file(scenario, ranges.mount, chance), _hidden(chance))


def _between(chance: np.random.Generator, low: float, high: float) -> float:
    return float(np.exp(chance.uniform(np.log(low), np.log(high))))


def _placed(scenario: Scenario, chance: np.random.Generator, airmass_limit: float) -> Scenario:
    """A site and a target that stands well, or as low as was asked for."""
    plan = scenario.plan
    low = airmass_limit > 1.6
    hours = plan.frames * plan.cadence_s * 15.041 / 3600
    for _ in range(4000):
        latitude = float(chance.uniform(-40, 58))
        longitude = float(chance.uniform(-170, 170))
        declination = float(np.clip(latitude + chance.uniform(-65, 60), -62, 75))
        begin = float(chance.uniform(-90, 90))
        along = begin + np.linspace(0, hours, 12)
        air = airmass(altitude_deg(direction(along, np.full(12, declination)), latitude))
        reached = float(np.percentile(air, 90))
        if (abs(reached / airmass_limit - 1) < 0.03 and air.max() < 3.6) if low else air.max() < 1.55:
            break
    start = datetime(2025, 1, 1, 18, tzinfo=UTC) + timedelta(days=int(chance.integers(365)))
    start += timedelta(hours=int(chance.integers(12)))
    ra = (sidereal_angle_deg(start, longitude) - begin) % 360
    flips = begin < 0 < begin + hours and scenario.mount.kind == "equatorial" and chance.uniform() < 0.6
    flips = flips and scenario.optics.focal_length_mm > 300
    flip = int(np.ceil(-begin / 15.041 * 3600 / plan.cadence_s)) if flips else -1
    return replace(
        scenario,
        site=Site(latitude_deg=round(latitude, 3), longitude_deg=round(longitude, 3)),
        target=Target(ra_deg=float(ra), dec_deg=declination),
        plan=replace(plan, start_utc=start, flip_frame=flip if flip < plan.frames else -1),
    )


def with_stars(scenario: Scenario, chance: np.random.Generator) -> Scenario:
    """As many stars as the field of view holds, from those that drown to those that nearly clip."""
    camera, plan, sky = scenario.camera, scenario.plan, scenario.sky
    width_px = max(sky.seeing_arcsec / scenario.scale_arcsec, 1.6)
    noise = np.sqrt(sky.brightness_e_per_s * plan.exposure_s + camera.read_noise_e**2)
    faintest = 6 * NOISE_PIXELS_ROOT * width_px * noise / plan.exposure_s
    clipping = camera.full_well_e * (width_px**2 + 1) / 0.7 / plan.exposure_s
    n = int(_between(chance, 300, 3000))
    brightest = max(clipping * float(_between(chance, 0.2, 1.2)), 30 * faintest)
    target = replace(
        scenario.target, stars=n, faintest_e_per_s=float(max(faintest, 2e-3)),
        brightest_e_per_s=float(brightest), slope=float(chance.uniform(0.6, 0.9)),
    )  # fmt: skip
    return replace(scenario, target=target)


def _rig_file(scenario: Scenario, mount: MountType, chance: np.random.Generator) -> Rig:
    known = chance.uniform(size=6)
    turned = scenario.plan.flip_frame == 0
    return Rig(
        mount_type=mount if known[0] < 0.6 else None,
        guided=scenario.mount.guided if known[1] < 0.6 else None,
        camera_angle_deg=(scenario.camera.angle_deg + 180 * turned) % 360 if known[2] < 0.25 else None,
        central_obstruction=scenario.optics.obstruction if known[3] < 0.3 else None,
        focal_length_mm=scenario.optics.focal_length_mm if known[4] < 0.5 else None,
        aperture_mm=scenario.optics.aperture_mm if known[5] < 0.5 else None,
    )


def _hidden(chance: np.random.Generator) -> frozenset[str]:
    """What this capture program leaves out."""
    chances = {
        ("EGAIN", "RDNOISE"): 0.3, ("PEDESTAL",): 0.5, ("SATURATE",): 0.4, ("FOCALLEN", "APTDIA"): 0.12,
        ("SITELAT", "SITELONG"): 0.2, ("OBJCTRA", "OBJCTDEC"): 0.15, ("AIRMASS",): 0.4, ("PIERSIDE",): 0.4,
        ("FOCUSTEM",): 0.3, ("FILTER",): 0.1,
    }  # fmt: skip
    return frozenset(word for words, share in chances.items() if chance.uniform() < share for word in words)
