"""One frame in words: what it is, how its stars are, and the faults that a single frame shows."""

from dataclasses import dataclass
from typing import Final

from framecheck.causes.catalogue import CAUSES
from framecheck.causes.result import CLAIMED, Finding
from framecheck.decision.frame_row import FrameRow
from framecheck.decision.grades import PLAINLY_LONG
from framecheck.decision.judgement import Judgement
from framecheck.quantity import EVEN_ENOUGH, LOOKS_ROUND, ROUND_ENOUGH
from framecheck.read.exposure import Exposure
from framecheck.report.drawing import rows_named
from framecheck.words import fixed, likelihood, number, percent, signed, told

Row = tuple[str, str, str]
"""What it is, its value with unit and error, what would be good."""

_TOLD_BY_SIZE: Final = ("undersampled", "oversampled")
"""Causes that the line of the FWHM tells already."""
_ALONE: Final = "A single frame can't tell cloud, focus and the mount's motion: `framecheck night` compares frames."


@dataclass(frozen=True, kw_only=True, slots=True)
class FrameAccount:
    """What is told of a frame."""

    about: str
    rows: tuple[Row, ...]
    faults: tuple[str, ...]
    """Sentences; empty if the frame shows none."""
    open: str
    """What only its night could tell."""

    @property
    def lines(self) -> list[tuple[str, str]]:
        """Each fact with its name, then the faults."""
        facts = [(name, value + (f" ({good})" if good else "")) for name, value, good in self.rows]
        return facts + ([("Fault", one) for one in self.faults] or [("Faults", "none that a single frame shows")])


def frame_account(judgement: Judgement) -> FrameAccount:
    """The account of the one frame of a night."""
    (frame,), (row,) = judgement.night.frames, judgement.rows
    exposure = frame.result.exposure
    rows = [("Stars", _stars(row), "")]
    if row.fwhm_px is None:
        rows.append(("Shape", "too few good stars to average", ""))
    else:
        rows += _shape(row, judgement)
    rows.append(("Sky", _sky(row), "lower is darker"))
    if row.ground_share:
        rows.append(("Ground", f"{percent(row.ground_share)} of the frame; stars and sky are those above it", ""))
    if row.altitude_deg is not None:
        airmass = "" if row.airmass is None else f", air mass {row.airmass:.2f}"
        rows.append(
            ("Altitude", f"{row.altitude_deg:.0f}°{airmass}", "air mass 1 is straight up, below 1.8 costs little")
        )
    rows += [("Header", conflict, "") for conflict in exposure.conflicts]
    return FrameAccount(about=_about(exposure), rows=tuple(rows), faults=_faults(judgement), open=_ALONE)


def _about(exposure: Exposure) -> str:
    start, clock = exposure.start_by_clock, "UTC" if exposure.start_utc else "by the camera's clock"
    parts = [
        exposure.target,
        exposure.filter and f"filter {exposure.filter}",
        exposure.exposure_s and f"{exposure.exposure_s:g} s",
        f"{exposure.width_px} × {exposure.height_px} px",
        start and f"{start:%Y-%m-%d %H:%M} {clock}",
    ]
    return ", ".join(str(part) for part in parts if part)


def _stars(row: FrameRow) -> str:
    found, clipped = row.n_stars, row.n_saturated_stars
    share = f" ({told(100 * clipped / found, 'percent')})" if clipped and found else ""
    return f"{found} found, {row.n_measured_stars} measured, {clipped} clipped{share}"


def _shape(row: FrameRow, judgement: Judgement) -> list[Row]:
    size = f"{fixed(row.fwhm_px, 2)} ± {fixed(row.fwhm_px_error, 2)} px"
    if row.fwhm_arcsec is not None:
        size = f"{fixed(row.fwhm_arcsec, 2)} ± {fixed(row.fwhm_arcsec_error, 2)} arcsec ({size})"
    verdict = judgement.sampling.verdict
    pa_deg = row.elongation_pa_deg
    way = "" if pa_deg is None else f", long axis at {round(pa_deg) % 180}° from +x towards +y"
    drawn_out = f"{fixed(row.elongation, 3)} ± {fixed(row.elongation_error, 3)}{way}"
    rows = [
        ("FWHM", size + (f", {verdict}" if verdict else ""), "2 to 3 px sample a star, up to 5 do no harm"),
        ("Elongation", drawn_out, ROUND_ENOUGH),
    ]
    if row.trail_length_px is not None:
        rows.append(("Trail", f"{row.trail_length_px:.1f} px: the stars moved along a line", "round stars have none"))
    field = judgement.field_pattern
    first_row, last_row = rows_named(judgement.night)
    uneven = [
        f"{signed(value, 0, ' %')} {where}"
        for value, where in (
            (field.tilt_x_percent, "right against left"),
            (field.tilt_y_percent, f"{last_row} against {first_row}"),
            (field.curvature_percent, "corners against centre"),
        )
        if value is not None
    ]
    if uneven:
        rows.append(("Over field", "FWHM " + ", ".join(uneven), EVEN_ENOUGH))
    return rows


def _sky(row: FrameRow) -> str:
    electrons = "" if row.sky_e_per_s is None else f" ({number(row.sky_e_per_s)} e⁻ a second and pixel)"
    gradient = row.sky_gradient_percent
    uneven = "" if gradient is None else f", uneven by {fixed(gradient, 0)} %"
    return f"{row.sky_adu:.5g} ADU{electrons}, noise {row.sky_noise_adu:.3g} ADU a pixel{uneven}"


def _faults(judgement: Judgement) -> tuple[str, ...]:
    """Why the frame alone would be rejected, and what its stars claim of optics, camera and sky."""
    (frame,), (grade,) = judgement.night.frames, judgement.grades
    told_by_grade = grade.reasons if grade.grade != "keep" else ()
    stars, shape = frame.result.stars, frame.result.shape
    # moved stars have tails of their own, which say nothing of the optics
    moved = stars.doubled_px is not None or (
        shape is not None and (shape.trail_length_px is not None or shape.elongation > PLAINLY_LONG)
    )
    claimed = [
        finding
        for finding in judgement.findings
        if finding.confidence >= CLAIMED
        and finding.cause not in _TOLD_BY_SIZE
        and not (moved and CAUSES[finding.cause].family in ("optics", "mount"))
    ]
    long = ""
    if shape is not None and shape.elongation - shape.elongation_error > LOOKS_ROUND and not told_by_grade:
        long = f"Elongated stars, {fixed(shape.elongation, 2)}: only other frames of the night show "
        long += "whether mount or optics did it."
    return (*told_by_grade, *filter(None, [long]), *map(_claim, claimed))


def _claim(finding: Finding) -> str:
    seen = finding.first_measured
    claim = f"{CAUSES[finding.cause].title}, {likelihood(finding.confidence)}"
    if seen is None:
        return f"{claim}."
    good = f" (normal: {seen.normal})" if seen.normal else ""
    return f"{claim}: {seen.statement}: {seen.measured}{good}."
