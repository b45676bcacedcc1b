"""Frames drawn as star tables: what measuring a simulated frame would have told, without its pixels.

Size, shape and failures of the stars come from a sample frame that is truly measured (`node_stars`). Over the field
they are interpolated, and each star of the catalogue is scattered by the errors that it would have at its brightness.
`test_drawn_frames.py` holds them against frames rendered in pixels.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import Any, Final

import numpy as np
from node_stars import FLUX_ADU, Light, Sample, measured_sample
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from framecheck.field import FrameFailure, FrameResult, frame_shape
from framecheck.field.result import StackedStar
from framecheck.read.cards import Card, Header
from framecheck.read.exposure import Exposure
from framecheck.read.header import exposure_from_header
from framecheck.simulate.catalogue import Catalogue
from framecheck.simulate.chance import generator
from framecheck.simulate.frame import Conditions, _about_mean, _conditions, _pointing, on_sensor_px
from framecheck.simulate.header import light_cards, saturation_adu
from framecheck.simulate.mount import TURN_PER_S, Attitude, start_hour_angle_deg
from framecheck.simulate.night import stars_of_night
from framecheck.simulate.scenario import Scenario
from framecheck.simulate.sky_light import dew_share, sky_light
from framecheck.simulate.sky_path import direction, refracted
from framecheck.simulate.star_shape import NODES
from framecheck.sky.model import SkySummary
from framecheck.stars.choose import choose_stars
from framecheck.stars.find import Found
from framecheck.stars.flags import StarFlag
from framecheck.stars.line import Line
from framecheck.stars.measure import MOST_TRAILS, Measured
from framecheck.stars.pilot import PIXEL_ADDS_PX2, Pilot
from framecheck.stars.table import STAR_DTYPE, Stars, StarTable

Floats = NDArray[np.floating[Any]]

FOUND_SNR: Final = 7.5
"""Matched-filter SNR at which half of the stars are found. Calibrated against rendered frames: the finder asks for 6
over a background that is free, which costs a little."""
CROSSING_PEAK_SIGMA: Final = 1.5
"""Brightest pixels of a satellite's line, over the noise, from which on it is found, as in drawn frames."""
LINE_E: Final = 900.0 / (1.1 * np.sqrt(2 * np.pi))
"""[e] Peak of the simulator's satellites."""
ONE_STAR: Final = 1.8
"""[FWHM] The fainter of two stars is lost nearer than this. Calibrated against a rendered crowded field."""
PIXEL_GAPS: Final = 0.01
"""[dimensionless] Share of stars that a hot pixel, a particle or an unseen neighbour spoils. Calibrated."""
EXCESS_SCATTER: Final = 1.2
"""[dimensionless] Scatter of stars over their stated errors. Calibrated against rendered frames."""
OWN_SHARE: Final = 0.3
"""[dimensionless] Share of a star's peak that counts as noise under it. Calibrated against stated errors."""
THIRD_SCATTER: Final = 0.68
"""[dimensionless] The same of third moments, whose window cuts noise off. Calibrated."""
SPREAD: Final = ("ln_fwhm", "e1", "e2", "dx", "dy", "xx", "yy", "xy", "coma1", "coma2", "trefoil1", "trefoil2",
                 "radius", "flux", "peak", "snr", "fwhm_error", "e1_error", "e2_error", "x_error", "y_error",
                 "flux_error", "third_error", "misfit", "failed", "weight")  # fmt: skip
"""Figures of the sample that are interpolated over the field."""


@dataclass(frozen=True, slots=True)
class Component:
    """One thing that the finder makes of each star: the star itself, or one half of a doubled one."""

    share: float
    """Of the sample's stars that show it."""
    maps: Mapping[str, Floats]
    """Shape (NODES, NODES) each."""


