"""What each kind of motion draws in each frame, if it is there."""

import math
from dataclasses import replace
from typing import Final

import numpy as np

from framecheck import shear
from framecheck.causes.kind_evidence import LATE, LATE_IN_RUN, LATE_STILL, runs_of
from framecheck.causes.series import Floats
from framecheck.causes.smears import (
    ACROSS,
    KNOCKS,
    RESTLESS_BELIEVED,
    WORST,
    Seen,
    along_axes,
    drawn_along,
    gear_axes,
    late_axes,
    log_calm,
    with_knocks,
)

SLACK_HUNTS: Final = (0.05, 0.2, 0.6)
"""Chance that it is slack in declination that lets corrections hunt along one axis: along right ascension, where no
axis is known, and along declination. Chosen: slack makes corrections late again and again; gears swing in the other."""
ALONG: Final = 0.5
"""Cosine of twice the angle to an axis from which motion goes along it: within 30 degrees. Chosen."""

FAR_SWING: Final = 1.5
"""Smear along the gear's axis, over that which the worst of its frames exceed, that is no swing. Chosen."""


def gear_smear(seen: Seen) -> Floats:
    """Smear along the likeliest axis of the gear that its swing makes beside the drift along that axis.

    Lines add up, not their squares: a swing along a drift makes half of the frames longer, and the others shorter.
    """
    axes, _ = gear_axes(seen)
    axis = axes[int(along_axes(seen, axes).real.sum(axis=-1).argmax())]
    along = np.maximum(along_axes(seen, np.array([axis]))[0].real, 0.0)
    drift = np.maximum((seen.from_drift * np.exp(-1j * axis)).real, 0.0)
    return np.maximum(np.sqrt(along) - np.sqrt(drift), 0.0) ** 2


def hunted_smear(seen: Seen) -> tuple[Floats, float]:
    """Smear along the axis of the larger ones, and the chance that slack makes corrections hunt along it."""
    axis = np.sum(seen.smear * np.abs(seen.smear))
    axis = axis / max(float(np.abs(axis)), 1e-12)
    in_ra, unknown, in_dec = SLACK_HUNTS
    chance = unknown if not seen.ra_known or abs(axis.real) < ALONG else in_ra if axis.real > 0 else in_dec
    return np.maximum((seen.smear * np.conj(axis)).real, 0.0), chance


def knocked_smear(seen: Seen, swings: bool, late: Floats) -> Floats:
    """Smear beside the usual one or, if the gear swings, beside its axis and far beyond its other swings; else 0.

    Of frames that were rather knocked than not; what corrections that came late draw in them is taken off.
    """
    axis = np.exp(1j * np.angle(np.sum(late * seen.smear)))
    off = seen.smear - late * axis
    off = off - shear.middle(off)
    if swings:
        along = along_axes(seen, gear_axes(seen)[0])
        along = along[int(along.real.sum(axis=-1).argmax())]
        far = np.maximum(along.real - FAR_SWING * np.quantile(along.real, 1 - WORST), 0)
        off = far + 1j * along.imag
    beside = replace(seen, smear=off, error=np.hypot(seen.error, ACROSS * late))
    calm = log_calm(beside)
    mixed = with_knocks(calm, beside)
    q = int((mixed.sum(axis=-1) + RESTLESS_BELIEVED).argmax())
    rather = calm[q] + math.log(2 * (1 - KNOCKS)) < mixed[q]
    return np.where(rather, np.abs(off), 0.0)


def late_smear(seen: Seen, in_a_run: bool) -> Floats:
    """Smear along declination of the frames in which corrections came late, as the likeliest axis and run have it."""
    axes, _ = late_axes(seen)
    along = along_axes(seen, axes).real
    calm, drawn = log_calm(seen), drawn_along(seen, axes)[:, -1]
    k, share = np.arange(len(seen.smear)), np.full(len(seen.smear), LATE_IN_RUN)
    if not in_a_run:
        last_move = np.maximum.accumulate(np.where(seen.after_move, k, -1))
        share = np.where(last_move >= 0, LATE[-1] * LATE_STILL ** (k - last_move), 0.0)
    with np.errstate(divide="ignore"):
        gain = np.logaddexp(np.log(1 - share) + calm, np.log(share) + drawn) - calm
        there = np.log(share) + drawn - calm > np.log(1 - share)
    of_q = calm.sum(axis=-1) + RESTLESS_BELIEVED
    if not in_a_run:
        axis, q = np.unravel_index(int((gain.sum(axis=-1) + of_q).argmax()), gain.shape[:-1])
        return np.where(there[axis, q], np.maximum(along[axis], 0), 0.0)
    first, last = runs_of(len(seen.smear))
    so_far = np.concatenate([np.zeros((*gain.shape[:-1], 1)), np.cumsum(gain, axis=-1)], axis=-1)
    runs = so_far[..., last] - so_far[..., first] + of_q[..., None]
    axis, q, run = np.unravel_index(int(runs.argmax()), runs.shape)
    inside = (k >= first[run]) & (k < last[run]) & there[axis, q]
    return np.where(inside, np.maximum(along[axis], 0), 0.0)
