"""A group's frames as arrays in order of time: what causes look at."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from framecheck.motion.night import Night
from framecheck.night.records import Group, NightFrame

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Row = TypeVar("Row")


@dataclass(frozen=True, kw_only=True, slots=True)
class Series:
    """Numbers of a group's frames, each of shape (n_frames,); NaN is unknown."""

    group: Group
    """Where groups were joined the first of them, with the members of all."""
    frames: tuple[NightFrame, ...]
    minutes: Floats
    """Start of each frame after the first; the running number where a start is unknown. [min]"""
    exposure_s: Floats
    fwhm_px: Floats
    elongation: Floats
    beta: Floats
    """Moffat exponent of the mean star; 2.5 to 5 in turbulent air. [dimensionless]"""
    light: Floats
    """Natural logarithm of the transparency. [dimensionless]"""
    light_error: Floats
    noise_adu: Floats
    airmass: Floats
    n_found: Floats

    def where(self, mask: Bools) -> frozenset[int]:
        """Indices in `Night.frames` of some of the frames, from a mask of shape (n_frames,)."""
        return frozenset(i for i, there in zip(self.group.members, mask, strict=True) if there)


def all_series(night: Night) -> Iterator[Series]:
    """One series a group, in the order of `night.groups`."""
    for group in night.groups:
        yield series_of(night, group)


def series_of(night: Night, group: Group) -> Series:
    """The frames of one group as arrays."""
    frames = tuple(night.frames[i] for i in group.members)
    transparency = _column(frames, lambda frame: frame.transparency)
    error = _column(frames, lambda frame: frame.transparency_error)
    shapes = tuple(frame.result.shape for frame in frames)
    with np.errstate(divide="ignore", invalid="ignore"):
        light = np.where(transparency > 0, np.log(transparency), np.nan)
        light_error = error / transparency
    return Series(
        group=group,
        frames=frames,
        minutes=_minutes(frames),
        exposure_s=_column(frames, lambda frame: frame.result.exposure.exposure_s),
        fwhm_px=_column(shapes, lambda shape: None if shape is None else shape.fwhm_px),
        elongation=_column(shapes, lambda shape: None if shape is None else shape.elongation),
        beta=_column(shapes, lambda shape: None if shape is None else shape.moffat_beta),
        light=light,
        light_error=light_error,
        noise_adu=_column(frames, lambda frame: frame.result.sky.noise_adu or None),  # no pixel is without noise
        airmass=_column(frames, lambda frame: frame.airmass),
        n_found=_column(frames, lambda frame: frame.result.stars.n_found),
    )


def light_series(night: Night) -> Iterator[Series]:
    """One series for all groups that share a zero point of light, in order of time.

    Stars found, and noise, are those of a usual frame of the first group times what each frame has of its own group's.
    """
    alike: dict[str, list[Series]] = {}
    for series in all_series(night):
        alike.setdefault(series.group.zero_point or series.group.id, []).append(series)
    for parts in alike.values():
        yield parts[0] if len(parts) == 1 else _joined(parts)


def _joined(parts: list[Series]) -> Series:
    members = np.concatenate([part.group.members for part in parts])
    order = np.argsort(members, kind="stable")
    frames = tuple(frame for part in parts for frame in part.frames)
    frames = tuple(frames[i] for i in order)

    def together(name: str, *, relative: bool = False) -> Floats:
        columns = [getattr(part, name) for part in parts]
        if relative:
            usual = [float(np.nanmedian(column)) if np.isfinite(column).any() else 1.0 for column in columns]
            columns = [column / (own or 1.0) * usual[0] for column, own in zip(columns, usual, strict=True)]
        out: Floats = np.concatenate(columns)[order]
        return out

    return Series(
        group=replace(parts[0].group, members=tuple(members[order].tolist())),
        frames=frames,
        minutes=_minutes(frames),
        exposure_s=together("exposure_s"),
        fwhm_px=together("fwhm_px"),
        elongation=together("elongation"),
        beta=together("beta"),
        light=together("light"),
        light_error=together("light_error"),
        noise_adu=together("noise_adu", relative=True),
        airmass=together("airmass"),
        n_found=together("n_found", relative=True),
    )


def grouped(night: Night) -> list[NightFrame]:
    """The frames of the night's groups: of one session, if the night is one's."""
    return [night.frames[i] for group in night.groups for i in group.members]


def loss_of(series: Series, share_lost: Floats) -> tuple[float, float]:
    """Seconds lost and seconds exposed, where each frame loses a share; unknown exposures count as one second."""
    seconds = np.nan_to_num(series.exposure_s, nan=1.0)
    return float((seconds * np.nan_to_num(share_lost)).sum()), float(seconds.sum())


def share(losses: list[tuple[float, float]]) -> float | None:
    """Share of all exposures lost, from `loss_of` each group; None without any exposure."""
    exposed = sum(seconds for _, seconds in losses)
    return sum(lost for lost, _ in losses) / exposed if exposed > 0 else None


def _column(rows: tuple[Row, ...], of: Callable[[Row], float | None]) -> Floats:
    values = (of(row) for row in rows)
    return np.array([np.nan if value is None else value for value in values], dtype=float)


def _minutes(frames: tuple[NightFrame, ...]) -> Floats:
    starts = [frame.result.exposure.start_by_clock for frame in frames]
    known = [start for start in starts if start is not None]
    if len(known) < len(starts):
        return np.arange(len(starts), dtype=float)
    first = min(known, default=None)
    return np.array([(start - first).total_seconds() / 60 for start in known if first is not None], dtype=float)
