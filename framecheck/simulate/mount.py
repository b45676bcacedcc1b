"""Mount: where the camera looks at every moment, turned about real axes.

An equatorial mount turns about an axis near the pole, an alt-azimuth one about the vertical; polar error, refraction
and the turning of the field follow from that geometry and are not put in by hand. A fixed tripod is an equatorial
mount whose drive stands still.
"""

from dataclasses import dataclass

import numpy as np

from framecheck.constants import ARCSEC_PER_RADIAN, SIDEREAL_DAY_S
from framecheck.simulate.scenario import Scenario
from framecheck.simulate.sky_path import Floats, direction, refracted, sidereal_angle_deg, zenith
from framecheck.simulate.tracking_error import tracking_error

TURN_PER_S = 2 * np.pi / SIDEREAL_DAY_S
"""Turning of the sky. [radian/s]"""
_GUIDING_ROUNDS = 3
"""[dimensionless] Chosen: leaves less than a thousandth of an arcsecond."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Attitude:
    """How the camera stands at some moments, in the frame of the hour angle; each of shape (n_times, 3)."""

    towards: Floats
    """The middle of the sensor."""
    x_axis: Floats
    y_axis: Floats
    """Directions on the sky of the image's axes."""

    def between(self, first: int, last: int) -> "Attitude":
        """The moments from the first to the last one, both included."""
        part = slice(first, last + 1)
        return Attitude(towards=self.towards[part], x_axis=self.x_axis[part], y_axis=self.y_axis[part])


@dataclass(frozen=True, kw_only=True, slots=True)
class MountAxes:
    """The mount's own frame: its main axis and two directions across, from which angles count."""

    main: Floats
    across: Floats
    third: Floats


def attitude(scenario: Scenario, times_s: Floats, *, frame: int, dither_arcsec: tuple[float, float]) -> Attitude:
    """The camera's attitude at some times since the start of the first frame, shape (n_times,).

    Pier side, backlash and gusts depend on the frame. Without a guider the mount was centred on the target once, at the
    first frame.
    """
    error = tracking_error(scenario, times_s, frame)
    axes = mount_axes(scenario)
    main, second = _axis_angles(scenario, axes, times_s)
    second = second + (error.dec_arcsec + dither_arcsec[1]) / ARCSEC_PER_RADIAN
    main = main + (error.ra_arcsec + dither_arcsec[0]) / ARCSEC_PER_RADIAN / np.cos(second)
    main = main + error.axis_arcsec / ARCSEC_PER_RADIAN
    towards, east, north = _camera_frame(axes, main, second)
    turned = scenario.plan.flip_frame >= 0 and frame >= scenario.plan.flip_frame
    angle = np.radians(scenario.camera.angle_deg + 180 * turned)
    # seen from inside the sphere with north up, east is to the left: +x is west when +y is north
    x_axis = -east * np.cos(angle) + north * np.sin(angle)
    return Attitude(towards=towards, x_axis=x_axis, y_axis=north * np.cos(angle) + east * np.sin(angle))


def mount_axes(scenario: Scenario) -> MountAxes:
    """The axes of the mount as it was set up."""
    up = zenith(scenario.site.latitude_deg)
    if scenario.mount.kind == "alt-azimuth":
        main, across = up, np.array([-up[2], 0.0, up[0]])
    else:
        azimuth, altitude = np.radians(np.array(scenario.mount.polar_error_arcmin) / 60)
        main = np.array([altitude, azimuth * np.cos(np.radians(scenario.site.latitude_deg)), 1.0])
        main, across = main / np.linalg.norm(main), np.array([1.0, 0.0, 0.0])
    across = across - (across @ main) * main
    across = across / np.linalg.norm(across)
    return MountAxes(main=main, across=across, third=np.cross(main, across))


def apparent_target(scenario: Scenario, times_s: Floats) -> Floats:
    """Where the target appears through the air at some times since the first frame, shape (n_times, 3)."""
    return _apparent(scenario, times_s, 0.0, 0.0)


