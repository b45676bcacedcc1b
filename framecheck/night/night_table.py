"""The night as an astropy table: one row a frame, each column with unit and meaning."""

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any, Final

from framecheck.field.result import FrameShape
from framecheck.night.records import Night, NightFrame, Registration

if TYPE_CHECKING:
    from astropy.table import Table
    from astropy.time import Time

Column = tuple[str, type, str, str, Callable[[NightFrame], Any]]
"""Name, type, unit, meaning, and what a frame has there."""


def _of_shape(name: str) -> Callable[[NightFrame], Any]:
    def value(frame: NightFrame) -> Any:
        shape: FrameShape | None = frame.result.shape
        return None if shape is None else getattr(shape, name)

    return value


def _of_place(name: str) -> Callable[[NightFrame], Any]:
    def value(frame: NightFrame) -> Any:
        place: Registration | None = frame.registration
        return None if place is None else getattr(place, name)

    return value


COLUMNS: Final[tuple[Column, ...]] = (
    ("exposure_s", float, "s", "exposure time", lambda frame: frame.result.exposure.exposure_s),
    ("n_stars", int, "", "stars found", lambda frame: frame.result.stars.n_found),
    ("n_saturated_stars", int, "", "stars whose core is clipped", lambda frame: frame.result.stars.n_saturated),
    ("n_measured_stars", int, "", "good stars that the averages rest on", _of_shape("n_measured")),
    ("fwhm_px", float, "pix", "geometric mean of both axes at half maximum, before the pixel's own blur",
     _of_shape("fwhm_px")),
    ("fwhm_px_error", float, "pix", "standard error of fwhm_px", _of_shape("fwhm_px_error")),
    ("elongation", float, "", "long axis over short axis at half maximum; 1 is round", _of_shape("elongation")),
    ("elongation_error", float, "", "standard error of elongation", _of_shape("elongation_error")),
    ("elongation_pa_deg", float, "deg", "direction of the long axis in the image, counter-clockwise from +x",
     _of_shape("elongation_pa_deg")),
    ("moffat_beta", float, "", "Moffat exponent of the stars' wings", _of_shape("moffat_beta")),
    ("half_flux_radius_px", float, "pix", "radius that holds half of a star's light", _of_shape("half_flux_radius_px")),
    ("trail_length_px", float, "pix", "length of the line that stars were drawn out to; unknown if they were not",
     _of_shape("trail_length_px")),
    ("sky_adu", float, "adu", "level of the sky, pedestal included", lambda frame: frame.result.sky.level_adu),
    ("sky_noise_adu", float, "adu", "standard deviation of a pixel of blank sky",
     lambda frame: frame.result.sky.noise_adu),
    ("sky_e_per_s", float, "electron / s", "light of the sky in a pixel", lambda frame: frame.sky_e_per_s),
    ("sky_gradient_percent", float, "percent", "change of the sky level over the frame",
     lambda frame: frame.result.sky.gradient_percent),
    ("ground_share", float, "", "share of the frame that is ground or obstruction",
     lambda frame: frame.result.sky.ground_share),
    ("transparency", float, "", "light of the stars against the best frame of the group",
     lambda frame: frame.transparency),
    ("effective_exposure_s", float, "s", "exposure of an ideal frame that would add as much to the stack",
     lambda frame: frame.effective_exposure_s),
    ("shift_x_px", float, "pix", "place of the stars against the group's reference frame, along x",
     _of_place("shift_x_px")),
    ("shift_y_px", float, "pix", "place of the stars against the group's reference frame, along y",
     _of_place("shift_y_px")),
    ("rotation_deg", float, "deg", "turn of the stars against the reference frame, counter-clockwise",
     _of_place("rotation_deg")),
    ("altitude_deg", float, "deg", "altitude of the target in the middle of the exposure",
     lambda frame: frame.altitude_deg),
    ("airmass", float, "", "air that the light passed, against straight up", lambda frame: frame.airmass),
    ("hour_angle_deg", float, "deg", "hour angle of the target, positive to the west",
     lambda frame: frame.hour_angle_deg),
    ("sensor_temp_c", float, "deg_C", "temperature of the sensor", lambda frame: frame.result.exposure.sensor_temp_c),
    ("tube_temp_c", float, "deg_C", "temperature at tube or focuser", lambda frame: frame.result.exposure.tube_temp_c),
)  # fmt: skip
"""Columns of `Night.to_table` beside file, group and start; named as in night.json, where they are there too."""


def night_table(night: Night) -> "Table":
    """Tell a night frame by frame, in order of start time; what is unknown is masked.

    Parameters
    ----------
    night : Night

    Returns
    -------
    astropy.table.Table
        Columns `file` (relative to the folder), `group`, `start_utc` (an `astropy.time.Time`), then `COLUMNS`, each
        with its unit and a description. `table.meta` names folder and failures.
    """
    from astropy.table import MaskedColumn, Table

    frames = night.frames
    files = [frame.result.exposure.file for frame in frames]
    names = [(path.relative_to(night.folder) if path.is_relative_to(night.folder) else path) for path in files]
    table = Table(meta={"folder": night.folder.as_posix(), "n_failed": len(night.failures)})
    table["file"] = MaskedColumn([name.as_posix() for name in names], dtype=str, description="file of the frame")
    meaning = "frames that can be compared: one target, filter, exposure and binning"
    table["group"] = MaskedColumn([frame.group for frame in frames], dtype=str, description=meaning)
    starts = _starts(frames)
    starts.info.description = "start of the exposure, UTC"
    table["start_utc"] = starts
    for name, kind, unit, meaning, value in COLUMNS:
        values = [value(frame) for frame in frames]
        table[name] = MaskedColumn(
            [kind(0) if one is None else one for one in values], dtype=kind,
            mask=[one is None or one != one for one in values],  # NaN is unknown too
            unit=unit or None, description=meaning,
        )  # fmt: skip
    return table


def _starts(frames: Sequence[NightFrame]) -> "Time":
    """When the exposures began; masked where no header says it."""
    import numpy as np
    from astropy.time import Time

    starts = [frame.result.exposure.start_utc for frame in frames]
    known = next((start for start in starts if start is not None), None)
    if known is None:
        times = Time(np.full(len(frames), 2000.0), format="jyear", scale="utc")
    else:
        times = Time([start or known for start in starts], format="datetime", scale="utc")
    times.format = "isot"
    unknown = [start is None for start in starts]
    if any(unknown):
        times[unknown] = np.ma.masked
    return times
