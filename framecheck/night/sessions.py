"""Sessions: frames of one rig, taken without a gap of hours."""

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from datetime import datetime, timedelta
from typing import Final

from framecheck.night.groups import loose
from framecheck.read.exposure import Exposure
from framecheck.read.rig import Rig, merge_rig

GAP: Final = timedelta(hours=2)
"""Time without any frame of the rig after which another session begins. Chosen: pauses for a meal, a flip or a bank of
cloud are shorter; after longer ones the air, the temperature and mostly the focus are no longer those of before, and a
line drawn across them is a guess."""

OTHER_SCALE: Final = 1.05
"""[dimensionless] Ratio of focal lengths, or of scales, that other optics make. Chosen: focus, temperature and
refraction change them by a thousandth, a reducer by a fifth."""


@dataclass(frozen=True, slots=True)
class _Instrument:
    """What tells one rig from another; None where it is not said, which contradicts nothing."""

    camera: str | None
    telescope: str | None
    focal_length_mm: float | None
    scale_arcsec: float | None
    """Of an unbinned pixel, solved. [arcsec/px]"""

    def is_like(self, other: "_Instrument") -> bool:
        """Whether nothing that both say differs."""
        return (
            _same_name(self.camera, other.camera)
            and _same_name(self.telescope, other.telescope)
            and _same_size(self.focal_length_mm, other.focal_length_mm)
            and _same_size(self.scale_arcsec, other.scale_arcsec)
        )

    def with_what_is_said_by(self, other: "_Instrument") -> "_Instrument":
        """Gaps filled."""
        return _Instrument(
            self.camera or other.camera,
            self.telescope or other.telescope,
            self.focal_length_mm or other.focal_length_mm,
            self.scale_arcsec or other.scale_arcsec,
        )


def sessions_of(exposures: Sequence[Exposure], others: Sequence[Exposure] = ()) -> tuple[int, ...]:
    """Number the sessions that exposures belong to: 0, 1, ... in order of each session's first frame.

    A change of target, filter, binning or exposure is no new session, nor is a pier flip. Frames without a time are of
    their rig's first session. `others` could not be measured: their rig was at work all the same.
    """
    rigs = _rigs([*exposures, *others])
    times: dict[int, list[tuple[datetime, datetime]]] = {}
    for rig, exposure in zip(rigs, [*exposures, *others], strict=True):
        if exposure.start_by_clock is not None:
            end = exposure.start_by_clock + timedelta(seconds=exposure.exposure_s or 0.0)
            times.setdefault(rig, []).append((exposure.start_by_clock, end))
    begins = {rig: _begins(spans) for rig, spans in times.items()}
    number: dict[tuple[int, int], int] = {}
    out = []
    for rig, exposure in zip(rigs, exposures, strict=False):
        start = exposure.start_by_clock
        visit = 0 if start is None else sum(begin <= start for begin in begins[rig]) - 1
        out.append(number.setdefault((rig, visit), len(number)))
    return tuple(out)


def session_rigs(rig: Rig, exposures: Sequence[Exposure], sessions: Sequence[int]) -> dict[int, Rig]:
    """The rig of each session, where they were taken with more than one; empty with one, which is that of all.

    Each is what the rig file says, and what the session's own headers agree on.
    """
    if len(set(_rigs(exposures))) < 2:
        return {}
    said = {f.name for f in fields(rig)} & {
        name for name, origin in rig.provenance.items() if origin in ("header", "plate solution", "calibration frames")
    }
    kept = {name: origin for name, origin in rig.provenance.items() if name not in said}
    kept.pop("pixel_scale_arcsec", None)
    bare = replace(rig, **dict.fromkeys(said), provenance=kept)
    return {
        number: merge_rig(bare, [one for one, own in zip(exposures, sessions, strict=True) if own == number])
        for number in sorted(set(sessions))
    }


def _rigs(exposures: Sequence[Exposure]) -> list[int]:
    """Number of the rig that took each exposure: the first that nothing said of it contradicts."""
    known: list[_Instrument] = []
    out = []
    for exposure in exposures:
        one = _instrument(exposure)
        place = next((i for i, other in enumerate(known) if one.is_like(other)), len(known))
        known[place : place + 1] = [known[place].with_what_is_said_by(one) if place < len(known) else one]
        out.append(place)
    return out


def _instrument(exposure: Exposure) -> _Instrument:
    lies = exposure.orientation
    return _Instrument(
        loose(exposure.camera),
        loose(exposure.telescope),
        exposure.focal_length_mm,
        None if lies is None else lies.pixel_scale_arcsec / (exposure.binning or 1),
    )


def _same_name(one: str | None, other: str | None) -> bool:
    return one is None or other is None or one == other


def _same_size(one: float | None, other: float | None) -> bool:
    return one is None or other is None or max(one, other) <= OTHER_SCALE * min(one, other)


def _begins(spans: Sequence[tuple[datetime, datetime]]) -> list[datetime]:
    """Starts of the first frame and of those after a gap."""
    out: list[datetime] = []
    end = None
    for start, stop in sorted(spans):
        if end is None or start - end > GAP:
            out.append(start)
        end = stop if end is None else max(end, stop)
    return out
