"""What makes the stars of a session as wide as they are: motion, focus and optics, the air, taken out in this order.

Squared widths are those of the half-maximum area, long times short axis, means over the field. Taken out in one order
they add up to the star that was measured, in every draw of what is known.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import log
from typing import Final

import numpy as np
from numpy.typing import NDArray

from framecheck import shear
from framecheck.constants import FWHM_PER_SIGMA
from framecheck.field.result import FrameShape
from framecheck.model.costs import field_places, with_aberrations
from framecheck.model.explain import Explained, draws, frames_of, frames_only
from framecheck.model.terms import (
    AT,
    AT_FRAME,
    SOFT_ZERO,
    Numbers,
    Predicted,
    Setting,
    base_of_frames,
    even_line,
    light_path,
    own_blur2,
    predict,
    round_motion,
    seen_through,
    unseen_drift,
)
from framecheck.robust import spread

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

DRAWS: Final = 60
"""Sets of terms drawn. Chosen: bounds of 16 and 84 in 100 are known to a twentieth of them."""
SIDE: Final = 3
"""Places along each side of the field. Chosen: means over it change by a percent or so with more."""

PER_VARIANCE: Final = FWHM_PER_SIGMA**2
"""Squared FWHM of a Gaussian over its variance. Closed form."""

RECORD_TELLS: Final = (0.5, 1.3)
"""[dimensionless] Variance of the mount's own motion over that of the guide star on record: part of the latter is air,
and motion faster than the guide exposures is not in it. Chosen."""

MOST_ROUND: Final = 0.75
"""Share of the round star that motion may make. Chosen: more would not be so round."""

LAWS_MISS: Final = 0.15
"""Relative error of what motion makes of a star, by the laws of its response. Chosen: the size follows how the motion
goes, evenly or at random."""

LINES_KNOWN_TO: Final = 0.03
"""Relative error of the length of long lines, and of their width across. [dimensionless] Chosen: lines of lenses drawn
by exact turns of the sky came within it."""
LINE_SIGMA: Final = (-1.47, -0.79, -0.37, 0.0, 0.37, 0.79, 1.47)
"""Where each of the two is drawn. [sigma] Middles of sevenths of a normal distribution: closed form."""

USUAL_MEMORY_S: Final = 4.0
MEMORY_S: Final = (1.0, 10.0)
"""[s] Memory of a guided mount's random motion: about the interval of the corrections, and the range of it. Chosen: of
34 nights drawn by an independent hand, loops came to 1 s and wind to 0.1 s; others swing in 6 to 45 s."""

FEWEST_STEPS: Final = 3
"""Steps from frame to frame that tell of a random motion. Chosen."""

GONE: Final = -1.0
"""[squared FWHM] Round motion of none: far below `SOFT_ZERO`."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Parts:
    """What is left of each frame's star as more is taken out; arrays of shape (n_draws, N) unless said otherwise."""

    frames: tuple[int, ...]
    """Indices in `Night.frames`, N of them."""
    total_px2: Floats
    """Squared FWHM before the pixel, as the model has it."""
    still_px2: Floats
    """Without the mount's motion."""
    focused_px2: Floats
    """Without that, in focus and without aberrations: air, diffraction, and the blur that optics have of their own."""
    own_px2: Floats
    """That blur alone."""
    diffraction_px2: float
    """Of the aperture."""
    along_px2: Floats
    """Variance of the motion along its axis, mean over the field."""
    round_px2: Floats
    """Variance on each axis of motion alike in all directions."""
    shape_px2: Complexes
    """(a² - b²) / 2 times exp(2 i pa), in the frame's own axes, mean over draws and field; shape (N,)."""
    still_shape_px2: Complexes
    """The same without the motion; shape (N,)."""


