"""What each cause of the optics does to the stars, with all that is known of the terms: in an order in which costs add.

Costs are taken out in one order: what focus does through the night down to the sharpest tenth of the frames; what it
does over the field down to its sharpest tenth, parted between tilt and bend by their variances; what is left, the whole
field out of focus; then comets, lobes and elongations, each from stars in focus. Terms set to zero one by one would
not add, since focus grows with the square of a sum.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from framecheck.model.explain import Explained, draws, frames_of, frames_only
from framecheck.model.solve import Mode
from framecheck.model.terms import (
    Numbers,
    Setting,
    focus_of_frames,
    focus_surface,
    light_path,
    predict,
    seen_through,
)

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]
Look = Literal["shape", "comet", "lobes"]

DRAWS: Final = 48
"""Sets of terms drawn. Chosen: a probability of a tenth is known to 0.04."""
MOST_FRAMES: Final = 16
"""Frames that costs are taken of, spread over the night. Chosen."""
SIDE: Final = 5
"""Places along each side of the field. Chosen."""

SHARPEST: Final = 0.1
WORST: Final = 0.1
"""Shares of frames and places that are what could be had, and that the eye is drawn to. Chosen."""

WORTH_NAMING: Final = 0.15
"""Share of the squared width, where it is worst, from which a cause is named: 7 % of the FWHM. Chosen, the same for
all."""
SEEN: Final[Mapping[Look, float]] = {"shape": 0.10, "comet": 0.03, "lobes": 0.05}
"""Or what the eye sees: (a² - b²) / (a² + b²) of an elongation of 1.10; third moments that make a star a fifth wider
by half. Chosen, the same for all."""


OUT_OF_FOCUS: Final = 2.0
"""How much more of a comet or of lobes counts than there would be in focus. [dimensionless] Chosen: beside a focus far
off, what is seen of more is the edge of the aperture."""


@dataclass(frozen=True, slots=True)
class Effect:
    """What a cause does in each draw, frame and place; shape (n, N, P)."""

    size: Floats
    """Share of the squared width."""
    look: Floats | None = None
    """Share of the shape in the size, or the length of a third moment."""
    kind: Look = "shape"
    named_by_size: bool = True
    """False where only the shape tells it from other things that widen stars."""

    @property
    def cost(self) -> Floats:
        """Share of the squared width over field and night, shape (n,)."""
        return np.asarray(self.size.mean(axis=(1, 2)))

    @property
    def worst_size(self) -> Floats:
        """Share of the squared width where it is worst, shape (n,)."""
        return _worst(self.size)

    @property
    def worst_look(self) -> Floats:
        """The look where it is worst; 0 of causes without one; shape (n,)."""
        return np.zeros(len(self.size)) if self.look is None else _worst(self.look)

    @property
    def over(self) -> Floats:
        """How far it lies over what is worth naming, where it is worst: 1 at the limit; shape (n,)."""
        return np.maximum(self.worst_size / WORTH_NAMING * self.named_by_size, self.worst_look / SEEN[self.kind])

    @property
    def over_of_frames(self) -> Floats:
        """The same of each frame of a single draw, where its field is worst; shape (N,)."""
        return Effect(self.size[0], None if self.look is None else self.look[0], self.kind, self.named_by_size).over


def optics_effects(explained: Explained) -> dict[str, Effect]:
    """What each cause of the optics does, by name, drawn from all that is known."""
    n = len(explained.setting.kind)
    rows = np.unique(np.linspace(0, n - 1, min(n, MOST_FRAMES)).astype(int))
    numbers = frames_only(draws(explained, DRAWS), rows)
    setting = frames_of(explained.setting, rows)
    return effects(numbers, setting, field_places(setting))


def effects_of(mode: Mode, setting: Setting) -> dict[str, Effect]:
    """The same of one explanation, as a single draw, in all of its frames."""
    one = mode.numbers
    return effects(
        Numbers(shared=one.shared[None], kind=one.kind[None], frame=one.frame[None]), setting, field_places(setting)
    )


def field_places(setting: Setting, n: int = SIDE) -> Complexes:
    """Places spread evenly over the field, n along each side; shape (1, n²)."""
    side = np.linspace(-1, 1, 2 * n + 1)[1::2]
    x, y = np.meshgrid(side * setting.zones.half_width, side * setting.zones.half_height)
    return np.asarray((x + 1j * y).reshape(1, -1))


def effects(numbers: Numbers, setting: Setting, place: Complexes) -> dict[str, Effect]:
    """What each cause of the optics does, for sets of terms along a first axis."""
    path = light_path(numbers, setting, place)
    mean, surface = focus_of_frames(numbers, setting)[..., None], focus_surface(numbers, place)
    calm = _sharpest_frames(mean, surface, setting)
    at = calm + surface
    sharp = np.sort(np.abs(at), axis=-1)[..., max(0, int(SHARPEST * at.shape[-1]) - 1)][..., None]
    constant, decentred = numbers.direction("astigmatism"), numbers.direction("decentred")
    coma = numbers.of("coma") * place
    focus = mean + surface
    stars = predict(numbers, setting, place)
    total = stars.size

    def seen(z: Floats, **other: Complexes | complex) -> Floats:
        return seen_through(with_aberrations(path, z, **other), setting)

    now, steady, flat, focused = seen(focus), seen(at), seen(np.copysign(sharp, calm)), seen(0 * at)
    without_lobes, only_coma = seen(0 * at, pinch=0), seen(0 * at, comet=coma)
    only_decentred, plain = seen(0 * at, comet=decentred), seen(at, stigma=constant)
    symmetric = seen(focus, comet=0, pinch=0)
    lobes = _of_optics(_pair(now, 5) - _pair(seen(focus, pinch=0), 5), _pair(focused, 5) - _pair(without_lobes, 5))
    only_radial = seen(focus, stigma=numbers.of("radial_astigmatism") * place**2, comet=0, pinch=0)
    turned = _pair(symmetric, 1) - _pair(only_radial, 1)
    radial = _pair(symmetric, 1) - _pair(seen(focus, stigma=constant, comet=0, pinch=0), 1)
    tail_of_decentring, tail_of_coma = (
        _of_optics(_pair(now, 3) - _pair(seen(focus, comet=one), 3), _pair(focused, 3) - _pair(without, 3))
        for one, without in ((coma, only_coma), (decentred, only_decentred))
    )
    tilt = np.mean((place * numbers.direction("tilt").conj()).real ** 2, axis=-1, keepdims=True)
    bend = numbers.of("bend") ** 2 * np.var(np.abs(place) ** 2)
    of_tilt = tilt / np.maximum(tilt + bend, 1e-12)
    uneven, stretched = steady[0] - flat[0], np.maximum(steady[0] - plain[0], 0)
    return {
        "focus-drift": Effect((now[0] - steady[0]) / total),
        "sensor-tilt": Effect(uneven * of_tilt / total),
        "field-curvature": Effect((uneven * (1 - of_tilt) + stretched) / total, _seen_of(radial, stars.shape) / total),
        "defocus": Effect((flat[0] - focused[0]) / total),
        "miscollimation": Effect(
            (focused[0] - only_coma[0]) / total, _seen_of(tail_of_decentring, stars.comet), "comet"
        ),
        "coma": Effect((focused[0] - only_decentred[0]) / total, _seen_of(tail_of_coma, stars.comet), "comet"),
        "pinched-optics": Effect((focused[0] - without_lobes[0]) / total, _seen_of(lobes, stars.lobes), "lobes"),
        "astigmatism": Effect(
            np.maximum(symmetric[0] - only_radial[0], 0) / total,
            _seen_of(np.mean(turned, axis=-1, keepdims=True), np.mean(stars.shape, axis=-1, keepdims=True)) / total,
            named_by_size=False,
        ),
    }  # fmt: skip


def _sharpest_frames(mean: Floats, surface: Floats, setting: Setting) -> Floats:
    """Focus of the sharpest tenth of the frames of each kind, for all frames of that kind."""
    calm, spread = mean.copy(), np.mean((mean + surface) ** 2, axis=-1)
    for kind in range(setting.n_kinds):
        here = np.flatnonzero(setting.kind == kind)
        if not len(here):
            continue
        order = np.argsort(spread[..., here], axis=-1)[..., : max(1, int(np.ceil(SHARPEST * len(here))))]
        calm[..., here, 0] = np.take_along_axis(mean[..., here, 0], order, axis=-1).mean(axis=-1)[..., None]
    return calm


def with_aberrations(path: Floats, focus: Floats, **other: Complexes | complex) -> Floats:
    """The light's path with another focus and, if named, other aberrations."""
    out = path.copy()
    out[1] = focus
    for k, name in enumerate(("stigma", "comet", "pinch")):
        if name in other:
            value = np.asarray(other[name])
            out[2 * k + 2], out[2 * k + 3] = value.real, value.imag
    return out


def _of_optics(part: Complexes, in_focus: Complexes) -> Complexes:
    """A third moment that a cause draws, as far as there is of it in focus too."""
    size = np.abs(part)
    return np.asarray(part * np.minimum(1, OUT_OF_FOCUS * np.abs(in_focus) / np.maximum(size, 1e-9)))


def _seen_of(part: Complexes, whole: Complexes) -> Floats:
    """Size of what a cause draws, as far as it is seen: what something else undoes is not."""
    return np.asarray(np.minimum(np.abs(part), np.abs(whole)))


def _pair(seen: Floats, first: int) -> Complexes:
    return np.asarray(seen[first] + 1j * seen[first + 1])


def _worst(cells: Floats) -> Floats:
    """Mean over the worst tenth of frames and places."""
    flat = cells.reshape(len(cells), -1)
    n = max(1, round(WORST * flat.shape[1]))
    return np.asarray(np.sort(flat, axis=1)[:, -n:].mean(axis=1))
