"""Size and shape of the stars over the sensor and over the night, as one physical model.

Squared axes at half maximum add, to good approximation, where kernels are convolved (`half_maximum_response` says how
good), and so do third moments. All good stars of all frames of a group are fitted together: what a frame's stars have
in common is air, focus and motion; what turns about a point and changes from frame to frame is rotation; what stays
with the sensor is optics and camera.

References
----------
.. [1] M. Jarvis, P. Schechter and B. Jain, arXiv:0810.0027 (2008): the pattern of a telescope as a physical model,
   judged by stars held back.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import hypot, sqrt
from typing import Final

import numpy as np
from numpy.typing import NDArray

from framecheck import robust
from framecheck.constants import SURE_SIGMA
from framecheck.field.focus import focus_phase, without_focus
from framecheck.field.records import FieldModel, FrameField, NoFieldModel, WithError, calm_root
from framecheck.field.result import FrameResult
from framecheck.field.sample import FieldSample, Floats, gather_stars
from framecheck.field.similarity import Similarity
from framecheck.field.terms import Terms, fit_terms, residuals
from framecheck.field.turning import Turning, split_rotation

FEWEST_STARS: Final = 100
"""Fitted stars, all frames together. Chosen: some ten for each shared coefficient."""

FEWEST_A_QUARTER: Final = 8
"""Fitted stars that each quarter of the sensor must hold. Chosen: without them one side is a guess."""

TRAILED: Final = 0.3
"""(a² - b²) / 2 over the squared FWHM that motion makes of a tenth of the stars, from which the pattern of size is read
across it: an elongation of 1.35; half of it in the middle. [dimensionless] Chosen: trails of a still camera lengthen
towards the celestial equator, arcs about a guide star away from it, as if it were optics."""

N_LINEAR: Final = 4
"""Shared coefficients of shape that are linear in the place, the first ones."""


def fit_field_model(
    results: Sequence[FrameResult], places: Sequence[Similarity | None] | None = None
) -> FieldModel | NoFieldModel:
    """Fit one pattern to all good stars of a group's frames.

    Parameters
    ----------
    results : sequence of FrameResult
        Frames of one camera and group, in order of time.
    places : sequence of Similarity or None, optional
        How each lies against one of them: one star's repeats count as one. Without them every star is another one.

    Returns
    -------
    FieldModel or NoFieldModel
        The latter with a reason if the stars are too few or leave a quarter of the sensor empty.
    """
    sample = gather_stars(results, places)
    if sample is None:
        return NoFieldModel(because="no frame has enough good stars")
    fitted = ~sample.held
    quarter = (sample.z.real > 0).astype(int) + 2 * (sample.z.imag > 0)
    if fitted.sum() < FEWEST_STARS:
        return NoFieldModel(because=f"{fitted.sum()} good stars are too few for a pattern, which takes {FEWEST_STARS}")
    if np.bincount(quarter[fitted], minlength=4).min() < FEWEST_A_QUARTER:
        return NoFieldModel(because="a quarter of the sensor has next to no good stars")
    return _model(sample)


def _model(sample: FieldSample) -> FieldModel:
    spin2 = _fit_shape(sample)
    one = np.ones((1, 1, len(sample.z)))
    size_columns = _size_columns(sample, spin2.turning.calm[sample.frame] if spin2.turning.seen else None)
    spin0 = _fit(sample, sample.size, one, size_columns, sample.size_error, sample.square)
    third = _constant(sample.z), sample.third_error, sample.cube
    coma = _fit(sample, sample.coma, third[0], _pair(sample.z)[:1], *third[1:])
    trefoil = _fit(sample, sample.trefoil, third[0], _pair(sample.z)[:0], *third[1:])
    centre_size = float(np.median(spin0.frame[:, 0]))
    width = sqrt(centre_size)
    drawn = _drawn_out(sample, spin2)
    trailed = np.median(np.hypot(*spin2.motion.T)) > TRAILED / 2 * centre_size and (
        np.quantile(np.hypot(*drawn), 0.9) > TRAILED * centre_size
    )
    across = _across(sample, drawn)
    pattern = _fit(sample, across, one, size_columns, sample.size_error, sample.square) if trailed else spin0
    pattern_size = max(float(np.median(pattern.frame[:, 0])), 1e-6)
    tilt_x, tilt_y, curvature = _size_pattern(sample, pattern, pattern_size)
    (all_coma, all_coma_error), (all_trefoil, all_trefoil_error) = _common(coma), _common(trefoil)
    outward = WithError(value=float(coma.shared[0]), error=float(sqrt(coma.shared_covariance[0, 0])))
    return FieldModel(
        centre_size_px2=centre_size,
        tilt_x_percent=tilt_x,
        tilt_y_percent=tilt_y,
        curvature_percent=curvature,
        coma_px=calm_root(abs(outward.value), outward.error, 3, 1),
        coma_px3=outward,
        constant_coma_px=calm_root(hypot(*all_coma), all_coma_error, 3, 2),
        constant_coma_px3=WithError(value=hypot(*all_coma), error=all_coma_error),
        constant_coma_pa_deg=float(np.degrees(np.arctan2(all_coma[1], all_coma[0])) % 360),
        astigmatism_px=_over(spin2.turning.fixed, width),
        constant_astigmatism_px=None if spin2.through_focus is None else _over(spin2.through_focus, width),
        trefoil_px=calm_root(hypot(*all_trefoil), all_trefoil_error, 3, 2),
        frames=_frames(sample, spin0, spin2, coma.frame - np.median(coma.frame, axis=0), _component_error(coma)),
        explained_spin0=_explained(sample, sample.size, one, size_columns, spin0, sample.size_error),
        explained_spin2=_explained(
            sample, sample.shape, spin2.own_columns, spin2.shared_columns, spin2.terms, sample.shape_error
        ),
        n_stars=int((~sample.held).sum()),
    )


def _drawn_out(sample: FieldSample, spin2: "_Spin2") -> Floats:
    """What motion makes of each star's shape: what its frame has in common, and turning about a point far away.

    Terms of second order in the place are left to the optics.
    """
    linear = np.tensordot(spin2.terms.shared[:N_LINEAR], spin2.shared_columns[:N_LINEAR], axes=1)
    return linear + spin2.motion.T[:, sample.frame]


def _across(sample: FieldSample, drawn: Floats) -> Floats:
    """Squared width of each star across the direction that it is drawn out along, shape (1, n). [px²]"""
    out: Floats = sample.size - np.sum(sample.shape * drawn, axis=0) / np.maximum(np.hypot(*drawn), 1e-9)
    return out


def _size_columns(sample: FieldSample, rotation: Floats | None) -> Floats:
    """Plane, parabola and saddle; what a bowl adds to them; and the first two times a rotation, about any centre.

    The squared width grows with the square of the distance from focus, (focus + tilt + bowl)², so a bowl adds terms of
    third and fourth order. They are written so that they vanish at the edges and in the corners: the growth to there
    stays with the first three.
    """
    z = sample.z
    square = np.abs(z) ** 2
    low = np.stack([z.real, z.imag, square, (z**2).real, (z**2).imag])[:, None]
    high = np.stack(
        [z.real * (square - sample.half_width**2), z.imag * (square - sample.half_height**2), square * (square - 1)]
    )[:, None]
    turned = [] if rotation is None else [rotation * low[:3]]
    return np.concatenate([low, high, *turned])


def _shape_columns(z: NDArray[np.complex128]) -> Floats:
    """What all frames share of shape: linear terms, and astigmatism (z²) times the tilt and the bowl of the focus.

    Over the stars' places the higher orders leave z and z² alone (orthogonal), which are thus as well known
    as without them.
    """
    square = np.abs(z) ** 2
    tilt = z * (square - np.sum(square**2) / np.sum(square))
    bowl = z**2 * (square - np.sum(square**3) / np.sum(square**2))
    return np.concatenate([_pair(z), _pair(z.conj()), _pair(z**3), _pair(tilt), _pair(bowl)[:1]])


def _size_pattern(sample: FieldSample, spin0: Terms, centre_size: float) -> tuple[WithError, WithError, WithError]:
    """Tilt along x and y, edge to edge, and curvature, corner over centre, in per cent of the FWHM."""
    error = np.sqrt(np.diag(spin0.shared_covariance))
    to_percent = 100 / centre_size
    corner = sqrt(max(1 + spin0.shared[2] / centre_size, 0.0))
    return (
        WithError(
            value=float(to_percent * sample.half_width * spin0.shared[0]),
            error=float(to_percent * sample.half_width * error[0]),
        ),
        WithError(
            value=float(to_percent * sample.half_height * spin0.shared[1]),
            error=float(to_percent * sample.half_height * error[1]),
        ),
        WithError(value=100 * (corner - 1), error=float(to_percent * error[2] / 2 / max(corner, 0.1))),
    )


@dataclass(frozen=True, slots=True)
class _Spin2:
    """Shape over field and night, taken apart."""

    terms: Terms
    own_columns: Floats
    shared_columns: Floats
    motion: Floats  # (n_frames, 2)
    turning: Turning
    through_focus: WithError | None


def _pair(f: NDArray[np.complex128]) -> Floats:
    """What the real and the imaginary part of a complex coefficient of `f` multiply, shape (2, 2, n)."""
    return np.stack([np.stack([f.real, f.imag]), np.stack([-f.imag, f.real])])


def _constant(z: NDArray[np.complex128]) -> Floats:
    return _pair(np.ones_like(z))


def _fit(
    sample: FieldSample,
    values: Floats,
    own: Floats,
    shared: Floats,
    error: Floats,
    scale: Floats,
    prior: Floats | None = None,
) -> Terms:
    """Terms from the stars that are not held back."""
    use = ~sample.held
    return fit_terms(
        values[:, use],
        own[..., use],
        shared[..., use],
        frame=sample.frame[use],
        error=error[use],
        scale=scale[use],
        frame_prior=np.zeros(len(own)) if prior is None else prior,
        star=sample.star[use],
        snr=sample.snr[use],
    )


def _common(terms: Terms) -> tuple[Floats, float]:
    """Mean over the frames of a two-component term, and the error of each component from the frames' scatter."""
    error = _component_error(terms)
    means, errors = zip(*(robust.mean_with_scatter(terms.frame[:, i], error)[:2] for i in range(2)), strict=True)
    by_stars = float(np.sqrt(np.mean(terms.mean_error[:2] ** 2)))
    return np.array(means), max(float(np.sqrt(np.mean(np.square(errors)))), by_stars)


