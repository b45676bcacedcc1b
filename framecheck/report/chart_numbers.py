"""The numbers behind the page's pictures, as night.json holds them."""

from typing import Any

import numpy as np

from framecheck.decision.grades import stack_curve
from framecheck.decision.judgement import Judgement
from framecheck.report.field_map import FieldCells, field_cells
from framecheck.report.motion_chart import course_of, main_group
from framecheck.report.words import path_in


def chart_numbers(judgement: Judgement) -> dict[str, Any]:
    """What the pictures show that no other part of night.json holds; None where a picture has nothing to show.

    Returns
    -------
    dict
        `course`: the pointing of the main group between exposures, dithers and flips taken out; `stack`: its stack as
        frames are left out, the worst first; `field`: medians of the good stars in cells over the sensor.
    """
    return {"course": _course(judgement), "stack": _stack(judgement), "field": _field(judgement)}


def _course(judgement: Judgement) -> dict[str, Any] | None:
    group = main_group(judgement)
    motion = None if group is None else judgement.night.motion.get(group.id)
    if group is None or motion is None:
        return None
    course = course_of(motion, judgement.night.tracking.get(group.id))
    if course is None:
        return None
    on_sky = course.unit == "arcsec"
    first, second = ("ra_arcsec", "dec_arcsec") if on_sky else ("x_px", "y_px")
    return {
        "group": group.id,
        "file": [_name(judgement, i) for i in course.frames],
        "minutes": course.minutes.tolist(),
        first: course.first.tolist(),
        second: course.second.tolist(),
    }


def _stack(judgement: Judgement) -> dict[str, Any] | None:
    group = main_group(judgement)
    if group is None:
        return None
    curve = stack_curve(judgement.night, group, judgement.aim)
    if not curve.n_kept:
        return None
    return {
        "group": group.id,
        "left_out": [_name(judgement, i) for i in curve.left_out],
        "n_kept": curve.n_kept,
        "effective_exposure_s": curve.effective_exposure_s,
        "fwhm_px": curve.fwhm_px,
        "elongation": curve.elongation,
    }


def _field(judgement: Judgement) -> dict[str, Any] | None:
    cells, at_rest = field_cells(judgement), field_cells(judgement, still=True)
    if cells is None:
        return None
    return {
        "x_px": cells.x.ravel().tolist(),
        "y_px": cells.y.ravel().tolist(),
        "fwhm_px": cells.fwhm_px.ravel().tolist(),
        **_shape(cells),
        "without_motion": None if at_rest is None else _shape(at_rest),
    }


def _shape(cells: FieldCells) -> dict[str, list[float]]:
    """Elongation, direction counter-clockwise from +x, and standard error of ln(elongation)."""
    return {
        "elongation": np.exp(np.hypot(cells.e1, cells.e2)).ravel().tolist(),
        "elongation_pa_deg": (np.degrees(np.arctan2(cells.e2, cells.e1)) / 2 % 180).ravel().tolist(),
        "elongation_error": cells.error.ravel().tolist(),
    }


def _name(judgement: Judgement, index: int) -> str:
    return path_in(judgement.night.folder, judgement.night.frames[index].result.exposure.file)
