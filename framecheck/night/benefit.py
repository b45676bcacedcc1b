"""What a frame changes of a stack, against what one with the stack's own stars and the same light would.

Two properties of a stack count:

depth
    the squared SNR of a faint star: every frame's light adds to it, a wide star's noise takes from it;
detail
    the squared precision with which a faint star's place can be told (Fisher information against the sky's noise), in
    the direction in which the frame is worst: wide or drawn-out stars take from it.

The benefit is 1 for a frame like the stack, 0 where adding it is as good as leaving it out, and negative where it
spoils more than its light brings. For a round Gaussian star x times as wide as the stack's, one frame among many, it
is 4 / (1 + x²) - 1 for depth and 8 / (1 + x²)² - 1 for detail (closed forms).
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from framecheck.field.similarity import Floats
from framecheck.night.pair_sums import PairSums, pair_sums
from framecheck.night.stack import Stackable, long_axis, with_and_without

SURE_SIGMA: Final = 2.0
"""A loss must exceed its error so many times to count as one. Chosen: 1 in 40."""


@dataclass(frozen=True, slots=True)
class Balance:
    """What each of a group's frames brings to the stack of the others kept; shape (n,) each."""

    frames: Stackable
    keep: NDArray[np.bool_]
    """Frames whose benefit is no sure loss."""
    benefit: Floats
    error: Floats
    depth_gain: Floats
    """Relative change of the effective exposure; NaN for the only frame kept."""
    width_cost: Floats
    """Relative change of the width of the stack's star; NaN for the only frame kept."""
    fwhm_px: float
    """Of the stack of frames kept."""
    elongation: float


def round_benefit(x: Floats, detail: float) -> Floats:
    """Benefit of a round frame, one among many, whose star is x times as wide as the stack's. Closed form.

    `detail` is the weight of detail against depth, 0 to 1.
    """
    u = 1 + np.asarray(x, dtype=float) ** 2
    out: Floats = (1 - detail) * (4 / u - 1) + detail * (8 / u**2 - 1)
    return out


def break_even_width(detail: float) -> float:
    """Width against the stack's at which a round frame's benefit is nil: root of `round_benefit`.

    With u = 1 + x², u² - 4 (1 - d) u - 8 d = 0: 1.73 for depth alone, 1.35 for detail alone, 1.50 for half of each.

    Parameters
    ----------
    detail : float
        As of `round_benefit`. [dimensionless]
    """
    half = 2 * (1 - detail)
    return float(np.sqrt(half + np.sqrt(half**2 + 8 * detail) - 1))


def weigh(frames: Stackable, detail: float, allowed: NDArray[np.bool_]) -> Balance:
    """Find the frames whose benefit is no loss, beside each other.

    Parameters
    ----------
    frames : Stackable
    detail : float
        Part of the benefit that detail makes, 0 to 1; depth makes the rest.
    allowed : ndarray of bool, shape (n,)
        Frames that may be kept at all.

    Returns
    -------
    Balance

    Notes
    -----
    Which frames are a loss depends on which are kept. The search starts from the sharper half, so that a night of which
    a part is badly blurred is judged by its good part, and goes on until nothing changes.
    """
    pairs = pair_sums(frames.size)
    if not allowed.any():
        return _balance(frames, detail, np.ones(len(allowed), bool), allowed, pairs)
    size = frames.size[:, 0] + frames.size[:, 1]
    keep = allowed & (size <= np.median(size[allowed]))
    seen = set()
    balance = _balance(frames, detail, keep, keep, pairs)
    while keep.tobytes() not in seen:
        seen.add(keep.tobytes())
        keep = allowed & (balance.benefit > -SURE_SIGMA * balance.error)
        if not keep.any():
            keep = allowed & (size == size[allowed].min())
        balance = _balance(frames, detail, keep, keep, pairs)
    return balance


def _balance(
    frames: Stackable, detail: float, stacked: NDArray[np.bool_], keep: NDArray[np.bool_], pairs: PairSums
) -> Balance:
    with_it, without, whole = with_and_without(frames, stacked, pairs)
    with np.errstate(invalid="ignore", divide="ignore"):
        alone = without.light_s <= 1e-9 * with_it.light_s
        light = np.log(with_it.light_s / without.light_s)
        depth = np.log(with_it.depth_s / without.depth_s)
        axis = long_axis(frames)
        sharp = [np.log(with_it.detail(axis + turn) / without.detail(axis + turn)) for turn in (0.0, np.pi / 2)]
        benefit = ((1 - detail) * depth + detail * np.minimum(*sharp)) / light
        widening = with_it.fwhm_px / without.fwhm_px - 1
        width = float(whole.fwhm_px)
        x = (frames.size[:, 0] * frames.size[:, 1] - frames.size[:, 2] ** 2) ** 0.25 / width
    step = 1e-3
    steepness = (round_benefit(x * (1 - step), detail) - round_benefit(x * (1 + step), detail)) / (2 * step)
    return Balance(
        frames=frames,
        keep=keep,
        benefit=np.where(alone, 1.0, benefit),
        error=steepness * frames.width_error,
        depth_gain=np.where(alone, np.nan, np.expm1(np.where(alone, 0.0, depth))),
        width_cost=np.where(alone, np.nan, widening),
        fwhm_px=width,
        elongation=float(whole.elongation),
    )
