"""From depth to sharpness: frames in the order in which they are kept, and what each number of them makes."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, log
from typing import Final

import numpy as np
from numpy.typing import NDArray

from framecheck.decision.grades import Grade
from framecheck.motion.night import Night
from framecheck.night.stack import growing_stack, stackable

_RANK: Final = {"keep": 0, "doubtful": 1, "reject": 2}


@dataclass(frozen=True, kw_only=True, slots=True)
class Choice:
    """Entry k tells of the first k + 1 frames; what is kept first brings most."""

    order: tuple[int, ...]
    """Indices in `Night.frames`: kept ones, doubtful ones, rejected ones, and among them by their benefit."""
    worth_s: tuple[float, ...]
    """Sum of the effective exposures. [s]"""
    fwhm: tuple[float, ...]
    """Of the stack's stars, in `unit`; the groups' mean by worth (geometric); NaN where none can be stacked."""
    unit: str
    """"arcsec", or "px" where no pixel scale is known."""
    n_keep: int
    n_doubtful: int

    def deeper(self, few: int, many: int) -> float | None:
        """By what share the worth of so many frames exceeds that of fewer; None if those are worth nothing."""
        before = self.worth_s[few - 1] if few else 0.0
        return self.worth_s[many - 1] / before - 1 if many and before > 0 else None

    def wider(self, few: int, many: int) -> float | None:
        """By what share the stars of their stack are wider; negative if they are sharper."""
        if not few or not many:
            return None
        ratio = self.fwhm[many - 1] / self.fwhm[few - 1]
        return ratio - 1 if np.isfinite(ratio) else None


def choice_of(night: Night, grades: Sequence[Grade]) -> Choice:
    """Put the frames of a night in order and stack them up.

    Parameters
    ----------
    night : Night
    grades : sequence of Grade
        One for each of its frames.

    Notes
    -----
    Widths are those of stacks weighted by inverse variance (`night.stack`).
    """
    order = sorted(range(len(night.frames)), key=lambda i: (_RANK[grades[i].grade], -_brings(night, grades, i), i))
    worth = np.cumsum([night.frames[i].effective_exposure_s or 0.0 for i in order])
    counts = [sum(grade.grade == name for grade in grades) for name in ("keep", "doubtful")]
    scaled = all(night.rig_of(group.session).pixel_scale_arcsec is not None for group in night.groups)
    return Choice(
        order=tuple(order),
        worth_s=tuple(float(value) for value in worth),
        fwhm=tuple(float(value) for value in _widths(night, order, scaled=scaled)),
        unit="arcsec" if scaled and night.groups else "px",
        n_keep=counts[0],
        n_doubtful=counts[1],
    )


def _brings(night: Night, grades: Sequence[Grade], i: int) -> float:
    """What a frame brings for its time: benefit times the share of its exposure that counts; below zero it spoils."""
    frame, benefit = night.frames[i], grades[i].benefit
    exposure_s = frame.result.exposure.exposure_s
    share = (frame.effective_exposure_s or 0.0) / exposure_s if exposure_s else 0.0
    if benefit is None:
        return share - 1
    return benefit * share if benefit > 0 else benefit


def _widths(night: Night, order: Sequence[int], *, scaled: bool) -> NDArray[np.float64]:
    """Of the stack after each frame of the order."""
    place = {frame: k for k, frame in enumerate(order)}
    logs, weights = np.zeros(len(order)), 0.0
    for group in night.groups:
        frames = stackable(night.frames, group)
        if not len(frames.frames):
            continue
        rows = np.argsort([place[int(i)] for i in frames.frames])
        unit = (night.rig_of(group.session).pixel_scale_arcsec or 1.0) if scaled else 1.0
        widths = growing_stack(frames, rows).fwhm_px * unit
        after = np.searchsorted(np.sort([place[int(i)] for i in frames.frames]), np.arange(len(order)), side="right")
        weight = sum(night.frames[int(i)].effective_exposure_s or 0.0 for i in frames.frames) or 1e-9
        logs += weight * np.log(widths[np.maximum(after - 1, 0)])
        weights += weight
    return np.exp(logs / weights) if weights else np.full(len(order), np.nan)


def worth_taking(choice: Choice, detail: float) -> bool:
    """Whether the doubtful frames together are a gain to the stack of those kept.

    Parameters
    ----------
    choice : Choice
    detail : float
        Part of the benefit that detail makes, 0 to 1.

    Notes
    -----
    With depth D and width w, what a stack is worth for detail goes as D / w² (`night.benefit`); of both together,
    the gain is ln D - 2 d ln w.
    """
    few, many = choice.n_keep, choice.n_keep + choice.n_doubtful
    deeper, wider = choice.deeper(few, many), choice.wider(few, many)
    if few == 0:
        return choice.n_doubtful > 0
    return deeper is not None and log(1 + deeper) > 2 * detail * log(max(1 + (wider or 0.0), exp(-50)))
