"""Faults put into a night, each in units of its visibility, and the labels that follow from the physics.

`spoil` takes a rig without faults and a visibility for each cause; causes that are not named keep the small residue
that every real rig has. `follow` adds what the scenario's truth implies beside: a wide lens is undersampled whether
or not anything is wrong, a gross polar error turns the field.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from rigs import Setup
from visibility import (
    ASTRAY,
    CLEAR_SMEAR,
    clear_optics,
    drift_px,
    smear_px,
    spoilt_optics,
    star_width,
)

from framecheck.causes.camera import COMMON_AIR_ARCSEC, MOST_CLIPPED, NAMED_EXTRA_NOISE
from framecheck.field.sampling import OVERSAMPLED_PX, UNDERSAMPLED_PX
from framecheck.simulate.frame import frame_conditions
from framecheck.simulate.mount import TURN_PER_S
from framecheck.simulate.scenario import Cloud, Mount, Scenario, SceneOptics
from framecheck.simulate.sky_light import _rise, transparency

TRUE_FROM: Final = 0.5
SLIGHT_FROM: Final = 0.25
JUST_SLIGHT: Final = 0.49
POOR_SEEING_ARCSEC: Final = 3.5
COARSEST_SCALE_ARCSEC: Final = 2.5
LOW_AIRMASS: Final = 1.9
"""Between what the causes call low (1.8) and common advice (2)."""
DEW_CLEAR: Final = 0.4
"""[dimensionless] Share of the light scattered in the last frame: takes a fifth of the light and widens by a fifth."""
CLOUD_CLEAR: Final = 0.3
GRADIENT_CLEAR: Final = 0.20
RISE_CLEAR: Final = 0.60
"""[dimensionless] Sky's change from edge to edge, and its rise as a natural logarithm: twice what the causes name."""
CROSSING_CLEAR: Final = 8.0
"""[sigma] Peak of a satellite's line over the noise."""
MOVED_FWHM: Final = 2.0
"""[FWHM] Stars that wander so far from frame to frame show a mount's fault, though no frame suffers: slight."""
RESIDUE: Final = 0.12
"""Highest visibility of what a well kept rig has of every fault. Chosen."""
OPTICAL: Final = tuple(ASTRAY)
Fault = Callable[[Scenario, float, np.random.Generator], tuple[Scenario, float]]
"""(scenario, visibility, chance) -> (scenario, visibility that the simulator's bounds allow)."""


@dataclass(frozen=True, slots=True)
class Spoilt:
    """A night with its faults."""

    scenario: Scenario
    visibility: Mapping[str, float]
    """Cause -> visibility; what is not named is not there."""


def applicable(setup: Setup) -> tuple[str, ...]:
    """Faults that can be put into a night of this rig on purpose."""
    scenario = setup.scenario
    common = [*OPTICAL, "focus-drift", "dew", "saturation", "read-noise-limited", "cloud", "sky-gradient"]
    common += ["trail-crossing", "low-altitude"]
    if scenario.scale_arcsec < COARSEST_SCALE_ARCSEC:
        common += ["poor-seeing", "poor-seeing", "oversampled"]
    if scenario.mount.kind == "fixed":
        return ("untracked", "untracked", "untracked", *common)
    common += ["undersampled", "shock", "shock", "guiding-noise", "guiding-noise"]
    if scenario.mount.kind == "alt-azimuth":
        return ("field-rotation", "field-rotation", "field-rotation", *common)
    if scenario.mount.guided:
        return ("declination-backlash", "differential-flexure", "polar-misalignment", "declination-backlash",
                "differential-flexure", "guiding-noise", *common)  # fmt: skip
    unguided = ["periodic-error", "polar-misalignment", "untracked"]
    return (*unguided, *unguided, *common)


