"""One row a frame: the fields that night.json, frames.csv, the page and the terminal all draw from."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final, Literal

from framecheck import shear
from framecheck.causes.result import CLAIMED, Finding
from framecheck.decision.grades import Grade, GradeName
from framecheck.document import time_text
from framecheck.field.result import FrameFailure, FrameResult
from framecheck.motion.night import Night
from framecheck.night.records import NightFrame
from framecheck.quantity import QUANTITIES, Quantity
from framecheck.read.exposure import Exposure
from framecheck.read.rig import Rig
from framecheck.words import known, path_in, sentence, valid_text


@dataclass(frozen=True, kw_only=True, slots=True)
class FrameRow:
    """A frame as night.json tells it; the names and their order are part of the contract."""

    file: str
    group: str | None = None
    start_utc: str | None = None
    exposure_s: float | None = None
    status: Literal["measured", "failed"] = "measured"
    failure: str | None = None
    grade: GradeName | None = None
    reasons: tuple[str, ...] = ()
    n_stars: int | None = None
    n_measured_stars: int | None = None
    n_saturated_stars: int | None = None
    fwhm_px: float | None = None
    fwhm_px_error: float | None = None
    fwhm_arcsec: float | None = None
    elongation: float | None = None
    elongation_error: float | None = None
    elongation_pa_deg: float | None = None
    elongation_pa_sky_deg: float | None = None
    moffat_beta: float | None = None
    half_flux_radius_px: float | None = None
    sky_adu: float | None = None
    sky_noise_adu: float | None = None
    sky_e_per_s: float | None = None
    sky_gradient_percent: float | None = None
    transparency: float | None = None
    effective_exposure_s: float | None = None
    shift_x_px: float | None = None
    shift_y_px: float | None = None
    rotation_deg: float | None = None
    trail_length_px: float | None = None
    altitude_deg: float | None = None
    airmass: float | None = None
    sensor_temp_c: float | None = None
    tube_temp_c: float | None = None
    causes: tuple[str, ...] | None = None
    """Names of the claimed causes that touch this frame, surest first; None for a frame outside any night."""
    ground_share: float | None = None
    """Share of the frame that is ground or obstruction; 0 without."""
    smear_px: float | None = None
    """Rms of the motion inside the exposure along its main direction, the optics' part taken off."""
    smear_pa_deg: float | None = None
    """That direction in the group's reference frame, counter-clockwise from +x."""
    star_trace: Literal["round", "line", "two blobs", "hook"] | None = None
    """What a star drew in the exposure."""
    session: int | None = None
    """That of the frame's group: one rig, without a gap of hours."""
    iso: float | None = None
    f_number: float | None = None
    start_local: str | None = None
    """The start by a clock that does not name its zone; None where UTC is known."""
    tag: str | None = None
    """The first of its reasons in two or three words."""

    @property
    def start(self) -> datetime | None:
        """Start of the exposure in UTC, or local time as though it were: for order and differences."""
        text = self.start_utc or self.start_local
        return None if text is None else datetime.fromisoformat(text).replace(tzinfo=UTC)

    @property
    def fwhm_arcsec_error(self) -> float | None:
        """Standard error of `fwhm_arcsec`."""
        if self.fwhm_px_error is None or self.fwhm_arcsec is None or not self.fwhm_px:
            return None
        return self.fwhm_px_error * self.fwhm_arcsec / self.fwhm_px


_QUANTITIES: Final = tuple(
    one for one in QUANTITIES if one.path and one.kind in (int, float) and one.name in FrameRow.__dataclass_fields__
)
"""Those of its figures that the records of a night hold."""


def frame_rows(night: Night, grades: Sequence[Grade], findings: Sequence[Finding]) -> tuple[FrameRow, ...]:
    """All frames of the night, measured or failed, in order of start time; those without one come last, by name."""
    moved, causes = _moved(night), _causes(night, findings)
    sessions = {group.id: group.session for group in night.groups}
    rows = [
        replace(_judged_row(frame, grade, night, sessions[frame.group]), causes=causes[i], **moved.get(i, {}))
        for i, (frame, grade) in enumerate(zip(night.frames, grades, strict=True))
    ]
    rows += [replace(failed_row(failure, night.folder), causes=()) for failure in night.failures]
    return tuple(sorted(rows, key=lambda row: (row.start is None, row.start_utc or row.start_local or "", row.file)))


