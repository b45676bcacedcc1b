"""The numbers behind the page's pictures, as night.json holds them."""

from typing import Any, Final

import numpy as np

from framecheck import shear
from framecheck.decision.field_cells import FieldCells
from framecheck.decision.group_figures import GroupFigures
from framecheck.decision.judgement import Judgement
from framecheck.words import path_in


def chart_numbers(judgement: Judgement) -> dict[str, Any]:
    """What the pictures show that no other part of night.json holds; None where a picture has nothing to show.

    Returns
    -------
    dict
        `groups`: for each group with pictures, the largest first: `course`, the pointing between exposures, dithers and
        flips taken out; `rhythm`, the periods tried and what they were found in; `smear` of each exposure; `stack`, as
        frames are left out, the worst first; `mean_stars`. `field`: medians of the good stars in cells over the sensor.
        `choice`: frames in the order in which they are kept, and what each number of them makes.
    """
    groups = [_of_group(judgement, group) for group in judgement.pictured]
    return {"groups": groups, "field": _field(judgement), "choice": _choice(judgement)}


def _choice(judgement: Judgement) -> dict[str, Any]:
    """Frames in the order in which they are kept, and what the first, the first two, ... of them make."""
    choice = judgement.choice
    return {
        "file": [_name(judgement, i) for i in choice.order],
        "worth_s": choice.worth_s,
        f"fwhm_{choice.unit}": choice.fwhm,
    }


def _of_group(judgement: Judgement, group: GroupFigures) -> dict[str, Any]:
    return {
        "group": group.group.id,
        "course": _course(judgement, group),
        "rhythm": _rhythm(judgement, group),
        "smear": _smear(judgement, group),
        "stack": _stack(judgement, group),
        "mean_stars": _mean_stars(judgement, group),
    }


def _course(judgement: Judgement, group: GroupFigures) -> dict[str, Any] | None:
    course = group.course
    if course is None:
        return None
    on_sky = course.unit == "arcsec"
    first, second = ("ra_arcsec", "dec_arcsec") if on_sky else ("x_px", "y_px")
    return {
        "file": [_name(judgement, i) for i in course.frames],
        "minutes": course.minutes.tolist(),
        first: course.first.tolist(),
        second: course.second.tolist(),
    }


def _rhythm(judgement: Judgement, group: GroupFigures) -> dict[str, Any] | None:
    wave = group.wave
    if wave is None:
        return None
    rhythm = wave.rhythm
    spectrum = rhythm.spectrum
    return {
        "of": "smear" if rhythm.amplitude_px is None else "position",
        "period_s": rhythm.period_s,
        "period_error_s": rhythm.period_error_s,
        "false_alarm_probability": rhythm.false_alarm_probability,
        "file": [_name(judgement, i) for i in wave.frames],
        "minutes": wave.minutes.tolist(),
        f"value_{wave.unit}": wave.value.tolist(),
        "tried_period_s": None if spectrum is None else spectrum.period_s.tolist(),
        "gain_log_likelihood": None if spectrum is None else spectrum.gain.tolist(),
        "gain_by_chance": None if spectrum is None else spectrum.gain_by_chance,
    }


def _smear(judgement: Judgement, group: GroupFigures) -> dict[str, Any] | None:
    tracking = judgement.night.tracking.get(group.group.id)
    if tracking is None or not tracking.smears.frames:
        return None
    smears = tracking.smears
    return {
        "file": [_name(judgement, i) for i in smears.frames],
        "minutes": smears.minutes.tolist(),
        "rms_px": smears.rms_px.tolist(),
        "rms_error_px": smears.rms_error_px.tolist(),
        "pa_deg": shear.pa_deg(smears.spin2_px2).tolist(),
        "path": smears.path,
    }


def _stack(judgement: Judgement, group: GroupFigures) -> dict[str, Any] | None:
    curve = group.stack
    if not curve.n_kept:
        return None
    return {
        "left_out": [_name(judgement, i) for i in curve.left_out],
        "n_kept": curve.n_kept,
        "effective_exposure_s": curve.effective_exposure_s,
        "fwhm_px": curve.fwhm_px,
        "elongation": curve.elongation,
    }


def _mean_stars(judgement: Judgement, group: GroupFigures) -> list[dict[str, Any]]:
    """Images with the peak at 1, rows along y."""
    return [
        {
            "file": _name(judgement, one.frame),
            "pixel_px": one.star.pixel_px,
            "image": np.round(one.star.image.astype(float), _SHADES).tolist(),
            "path_ends_px": None if one.ends_px is None else [[end.real, end.imag] for end in one.ends_px],
        }
        for one in group.mean_stars
    ]


_SHADES: Final = 4
"""Decimals of a mean star's image. Chosen: finer than its noise."""


def _field(judgement: Judgement) -> dict[str, Any] | None:
    cells, at_rest = judgement.cells, judgement.cells_at_rest
    if cells is None:
        return None
    surface = cells.smooth_fwhm_px
    return {
        "x_px": cells.x.ravel().tolist(),
        "y_px": cells.y.ravel().tolist(),
        "fwhm_px": cells.fwhm_px.ravel().tolist(),
        "smooth_fwhm_px": None if surface is None else surface.ravel().tolist(),
        **_shape(cells),
        "without_motion": None if at_rest is None else _shape(at_rest),
    }


def _shape(cells: FieldCells) -> dict[str, list[float]]:
    """Elongation, direction counter-clockwise from +x, and standard error of ln(elongation)."""
    return {
        "elongation": np.exp(np.abs(cells.e)).ravel().tolist(),
        "elongation_pa_deg": shear.pa_deg(cells.e).ravel().tolist(),
        "elongation_error": cells.error.ravel().tolist(),
    }


def _name(judgement: Judgement, index: int) -> str:
    return path_in(judgement.night.folder, judgement.night.frames[index].result.exposure.file)
