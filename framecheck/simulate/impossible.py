"""Impossible: what no single value of a scenario shows to be wrong, but two of them together."""

import math

from framecheck.causes.catalogue import CAUSES
from framecheck.errors import UnusableRequest
from framecheck.simulate.mount import TURN_PER_S, start_hour_angle_deg
from framecheck.simulate.scenario import Scenario
from framecheck.simulate.sky_path import altitude_deg, direction
from framecheck.simulate.star_shape import MOST_BLUR_PX, blur_extent_px

_LEAST_ALTITUDE_DEG = 10.0
"""[deg] Chosen: lower down refraction and airmass are no longer simulated truly."""


def refuse_impossible(scenario: Scenario, file: str) -> None:
    """Raise `UnusableRequest` with the first thing that cannot be, and what to change."""
    for fault in (_in_the_plan(scenario), _in_the_rig(scenario), _in_the_sky(scenario)):
        if fault is not None:
            raise UnusableRequest(f"{file}: {fault}")


def _in_the_plan(scenario: Scenario) -> str | None:
    """Frames that overlap or do not exist, causes that have no name."""
    plan, mount, sky, optics = scenario.plan, scenario.mount, scenario.sky, scenario.optics
    if plan.cadence_s < plan.exposure_s:
        return (
            f"`plan.cadence_s` ({plan.cadence_s:g} s) is shorter than the exposure ({plan.exposure_s:g} s); "
            "frames would overlap."
        )
    numbers = {
        "mount.gust_frames": mount.gust_frames,
        "sky.satellite_frames": sky.satellite_frames,
        "sky.moon_rise_frame": (sky.moon_rise_frame,),
        "sky.twilight_frame": (sky.twilight_frame,),
        "sky.clouds": tuple(cloud.first for cloud in sky.clouds),
        "optics.dew_from_frame": (optics.dew_from_frame,),
        "plan.flip_frame": (plan.flip_frame,),
    }
    for key, frames in numbers.items():
        if frames and max(frames) >= plan.frames:
            return f"`{key}` names frame {max(frames)}, but frames are counted from 0 to {plan.frames - 1}."
    for cloud in sky.clouds:
        if cloud.last < cloud.first:
            return f"a cloud of `sky.clouds` begins in frame {cloud.first} and ends in frame {cloud.last}; swap them."
    for cause in (*scenario.causes, *scenario.slight_causes):
        if cause not in CAUSES:
            return f'"{cause}" is no cause that framecheck knows; known are ' + ", ".join(CAUSES) + "."
    return None


def _in_the_rig(scenario: Scenario) -> str | None:
    """Optics that no glass can make, stars too wide to draw, a tripod that is guided."""
    optics = scenario.optics
    if optics.focal_length_mm / optics.aperture_mm < 0.5:
        return "`optics.aperture_mm` is more than twice the focal length; check both."
    if scenario.mount.guided and scenario.mount.kind == "fixed":
        return "a fixed mount cannot be guided; set `mount.guided = false` or another kind."
    hours = max(0, scenario.plan.frames - scenario.plan.cooling_from_frame) * scenario.plan.cadence_s / 3600
    shift = optics.focus_um_per_k * scenario.plan.cooling_k_per_hour * hours
    seeing_px = scenario.sky.seeing_arcsec / scenario.scale_arcsec
    widest = max(blur_extent_px(scenario, focus, seeing_px) for focus in (0.0, shift))
    if widest > MOST_BLUR_PX:
        return (
            f"air and optics would spread a star over {widest:.0f} px, more than the {MOST_BLUR_PX:g} that can be "
            "drawn; lessen defocus, aberrations or `sky.seeing_arcsec`."
        )
    return None


def _in_the_sky(scenario: Scenario) -> str | None:
    """Stars in the wrong order, a target that has not risen."""
    target, plan = scenario.target, scenario.plan
    if target.faintest_e_per_s > target.brightest_e_per_s:
        return "`target.faintest_e_per_s` is above `target.brightest_e_per_s`; swap them."
    start = start_hour_angle_deg(scenario)
    for name, frame in (("first", 0), ("last", plan.frames - 1)):
        hour = start + math.degrees(TURN_PER_S * frame * plan.cadence_s)
        height = float(altitude_deg(direction(hour, target.dec_deg), scenario.site.latitude_deg))
        if height < _LEAST_ALTITUDE_DEG:
            return (
                f"in the {name} frame the target is {height:.0f} degrees above the horizon, where at least "
                f"{_LEAST_ALTITUDE_DEG:g} are needed; change `plan.start_utc`, `target.ra_deg` or `target.dec_deg`."
            )
    return None