def parts_of(
    explained: Explained,
    rows: NDArray[np.intp],
    exposure_s: Floats,
    random: float,
    by_optics: float = 0.0,
    guided_to_px2: Floats | None = None,
) -> Parts:
    """Take the stars of some frames of a session apart, in draws of all that is known.

    Parameters
    ----------
    explained : Explained
    rows : ndarray of int, shape (N,)
        Which of its frames: those of one filter and exposure, in order of time.
    exposure_s : ndarray, shape (N,)
        Of each frame.
    random : float
        Probability that the motion which changes from frame to frame is a random one, that goes on in all directions.
    by_optics : float
        Probability that what draws the stars out alike in all frames, and is no drift, are the optics.
    guided_to_px2 : ndarray, shape (N,), optional
        Variance of the guide star's motion on each axis, on record for each frame; NaN where there is none. [px²]

    Returns
    -------
    Parts
    """
    setting, numbers = frames_of(explained.setting, rows), frames_only(draws(explained, DRAWS), rows)
    place = field_places(setting, SIDE)
    unit = setting.width2_px2
    even = even_line(numbers, setting, np.broadcast_to(place, (len(setting.kind), place.shape[-1])))
    jitter = numbers.direction("motion") + numbers.direction_of_frames("motion")[..., None]
    of_optics = _in_any_order(np.linspace(0, 1, len(jitter)), seed=3)[:, None, None] < by_optics
    drift = of_optics * unseen_drift(numbers, setting)[..., None]
    alike = of_optics * (jitter + drift**2).mean(axis=1, keepdims=True)
    even, jitter = even - drift, jitter + drift**2 - alike
    along = 2 * unit / PER_VARIANCE * np.abs(even**2 + jitter).mean(axis=-1)
    beside = _beside(frames_only(explained.modes[0].numbers, rows), exposure_s, random, len(along))
    if guided_to_px2 is not None:
        tells = _in_any_order(np.geomspace(*RECORD_TELLS, len(along)))[:, None]
        recorded = PER_VARIANCE / unit * (tells * guided_to_px2 - along / 2)
        beside = np.where(np.isfinite(recorded), np.maximum(recorded, 0), beside)
    numbers = _moved_round(numbers, setting, beside)
    moved, still = predict(numbers, setting, place), predict(*_without_motion(numbers, setting, alike[..., 0]), place)
    path = light_path(_without_motion(numbers, setting)[0], setting, place)
    focused = seen_through(with_aberrations(path, 0 * path[1], stigma=0, comet=0, pinch=0), setting)[0]
    total_px2 = unit * _area(moved)
    missed = np.exp(LAWS_MISS * np.random.default_rng(2).standard_normal((len(along), 1)))
    still_px2 = total_px2 * np.minimum(unit * _area(still) / total_px2, 1) ** missed
    focused_px2 = np.minimum(unit * focused.mean(axis=-1), still_px2)
    diffraction = np.minimum(unit * setting.diffraction2, focused_px2)
    return Parts(
        frames=tuple(explained.frames[k] for k in rows),
        total_px2=total_px2, still_px2=still_px2, focused_px2=focused_px2,
        own_px2=np.minimum(unit * own_blur2(numbers, setting)[..., 0], focused_px2 - diffraction),
        diffraction_px2=unit * setting.diffraction2, along_px2=missed * along,
        round_px2=missed * unit / PER_VARIANCE * round_motion(numbers),
        shape_px2=unit * moved.shape.mean(axis=(0, -1)), still_shape_px2=unit * still.shape.mean(axis=(0, -1)),
    )  # fmt: skip


def still_shapes_px2(explained: Explained, mode: int = 0) -> Complexes:
    """Shapes of the stars that nothing moves, by one of the explanations: mean over the field of each frame.

    Parameters
    ----------
    explained : Explained
    mode : int, optional
        Which of its modes; the most probable one, if not given.

    Returns
    -------
    ndarray of complex, shape (N,)
        (a² - b²) / 2 times exp(2 i pa), in the frame's own axes. [px²]
    """
    setting = explained.setting
    still = predict(*_without_motion(explained.modes[mode].numbers, setting), field_places(setting, SIDE))
    return np.asarray(setting.width2_px2 * still.shape.mean(axis=-1))


def parts_of_lines(frames: Sequence[int], shapes: Sequence[FrameShape]) -> Parts:
    """Take stars apart that are drawn to lines so long that nothing of the optics is seen in them.

    Across such a line the star is as wide as it would be still; along it the variance is that of an even line, a
    twelfth of its squared length (closed form). Both are drawn as well as they are known.

    Parameters
    ----------
    frames : sequence of int
        Indices in `Night.frames`.
    shapes : sequence of FrameShape
        Theirs.
    """
    fwhm2 = np.array([[shape.fwhm_px**2 for shape in shapes]])
    e = np.array([complex(shape.e1, shape.e2) for shape in shapes])
    length = np.array([[shape.trail_length_px or shape.fwhm_px * np.sqrt(shape.elongation) for shape in shapes]])
    off = np.exp(LINES_KNOWN_TO * np.array(LINE_SIGMA))
    wider, longer = (one.reshape(-1, 1) for one in np.meshgrid(off, off))
    still2 = np.minimum(fwhm2 * np.exp(-np.abs(e)) * wider**2, fwhm2)
    fwhm2 = np.broadcast_to(fwhm2, still2.shape)
    shape_px2 = fwhm2[0] * shear.share_of(e)
    return Parts(
        frames=tuple(frames), total_px2=fwhm2, still_px2=still2, focused_px2=still2, own_px2=0 * still2,
        diffraction_px2=0.0, along_px2=(length * longer) ** 2 / 12, round_px2=0 * still2, shape_px2=shape_px2,
        still_shape_px2=0 * shape_px2,
    )  # fmt: skip