def spoil(setup: Setup, wanted: Mapping[str, float], chance: np.random.Generator) -> Spoilt:
    """Put faults into a night.

    Parameters
    ----------
    setup : Setup
    wanted : mapping
        Cause -> visibility.
    chance : Generator
        Directions, moments, residues.
    """
    scenario = setup.scenario
    seen: dict[str, float] = {}
    for cause in ("undersampled", "oversampled", "poor-seeing", "read-noise-limited"):
        if cause in wanted:
            scenario = RIG_FAULTS[cause](scenario, wanted[cause])
    base_px = fwhm_px(scenario)
    if scenario.mount.kind in ("fixed", "alt-azimuth"):
        cause = "untracked" if scenario.mount.kind == "fixed" else "field-rotation"
        strength = wanted.get(cause, _residue(chance) if cause == "field-rotation" else float(chance.uniform(0.3, 1)))
        scenario, seen[cause] = _exposed_for(scenario, base_px, strength)
    scenario, mount_seen = _spoilt_mount(scenario, base_px, wanted, chance)
    scenario, optics_seen = _spoilt_optics(scenario, wanted, chance)
    scenario, sky_seen = _spoilt_sky(scenario, wanted, chance)
    seen |= mount_seen | optics_seen | sky_seen
    if "saturation" in wanted:
        scenario = _clipped(scenario, wanted["saturation"])
    return Spoilt(scenario, seen | follow(scenario, seen))


