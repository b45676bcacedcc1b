"""`framecheck frame`: one frame in a few lines, or as JSON."""

import sys
from pathlib import Path

from framecheck.cli.night_summary import failure_line
from framecheck.cli.terminal import Look, look_of, safe, say, warn
from framecheck.field import FrameFailure, FrameResult, FrameShape, judge_sampling
from framecheck.night.records import Skipped
from framecheck.pipeline import measure_file
from framecheck.read import Rig, load_rig, merge_rig
from framecheck.report.night_json import frame_document, json_text
from framecheck.report.verdict import LOOKS_ROUND


def account_for_frames(files: list[Path], rig_file: Path | None, *, as_json: bool = False) -> int:
    """Measure files and print what was found; the number that could not be measured."""
    rig = load_rig(rig_file) if rig_file is not None else Rig()
    n_failed = 0
    for number, path in enumerate(files):
        outcome = measure_file(path, rig)
        if isinstance(outcome, Skipped):
            remedy = "Give a light frame."
            outcome = FrameFailure(exposure=None, file=str(path), fault=f"is no light: {outcome.why}", remedy=remedy)
        n_failed += isinstance(outcome, FrameFailure)
        full_rig = merge_rig(rig, [] if outcome.exposure is None else [outcome.exposure])
        if as_json:
            say(json_text(frame_document(outcome, full_rig), indent=None))
        elif isinstance(outcome, FrameFailure):
            warn(failure_line(outcome))
        else:
            say(("\n" if number else "") + "\n".join(frame_lines(outcome, full_rig, look_of(sys.stdout))))
    return n_failed


def frame_lines(result: FrameResult, rig: Rig, look: Look) -> list[str]:
    """One frame for a person: each number with its unit, its error and what would be good."""
    exposure, shape = result.exposure, result.shape
    about = [
        exposure.target,
        exposure.filter and f"filter {exposure.filter}",
        exposure.exposure_s and f"{exposure.exposure_s:g} s",
        f"{exposure.width_px} × {exposure.height_px} px",
    ]
    n_measured = shape.n_measured if shape else 0
    found = f"{result.stars.n_found} found, {n_measured} measured, {result.stars.n_saturated} clipped"
    rows = [("", ", ".join(str(part) for part in about if part)), ("Stars", found)]
    rows += _shape_rows(shape, rig.pixel_scale_arcsec) if shape else [("Shape", "too few good stars to average")]
    rows.append(("Sky", f"{result.sky.level_adu:.5g} ADU, noise {result.sky.noise_adu:.3g} ADU a pixel"))
    if exposure.altitude_deg is not None:
        airmass = "" if exposure.airmass is None else f", air mass {exposure.airmass:.2f}"
        rows.append(("Altitude", f"{exposure.altitude_deg:.0f}°{airmass}"))
    rows += [("Header", conflict) for conflict in exposure.conflicts]
    lines = [look.style(safe(exposure.file.name), "bold")]
    for name, value in rows:
        lines.append(f"  {look.style(f'{name:<11}', 'quiet')} " + look.wrap(safe(value), 14, used=14))
    return lines


def _shape_rows(shape: FrameShape, scale_arcsec: float | None) -> list[tuple[str, str]]:
    size = f"{shape.fwhm_px:.2f} ± {shape.fwhm_px_error:.2f} px"
    if scale_arcsec is not None:
        size = f"{shape.fwhm_px * scale_arcsec:.2f} arcsec ({size})"
    way = "" if shape.elongation_pa_deg is None else f", long axis at {shape.elongation_pa_deg:.0f}° from +x"
    elongation = f"{shape.elongation:.3f} ± {shape.elongation_error:.3f} (up to {LOOKS_ROUND} is hardly seen){way}"
    rows = [("FWHM", f"{size}, {judge_sampling(shape.fwhm_px).verdict}"), ("Elongation", elongation)]
    if shape.trail_length_px is not None:
        rows.append(("Trail", f"{shape.trail_length_px:.1f} px: the stars moved along a line"))
    return rows
