"""Where the search for the most probable terms begins."""

from collections.abc import Mapping
from math import log
from typing import Final

import numpy as np
from numpy.typing import NDArray

from framecheck import shear
from framecheck.model.terms import AT, AT_FRAME, N_FRAME, N_KIND, SHARED, Numbers, Setting
from framecheck.model.zones import mean_over_field

Floats = NDArray[np.float64]

DISC_COUNTS: Final = 0.7
LEAST_ROUND: Final = 0.2
SHARP: Final = 0.15
GROWN: Final = 0.15
"""What a disc adds to the size over its moment, and the least share of the size that is no blur of focus, where one
begins; quantile of the frames' sizes that counts as in focus, and growth over the usual size that may be one of focus.
Chosen."""

ASTIGMATIC: Final = 0.3
ONE_DIRECTION: Final = 2.0
"""Astigmatism to begin with, and how much more shapes scatter along one direction than across it for that. [FWHM,
dimensionless] Chosen."""
SOME: Final = 0.2
"""Share of the frames that must lie on either side. Chosen: knocks and late corrections are few."""

LEAST_DRIFT: Final = 0.25
"""Line, usual in the frames, from which they are begun with a drift. [FWHM] Chosen: it makes stars 1.06 long."""


def start(setting: Setting, begin: Mapping[str, float | complex]) -> Numbers:
    """Terms to begin with: everything at its usual value but what is named."""
    first = np.concatenate([np.full(term.n, term.usual) for term in SHARED])
    for name, value in begin.items():
        if name in AT:
            first[AT[name]] = (value.real, value.imag) if isinstance(value, complex) else value
    if "focus_1" in begin:
        turns = _slope_of_shape(setting) / (2 * DISC_COUNTS * begin["focus_1"])
        first[AT["astigmatism"]] = turns.real, turns.imag
    for name in ("decentred", "coma"):
        if name in begin:
            first[AT[name]] = _tails(setting, begin[name].real, radial=name == "coma")
    kind = np.zeros((setting.n_kinds, N_KIND))
    kind[:, 1] = focus = begin["focus"].real
    size = np.array(_typical_size(setting))
    log = np.log(np.maximum(size - DISC_COUNTS * focus**2, LEAST_ROUND * size))
    first[AT["base"]] = log.mean()
    kind[:, 0] = log - log.mean()
    return Numbers(shared=first, kind=kind, frame=first_frames(setting))


def _tails(setting: Setting, strength: float, *, radial: bool) -> list[float]:
    """Comets to begin with, of a strength: where the stars' tails point to or, `radial`, towards or from the centre."""
    seen = setting.zones.value[2] * (setting.zones.weight[2] > 0)
    if radial:
        return [float(np.copysign(strength, np.sum(seen * setting.zones.place.conj()).real))]
    way = np.exp(1j * np.angle(seen.sum()))
    return [float(strength * way.real), float(strength * way.imag)]


def growth_as_focus(setting: Setting) -> Numbers | None:
    """Begin where all growth of the stars along the night is a focus that goes away; None if they hardly grow."""
    size = mean_over_field(setting.zones, 0).real / setting.width2_px2
    sharp = float(np.quantile(size, SHARP))
    away = np.sqrt(np.maximum(size - sharp, 0) / DISC_COUNTS)
    design = np.column_stack([np.ones(len(size)), setting.focus_course])
    fit, *_ = np.linalg.lstsq(design, away, rcond=None)
    if DISC_COUNTS * float(np.max(design @ fit)) ** 2 < GROWN * float(np.median(size)):
        return None
    begun = start(setting, {"focus": 0.0})
    shared, kind = begun.shared.copy(), begun.kind.copy()
    shared[AT["focus_1"].start : AT["focus_3"].stop] = fit[1:]
    kind[:, 1] = fit[0]
    shared[AT["base"]] += log(sharp / float(np.median(size)))
    return Numbers(shared=shared, kind=kind, frame=np.zeros_like(begun.frame))


