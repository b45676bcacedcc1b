"""Frames of a session as the model takes them."""

from collections.abc import Sequence
from math import log
from typing import Final

import numpy as np
from numpy.typing import NDArray

from framecheck.causes.wings import expected_beta
from framecheck.field.sampling import diffraction_fwhm_arcsec
from framecheck.model.terms import Setting
from framecheck.model.zones import zones_of
from framecheck.night.records import Group, Night
from framecheck.night.smears import lines_px
from framecheck.read.rig import Rig

Floats = NDArray[np.float64]

MOST_FRAMES: Final = 60
"""Frames that the shared terms are solved from, spread over the night. Chosen: more change their errors little."""

FEWEST_ZONES: Final = 12
"""Zones, all frames together, that the model takes. Chosen."""

USUAL_AIRY: Final = 0.08
"""Diffraction over the FWHM where the aperture is not known. Chosen: a small one."""

LINE_RESPONSE: Final = 1.2
"""Growth of the shape over 4 ln 2 times an even line's second moment. [dimensionless] Stars with the wings of air."""

TURNING_ERROR: Final = 0.15
LEAST_TURNING_ERROR: Final = 0.01
UNKNOWN_TURNING: Final = 0.1
"""[share, FWHM] Errors of the turning that frames let expect. Chosen."""


def setting_of(night: Night, groups: Sequence[Group], rig: Rig) -> tuple[Setting, tuple[int, ...]] | None:
    """Frames of one session, all its groups together, and their indices in `Night.frames`.

    None if too few frames or stars say anything.
    """
    members = sorted((i, kind) for kind, group in enumerate(groups) for i in group.members)
    step = max(1, -(-len(members) // MOST_FRAMES))
    members = members[::step]
    zones = zones_of([night.frames[i] for i, _ in members])
    if zones is None or int((zones.weight[0] > 0).sum()) < FEWEST_ZONES:
        return None
    rows = [members[k] for k in zones.frames]
    frames = [night.frames[i] for i, _ in rows]
    kinds = sorted({kind for _, kind in rows})
    kind = np.array([kinds.index(k) for _, k in rows])
    shapes = [frame.result.shape for frame in frames]
    size = zones.value[0].real[zones.weight[0] > 0]
    width2 = float(np.median(size))
    width = float(np.sqrt(width2))
    share = USUAL_AIRY
    if rig.aperture_mm is not None and rig.pixel_scale_arcsec is not None:
        share = diffraction_fwhm_arcsec(rig.aperture_mm) / (width * rig.pixel_scale_arcsec)
    seconds = np.array([_or_nan(None if (t := frame.result.exposure.middle_utc) is None else t.timestamp()) for frame in frames])
    exposure = np.array([_or_nan(frame.result.exposure.exposure_s) for frame in frames])
    airmass = np.array([_or_nan(frame.airmass) for frame in frames])
    beta = np.array([_or_nan(None if shape is None else shape.moffat_beta) for shape in shapes])
    temperature = np.array([_or_nan(frame.result.exposure.tube_temp_c) for frame in frames])
    turning, turning_error = np.zeros(len(rows)), np.full(len(rows), UNKNOWN_TURNING)
    line = np.full(len(rows), np.nan + 0j)
    unit = np.sqrt(4 * log(2) * LINE_RESPONSE / 12 / width2)
    for number, k in enumerate(kinds):
        here = np.flatnonzero(kind == number)
        between = night.motion.get(groups[k].id)
        if between is None:
            continue
        lines = lines_px(between, [rows[j][0] for j in here], np.nan_to_num(exposure[here]))
        turned = np.radians([_turned(frames[j].registration) for j in here])
        line[here] = lines * np.exp(1j * turned) * unit
        rate, error = between.rotation_deg_per_hour, between.rotation_error_deg_per_hour
        if rate is None or error is None or not np.isfinite(error):
            continue
        result = frames[here[0]].result.exposure
        corner = np.hypot(result.width_px, result.height_px) / 2
        each = np.radians(np.nan_to_num(exposure[here]) / 3600) * corner * unit
        turning[here] = rate * each
        turning_error[here] = np.hypot(np.hypot(TURNING_ERROR * rate, error) * each, LEAST_TURNING_ERROR)
    return Setting(
        zones=zones, width2_px2=width2, kind=kind, n_kinds=len(kinds), course=_course(seconds),
        ln_airmass=np.where(np.isfinite(airmass), np.log(np.maximum(np.nan_to_num(airmass, nan=1.0), 1.0)), 0.0),
        temperature=_about_mean(temperature), inverse_beta=1 / beta,
        inverse_beta_in_focus=np.full(len(rows), 1 / expected_beta(max(width, 1.0), rig)),
        diffraction2=share**2, turning=turning, turning_error=turning_error, line=np.nan_to_num(line),
        line_known=np.isfinite(line),
    ), tuple(i for i, _ in rows)  # fmt: skip


def _course(seconds: Floats) -> Floats:
    """Legendre polynomials of the time; 0 where it is unknown."""
    known = np.isfinite(seconds)
    if known.sum() < 2 or np.ptp(seconds[known]) <= 0:
        return np.zeros((len(seconds), 3))
    t = np.where(known, 2 * (seconds - seconds[known].min()) / np.ptp(seconds[known]) - 1, 0)
    return np.stack([t, (3 * t**2 - 1) / 2, (5 * t**3 - 3 * t) / 2], axis=-1) * known[:, None]


def _about_mean(values: Floats) -> Floats:
    known = np.isfinite(values)
    if not known.all() or np.ptp(values) < 0.5:
        return np.zeros(len(values))
    return np.asarray((values - values.mean()) / np.ptp(values))


def _turned(registration) -> float:
    return 0.0 if registration is None else registration.rotation_deg


def _or_nan(value: float | None) -> float:
    return np.nan if value is None else value
