"""`framecheck frame`: one frame in a few lines, or as JSON."""

from pathlib import Path

from framecheck.cli.night_summary import failure_line
from framecheck.cli.terminal import safe, say, warn
from framecheck.field import FrameFailure, FrameResult, judge_sampling
from framecheck.night.records import Skipped
from framecheck.pipeline import measure_file
from framecheck.read import Rig, load_rig, merge_rig
from framecheck.report.night_json import frame_document, json_text


def account_for_frames(files: list[Path], rig_file: Path | None, *, as_json: bool = False) -> int:
    """Measure files and print what was found; the number that could not be measured."""
    rig = load_rig(rig_file) if rig_file is not None else Rig()
    n_failed = 0
    for number, path in enumerate(files):
        outcome = measure_file(path, rig)
        if isinstance(outcome, Skipped):
            remedy = "Name a light frame."
            outcome = FrameFailure(exposure=None, file=str(path), fault=f"is no light: {outcome.why}", remedy=remedy)
        n_failed += isinstance(outcome, FrameFailure)
        if as_json:
            exposures = [outcome.exposure] if outcome.exposure is not None else []
            say(json_text(frame_document(outcome, merge_rig(rig, exposures), path.parent), indent=None).rstrip("\n"))
        elif isinstance(outcome, FrameFailure):
            warn(failure_line(outcome))
        else:
            if number:
                say()
            say("\n".join(frame_lines(outcome, merge_rig(rig, [outcome.exposure]))))
    return n_failed


def frame_lines(result: FrameResult, rig: Rig) -> list[str]:
    """One frame for a person: each number with its unit, its error and what would be good."""
    exposure, shape, scale = result.exposure, result.shape, rig.pixel_scale_arcsec
    about = [
        exposure.target,
        exposure.filter and f"filter {exposure.filter}",
        exposure.exposure_s and f"{exposure.exposure_s:g} s",
        f"{exposure.width_px} x {exposure.height_px} px",
    ]
    lines = [safe(exposure.file.name), "  " + safe(", ".join(str(part) for part in about if part))]
    found = (
        f"{result.stars.n_found} found, {shape.n_measured if shape else 0} measured, {result.stars.n_saturated} clipped"
    )
    rows = [("Stars", found)]
    if shape is not None:
        size = f"{shape.fwhm_px:.2f} ± {shape.fwhm_px_error:.2f} px"
        if scale is not None:
            size = f"{shape.fwhm_px * scale:.2f} arcsec ({size})"
        rows.append(("FWHM", f"{size}, {judge_sampling(shape.fwhm_px).verdict}"))
        way = "" if shape.elongation_pa_deg is None else f", long axis at {shape.elongation_pa_deg:.0f}° from +x"
        rows.append(("Elongation", f"{shape.elongation:.3f} ± {shape.elongation_error:.3f}{way} (up to 1.2 is fine)"))
        if shape.trail_length_px is not None:
            rows.append(("Trail", f"{shape.trail_length_px:.1f} px: the stars moved along a line"))
    else:
        rows.append(("Shape", "too few good stars to average"))
    rows.append(("Sky", f"{result.sky.level_adu:.5g} ADU, noise {result.sky.noise_adu:.3g} ADU a pixel"))
    if exposure.altitude_deg is not None:
        rows.append(("Altitude", f"{exposure.altitude_deg:.0f}°, air mass {exposure.airmass or float('nan'):.2f}"))
    lines += [f"  {name:<11} {value}" for name, value in rows]
    lines += [f"  Note        {safe(conflict)}" for conflict in exposure.conflicts]
    return lines