def _causes(night: Night, findings: Sequence[Finding]) -> list[tuple[str, ...]]:
    """Claimed causes that touch each frame, by its index in the night."""
    claims = [one for one in findings if one.confidence >= CLAIMED]
    return [tuple(one.cause for one in claims if i in one.affected) for i in range(len(night.frames))]


def _moved(night: Night) -> dict[int, dict[str, Any]]:
    """Motion inside the exposure, by the frame's index in the night."""
    return {
        frame: {
            "smear_px": known(float(smears.rms_px[k])),
            "smear_pa_deg": known(float(shear.pa_deg(smears.spin2_px2[k]))),
            "star_trace": smears.path[k],
        }
        for tracking in night.tracking.values()
        for smears in [tracking.smears]
        for k, frame in enumerate(smears.frames)
    }


def measured_row(result: FrameResult, folder: Path, rig: Rig) -> FrameRow:
    """A single frame, measured outside any night: what only a night can tell stays unknown."""
    return _row(result, folder, rig, _figures(lambda one: one.of_result(result)))


def _judged_row(frame: NightFrame, grade: Grade, night: Night, session: int) -> FrameRow:
    return replace(
        _row(frame.result, night.folder, night.rig_of(session), _figures(lambda one: one.of_frame(frame))),
        group=frame.group,
        grade=grade.grade,
        reasons=tuple(valid_text(reason) for reason in grade.reasons),
        tag=valid_text(grade.tag) or None,
        session=session,
    )


def _row(result: FrameResult, folder: Path, rig: Rig, figures: dict[str, Any]) -> FrameRow:
    """A frame with its figures, and those that the rig adds to them."""
    figures["n_measured_stars"] = figures["n_measured_stars"] or 0
    row = FrameRow(file=path_in(folder, result.exposure.file), **_times(result.exposure), **figures)
    if result.shape is None:
        return row
    scale = rig.pixel_scale_arcsec
    return replace(
        row,
        fwhm_arcsec=None if scale is None else known(result.shape.fwhm_px * scale),
        elongation_pa_sky_deg=_on_sky(result.shape.elongation_pa_deg, result.exposure, rig),
    )


def _figures(of: Callable[[Quantity], Any]) -> dict[str, Any]:
    """All figures that a record of a frame holds; None if unknown, not a number or infinite."""
    return {one.name: of(one) if one.kind is int else known(of(one)) for one in _QUANTITIES}


def failed_row(failure: FrameFailure, folder: Path) -> FrameRow:
    """A file that could not be measured, with its reason."""
    exposure = failure.exposure
    return FrameRow(
        **({} if exposure is None else _figures(lambda one: one.of_header(exposure))),
        file=path_in(folder, Path(failure.file)),
        **({} if exposure is None else _times(exposure)),
        status="failed",
        failure=valid_text(f"{sentence(failure.fault)} {sentence(failure.remedy)}"),
    )


def _on_sky(pa_deg: float | None, exposure: Exposure, rig: Rig) -> float | None:
    """A direction in the image as one east of north, 0 <= pa < 180.

    From the frame's own plate solution; else from the rig's camera angle, where the order of the rows tells whether
    the picture is stored mirrored. Without either it stays unknown.
    """
    lies = exposure.orientation
    north_up_deg = rig.camera_angle_deg if lies is None else lies.north_up_deg
    mirrored = exposure.rows_top_down if lies is None else lies.mirrored
    if pa_deg is None or north_up_deg is None or mirrored is None:
        return None
    turned_deg = pa_deg - 90  # from the +y axis, whose direction on the sky is known
    return known((north_up_deg + (-turned_deg if mirrored else turned_deg)) % 180)


def _times(exposure: Exposure) -> dict[str, Any]:
    """When the exposure began, by whichever clock is known."""
    local = exposure.start_local
    return {
        "start_utc": _iso(exposure.start_utc),
        "start_local": None if local is None else local.isoformat(timespec="milliseconds"),
    }


def _iso(moment: datetime | None) -> str | None:
    """Time in ISO 8601 with a Z for UTC; a moment without a zone is UTC already."""
    if moment is None:
        return None
    utc = moment.replace(tzinfo=UTC) if moment.tzinfo is None else moment.astimezone(UTC)
    return time_text(utc)
