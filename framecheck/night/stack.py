"""What frames make together: depth, star size and roundness of a stack, with and without each of them.

Each frame's star is taken as a Gaussian with the frame's two axes, and the stack as the mean of the frames, scaled to
one flux and weighted by inverse variance. All sums are then closed forms.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from framecheck import shear
from framecheck.field.similarity import Floats
from framecheck.night.pair_sums import PairSums, overlap, pair_sums
from framecheck.night.records import Group, NightFrame


@dataclass(frozen=True, slots=True)
class Stackable:
    """The frames of a group that can be stacked, and what each brings."""

    frames: NDArray[np.intp]
    """Index of each in `Night.frames`, shape (n,)."""
    light_s: Floats
    """Weight: inverse variance of a sky pixel once all have one flux, as seconds of an ideal frame, shape (n,)."""
    size: Floats
    """Squared widths at half maximum xx, yy, xy along the reference's axes, shape (n, 3). [px²]"""
    width_error: Floats
    """Of each frame's width, relative, shape (n,)."""
    ideal_fwhm_px: float


def stackable(frames: Sequence[NightFrame], group: Group) -> Stackable:
    """The frames of a group with a registration, a transparency and a measured star.

    Parameters
    ----------
    frames : sequence of NightFrame
        Of a night.
    group : Group
        One of its groups.

    Notes
    -----
    Scaled to one flux, the noise of a pixel is noise / (transparency x exposure): its inverse square, in units of an
    ideal frame's, is the weight. Sizes are turned back by each frame's rotation.
    """
    rows = [(i, frames[i]) for i in group.members if _known(frames[i])]
    if not rows or group.best_fwhm_px is None or group.best_noise_adu is None:
        return Stackable(np.empty(0, np.intp), np.empty(0), np.empty((0, 3)), np.empty(0), group.best_fwhm_px or 1.0)
    light, size, width_error = [], [], []
    for _, frame in rows:
        shape, registration, exposure_s = frame.result.shape, frame.registration, frame.result.exposure.exposure_s
        assert shape is not None
        assert registration is not None
        relative = (frame.transparency or 0.0) * group.best_noise_adu / frame.result.sky.noise_adu
        light.append((exposure_s or 1.0) * relative**2)
        size.append(_squared_widths(shape.fwhm_px, shape.e1, shape.e2, registration.rotation_deg))
        width_error.append(shape.fwhm_px_error / shape.fwhm_px if np.isfinite(shape.fwhm_px_error) else 0.0)
    indices = np.array([i for i, _ in rows], dtype=np.intp)
    return Stackable(indices, np.array(light), np.array(size), np.array(width_error), group.best_fwhm_px)


def _known(frame: NightFrame) -> bool:
    shape = frame.result.shape
    return (
        frame.registration is not None
        and (frame.transparency or 0.0) > 0
        and shape is not None
        and shape.fwhm_px > 0
        and frame.result.sky.noise_adu > 0
    )


def _squared_widths(fwhm_px: float, e1: float, e2: float, rotation_deg: float) -> tuple[float, float, float]:
    """Tensor with the squares of the long and the short axis as its own values; e = ln(long / short)."""
    e = complex(e1, e2)
    mean, half = fwhm_px**2 * np.cosh(abs(e)), fwhm_px**2 * complex(shear.share_of(e) * shear.turning(-rotation_deg))
    return float(mean + half.real), float(mean - half.real), float(half.imag)


@dataclass(frozen=True, slots=True)
class Stack:
    """A stack, or many: sums from which its depth and its star follow."""

    light_s: Floats
    """Sum of the weights, shape (...). [s]"""
    pairs: Floats
    """Sum over all pairs of frames of both weights times the overlap, shape (..., 4)."""
    ideal_fwhm_px: float

    @property
    def depth_s(self) -> Floats:
        """Effective exposure: seconds of ideal frames that show equally faint stars, shape (...).

        With weights v and a mean star P, the squared SNR of a faint star is (sum v) times the integral of P².
        """
        depth: Floats = 2 * self.ideal_fwhm_px**2 * self.pairs[..., 0] / self.light_s
        return depth

    @property
    def fwhm_px(self) -> Floats:
        """FWHM of the Gaussian that spreads a star's light over the same noise as the stack's star does. [px]"""
        width: Floats = self.ideal_fwhm_px * np.sqrt(self.light_s / self.depth_s)
        return width

    @property
    def elongation(self) -> Floats:
        """Long over short axis of the stack's star, from the sharpness along each direction."""
        _, xx, yy, xy = np.moveaxis(self.pairs, -1, 0)
        mean, spread = (xx + yy) / 2, np.hypot((xx - yy) / 2, xy)
        return np.asarray(np.sqrt((mean + spread) / np.maximum(mean - spread, 1e-300)))

    def detail(self, direction: Floats) -> Floats:
        """Squared precision of a faint star's place along directions given as angles [rad], up to a constant."""
        _, xx, yy, xy = np.moveaxis(self.pairs, -1, 0)
        c, s = np.cos(direction), np.sin(direction)
        along: Floats = (xx * c**2 + yy * s**2 + 2 * xy * c * s) / self.light_s
        return along


def with_and_without(
    frames: Stackable, keep: NDArray[np.bool_], pairs: PairSums | None = None
) -> tuple[Stack, Stack, Stack]:
    """Stacks of the frames kept, with each frame in turn and without it, shape (n,), and of all frames kept.

    For a frame that is not kept, the second is the stack of all that are. Making the pair sums takes longest of all
    that is done here.
    """
    light = frames.light_s
    itself = overlap(frames.size, frames.size) * light[:, None]
    sums = (pairs or pair_sums(frames.size)).with_all(np.where(keep, light, 0.0)) - np.where(keep[:, None], itself, 0.0)
    alone = itself * light[:, None]
    own = 2 * sums * light[:, None] + alone
    total = (sums * light[:, None] + alone)[keep].sum(axis=0)
    inside = np.where(keep, 1.0, 0.0)
    without_light = light[keep].sum() - inside * light
    without = total - inside[:, None] * own
    return (
        Stack(without_light + light, without + own, frames.ideal_fwhm_px),
        Stack(without_light, without, frames.ideal_fwhm_px),
        Stack(light[keep].sum(), total, frames.ideal_fwhm_px),
    )


def growing_stack(frames: Stackable, order: NDArray[np.intp]) -> Stack:
    """Stacks of the first, the first two, ... of the frames in the order given, shape (n,).

    Parameters
    ----------
    frames : Stackable
    order : ndarray of int, shape (n,)
        Of its frames, the first to be stacked first.

    Returns
    -------
    Stack
        Arrays of shape (n,).
    """
    sums = pair_sums(frames.size).growing(frames.light_s, order)
    return Stack(np.cumsum(frames.light_s[order]), sums, frames.ideal_fwhm_px)


def long_axis(frames: Stackable) -> Floats:
    """Direction of each frame's long axis along the reference's axes, counter-clockwise from +x; shape (n,). [rad]"""
    xx, yy, xy = frames.size.T
    angle: Floats = np.arctan2(2 * xy, xx - yy) / 2
    return angle
