"""One row a frame: the fields that night.json, frames.csv, the page and the terminal all draw from."""

from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Literal

import numpy as np

from framecheck.causes.result import CLAIMED
from framecheck.decision.grades import Grade
from framecheck.decision.judgement import Judgement
from framecheck.field.result import FrameFailure, FrameResult, FrameShape
from framecheck.night.records import Night, NightFrame
from framecheck.read.exposure import Exposure
from framecheck.read.rig import Rig
from framecheck.report.words import known, path_in, sentence, valid_text


@dataclass(frozen=True, kw_only=True, slots=True)
class FrameRow:
    """A frame as night.json tells it; the names and their order are part of the contract."""

    file: str
    group: str | None = None
    start_utc: str | None = None
    exposure_s: float | None = None
    status: Literal["measured", "failed"] = "measured"
    failure: str | None = None
    grade: Literal["keep", "doubtful", "reject"] | None = None
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
    path: Literal["round", "line", "two blobs", "hook"] | None = None
    """What a star drew in the exposure."""
    session: int | None = None
    """That of the frame's group: one rig, without a gap of hours."""
    iso: float | None = None
    f_number: float | None = None
    start_local: str | None = None
    """The start by a clock that does not name its zone; None where UTC is known."""

    @property
    def start(self) -> datetime | None:
        """Start of the exposure in UTC, or local time as though it were: for order and differences."""
        text = self.start_utc or self.start_local
        return None if text is None else datetime.fromisoformat(text).replace(tzinfo=UTC)


def frame_rows(judgement: Judgement) -> tuple[FrameRow, ...]:
    """All frames of the night, measured or failed, in order of start time; those without one come last, by name."""
    night = judgement.night
    moved, causes = _moved(judgement), _causes(judgement)
    sessions = {group.id: group.session for group in night.groups}
    rows = [
        replace(_judged_row(frame, grade, night, sessions[frame.group]), causes=causes[i], **moved.get(i, {}))
        for i, (frame, grade) in enumerate(zip(night.frames, judgement.grades, strict=True))
    ]
    rows += [replace(failed_row(failure, night.folder), causes=()) for failure in night.failures]
    return tuple(sorted(rows, key=lambda row: (row.start is None, row.start_utc or row.start_local or "", row.file)))


def _causes(judgement: Judgement) -> list[tuple[str, ...]]:
    """Claimed causes that touch each frame, by its index in the night."""
    claims = [one for one in judgement.findings if one.confidence >= CLAIMED]
    return [tuple(one.cause for one in claims if i in one.affected) for i in range(len(judgement.night.frames))]


def _moved(judgement: Judgement) -> dict[int, dict[str, Any]]:
    """Motion inside the exposure, by the frame's index in the night."""
    return {
        frame: {
            "smear_px": known(float(smears.rms_px[k])),
            "smear_pa_deg": known(float(np.degrees(np.angle(smears.spin2_px2[k])) / 2 % 180)),
            "path": smears.path[k],
        }
        for tracking in judgement.night.tracking.values()
        for smears in [tracking.smears]
        for k, frame in enumerate(smears.frames)
    }


def measured_row(result: FrameResult, folder: Path, rig: Rig) -> FrameRow:
    """A single frame, measured outside any night: what only a night can tell stays unknown."""
    row = FrameRow(
        **_header_fields(result.exposure),
        file=path_in(folder, result.exposure.file),
        n_stars=result.stars.n_found,
        n_measured_stars=0 if result.shape is None else result.shape.n_measured,
        n_saturated_stars=result.stars.n_saturated,
        sky_adu=known(result.sky.level_adu),
        sky_noise_adu=known(result.sky.noise_adu),
        sky_gradient_percent=known(result.sky.gradient_percent),
        ground_share=known(result.sky.ground_share),
    )
    return row if result.shape is None else _with_shape(row, result.shape, result.exposure, rig)


def failed_row(failure: FrameFailure, folder: Path) -> FrameRow:
    """A file that could not be measured, with its reason."""
    return FrameRow(
        **({} if failure.exposure is None else _header_fields(failure.exposure)),
        file=path_in(folder, Path(failure.file)),
        status="failed",
        failure=valid_text(f"{sentence(failure.fault)} {sentence(failure.remedy)}"),
    )


def _judged_row(frame: NightFrame, grade: Grade, night: Night, session: int) -> FrameRow:
    row = measured_row(frame.result, night.folder, night.rig_of(session))
    registration = frame.registration
    return replace(
        row,
        group=frame.group,
        grade=grade.grade,
        reasons=tuple(valid_text(reason) for reason in grade.reasons),
        sky_e_per_s=known(frame.sky_e_per_s),
        transparency=known(frame.transparency),
        effective_exposure_s=known(frame.effective_exposure_s),
        shift_x_px=None if registration is None else known(registration.shift_x_px),
        shift_y_px=None if registration is None else known(registration.shift_y_px),
        rotation_deg=None if registration is None else known(registration.rotation_deg),
        altitude_deg=known(frame.altitude_deg),
        airmass=known(frame.airmass),
        session=session,
    )


def _header_fields(exposure: Exposure) -> dict[str, Any]:
    """What the header alone tells."""
    return {
        "start_utc": _iso(exposure.start_utc),
        "exposure_s": known(exposure.exposure_s),
        "altitude_deg": known(exposure.altitude_deg),
        "airmass": known(exposure.airmass),
        "sensor_temp_c": known(exposure.sensor_temp_c),
        "tube_temp_c": known(exposure.tube_temp_c),
        "iso": known(exposure.iso),
        "f_number": known(exposure.lens_f_number),
        "start_local": None
        if exposure.start_local is None
        else exposure.start_local.isoformat(timespec="milliseconds"),
    }


def _with_shape(row: FrameRow, shape: FrameShape, exposure: Exposure, rig: Rig) -> FrameRow:
    scale = rig.pixel_scale_arcsec
    return replace(
        row,
        fwhm_px=known(shape.fwhm_px),
        fwhm_px_error=known(shape.fwhm_px_error),
        fwhm_arcsec=None if scale is None else known(shape.fwhm_px * scale),
        elongation=known(shape.elongation),
        elongation_error=known(shape.elongation_error),
        elongation_pa_deg=known(shape.elongation_pa_deg),
        elongation_pa_sky_deg=_on_sky(shape.elongation_pa_deg, exposure, rig),
        moffat_beta=known(shape.moffat_beta),
        half_flux_radius_px=known(shape.half_flux_radius_px),
        trail_length_px=known(shape.trail_length_px),
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


def _iso(moment: datetime | None) -> str | None:
    """Time in ISO 8601 with a Z for UTC; a moment without a zone is UTC already."""
    if moment is None:
        return None
    utc = moment.replace(tzinfo=UTC) if moment.tzinfo is None else moment.astimezone(UTC)
    return utc.isoformat(timespec="milliseconds").replace("+00:00", "Z")