def _apparent(scenario: Scenario, times_s: Floats, ra_offset_deg: float, dec_offset_deg: float) -> Floats:
    """Where a place beside the target appears, shape (n_times, 3)."""
    hours = start_hour_angle_deg(scenario) - ra_offset_deg + np.degrees(TURN_PER_S * np.asarray(times_s))
    true = direction(hours, scenario.target.dec_deg + dec_offset_deg)
    return refracted(true, scenario.site.latitude_deg, scenario.site.pressure_hpa)


def start_hour_angle_deg(scenario: Scenario) -> float:
    """Hour angle of the target at the start of the first frame, west positive. [deg]"""
    sidereal = sidereal_angle_deg(scenario.plan.start_utc, scenario.site.longitude_deg)
    return (sidereal - scenario.target.ra_deg + 180) % 360 - 180


def _axis_angles(scenario: Scenario, axes: MountAxes, times_s: Floats) -> tuple[Floats, Floats]:
    """Angles about the main axis (eastwards) and away from its equator that the drives are told. [radian]"""
    main, second = _angles_of(axes, apparent_target(scenario, np.zeros(1)))
    if scenario.mount.guided or scenario.mount.kind == "alt-azimuth":
        return _following(scenario, axes, times_s, main, second)
    rate = 0.0 if scenario.mount.kind == "fixed" else scenario.mount.tracking_rate
    return main - rate * TURN_PER_S * np.asarray(times_s), np.full(len(times_s), second[0])


def _angles_of(axes: MountAxes, seen: Floats) -> tuple[Floats, Floats]:
    """Angles of directions, shape (n, 3), about the main axis and away from its equator. [radian]"""
    return np.arctan2(seen @ axes.third, seen @ axes.across), np.arcsin(np.clip(seen @ axes.main, -1, 1))


def _following(
    scenario: Scenario, axes: MountAxes, times_s: Floats, main: Floats, second: Floats
) -> tuple[Floats, Floats]:
    """Angles of the axes, begun at `main` and `second`, that keep the guide star where it was in the camera. [radian]

    The star lies beside the middle of the field and the field turns, so the axes do not simply copy its angles: each
    round takes out what is left.
    """
    star = _apparent_guide_star(scenario, times_s)
    begin = _apparent_guide_star(scenario, np.zeros(1))
    wanted = _offset(axes, begin, main, second)
    angles, first = _angles_of(axes, star), _angles_of(axes, begin)
    main, second = main + angles[0] - first[0], second + angles[1] - first[1]
    for _ in range(_GUIDING_ROUNDS):
        east, north = _offset(axes, star, main, second)
        main, second = main + (east - wanted[0]) / np.cos(second), second + north - wanted[1]
    return main, second


def _apparent_guide_star(scenario: Scenario, times_s: Floats) -> Floats:
    """Where the guide star appears, shape (n_times, 3)."""
    east, north = np.array(scenario.mount.guide_star_arcmin) / 60
    return _apparent(scenario, times_s, east / np.cos(np.radians(scenario.target.dec_deg)), north)


def _offset(axes: MountAxes, star: Floats, main: Floats, second: Floats) -> tuple[Floats, Floats]:
    """Place of a star in the focal plane of a camera at these angles of the axes. [radian]"""
    towards, east, north = _camera_frame(axes, main, second)
    depth = np.sum(star * towards, axis=-1)
    return np.sum(star * east, axis=-1) / depth, np.sum(star * north, axis=-1) / depth


def _camera_frame(axes: MountAxes, main: Floats, second: Floats) -> tuple[Floats, Floats, Floats]:
    """Directions towards the field, to its east and to its north in the mount's own frame, each shape (n, 3)."""
    outwards = np.cos(main)[:, None] * axes.across + np.sin(main)[:, None] * axes.third
    east = -np.sin(main)[:, None] * axes.across + np.cos(main)[:, None] * axes.third
    towards = np.cos(second)[:, None] * outwards + np.sin(second)[:, None] * axes.main
    return towards, east, -np.sin(second)[:, None] * outwards + np.cos(second)[:, None] * axes.main