def drawn_frame(
    scenario: Scenario, frame: int, *, folder: Path = Path("night"), hidden: frozenset[str] = frozenset()
) -> FrameResult | FrameFailure:
    """Draw what measuring one frame of a night would tell.

    Parameters
    ----------
    scenario : Scenario
    frame : int
        Counted from 0.
    folder : Path
        Where the file would lie.
    hidden : frozenset of str
        Header keywords that this night's capture program does not write.
    """
    times, stance, tracks = _pointing(scenario, frame)
    conditions = _conditions(scenario, stance, times, frame, tracks[NODES // 2, NODES // 2])
    exposure = exposure_of(scenario, conditions, folder, hidden)
    sky = drawn_sky(scenario, frame, conditions)
    middle = len(times) // 2
    now = Attitude(towards=stance.towards[middle], x_axis=stance.x_axis[middle], y_axis=stance.y_axis[middle])
    inner = (tracks[:, :, 1:] + tracks[:, :, :-1]) / 2
    x, y = _places(scenario, now, float(times[middle]), inner.mean(axis=2) - tracks[:, :, middle])
    flux = _catalogue(scenario).flux_e_per_s * scenario.plan.exposure_s * conditions.transparency
    stars = _on_sensor(scenario, x, y, flux / scenario.camera.gain_e_per_adu)
    sample = measured_sample(
        scenario,
        _about_mean(tracks),
        Light(stars.flux_adu, sky.noise_adu, scenario.camera.gain_e_per_adu),
        seeing_px=conditions.seeing_arcsec / scenario.scale_arcsec,
        focus_shift_um=conditions.focus_shift_um,
        dew=dew_share(scenario, frame),
        seed=int(generator(scenario, "sample", frame).integers(2**31)),
    )
    measured = _measured(scenario, frame, sample, sky, stars)
    if measured is None or measured.stars.n_found == 0:
        return FrameFailure(
            exposure=exposure,
            file=str(exposure.file),
            fault="no stars were found in it",
            remedy="Look whether it is clouded out, capped or far out of focus; leave it out of the stack.",
        )
    mean = measured.mean
    return FrameResult(
        exposure=exposure,
        sky=sky,
        stars=measured.stars,
        shape=frame_shape(measured),
        stacked=None if mean is None else StackedStar(image=mean.image, pixel_px=mean.pixel_px),
        saturation_adu=saturation_adu(scenario) if measured.stars.n_saturated else None,
    )


def exposure_of(scenario: Scenario, conditions: Conditions, folder: Path, hidden: frozenset[str]) -> Exposure:
    """What the frame's header says, through the reader of headers."""
    cards = {
        card.keyword: Card(value=card.value, comment=card.comment)
        for card in light_cards(scenario, conditions)
        if card.keyword not in hidden
    }
    path = folder / f"light_{conditions.frame + 1:04d}.fits"
    camera = scenario.camera
    return exposure_from_header(path, Header(cards), width_px=camera.width, height_px=camera.height)


def drawn_sky(scenario: Scenario, frame: int, conditions: Conditions) -> SkySummary:
    """The sky as the mesh of `measure_sky` would show it."""
    camera, rows, columns = scenario.camera, 12, 16
    coarse = replace(scenario, camera=replace(camera, width=64, height=64))
    light = sky_light(coarse, frame, conditions.airmass).astype(float)
    middle = np.linspace(0, 63, 4 * columns), np.linspace(0, 63, 4 * rows)
    light = light[np.round(middle[1]).astype(int)][:, np.round(middle[0]).astype(int)]
    seconds, gain = scenario.plan.exposure_s, camera.gain_e_per_adu
    electrons = (light + camera.dark_e_per_s) * seconds
    noise = np.sqrt(np.median(electrons) + camera.read_noise_e**2) / gain
    noise = float(np.hypot(noise, np.sqrt(1 / 12)))
    mesh = electrons.reshape(rows, 4, columns, 4).mean(axis=(1, 3)) / gain + camera.pedestal_adu
    chance = generator(scenario, "drawn sky", frame)
    pixels_a_mesh = camera.width * camera.height / mesh.size
    mesh += chance.standard_normal(mesh.shape) * noise * 1.3 / np.sqrt(max(pixels_a_mesh / 4, 1))
    level = float(np.median(mesh))
    low, high = np.percentile(mesh, [5, 95])
    return SkySummary(
        level_adu=level,
        noise_adu=noise,
        gradient_percent=float(100 * (high - low) / max(level - camera.pedestal_adu, 1e-6)),
        level_mesh_adu=mesh.astype(np.float32),
    )


@lru_cache(maxsize=1)
def _catalogue(scenario: Scenario) -> Catalogue:
    return stars_of_night(scenario)


def _places(scenario: Scenario, now: Attitude, time_s: float, offset_px: Floats) -> tuple[Floats, Floats]:
    """Mean place of each star on the sensor: that at one moment, and the nodes' mean offset from it."""
    stars, site = _catalogue(scenario), scenario.site
    hours = start_hour_angle_deg(scenario) + scenario.target.ra_deg - stars.ra_deg + np.degrees(TURN_PER_S * time_s)
    seen = refracted(direction(hours, stars.dec_deg), site.latitude_deg, site.pressure_hpa)
    x, y = on_sensor_px(scenario, seen, now)
    dx, dy = (over_field(offset_px[..., axis], x, y, scenario) for axis in (0, 1))
    return x + dx, y + dy


@dataclass(frozen=True, slots=True)
class OnSensor:
    """The stars that fall on the sensor, shape (n,) each."""

    x: Floats
    y: Floats
    flux_adu: Floats


def _on_sensor(scenario: Scenario, x: Floats, y: Floats, flux_adu: Floats) -> OnSensor:
    camera = scenario.camera
    with np.errstate(invalid="ignore"):
        on = (x > 2) & (x < camera.width - 3) & (y > 2) & (y < camera.height - 3)
    return OnSensor(x[on], y[on], flux_adu[on])


def over_field(values: Floats, x: Floats, y: Floats, scenario: Scenario) -> Floats:
    """A figure known at the nodes, at places of the sensor: bilinear, as the simulator mixes its stars."""
    camera = scenario.camera
    u = np.clip(np.nan_to_num((x + 0.5) / camera.width) * (NODES - 1), 0, NODES - 1)
    v = np.clip(np.nan_to_num((y + 0.5) / camera.height) * (NODES - 1), 0, NODES - 1)
    i, j = np.minimum(u.astype(int), NODES - 2), np.minimum(v.astype(int), NODES - 2)
    a, b = u - i, v - j
    low = values[j, i] * (1 - a) + values[j, i + 1] * a
    high = values[j + 1, i] * (1 - a) + values[j + 1, i + 1] * a
    return np.asarray(low * (1 - b) + high * b)


def components_of(sample: Sample) -> list[Component]:
    """What the finder makes of the sample's stars, with its figures at the nodes."""
    table = sample.measured.stars.table
    if not len(table):
        return []
    _, star = cKDTree(np.column_stack([sample.x, sample.y])).query(np.column_stack([table["x"], table["y"]]))
    offset = np.column_stack([table["x"] - sample.x[star], table["y"] - sample.y[star]])
    width = float(np.median(table["fwhm_px"]))
    count = np.bincount(star, minlength=len(sample.x))
    if (count > 1).mean() < 0.3:
        first = _brightest_of_each(table, star)
        return [_component(sample, table[first], star[first], offset[first])]
    middle = offset - np.median(offset, axis=0)
    direction_ = np.linalg.svd(middle, full_matrices=False)[2][0]
    along = middle @ direction_
    edge = (np.percentile(along, 5) + np.percentile(along, 95)) / 2
    parts = []
    for side in (along <= edge, along > edge):
        if side.sum() > 0.2 * len(sample.x):
            index = np.flatnonzero(side)
            index = index[_brightest_of_each(table[index], star[index])]
            parts.append(_component(sample, table[index], star[index], offset[index]))
    if len(parts) == 2 and np.ptp([float(np.nanmedian(part.maps["dx"])) for part in parts]) < 0.2 * width:
        parts = parts if abs(along).max() > width else parts[:1]
    return parts


def _brightest_of_each(table: StarTable, star: NDArray[np.intp]) -> NDArray[np.intp]:
    order = np.argsort(-table["flux_adu"], kind="stable")
    return order[np.unique(star[order], return_index=True)[1]]


def _component(sample: Sample, table: StarTable, star: NDArray[np.intp], offset: Floats) -> Component:
    """Means over the phases of each node."""
    snr, flux = table["snr"].astype(float), table["flux_adu"].astype(float)
    width = np.log(table["fwhm_px"].astype(float))
    lost = ~np.isfinite(width) | (np.abs(width - np.nanmedian(width)) > 0.9) | ~(table["fwhm_error_px"] > 0)
    lost |= ~(table["x_error"] < table["fwhm_px"]) | ~(table["flux_error_adu"] < np.abs(flux))  # fits that ran away
    inflation = np.sqrt(np.maximum(table["chi2"], 1.0))
    peak = table["peak_adu"] / flux
    stated = snr / inflation / own_light(flux * peak, sample.gain, sample.noise_adu)
    values = {
        "ln_fwhm": width, "e1": table["e1"], "e2": table["e2"],
        "dx": offset[:, 0], "dy": offset[:, 1],
        "xx": table["moment_xx_px2"], "yy": table["moment_yy_px2"], "xy": table["moment_xy_px2"],
        "coma1": table["coma1"], "coma2": table["coma2"],
        "trefoil1": table["trefoil1"], "trefoil2": table["trefoil2"],
        "radius": table["half_flux_radius_px"] / table["fwhm_px"], "flux": flux / FLUX_ADU,
        "peak": peak, "snr": snr * sample.noise_adu / flux,
        "fwhm_error": table["fwhm_error_px"] / table["fwhm_px"] * stated,
        "e1_error": table["e1_error"] * stated, "e2_error": table["e2_error"] * stated,
        "x_error": table["x_error"] * stated, "y_error": table["y_error"] * stated,
        "flux_error": table["flux_error_adu"] / flux * stated, "third_error": table["third_error"] * snr,
        "misfit": np.maximum(table["chi2"] - sample.noise_share, 0) / snr**2, "failed": lost.astype(float),
        "weight": np.ones(len(table)),
    }  # fmt: skip
    node = sample.node[star]
    maps = {name: _at_nodes(node, np.asarray(value, float), ~lost, name) for name, value in values.items()}
    drawn = np.bincount(sample.node, minlength=NODES**2).reshape(NODES, NODES)
    maps["weight"] = np.bincount(node, minlength=NODES**2).reshape(NODES, NODES) / drawn
    return Component(share=len(table) / len(sample.x), maps=maps)


def own_light(peak_adu: Floats, gain: float, noise_adu: float) -> Floats:
    """By what a star's own light enlarges the errors of its figures."""
    return np.asarray(np.sqrt(1 + OWN_SHARE * np.maximum(peak_adu, 0) / (gain * noise_adu**2)))


def _at_nodes(node: NDArray[np.intp], value: Floats, good: NDArray[np.bool_], name: str) -> Floats:
    use = np.isfinite(value) & (good | (name == "failed"))
    if not use.any():
        return np.full((NODES, NODES), float(name == "failed"))
    total = np.bincount(node[use], value[use], NODES**2)
    count = np.bincount(node[use], minlength=NODES**2)
    out = np.where(count > 0, total / np.maximum(count, 1), np.median(value[use]))
    return np.asarray(out.reshape(NODES, NODES))


def _measured(scenario: Scenario, frame: int, sample: Sample, sky: SkySummary, stars: OnSensor) -> Measured | None:
    """The table of stars, as `measure_stars` would have made it."""
    chance = generator(scenario, "drawn stars", frame)
    parts = components_of(sample)
    if not parts:
        return None
    rows = [_rows(scenario, part, sky, stars, chance) for part in parts]
    table = np.concatenate([row[0] for row in rows])
    seen = np.concatenate([row[1] for row in rows])
    if not len(table):
        return None
    order = np.argsort(-table["flux_adu"], kind="stable")
    table, seen = table[order], seen[order]
    clipped = table["peak_adu"] + table["sky_adu"] >= saturation_adu(scenario)
    width = float(np.median(table["fwhm_px"]))
    elongation = float(np.exp(np.hypot(np.median(table["e1"]), np.median(table["e2"]))))
    long_px, short_px = width * np.sqrt(elongation), width / np.sqrt(elongation)
    table, seen, clipped = _once(table, seen, clipped, float(np.sqrt(long_px * short_px)))
    x, y, flux = (table[name].astype(np.float32) for name in ("x", "y", "flux_adu"))
    pilot = Pilot(*(float(np.sqrt(axis**2 + PIXEL_ADDS_PX2)) for axis in (long_px, short_px)), pa_deg=0.0, n=len(x))
    beside = cKDTree(np.column_stack([x, y])).query_pairs(pilot.reach_px, output_type="ndarray")
    found = Found(x, y, flux, saturated=clipped, pilot=None, beside=beside)
    choice = choose_stars(found, (scenario.camera.height, scenario.camera.width), pilot)
    index = choice.index
    blended = choice.blended
    if sample.measured.trailed and len(index) > MOST_TRAILS:
        brightest = np.sort(np.argsort(-table["flux_adu"][index], kind="stable")[:MOST_TRAILS])
        index, blended = index[brightest], blended[brightest]
    chosen = table[index]
    chosen["flags"][blended] |= np.uint16(StarFlag.BLENDED)
    lines = _lines(scenario, frame, sky, chance)
    truth = sample.measured
    measured = Stars(
        table=chosen, n_found=len(table), n_saturated=int(clipped.sum()), lines=lines,
        doubled_px=truth.stars.doubled_px, doubled_share=truth.stars.doubled_share,
    )  # fmt: skip
    good = chosen["flags"] == 0
    beta = truth.beta
    if beta is not None:
        weight = float(np.sum(np.minimum(chosen["snr"][good], 300.0) ** 2))
        beta = float(beta * np.exp(chance.normal(0, 0.005 + 3.0 / np.sqrt(max(weight, 100.0)))))
    return replace(truth, stars=measured, beta=beta)


def _once(
    table: StarTable, seen: NDArray[np.bool_], clipped: NDArray[np.bool_], fwhm_px: float
) -> tuple[StarTable, NDArray[np.bool_], NDArray[np.bool_]]:
    """Each star once: the fainter of two that are one to the finder is lost, and what lies beside a clipped one."""
    tree = cKDTree(np.column_stack([table["x"], table["y"]]))
    pairs = tree.query_pairs(ONE_STAR * fwhm_px, output_type="ndarray")
    beside = tree.query_pairs(3 * fwhm_px, output_type="ndarray") if clipped.any() else np.zeros((0, 2), int)
    lost = np.zeros(len(table), bool)
    if len(pairs):
        lost[pairs.max(axis=1)] = True
    if len(beside):
        lost[beside.max(axis=1)[clipped[beside.min(axis=1)]]] = True
    keep = ~lost & seen
    return table[keep], seen[keep], clipped[keep]


def _rows(
    scenario: Scenario, part: Component, sky: SkySummary, stars: OnSensor, chance: np.random.Generator
) -> tuple[StarTable, NDArray[np.bool_]]:
    """Rows of the stars on the sensor, and which of them are found."""
    x, y = stars.x, stars.y
    at = {name: over_field(part.maps[name], x, y, scenario) for name in SPREAD}
    flux = stars.flux_adu * at["flux"]
    noise = sky.noise_adu
    snr = flux * at["snr"] / noise
    worth = snr > 4
    x, y, flux, snr = x[worth], y[worth], flux[worth], snr[worth]
    at = {name: value[worth] for name, value in at.items()}
    n = len(x)
    table = np.zeros(n, dtype=STAR_DTYPE)
    own = own_light(flux * at["peak"], scenario.camera.gain_e_per_adu, noise)
    misfit = 1 + at["misfit"] * snr**2
    stated = np.sqrt(np.maximum(misfit, 1)) * own / np.maximum(snr, 1e-9)

    def drawn(error: Floats) -> Floats:
        return EXCESS_SCATTER * error * chance.standard_normal(n)

    errors = {name: at[f"{name}_error"] * stated for name in ("fwhm", "e1", "e2", "x", "y", "flux")}
    third = at["third_error"] / np.maximum(snr, 1e-9)
    table["x"] = x + at["dx"] + drawn(errors["x"])
    table["y"] = y + at["dy"] + drawn(errors["y"])
    relative = np.clip(drawn(errors["flux"]), -0.5, 0.5)
    table["flux_adu"] = flux * (1 + relative)
    table["snr"] = snr * (1 + relative)
    fwhm = np.exp(at["ln_fwhm"] + np.clip(drawn(errors["fwhm"]), -0.7, 0.7))
    table["fwhm_px"], table["fwhm_error_px"] = fwhm, errors["fwhm"] * fwhm
    for name in ("e1", "e2"):
        table[name] = at[name] + np.clip(drawn(errors[name]), -1.5, 1.5)
    for name in ("x", "y", "e1", "e2"):
        table[f"{name}_error"] = errors[name]
    table["flux_error_adu"] = errors["flux"] * flux
    for name in ("coma1", "coma2", "trefoil1", "trefoil2"):
        table[name] = at[name] + THIRD_SCATTER * drawn(third * own)
    table["third_error"] = third
    for name in ("xx", "yy", "xy"):
        spread = drawn(errors["fwhm"]) * (at["xx"] + at["yy"]) * (1.0 if name != "xy" else 0.5)
        table[f"moment_{name}_px2"] = at[name] + spread
    table["half_flux_radius_px"] = at["radius"] * fwhm * (1 + drawn(errors["flux"]) / 2)
    table["half_flux_radius_error_px"] = at["radius"] * fwhm * errors["flux"]
    table["peak_adu"] = flux * at["peak"]
    table["sky_adu"] = sky.level_adu
    table["chi2"] = misfit * (1 + 0.1 * chance.standard_normal(n))
    # what `stars.measure` calls a bad fit: four times the misfit that stars as bright usually have
    usual = 1 + float(np.median(part.maps["misfit"])) * snr**2
    failed = (table["chi2"] > 4 * usual) | (chance.uniform(size=n) < np.maximum(at["failed"], PIXEL_GAPS))
    table["flags"][failed | (errors["fwhm"] > 0.5)] |= np.uint16(StarFlag.BAD_FIT)
    found = snr + chance.standard_normal(n) > FOUND_SNR
    return table, found & (chance.uniform(size=n) < np.maximum(at["weight"], 0.0))


def _lines(scenario: Scenario, frame: int, sky: SkySummary, chance: np.random.Generator) -> tuple[Line, ...]:
    """The line of a satellite, if the finder sees it: bright enough over the noise."""
    if frame not in scenario.sky.satellite_frames:
        return ()
    sigma = LINE_E / (scenario.camera.gain_e_per_adu * sky.noise_adu)
    if sigma * np.exp(0.1 * chance.standard_normal()) < CROSSING_PEAK_SIGMA:
        return ()
    width, height = scenario.camera.width, scenario.camera.height
    angle, x, y = chance.uniform(0, np.pi), width * chance.uniform(0.3, 0.7), height * chance.uniform(0.3, 0.7)
    reach = 0.4 * min(width, height) * np.array([np.cos(angle), np.sin(angle)])
    ends = {"x0_px": x - reach[0], "y0_px": y - reach[1], "x1_px": x + reach[0], "y1_px": y + reach[1]}
    line = Line(
        **{name: float(place) for name, place in ends.items()},
        fwhm_px=2.6, reach_px=6.0, light_adu_per_px=900 / scenario.camera.gain_e_per_adu, light_error_adu_per_px=1.0,
        unevenness=0.02, open_ends=0, look="trail",
    )  # fmt: skip
    return (line,)