def fwhm_px(scenario: Scenario) -> float:
    """FWHM of the unmoved star in the middle of the field in a typical frame. [px]"""
    seeing = frame_conditions(scenario, scenario.plan.frames // 2).seeing_arcsec
    return star_width(scenario, (0.0, 0.0), seeing / scenario.scale_arcsec)[0]


def _residue(chance: np.random.Generator) -> float:
    return float(chance.uniform(0, RESIDUE))


def _frames(scenario: Scenario, count: int = 6) -> list[int]:
    return sorted({int(i) for i in np.linspace(0, scenario.plan.frames - 1, count)})


def _exposed_for(scenario: Scenario, base_px: float, visibility: float) -> tuple[Scenario, float]:
    """A camera that stands still, or an alt-azimuth one, exposed as long as the trails shall be."""
    smear = _typical(smear_px(scenario, scenario.mount, _frames(scenario, 3)), whole_field=True)
    factor = visibility * CLEAR_SMEAR * base_px / max(smear, 1e-6)
    plan = scenario.plan
    exposure = float(np.clip(plan.exposure_s * factor, 0.5, 300))
    frames = min(plan.frames, max(8, int(3 * 3600 / (exposure + 3))))
    stars = replace(  # as bright on the frame as before
        scenario.target,
        faintest_e_per_s=scenario.target.faintest_e_per_s * plan.exposure_s / exposure,
        brightest_e_per_s=scenario.target.brightest_e_per_s * plan.exposure_s / exposure,
    )
    plan = replace(plan, exposure_s=round(exposure, 2), cadence_s=round(exposure + 3, 2), frames=frames, flip_frame=-1)
    changed = replace(scenario, plan=plan, target=stars)
    smear = _typical(smear_px(changed, changed.mount, _frames(changed, 3)), whole_field=True)
    return changed, smear / (CLEAR_SMEAR * base_px)


def _typical(smear: np.ndarray, *, whole_field: bool = False) -> float:
    """Of the frames, the median; of the field, the middle or the worst place."""
    by_frame = smear.max(axis=(1, 2)) if whole_field else smear[:, smear.shape[1] // 2, smear.shape[2] // 2]
    return float(np.median(by_frame))


# ------------------------------------------------------------------------------------------------------------ mount


def _spoilt_mount(
    scenario: Scenario, base_px: float, wanted: Mapping[str, float], chance: np.random.Generator
) -> tuple[Scenario, dict[str, float]]:
    """Errors of the mount, each scaled from what one unit of it does alone."""
    clean, plan = scenario.mount, scenario.plan
    width = base_px * scenario.scale_arcsec
    minutes = plan.exposure_s / 60
    unit: dict[str, Mount] = {}
    share = chance.uniform(0.5, 1.0, 2)
    share = share / share.max()
    correlation = float(np.exp(chance.uniform(np.log(1.5), np.log(8))))
    unit["guiding-noise"] = replace(
        clean,
        rms_ra_arcsec=float(share[0] * width / 3),
        rms_dec_arcsec=float(share[1] * width / 3),
        correlation_s=correlation,
    )
    n_gusts = int(chance.integers(1, max(2, plan.frames // 10) + 1))
    gusts = tuple(sorted(int(i) for i in chance.choice(plan.frames, n_gusts, replace=False)))
    unit["shock"] = replace(clean, gust_frames=gusts, gust_arcsec=width)
    if clean.kind == "equatorial":
        angle = chance.uniform(0, 2 * np.pi)
        unit["polar-misalignment"] = replace(clean, polar_error_arcmin=(float(np.cos(angle)), float(np.sin(angle))))
        if clean.guided:
            first = int(chance.integers(0, max(1, plan.frames // 2)))
            last = min(plan.frames - 1, first + int(chance.integers(2, max(3, plan.frames // 2))))
            unit["declination-backlash"] = replace(clean, backlash_arcsec=width, backlash_frames=(first, last))
            unit["differential-flexure"] = replace(
                clean, flexure_arcsec_per_min=width / minutes, flexure_pa_deg=float(chance.uniform(0, 360))
            )
        else:
            unit["periodic-error"] = replace(
                clean, periodic_arcsec=width, period_s=float(np.exp(chance.uniform(np.log(180), np.log(900)))),
                second_harmonic=float(chance.uniform(0, 0.4)),
            )  # fmt: skip
            unit["untracked"] = replace(clean, tracking_rate=1 - min(width / (15 * plan.exposure_s), 0.9))
    still = smear_px(scenario, clean, _frames(scenario))
    seen: dict[str, float] = {}
    mount = clean
    for cause, moved in unit.items():
        each = _own_smear(scenario, cause, moved, still) / (CLEAR_SMEAR * base_px)
        strength = wanted.get(cause)
        if strength is None:
            strength = 0.0 if cause in ("shock", "untracked") else _natural(cause, clean, each, chance)
        if each <= 0 or strength == 0:
            continue
        mount, done = _scaled(mount, moved, cause, strength / each)
        seen[cause] = done * each
    return replace(scenario, mount=mount), seen


def _natural(cause: str, clean: Mount, each: float, chance: np.random.Generator) -> float:
    """Residue of a fault; of the polar axis as people align it, to a minute or a few."""
    if cause == "polar-misalignment":
        return float(np.exp(chance.uniform(np.log(0.3), np.log(2.0)))) * each
    return _residue(chance) * (0.5 if cause in ("declination-backlash", "differential-flexure") else 1.0)


def _own_smear(scenario: Scenario, cause: str, moved: Mount, still: np.ndarray) -> float:
    """What one unit of a fault smears, beyond what geometry does to a perfect mount. [px]"""
    match cause:
        case "shock":
            frames = list(moved.gust_frames[:4])
            return float(np.max(smear_px(scenario, moved, frames)[:, 2, 2]))
        case "declination-backlash":
            first, last = (int(i) for i in moved.backlash_frames)
            return float(np.median(smear_px(scenario, moved, range(first, last + 1)[:6])[:, 2, 2]))
        case "periodic-error":
            frames = sorted({int(i) for i in np.linspace(0, scenario.plan.frames - 1, 12)})
            return float(np.percentile(smear_px(scenario, moved, frames)[:, 2, 2], 75))
        case "polar-misalignment" if moved.guided:
            large = replace(moved, polar_error_arcmin=_times(60, moved.polar_error_arcmin))
            return _typical(_beyond_still(smear_px(scenario, large, _frames(scenario)), still), whole_field=True) / 60
        case "polar-misalignment":
            large = replace(moved, polar_error_arcmin=_times(30, moved.polar_error_arcmin))
            return _typical(_beyond_still(smear_px(scenario, large, _frames(scenario)), still)) / 30
    return _typical(_beyond_still(smear_px(scenario, moved, _frames(scenario)), still))


def _beyond_still(smear: np.ndarray, still: np.ndarray) -> np.ndarray:
    """Smear beyond that of a perfect mount, whose directions are as good as independent."""
    return np.sqrt(np.maximum(smear**2 - still**2, 0))


def _times(factor: float, pair: tuple[float, float]) -> tuple[float, float]:
    return float(factor * pair[0]), float(factor * pair[1])


def _scaled(mount: Mount, unit: Mount, cause: str, factor: float) -> tuple[Mount, float]:
    """The mount with one error more, and the factor that the simulator's bounds allow."""
    match cause:
        case "guiding-noise":
            factor = min(factor, 60 / max(unit.rms_ra_arcsec, unit.rms_dec_arcsec))
            ra, dec = _times(factor, (unit.rms_ra_arcsec, unit.rms_dec_arcsec))
            return replace(mount, rms_ra_arcsec=ra, rms_dec_arcsec=dec, correlation_s=unit.correlation_s), factor
        case "shock":
            factor = min(factor, 600 / unit.gust_arcsec)
            return replace(mount, gust_frames=unit.gust_frames, gust_arcsec=factor * unit.gust_arcsec), factor
        case "polar-misalignment":
            factor = min(factor, 400.0)
            return replace(mount, polar_error_arcmin=_times(factor, unit.polar_error_arcmin)), factor
        case "declination-backlash":
            factor = min(factor, 120 / unit.backlash_arcsec)
            backlash = factor * unit.backlash_arcsec
            return replace(mount, backlash_arcsec=backlash, backlash_frames=unit.backlash_frames), factor
        case "differential-flexure":
            factor = min(factor, 30 / unit.flexure_arcsec_per_min)
            speed = factor * unit.flexure_arcsec_per_min
            return replace(mount, flexure_arcsec_per_min=speed, flexure_pa_deg=unit.flexure_pa_deg), factor
        case "periodic-error":
            factor = min(factor, 300 / unit.periodic_arcsec)
            return replace(
                mount, periodic_arcsec=factor * unit.periodic_arcsec, period_s=unit.period_s,
                second_harmonic=unit.second_harmonic,
            ), factor  # fmt: skip
        case "untracked":
            factor = min(factor, 1 / (1 - unit.tracking_rate))
            return replace(mount, tracking_rate=1 - (1 - unit.tracking_rate) * factor), factor
    raise ValueError(f"{cause} is no fault of the mount")


# ----------------------------------------------------------------------------------------------------------- optics


def _focus_um(optics: SceneOptics, rms_nm: float) -> float:
    """Shift of the sensor that makes so much rms defocus: 8 N² times the wavefront's edge, 2 sqrt 3 times the rms.

    Closed form.
    """
    return 8 * (optics.focal_length_mm / optics.aperture_mm) ** 2 * 2 * np.sqrt(3) * rms_nm * 1e-3


def _spoilt_optics(
    scenario: Scenario, wanted: Mapping[str, float], chance: np.random.Generator
) -> tuple[Scenario, dict[str, float]]:
    """Faults of the optics, each alone at its clear strength times its visibility, and the residues of the others."""
    seen: dict[str, float] = {}
    healthy, optics = scenario, scenario.optics
    sign = np.pi * (optics.defocus_um < 0)
    needs_focus = "focus-drift" in wanted or "dew" not in wanted
    for cause in OPTICAL:
        strength = wanted.get(cause, _residue(chance))
        angle = sign if cause == "defocus" and optics.defocus_um else float(chance.uniform(0, 2 * np.pi))
        clear = clear_optics(healthy, cause, angle)
        most = 2900.0 if cause in ("defocus", "sensor-tilt", "field-curvature") else 1900.0
        value = min(strength * clear, most)
        optics = spoilt_optics(optics, cause, value, angle)
        seen[cause] = value / clear
        if cause == "defocus":
            focus_clear = clear
    hours = scenario.plan.frames * scenario.plan.cadence_s / 3600
    cooled = max(scenario.plan.cooling_k_per_hour * hours, 0.2)
    if "pinched-optics" in wanted:  # in focus, strained optics leave stars without lobes
        out = _focus_um(optics, 0.7 * float(np.hypot(*optics.trefoil_nm)))
        optics = replace(optics, defocus_um=float(np.clip(optics.defocus_um + np.cos(sign) * out, -2900, 2900)))
        seen["defocus"] = min(abs(optics.defocus_um) / focus_clear, JUST_SLIGHT)  # part of the fault
    if "astigmatism" in wanted and "focus-drift" not in wanted:  # it shows on the way through focus, round in between
        out = _focus_um(optics, float(np.hypot(*optics.astigmatism_nm)) / np.sqrt(2))
        rate = float(np.clip(2 * out / cooled, 0, 1000))
        optics = replace(optics, focus_um_per_k=rate, defocus_um=-rate * cooled / 2)
        seen["defocus"], seen["focus-drift"] = 0.0, min(rate * cooled / 2 / focus_clear, JUST_SLIGHT)
        plan = replace(scenario.plan, cooling_k_per_hour=min(cooled / hours if hours else 0.0, 20.0))
        scenario = replace(scenario, plan=plan)
    elif needs_focus:
        strength = wanted.get("focus-drift", _residue(chance))
        focus_clear_drift = focus_clear * float(chance.choice([-1, 1]))
        rate = float(np.clip(strength * focus_clear_drift / cooled, -1000, 1000))
        optics = replace(optics, focus_um_per_k=rate)
        seen["focus-drift"] = abs(rate) * cooled / focus_clear
        if "focus-drift" in wanted and not optics.defocus_um:
            # the observer focused at the start, or somewhere on the way
            optics = replace(optics, defocus_um=-rate * cooled * float(chance.choice([0, 0, 0.3])))
        plan = replace(scenario.plan, cooling_k_per_hour=cooled / hours if hours else 0.0)
        scenario = replace(scenario, plan=replace(plan, cooling_k_per_hour=min(plan.cooling_k_per_hour, 20.0)))
    if "dew" in wanted:
        first = int(chance.integers(0, max(1, scenario.plan.frames // 2)))
        share = min(DEW_CLEAR * wanted["dew"], 0.6)
        wet = max((scenario.plan.frames - 1 - first) * scenario.plan.cadence_s / 3600, 1e-3)
        rate = min(share / wet, 5.0)
        optics = replace(optics, dew_from_frame=first, dew_per_hour=rate)
        seen["dew"] = min(rate * wet, 0.6) / DEW_CLEAR
    return replace(scenario, optics=optics), seen


# -------------------------------------------------------------------------------------------------- rig, camera, sky


def _coarser(scenario: Scenario, visibility: float) -> Scenario:
    """Pixels so large that the star spans fewer than two."""
    wanted_px = UNDERSAMPLED_PX / (visibility / TRUE_FROM) ** (1 / STEEP)
    pixel = scenario.camera.pixel_um * fwhm_px(scenario) / wanted_px
    return replace(scenario, camera=replace(scenario.camera, pixel_um=float(np.clip(pixel, 1.0, 24))))


def _finer(scenario: Scenario, visibility: float) -> Scenario:
    wanted_px = OVERSAMPLED_PX * (visibility / TRUE_FROM) ** (1 / STEEP)
    pixel = scenario.camera.pixel_um * fwhm_px(scenario) / wanted_px
    return replace(scenario, camera=replace(scenario.camera, pixel_um=float(np.clip(pixel, 1.0, 24))))


def _poorer(scenario: Scenario, visibility: float) -> Scenario:
    seeing = POOR_SEEING_ARCSEC * (visibility / TRUE_FROM) ** (1 / STEEP)
    return replace(scenario, sky=replace(scenario.sky, seeing_arcsec=float(min(seeing, 8.0))))


def _darker(scenario: Scenario, visibility: float) -> Scenario:
    """A sky so dark, as behind a narrow filter, that read noise shows."""
    extra = NAMED_EXTRA_NOISE * visibility / TRUE_FROM
    ratio = (1 + extra) ** 2 - 1  # read noise squared over the sky's electrons
    light = scenario.camera.read_noise_e**2 / ratio / scenario.plan.exposure_s
    return replace(scenario, sky=replace(scenario.sky, brightness_e_per_s=max(light - 0.002, 1e-3)))


STEEP: Final = 3.8
"""Visibility grows with this power of what is measured against a limit: 1 is 20 % beyond the limit, 1/2 at it."""
RIG_FAULTS: Final[Mapping[str, Callable[[Scenario, float], Scenario]]] = {
    "undersampled": _coarser,
    "oversampled": _finer,
    "poor-seeing": _poorer,
    "read-noise-limited": _darker,
}


def _spoilt_sky(
    scenario: Scenario, wanted: Mapping[str, float], chance: np.random.Generator
) -> tuple[Scenario, dict[str, float]]:
    sky, frames = scenario.sky, scenario.plan.frames
    seen: dict[str, float] = {}
    if "cloud" in wanted:
        depth = min(CLOUD_CLEAR * wanted["cloud"], 0.97)
        clouds = []
        for _ in range(int(chance.integers(1, 4))):
            first = int(chance.integers(0, frames))
            last = min(frames - 1, first + int(chance.integers(0, max(1, frames // 6) + 1)))
            clouds.append(Cloud(first=first, last=last, depth=depth))
        sky = replace(sky, clouds=tuple(clouds))
        seen["cloud"] = depth / CLOUD_CLEAR
    if "sky-gradient" in wanted:
        strength, kind = wanted["sky-gradient"], str(chance.choice(["slope", "moon", "twilight"]))
        rise = sky.brightness_e_per_s * np.expm1(min(RISE_CLEAR * strength, 3.0))
        late = int(chance.integers(frames // 4, max(frames // 2, frames // 4 + 1)))
        hours = max((frames - 1 - late) * scenario.plan.cadence_s / 3600, 1e-3)
        if kind == "slope":
            sky = replace(sky, gradient_percent=float(min(100 * GRADIENT_CLEAR * strength, 150.0)))
        elif kind == "moon":
            sky = replace(sky, moon_rise_frame=late, moon_e_per_s_per_hour=float(min(rise / hours, 1000.0)))
        else:
            doubling = hours * 60 / np.log2(1 + rise / sky.brightness_e_per_s)
            sky = replace(sky, twilight_frame=late, twilight_doubling_min=float(np.clip(doubling, 0.5, 120)))
    if "trail-crossing" in wanted:
        n = int(chance.integers(1, max(2, frames // 8) + 1))
        crossed = tuple(sorted(int(i) for i in chance.choice(frames, n, replace=False)))
        sky = replace(sky, satellite_frames=crossed)
    return replace(scenario, sky=sky), seen


def _clipped(scenario: Scenario, visibility: float) -> Scenario:
    """Stars so bright, many of them, that a share of the brightest tenth clips."""
    share = min(0.1 * MOST_CLIPPED * (visibility / TRUE_FROM) ** (1 / 1.7), 0.6)
    target = replace(scenario.target, slope=0.45)
    clipping = _clipping_e_per_s(scenario)
    brightest = max(clipping * 30, 100 * target.faintest_e_per_s)
    found = 1.3 * target.faintest_e_per_s
    # a power law from `faint` on: share = (clipping^-s - bright^-s) / (found^-s - bright^-s)
    s = target.slope
    need = (clipping**-s - brightest**-s) / share + brightest**-s
    factor = max((need ** (-1 / s)) / found, 0.3)
    return replace(
        scenario,
        target=replace(
            target, faintest_e_per_s=min(target.faintest_e_per_s * factor, 9e5),
            brightest_e_per_s=float(min(brightest, 9e7)),
        ),
    )  # fmt: skip


def _clipping_e_per_s(scenario: Scenario) -> float:
    """Flux of a star outside the atmosphere whose brightest pixel just clips. [e/s]"""
    camera, plan, middle = scenario.camera, scenario.plan, scenario.plan.frames // 2
    width = fwhm_px(scenario)
    mount = smear_px(scenario, scenario.mount, [middle])[0, 2, 2]
    area = np.pi / 4 / np.log(2) * np.sqrt(width**2 + 0.5) * np.sqrt(width**2 + 0.5 + 5.5 * mount**2)
    light = min(camera.full_well_e, (2**camera.bits - 1 - camera.pedestal_adu) * camera.gain_e_per_adu)
    light -= scenario.sky.brightness_e_per_s * plan.exposure_s
    seen = transparency(scenario, middle, frame_conditions(scenario, middle).airmass)
    return float(max(light, 100.0) * area * 1.15 / plan.exposure_s / seen)


# -------------------------------------------------------------------------------------------------------- what follows


def follow(scenario: Scenario, seen: Mapping[str, float]) -> dict[str, float]:
    """Visibilities of what the scenario's truth implies, put in on purpose or not."""
    more: dict[str, float] = {}
    middle = frame_conditions(scenario, scenario.plan.frames // 2)
    more |= _sampling(scenario)
    if scenario.scale_arcsec < COARSEST_SCALE_ARCSEC:
        more["poor-seeing"] = _beyond(scenario.sky.seeing_arcsec, POOR_SEEING_ARCSEC)
    air = [frame_conditions(scenario, i).airmass for i in _frames(scenario, 12)]
    more["low-altitude"] = _beyond(float(np.percentile(air, 90)), LOW_AIRMASS)
    light = scenario.sky.brightness_e_per_s * middle.airmass**0.5 * scenario.plan.exposure_s
    more["read-noise-limited"] = (
        TRUE_FROM * (np.sqrt(1 + scenario.camera.read_noise_e**2 / (light + 0.1)) - 1) / NAMED_EXTRA_NOISE
    )
    rises = [_rise(scenario, i) for i in range(scenario.plan.frames)]
    risen = float(np.log1p(np.percentile(rises, 97) / scenario.sky.brightness_e_per_s)) / RISE_CLEAR
    slope = scenario.sky.gradient_percent / 100 / GRADIENT_CLEAR
    more["sky-gradient"] = max(risen, slope)
    if scenario.sky.satellite_frames:
        noise = np.sqrt(light + scenario.camera.read_noise_e**2)
        more["trail-crossing"] = 900 / (1.1 * np.sqrt(2 * np.pi)) / noise / CROSSING_CLEAR
    more["saturation"] = _saturation(scenario)
    more |= _wandering(scenario, seen) | _rotation(scenario, seen)
    return {cause: float(value) for cause, value in more.items()}


def _beyond(value: float, limit: float) -> float:
    return TRUE_FROM * (value / limit) ** STEEP


def _sampling(scenario: Scenario) -> dict[str, float]:
    """Pixels per FWHM of stars as they are, faults included."""
    plan = scenario.plan
    frames = _frames(scenario, 5)
    widths = []
    for frame in frames:
        truth = frame_conditions(scenario, frame)
        seeing = truth.seeing_arcsec / scenario.scale_arcsec
        places = ((0.0, 0.0), (0.6, 0.6), (-0.6, 0.6), (0.6, -0.6), (-0.6, -0.6))
        still = float(np.mean([star_width(scenario, place, seeing, truth.focus_shift_um)[0] for place in places]))
        smear = 5.545 * np.array([truth.smear_x_px, truth.smear_y_px]) ** 2
        widths.append((np.prod(still**2 + smear)) ** 0.25)
    seen_px = float(np.median(widths))
    sharp_px = float(np.percentile(widths, 25))
    if sharp_px * scenario.scale_arcsec > COMMON_AIR_ARCSEC:
        sharp_px = min(sharp_px, max(OVERSAMPLED_PX, COMMON_AIR_ARCSEC / scenario.scale_arcsec))
        if COMMON_AIR_ARCSEC / scenario.scale_arcsec < OVERSAMPLED_PX:
            sharp_px = COMMON_AIR_ARCSEC / scenario.scale_arcsec
    del plan
    return {
        "undersampled": TRUE_FROM * (UNDERSAMPLED_PX / seen_px) ** STEEP,
        "oversampled": _beyond(sharp_px, OVERSAMPLED_PX),
    }


def _saturation(scenario: Scenario) -> float:
    target = scenario.target
    s = target.slope
    clipping, faint, bright = _clipping_e_per_s(scenario), target.faintest_e_per_s * 1.3, target.brightest_e_per_s
    if clipping >= bright:
        return 0.0
    share = (clipping**-s - bright**-s) / max(faint**-s - bright**-s, 1e-12)
    return TRUE_FROM * (min(share, 1.0) / 0.1 / MOST_CLIPPED) ** 1.7


def _wandering(scenario: Scenario, seen: Mapping[str, float]) -> dict[str, float]:
    """Faults of the mount that move frames against each other though they smear none: slight at least."""
    mount, base = scenario.mount, fwhm_px(scenario)
    alone: dict[str, Mount] = {}
    clean = Mount(kind=mount.kind, guided=mount.guided, guide_star_arcmin=mount.guide_star_arcmin)
    if mount.kind == "equatorial" and not mount.guided:
        alone["polar-misalignment"] = replace(clean, polar_error_arcmin=mount.polar_error_arcmin)
        alone["untracked"] = replace(clean, tracking_rate=mount.tracking_rate)
        swing = 2 * mount.periodic_arcsec / scenario.scale_arcsec
        if seen.get("periodic-error", 0.0) < SLIGHT_FROM and swing > base:
            return {"periodic-error": SLIGHT_FROM} | _moved(scenario, alone, seen, base, clean)
    if mount.guided:
        alone["differential-flexure"] = replace(
            clean, flexure_arcsec_per_min=mount.flexure_arcsec_per_min, flexure_pa_deg=mount.flexure_pa_deg
        )
    return _moved(scenario, alone, seen, base, clean)


def _moved(
    scenario: Scenario, alone: Mapping[str, Mount], seen: Mapping[str, float], base_px: float, clean: Mount
) -> dict[str, float]:
    rest = drift_px(scenario, clean) if alone else 0.0
    return {
        cause: SLIGHT_FROM
        for cause, mount in alone.items()
        if seen.get(cause, 0.0) < SLIGHT_FROM and drift_px(scenario, mount) - rest > MOVED_FWHM * base_px
    }


def _rotation(scenario: Scenario, seen: Mapping[str, float]) -> dict[str, float]:
    """Turning of the field: what smears the corners beyond the middle, or turns the frames against each other."""
    mount, base = scenario.mount, fwhm_px(scenario)
    if mount.kind == "fixed":
        return {}
    if mount.kind == "alt-azimuth":
        return {"field-rotation": max(seen.get("field-rotation", 0.0), SLIGHT_FROM)}
    alone = Mount(
        guided=mount.guided, guide_star_arcmin=mount.guide_star_arcmin, polar_error_arcmin=mount.polar_error_arcmin
    )
    smear = smear_px(scenario, alone, _frames(scenario))
    corner = np.median(smear.max(axis=(1, 2)) ** 2 - smear[:, 2, 2] ** 2)
    out = {"field-rotation": float(np.sqrt(max(corner, 0))) / (CLEAR_SMEAR * base)}
    error = np.radians(np.hypot(*mount.polar_error_arcmin) / 60)
    night = scenario.plan.frames * scenario.plan.cadence_s * TURN_PER_S
    half = np.hypot(scenario.camera.width, scenario.camera.height) / 2
    if error * np.sin(min(night, 1.5)) / np.cos(np.radians(scenario.target.dec_deg)) * half > MOVED_FWHM * base:
        out["field-rotation"] = max(out["field-rotation"], SLIGHT_FROM)
        if mount.guided and seen.get("polar-misalignment", 0.0) < SLIGHT_FROM:
            out["polar-misalignment"] = SLIGHT_FROM
    return out