def _fit_shape(sample: FieldSample) -> _Spin2:
    """Motion and tangential smear of each frame, and what all frames share.

    The coefficient of z² is a frame's own. Where it scatters from frame to frame beyond chance, the frames turn; then
    rotation r about a centre c, -r (z - c)², is fitted again with the centre as a shared term, z r.
    """
    z = sample.z
    own = np.concatenate([_constant(z), _pair(z**2)[:1]])
    prior = np.array([0.0, 0.0, 1 / float(np.median(sample.square)) ** 2])  # stars in one corner: no wild rotation
    shared = _shape_columns(z)
    terms = _fit(sample, sample.shape, own, shared, sample.shape_error, sample.square, prior)
    focus = focus_phase(sample)
    turning = split_rotation(terms, focus)
    centre = 0j
    if turning.seen:
        shared = np.concatenate([shared, _pair(turning.calm[sample.frame] * z)])
        terms = _fit(sample, sample.shape, own, shared, sample.shape_error, sample.square, prior)
        centre = complex(terms.shared[-2], terms.shared[-1]) / 2
        turning = split_rotation(terms, focus)
    moved = terms.frame[:, :2] + np.outer(turning.calm, [(centre**2).real, (centre**2).imag])
    error = _component_error(terms)
    moved, through_focus = without_focus(moved, error, focus)
    return _Spin2(terms, own, shared, moved, turning, through_focus)