def _area(stars: Predicted) -> Floats:
    """Long times short axis, mean over the field; shape (n, N)."""
    round2 = stars.size**2 - np.minimum(np.abs(stars.shape), 0.999 * stars.size) ** 2
    return np.asarray(np.sqrt(round2).mean(axis=-1))


def _without_motion(numbers: Numbers, setting: Setting, alike: Complexes | None = None) -> tuple[Numbers, Setting]:
    """The same stars at rest, but for what draws those of all frames alike and is none of the mount's."""
    shared, frame = numbers.shared.copy(), numbers.frame.copy()
    for name in ("motion", "drift_0", "drift_1", "drift_2"):
        shared[..., AT[name]] = 0
    for name in ("motion", "turning"):
        frame[..., AT_FRAME[name]] = 0
    if alike is not None:
        frame[..., AT_FRAME["motion"]] = np.stack([alike.real, alike.imag], axis=-1)
    frame[..., AT_FRAME["round_motion"]] = GONE
    none = np.zeros(len(setting.kind))
    return replace(numbers, shared=shared, frame=frame), replace(
        setting, turning=none, line=np.zeros(len(none), complex)
    )


def _moved_round(numbers: Numbers, setting: Setting, beside2: Floats) -> Numbers:
    """The same stars, with another part of them made by motion alike in all directions."""
    base = base_of_frames(numbers, setting)
    wanted = np.clip(beside2, 1e-3 * SOFT_ZERO, MOST_ROUND * base)
    frame = numbers.frame.copy()
    frame[..., AT_FRAME["round_motion"].start] = SOFT_ZERO * np.log(np.expm1(np.minimum(wanted / SOFT_ZERO, 300)))
    frame[..., AT_FRAME["air"].start] += np.log((base - wanted) / (base - round_motion(numbers)))
    return replace(numbers, frame=frame)


def _beside(mode: Numbers, exposure_s: Floats, random: float, n: int) -> Floats:
    """Squared width of motion alike in all directions, in draws; shape (n, N).

    It leaves no shape of its own. Frames that stand out show it by themselves; of all others only the change of the
    smear from frame to frame tells.
    """
    alone = np.maximum(round_motion(mode) - SOFT_ZERO * log(2), 0)
    memory_s = _in_any_order(np.geomspace(*MEMORY_S, n))[:, None]
    is_random = _in_any_order(np.linspace(0, 1, n), seed=1)[:, None] < random
    restless = changes_at_random(mode.direction_of_frames("motion"))
    return np.asarray(alone + is_random * random_motion2(restless, np.nan_to_num(exposure_s, nan=60.0), memory_s))


def changes_at_random(smear: Complexes) -> float:
    """Scatter of each component of the frames' smears, from one frame to the next: what turns slowly is not random."""
    steps = np.diff(smear) / np.sqrt(2)
    return spread(np.concatenate([steps.real, steps.imag])) if len(steps) >= FEWEST_STEPS else 0.0


def random_motion2(restless: float, exposure_s: Floats | float, memory_s: Floats | float = USUAL_MEMORY_S) -> Floats:
    """Squared width, in all directions, of the random motion that lets smears change so much from frame to frame.

    Of N independent places of a random motion with the variance s² on each axis, (Sxx - Syy) / 2 and Sxy scatter by
    s² / sqrt(N) each (closed form for normal motion); a motion whose memory fades as exp(-t / T) has N = exposure / T.
    """
    return np.asarray(restless * np.sqrt(np.maximum(np.asarray(exposure_s) / memory_s, 1.0)))


def _in_any_order(values: Floats, seed: int = 0) -> Floats:
    return np.asarray(np.random.default_rng(seed).permutation(values))
