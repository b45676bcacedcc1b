"""What each cause costs, frame by frame, from the same samples: taken out in an order in which costs add up."""
from dataclasses import dataclass
import numpy as np
from framecheck.model.responses import respond
from framecheck.model.terms import Numbers, Setting, base_of_frames, focus_of_frames, focus_surface, predict, AT

SHARPEST = 0.1

def field_grid(setting: Setting, n: int = 7):
    x, y = np.meshgrid(np.linspace(-1, 1, 2 * n + 1)[1::2], np.linspace(-1, 1, 2 * n + 1)[1::2])
    return (x * setting.zones.half_width + 1j * y * setting.zones.half_height).ravel()[None, :]

def costs(numbers: Numbers, setting: Setting, place) -> dict[str, np.ndarray]:
    """Each of shape (..., N, P): share of the squared width, at each place, that goes with the cause."""
    base = base_of_frames(numbers, setting)[..., None]
    mean = focus_of_frames(numbers, setting)[..., None]
    surface = focus_surface(numbers, place)
    alpha = numbers.direction("astigmatism") + numbers.of("radial_astigmatism") * place**2
    decentred, coma = numbers.direction("decentred"), numbers.of("coma") * place
    pinch = numbers.direction("pinch")

    def seen(focus, stigma=alpha, comet=decentred + coma, lobes=pinch):
        return respond(base, setting.diffraction2, focus, stigma, comet, lobes, air_share=1.0)

    def size(*args, **more):
        one = seen(*args, **more).size_px2
        return np.broadcast_to(one, (*base.shape[:-1], place.shape[-1]))

    whole = predict(numbers, setting, place)
    total = whole.size
    calm = mean.copy()
    spread = np.mean((mean + surface) ** 2, axis=-1)
    for kind in range(setting.n_kinds):
        here = np.flatnonzero(setting.kind == kind)
        order = np.argsort(spread[..., here], axis=-1)[..., : max(1, int(np.ceil(SHARPEST * len(here))))]
        best = np.take_along_axis(mean[..., here, 0], order, axis=-1).mean(axis=-1)
        calm[..., here, 0] = best[..., None]
    at = calm + surface
    sharp = np.sort(np.abs(at), axis=-1)[..., max(0, int(SHARPEST * at.shape[-1]) - 1)][..., None]
    now, steady, flat, focused = size(mean + surface), size(at), size(np.copysign(sharp, calm)), size(0 * at)
    tilt = np.mean((place * numbers.direction("tilt").conj()).real ** 2, axis=-1)
    bend = numbers.of("bend")[..., 0] ** 2 * np.var(np.abs(place) ** 2)
    split = (tilt / np.maximum(tilt + bend, 1e-12))[..., None]
    constant, radial = numbers.direction("astigmatism"), numbers.of("radial_astigmatism") * place**2
    drawn = seen(mean + surface, comet=0, lobes=0).shape_px2
    turned = drawn - seen(mean + surface, radial, 0, 0).shape_px2
    corners = drawn - seen(mean + surface, constant + 0 * radial, 0, 0).shape_px2
    stretched = size(at) - size(at, constant + 0 * radial)
    third = seen(mean + surface)
    tail, tail_rest = third.comet, seen(mean + surface, comet=coma).comet
    lobes_seen = np.abs(third.lobes - seen(mean + surface, lobes=0).lobes)
    return {
        "focus-drift": Effect((now - steady) / total),
        "sensor-tilt": Effect((steady - flat) / total * split),
        "field-curvature": Effect(((steady - flat) * (1 - split) + np.maximum(stretched, 0)) / total, np.abs(corners) / total),
        "defocus": Effect((flat - focused) / total),
        "miscollimation": Effect((focused - size(0 * at, comet=coma)) / total, np.abs(tail - tail_rest), "comet"),
        "coma": Effect((focused - size(0 * at, comet=decentred + 0 * coma)) / total, np.abs(tail_rest), "comet"),
        "pinched-optics": Effect((focused - size(0 * at, lobes=0)) / total, lobes_seen, "lobes"),
        "astigmatism": Effect(0 * total, np.abs(np.mean(turned, axis=-1, keepdims=True)) / total),
    }


@dataclass(frozen=True, slots=True)
class Effect:
    """What a cause does at each place of each frame, in each sample; shape (samples, N, P)."""

    size: np.ndarray
    look: np.ndarray | None = None
    """What the eye sees of it: shape over size, or a third moment."""
    kind: str = "shape"


LIMIT = {"size": 0.15, "shape": 0.10, "comet": 0.03, "lobes": 0.05}


def worst(cells, share=0.1):
    """Mean over the worst tenth of frames and places; one number a sample."""
    flat = cells.reshape(len(cells), -1)
    n = max(1, int(round(share * flat.shape[1])))
    return np.sort(flat, axis=1)[:, -n:].mean(axis=1)


def over(effect):
    """How far each sample lies over what is worth naming: 1 at the limit."""
    out = worst(effect.size) / LIMIT["size"]
    if effect.look is not None:
        out = np.maximum(out, worst(effect.look) / LIMIT[effect.kind])
    return out