def turning_as_astigmatism(setting: Setting) -> Numbers | None:
    """Begin where frames drawn out along one direction or at right angles to it are astigmatic, and their focus moves.

    It follows the course of the night as far as it may, and wanders beside it.

    None if their shapes scatter in any direction, or little, or all along one: motion makes no star short along its
    axis.
    """
    shape = mean_over_field(setting.zones, 1) / setting.width2_px2 - setting.line**2
    turn = np.exp(0.5j * np.angle(np.sum((shape - shear.middle(shape)) ** 2)))
    along, across = (shape / turn).real, (shape / turn).imag
    least = ASTIGMATIC / 4  # of shapes too small to see nothing is told
    low, high = np.quantile(along, (SOME, 1 - SOME))
    if np.std(along) < max(ONE_DIRECTION * np.std(across), least) or not low < -least < least < high:
        return None
    begun = start(setting, {"focus": 0.0, "astigmatism": complex(ASTIGMATIC * turn)})
    shared, kind, frame = begun.shared.copy(), begun.kind.copy(), begun.frame.copy()
    size = mean_over_field(setting.zones, 0).real / setting.width2_px2
    focus = along / (2 * DISC_COUNTS * ASTIGMATIC)
    design = np.column_stack([np.ones(len(focus)), setting.focus_course])
    fit, *_ = np.linalg.lstsq(design, focus, rcond=None)
    kind[:, 1], shared[AT["focus_1"].start : AT["focus_3"].stop] = fit[0], fit[1:]
    frame[:, AT_FRAME["motion"]] = 0
    frame[:, AT_FRAME["focus"].start] = focus - design @ fit
    frame[:, AT_FRAME["air"].start] = np.clip(np.log(size / np.median(size)), -0.3, 0.3) / 2
    return Numbers(shared=shared, kind=kind, frame=frame)


def motion_as_drift(begun: Numbers, setting: Setting) -> Numbers | None:
    """Begin where one explanation did, but with a drift in the exposures in place of astigmatism and moving focus.

    Its direction and its size change slowly. None if the stars are hardly drawn out.
    """
    shape = mean_over_field(setting.zones, 1) / setting.width2_px2
    if np.median(np.abs(shape)) < LEAST_DRIFT**2:
        return None
    path = np.sqrt(shape)
    for k in range(1, len(path)):  # a line has no head: the end that goes on
        if (path[k] * np.conj(path[k - 1])).real < 0:
            path[k:] *= -1
    ahead = 1.0 if np.sum(path * np.conj(setting.line)).real >= 0 else -1.0
    design = setting.exposure[:, None] * np.column_stack([np.ones(len(path)), setting.course[:, :2]])
    fit, *_ = np.linalg.lstsq(design, ahead * path - setting.line, rcond=None)
    shared, frame = begun.shared.copy(), begun.frame.copy()
    for name in ("focus_1", "focus_2", "focus_3", "focus_temperature", "astigmatism", "motion"):
        shared[AT[name]] = 0
    shared[AT["drift_0"].start : AT["drift_2"].stop] = np.stack([fit.real, fit.imag], axis=-1).ravel()
    frame[:, AT_FRAME["motion"]] = 0
    return Numbers(shared=shared, kind=begun.kind, frame=frame)


def _slope_of_shape(setting: Setting) -> complex:
    """By how much the frames' mean shape changes in half of the night. [squared FWHM]"""
    shape, t = mean_over_field(setting.zones, 1) / setting.width2_px2, setting.course[:, 0]
    return complex(np.sum(shape * t) / max(float(np.sum(t**2)), 1e-9))


def first_frames(setting: Setting) -> Floats:
    """Frames' own terms to begin with: what is drawn out more than usual has moved, and is wider by that."""
    shape = mean_over_field(setting.zones, 1) / setting.width2_px2 - setting.line**2
    size = mean_over_field(setting.zones, 0).real / setting.width2_px2
    frame = np.zeros((len(size), N_FRAME))
    for kind in range(setting.n_kinds):
        here = setting.kind == kind
        away = shape[here] - shear.middle(shape[here])
        calm = np.maximum(size[here] - np.abs(away), 0.1)
        frame[here, AT_FRAME["motion"]] = np.stack([away.real, away.imag], axis=-1)
        frame[here, AT_FRAME["air"].start] = np.clip(np.log(calm / np.median(calm)), -0.3, 0.3)
    return frame


def _typical_size(setting: Setting) -> list[float]:
    size, weight = setting.zones.value[0].real, setting.zones.weight[0] > 0
    out = []
    for kind in range(setting.n_kinds):
        here = weight & (setting.kind == kind)[:, None]
        out.append(float(np.median(size[here])) / setting.width2_px2 if here.any() else 1.0)
    return out
