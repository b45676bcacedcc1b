"""Frame: the light that falls on the sensor in one exposure, and the truth about it."""

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from framecheck.simulate.air import seeing_arcsec
from framecheck.simulate.catalogue import Catalogue
from framecheck.simulate.chance import generator
from framecheck.simulate.ground import behind_ground
from framecheck.simulate.mount import TURN_PER_S, Attitude, attitude, start_hour_angle_deg
from framecheck.simulate.scenario import Scenario
from framecheck.simulate.sky_light import crossing_light, dew_share, sky_light, transparency
from framecheck.simulate.sky_path import Floats, airmass, altitude_deg, direction, hour_angle_dec_deg, refracted
from framecheck.simulate.star_shape import NODES, StarShapes, star_shapes

_STEP_S: Final = 2.0
"""[s] Chosen: motion of the mount is sampled so often."""
_FEWEST_STEPS: Final = 16
_LONGEST_STROKE_PX: Final = 64.0
"""[px] Chosen: a longer trail is drawn in several strokes, one after the other, so that stamps stay small."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Conditions:
    """The truth about one exposure."""

    frame: int
    start_s: float
    """Since the start of the first frame. [s]"""
    hour_angle_deg: float
    """At the middle of the exposure, of the middle of the sensor; west positive."""
    altitude_deg: float
    airmass: float
    seeing_arcsec: float
    transparency: float
    """Share of the starlight that arrives, of that outside the atmosphere."""
    focus_shift_um: float
    tube_temp_c: float
    ra_deg: float
    dec_deg: float
    """Where the middle of the sensor points, refraction taken out."""
    north_up_deg: float
    """Position angle of the +y axis, east of north."""
    smear_x_px: float
    smear_y_px: float
    """Standard deviation of the motion inside the exposure, at the middle of the sensor. [px]"""
    ground_share: float = 0.0
    """Share of the sensor that ground hides."""


def expose(scenario: Scenario, stars: Catalogue, frame: int) -> tuple[NDArray[np.float32], Conditions]:
    """Expected electrons in each pixel, shape (height, width), and what made them so. [e]"""
    times, stance, tracks = _pointing(scenario, frame)
    conditions = _conditions(scenario, stance, times, frame, tracks[NODES // 2, NODES // 2])
    light = sky_light(scenario, frame, conditions.airmass) * np.float32(scenario.plan.exposure_s)
    for first, last in strokes(tracks):
        shapes = star_shapes(
            scenario,
            _about_mean(tracks[:, :, first : last + 1]),
            seeing_px=conditions.seeing_arcsec / scenario.scale_arcsec,
            focus_shift_um=conditions.focus_shift_um,
            dew=dew_share(scenario, frame),
        )
        part = times[first : last + 1]
        x, y = star_places_px(scenario, stars, stance.between(first, last), part)
        _stamp_stars(light, shapes, x, y, stars.flux_e_per_s * (part[-1] - part[0]) * conditions.transparency)
    light += crossing_light(scenario, frame)
    return light, replace(conditions, ground_share=behind_ground(scenario, light, stance))


def frame_conditions(scenario: Scenario, frame: int) -> Conditions:
    """Say what an exposure's conditions are without rendering it: a hundred times as fast as `expose`."""
    times, stance, tracks = _pointing(scenario, frame)
    return _conditions(scenario, stance, times, frame, tracks[NODES // 2, NODES // 2])


def _pointing(scenario: Scenario, frame: int) -> tuple[Floats, Attitude, Floats]:
    """Moments of an exposure, the camera's attitude at each, and the stars' tracks at the nodes."""
    plan = scenario.plan
    steps = max(_FEWEST_STEPS, int(np.ceil(plan.exposure_s / _STEP_S))) + 1
    times = frame * plan.cadence_s + np.linspace(0, plan.exposure_s, steps)
    stance = attitude(scenario, times, frame=frame, dither_arcsec=dither_arcsec(scenario, frame))
    return times, stance, node_tracks_px(scenario, stance, times)


def strokes(tracks_px: Floats) -> list[tuple[int, int]]:
    """Parts of an exposure in which no star moves far: first and last moment of each, the latter the next's first."""
    n_steps = tracks_px.shape[2] - 1
    parts, first = [], 0
    for moment in range(1, n_steps + 1):
        if moment == n_steps or np.ptp(tracks_px[:, :, first : moment + 2], axis=2).max() > _LONGEST_STROKE_PX:
            parts.append((first, moment))
            first = moment
    return parts


def dither_arcsec(scenario: Scenario, frame: int) -> tuple[float, float]:
    """Deliberate offset of the pointing to the east and to the north; none in the first frame. [arcsec]"""
    if scenario.plan.dither_px == 0 or frame == 0:
        return 0.0, 0.0
    east, north = generator(scenario, "dither", frame).standard_normal(2)
    step = scenario.plan.dither_px * scenario.scale_arcsec
    return float(east * step), float(north * step)


def on_sensor_px(scenario: Scenario, towards: Floats, stance: Attitude) -> tuple[Floats, Floats]:
    """Places on the sensor, x and y, of apparent directions; NaN for what lies behind the camera.

    `towards` and the attitude's vectors must broadcast against each other in all but their last axis.
    """
    camera = scenario.camera
    depth = np.sum(towards * stance.towards, axis=-1)
    depth = np.where(depth > 0.05, depth, np.nan)
    focal_px = scenario.optics.focal_length_mm * 1e3 / camera.pixel_um
    x = (camera.width - 1) / 2 + focal_px * np.sum(towards * stance.x_axis, axis=-1) / depth
    y = (camera.height - 1) / 2 + focal_px * np.sum(towards * stance.y_axis, axis=-1) / depth
    return x, y


def star_places_px(scenario: Scenario, stars: Catalogue, stance: Attitude, times: Floats) -> tuple[Floats, Floats]:
    """Mean place of each star on the sensor during the exposure, which is the zero of the nodes' tracks. [px]"""
    site = scenario.site
    start = start_hour_angle_deg(scenario) + scenario.target.ra_deg - stars.ra_deg
    sums = np.zeros((2, len(stars.ra_deg)))
    for index, time in enumerate(times):
        weight = 0.5 if index in (0, len(times) - 1) else 1.0  # straight lines between moments
        true = direction(start + np.degrees(TURN_PER_S * time), stars.dec_deg)
        seen = refracted(true, site.latitude_deg, site.pressure_hpa)
        now = Attitude(towards=stance.towards[index], x_axis=stance.x_axis[index], y_axis=stance.y_axis[index])
        sums += weight * np.array(on_sensor_px(scenario, seen, now))
    return sums[0] / (len(times) - 1), sums[1] / (len(times) - 1)


def node_tracks_px(scenario: Scenario, stance: Attitude, times: Floats) -> Floats:
    """Place of a star that is seen at each node at the exposure's middle, shape (NODES, NODES, n_times, 2). [px]"""
    camera, site = scenario.camera, scenario.site
    focal_px = scenario.optics.focal_length_mm * 1e3 / camera.pixel_um
    places = np.linspace(-0.5, 0.5, NODES)
    across, up = np.meshgrid(places * camera.width / focal_px, places * camera.height / focal_px)
    middle = len(times) // 2
    seen = stance.towards[middle] + across[..., None] * stance.x_axis[middle] + up[..., None] * stance.y_axis[middle]
    seen = seen / np.linalg.norm(seen, axis=-1, keepdims=True)
    hour, dec = hour_angle_dec_deg(_unrefracted(scenario, seen))
    turned = np.degrees(TURN_PER_S * (times - times[middle]))
    true = direction(hour[..., None] + turned, dec[..., None])
    x, y = on_sensor_px(scenario, refracted(true, site.latitude_deg, site.pressure_hpa), stance)
    return np.stack([x, y], axis=-1)


def _about_mean(tracks_px: Floats) -> Floats:
    """Tracks of straight lines between moments, each shifted so that its mean lies at zero."""
    inner = (tracks_px[..., 1:, :] + tracks_px[..., :-1, :]) / 2
    return tracks_px - inner.mean(axis=-2, keepdims=True)


def _unrefracted(scenario: Scenario, seen: Floats) -> Floats:
    """True directions from apparent ones, good to a hundredth of an arcsecond above 20 degrees."""
    true = seen
    for _ in range(2):
        true = true + seen - refracted(true, scenario.site.latitude_deg, scenario.site.pressure_hpa)
        true = true / np.linalg.norm(true, axis=-1, keepdims=True)
    return true


def _conditions(scenario: Scenario, stance: Attitude, times: Floats, frame: int, track_px: Floats) -> Conditions:
    plan = scenario.plan
    middle = len(times) // 2
    true = _unrefracted(scenario, stance.towards[middle])
    hour, dec = (float(value) for value in hour_angle_dec_deg(true))
    height = float(altitude_deg(true, scenario.site.latitude_deg))
    air = float(airmass(height))
    sidereal = start_hour_angle_deg(scenario) + scenario.target.ra_deg + np.degrees(TURN_PER_S * times[middle])
    cooled = plan.cooling_k_per_hour / 3600 * max(0, frame - plan.cooling_from_frame) * plan.cadence_s
    smear = ((track_px[1:] + track_px[:-1]) / 2).std(axis=0)
    return Conditions(
        frame=frame,
        start_s=float(times[0]),
        hour_angle_deg=hour,
        altitude_deg=height,
        airmass=air,
        seeing_arcsec=seeing_arcsec(scenario, float(times[middle]), air),
        transparency=transparency(scenario, frame, air),
        focus_shift_um=scenario.optics.focus_um_per_k * cooled,
        tube_temp_c=plan.tube_temp_c - cooled,
        ra_deg=float((sidereal - hour) % 360),
        dec_deg=dec,
        north_up_deg=_north_up_deg(stance, middle, true),
        smear_x_px=float(smear[0]),
        smear_y_px=float(smear[1]),
    )


def _north_up_deg(stance: Attitude, index: int, towards: Floats) -> float:
    north = np.array([0.0, 0.0, 1.0]) - towards[2] * towards
    east = np.cross([0.0, 0.0, 1.0], towards)
    return float(np.degrees(np.arctan2(stance.y_axis[index] @ east, stance.y_axis[index] @ north)) % 360)


def _stamp_stars(light: NDArray[np.float32], shapes: StarShapes, x: Floats, y: Floats, flux: Floats) -> None:
    """Add the stars to the light, in place."""
    height, width = light.shape
    half = shapes.grid.stamp_px // 2
    with np.errstate(invalid="ignore"):
        near = (x > -half) & (x < width + half) & (y > -half) & (y < height + half)
    for star in np.flatnonzero(near):
        column, row = int(np.floor(x[star])), int(np.floor(y[star]))
        field = 2 * (x[star] + 0.5) / width - 1, 2 * (y[star] + 0.5) / height - 1
        stamp = shapes.stamp(*field, x[star] - column, y[star] - row)
        rows, cut_rows = _overlap(row - half, len(stamp), height)
        columns, cut_columns = _overlap(column - half, len(stamp), width)
        light[rows, columns] += np.float32(flux[star]) * stamp[cut_rows, cut_columns]


def _overlap(begin: int, length: int, whole: int) -> tuple[slice, slice]:
    """Where a stamp falls on the image, and which part of the stamp that is."""
    first, last = max(begin, 0), max(min(begin + length, whole), 0)
    return slice(first, last), slice(first - begin, max(last - begin, 0))