def _component_error(terms: Terms) -> Floats:
    """Error of each of a frame's two components, shape (n_frames,)."""
    out: Floats = np.sqrt((terms.frame_covariance[:, 0, 0] + terms.frame_covariance[:, 1, 1]) / 2)
    return out


def _frames(
    sample: FieldSample, spin0: Terms, spin2: _Spin2, lopsided: Floats, lopsided_error: Floats
) -> tuple[FrameField, ...]:
    counts = np.bincount(sample.frame[~sample.held], minlength=len(sample.results))
    size_error = np.sqrt(spin0.frame_covariance[:, 0, 0])
    motion_error = _component_error(spin2.terms)
    return tuple(
        FrameField(
            index=index,
            size_px2=WithError(value=float(spin0.frame[k, 0]), error=float(size_error[k])),
            motion1_px2=float(spin2.motion[k, 0]),
            motion2_px2=float(spin2.motion[k, 1]),
            motion_error_px2=float(motion_error[k]),
            rotation_px2=WithError(value=float(spin2.turning.each[k]), error=float(spin2.turning.error[k])),
            lopsided1_px3=float(lopsided[k, 0]),
            lopsided2_px3=float(lopsided[k, 1]),
            lopsided_error_px3=float(lopsided_error[k]),
            n_stars=int(counts[k]),
        )
        for k, index in enumerate(sample.results)
    )


def _explained(
    sample: FieldSample, values: Floats, own: Floats, shared: Floats, terms: Terms, error: Floats
) -> float | None:
    """Share of the held-back stars' variance that the terms explain, noise taken off; spin 0 within frames."""
    held, scale = sample.held, sample.square
    frame = sample.frame[held]
    values = values[:, held]
    left = residuals(values, own[..., held], shared[..., held], frame, terms.frame, terms.shared)
    n_components = len(values)
    unit = scale[held] ** 2 * (error[held] ** 2 + terms.scatter**2)
    noise = n_components * scale[held] ** 2 * error[held] ** 2 / unit
    good = np.einsum("cn,cn->n", left, left) / unit < 16 * n_components  # a few bad stars must not be the verdict
    if good.sum() < 20:
        return None
    whole = values
    if n_components == 1:
        whole = whole - terms.frame[frame, 0] - np.median((whole - terms.frame[frame, 0])[:, good])
    pattern = (np.einsum("cn,cn->n", whole, whole) / unit - noise)[good]
    if pattern.mean() < SURE_SIGMA * pattern.std() / sqrt(len(pattern)):
        return None
    rest = (np.einsum("cn,cn->n", left, left) / unit - noise)[good]
    return float(np.clip(1 - rest.mean() / pattern.mean(), -1, 1))


def _over(estimate: WithError, width: float) -> WithError:
    """(a² - b²) / 2 as a - b of stars whose mean axis is `width`."""
    return WithError(value=estimate.value / width, error=estimate.error / width)
