"""The night's sums: how many frames of which grade, and where the hours went."""

from collections.abc import Sequence
from dataclasses import dataclass

from framecheck.decision.frame_row import FrameRow
from framecheck.robust import typical_of


@dataclass(frozen=True, kw_only=True, slots=True)
class Account:
    """Sums over frames.csv. Times are None where no frame of the kind states one."""

    n_keep: int
    n_doubtful: int
    n_reject: int
    n_failed: int
    taken_s: float | None
    """Exposure of all frames, failed ones with a readable header included. [s]"""
    keep_taken_s: float | None
    keep_effective_s: float | None
    """What the kept frames add to the stack, in seconds of an ideal frame of this rig. [s]"""
    doubtful_taken_s: float | None
    doubtful_effective_s: float | None
    reject_taken_s: float | None
    failed_taken_s: float | None
    fwhm: float | None
    """Median of the kept frames (of all if none is kept), in `fwhm_unit`."""
    best_fwhm: float | None
    """What the sharpest tenth of all frames reach."""
    fwhm_unit: str
    elongation: float | None

    @property
    def n_measured(self) -> int:
        """Frames with a grade."""
        return self.n_keep + self.n_doubtful + self.n_reject


def account_of(rows: Sequence[FrameRow]) -> Account:
    """Sum up a night."""
    keep = [row for row in rows if row.grade == "keep"]
    doubtful = [row for row in rows if row.grade == "doubtful"]
    reject = [row for row in rows if row.grade == "reject"]
    failed = [row for row in rows if row.status == "failed"]
    name, unit = fwhm_field(rows)
    typical = keep or [row for row in rows if row.status == "measured"]
    sharpest = sorted(_values(rows, name))
    return Account(
        n_keep=len(keep),
        n_doubtful=len(doubtful),
        n_reject=len(reject),
        n_failed=len(failed),
        taken_s=_total(rows, "exposure_s"),
        keep_taken_s=_total(keep, "exposure_s"),
        keep_effective_s=_total(keep, "effective_exposure_s"),
        doubtful_taken_s=_total(doubtful, "exposure_s"),
        doubtful_effective_s=_total(doubtful, "effective_exposure_s"),
        reject_taken_s=_total(reject, "exposure_s"),
        failed_taken_s=_total(failed, "exposure_s"),
        fwhm=typical_of(getattr(row, name) for row in typical),
        best_fwhm=sharpest[len(sharpest) // 10] if sharpest else None,
        fwhm_unit=unit,
        elongation=typical_of(row.elongation for row in typical),
    )


def fwhm_field(rows: Sequence[FrameRow]) -> tuple[str, str]:
    """Field and unit in which the night's star sizes are told: arcseconds where the scale is known, else pixels."""
    if any(row.fwhm_arcsec is not None for row in rows):
        return "fwhm_arcsec", "arcsec"
    return "fwhm_px", "px"


def _values(rows: Sequence[FrameRow], name: str) -> list[float]:
    return [value for row in rows if (value := getattr(row, name)) is not None]


def _total(rows: Sequence[FrameRow], name: str) -> float | None:
    values = _values(rows, name)
    return sum(values) if values else None
