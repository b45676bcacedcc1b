"""Terms of the field model: stars as quantities that add, and robust least squares over many frames."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import log, sqrt
from typing import Final

import numpy as np
from numpy.typing import NDArray

from framecheck import robust, shear
from framecheck.constants import FWHM_PER_SIGMA
from framecheck.field.repeats import Scores, variance_by_cluster, widened
from framecheck.field.result import FrameResult
from framecheck.field.same_stars import number_stars
from framecheck.field.similarity import Similarity

Floats = NDArray[np.float64]

FEWEST_IN_FRAME: Final = 6
"""Fitted stars below which a frame is left out. Chosen: it has three terms of its own, and six would fit anything."""

HELD_BACK_ONE_IN: Final = 5
"""Every fifth star judges the fit and takes no part in it."""

UNWEIGHTED: Final = 8.0
"""Third moment of a star over that under a weight as wide as the star. [dimensionless] Closed form for a Gaussian star
with a weak third moment k, k H3(x / s) / 6 s³: under the weight, widths shrink by sqrt 2 and k by its sixth power."""

SMALLEST_ERROR: Final = 1e-3
"""Relative error below which no star is believed. [dimensionless] Chosen: pixels are not known better."""

_COLUMNS: Final = (
    "x",
    "y",
    "fwhm_px",
    "fwhm_error_px",
    "e1",
    "e2",
    "e1_error",
    "e2_error",
    "coma1",
    "coma2",
    "trefoil1",
    "trefoil2",
    "third_error",
    "snr",
)

ROUNDS: Final = 4
"""Rounds of reweighting. Chosen: the weights no longer change."""

CLASSES: Final = 3
FEWEST_OF_A_CLASS: Final = 60
"""Classes of brightness whose scatter is told apart, and stars that each takes. Chosen: known to a tenth."""

FEWEST_THROUGH_FOCUS: Final = 8
"""Frames. Chosen: a parabola and a slope, each from a few."""

FOLLOWS_FOCUS: Final = 4.0
"""Size over error from which a part that follows focus is taken off. Chosen: motion drifts a little by itself."""

DEEP_FOCUS: Final = 0.3
"""Growth of the squared FWHM on the way out of focus, half of the sequence from its best, over the best.
[dimensionless] Chosen: the end of the sequence at 1.5 times the best FWHM; air does it only from 60 degrees off
the zenith over the meridian and back."""


@dataclass(frozen=True, kw_only=True, slots=True)
class WithError:
    """A value and its standard error."""

    value: float
    error: float


@dataclass(frozen=True, kw_only=True, slots=True)
class FieldSample:
    """Stars of all frames, frame by frame; n is their number."""

    frame: NDArray[np.intp]
    """Number of the star's frame among `results`, shape (n,), ascending."""
    results: tuple[int, ...]
    """Index, in the results given, of each frame that has enough stars."""
    z: NDArray[np.complex128]
    """Place x + iy from the sensor's centre; the corners have |z| = 1."""
    size: Floats
    """(a² + b²) / 2 of the full axes a, b at half maximum, shape (1, n). [px²]"""
    shape: Floats
    """(a² - b²) / 2 times cos and sin of twice the angle of a, shape (2, n). [px²]"""
    coma: Floats
    """Third moment of spin 1, the weight's effect undone, shape (2, n). [px³]"""
    trefoil: Floats
    """The same of spin 3."""
    size_error: Floats
    """Over `square`, shape (n,)."""
    shape_error: Floats
    third_error: Floats
    """Over `cube`."""
    square: Floats
    """Median size of the star's frame. [px²]"""
    cube: Floats
    """Unit of the frame's third moments: `UNWEIGHTED` times the cube of its typical star's standard deviation. [px³]"""
    held: NDArray[np.bool_]
    """True for stars that judge the fit."""
    star: NDArray[np.intp]
    """Number of the star, the same in all frames that show it, shape (n,)."""
    snr: Floats
    """Signal to noise, shape (n,)."""
    corner_px: float
    """Distance of the corner from the centre."""
    half_width: float
    """Distance of the left and right edge from the centre, in units of `corner_px`."""
    half_height: float


def half_maximum_response(beta: float) -> tuple[float, float]:
    """How much more a Moffat star's squared axes at half maximum answer to a small kernel than a Gaussian star's.

    Parameters
    ----------
    beta : float
        Moffat exponent; infinity is a Gaussian.

    Returns
    -------
    spin0, spin2 : float
        Growth of (a² + b²) / 2 and of (a² - b²) / 2 over 4 ln 2 times the kernel's second moment m along its long
        axis, for a kernel without width across it. Both are 1 for a Gaussian.

    Notes
    -----
    A star f(s), s = x² + y², becomes f + m f_xx / 2 with f_xx = 2 f' + 4 x² f''. Its half maximum moves, along x,
    by ds = m (f'(0) / 2f' - 1 - 2 s f'' / f') and, along y, by m (f'(0) / 2f' - 1), to first order in m; closed form.
    For beta 3 the two are 1.57 and 1.19, for beta 4.765 (turbulent air) 1.35 and 1.13: squared half-maximum axes of
    stars with wings add, but by more than second moments do, and size gains more than shape. A line half as long as
    the FWHM does 2 to 3 % more to the size and 5 % more to the shape than this first order says, one as long as the
    FWHM 6 to 11 % and 16 to 18 % (measured on drawn stars).
    """
    if np.isinf(beta):
        return 1.0, 1.0
    across = 2 ** (1 / beta) - 1
    along = across + 2 * (beta + 1) * (1 - 2 ** (-1 / beta))
    unit = 2 * log(2)
    return (along + across) / unit, (along - across) / unit


def gather_stars(
    results: Sequence[FrameResult], places: Sequence[Similarity | None] | None = None
) -> FieldSample | None:
    """Put the good stars of all frames together; None if no frame has enough of them.

    Without places every star counts as another one.

    Parameters
    ----------
    results : sequence of FrameResult
        Of one camera, in order of time.
    places : sequence of Similarity or None, optional
        How each frame lies against one of them.

    Returns
    -------
    FieldSample or None
    """
    parts, numbers, scales = [], [], []
    for number, result in enumerate(results):
        good = result.stars.good
        table = np.stack([good[name].astype(float) for name in _COLUMNS]) if len(good) else np.empty((len(_COLUMNS), 0))
        keep = np.isfinite(table).all(axis=0) & (table[2] > 0)
        table = table[:, keep]
        if (~held_back(table[0], table[1])).sum() < FEWEST_IN_FRAME:
            continue
        parts.append(table)
        numbers.append(number)
        scales.append((_typical_size(table), UNWEIGHTED * _typical_sigma_px(good[keep]) ** 3))
    if not parts:
        return None
    counts = [part.shape[1] for part in parts]
    exposure = results[numbers[0]].exposure
    square, cube = np.repeat(np.array(scales), counts, axis=0).T
    where = [None] * len(numbers) if places is None else [places[i] for i in numbers]
    star = number_stars([part[:2].T for part in parts], where)
    return _sample(
        np.concatenate(parts, axis=1),
        np.repeat(np.arange(len(parts)), counts),
        tuple(numbers),
        square,
        cube,
        star,
        exposure.width_px,
        exposure.height_px,
    )


def held_back(x: Floats, y: Floats) -> NDArray[np.bool_]:
    """Every fifth star, chosen by its place alone: the same stars in every run, however the frames are ordered.

    Parameters
    ----------
    x, y : ndarray, shape (n,)
        Places of stars. [px]

    Returns
    -------
    ndarray of bool, shape (n,)
    """
    mixed = (8 * x).astype(np.int64).astype(np.uint64) * np.uint64(0x9E3779B97F4A7C15)
    mixed ^= (8 * y).astype(np.int64).astype(np.uint64) * np.uint64(0xC2B2AE3D27D4EB4F)
    mixed ^= mixed >> np.uint64(29)
    mixed *= np.uint64(0xBF58476D1CE4E5B9)
    chosen: NDArray[np.bool_] = (mixed >> np.uint64(32)) % np.uint64(HELD_BACK_ONE_IN) == 0
    return chosen


def _typical_size(table: Floats) -> float:
    return float(np.median(table[2] ** 2 * np.cosh(np.hypot(table[4], table[5]))))


def _typical_sigma_px(good: NDArray[np.void]) -> float:
    """Width of the weight that the third moments were taken under, which matches the median star."""
    variance = (good["moment_xx_px2"] + good["moment_yy_px2"]).astype(float) / 2
    known = variance[np.isfinite(variance) & (variance > 0)]
    return float(np.sqrt(np.median(known)) if len(known) else np.median(good["fwhm_px"]) / FWHM_PER_SIGMA)


def _sample(
    table: Floats,
    frame: NDArray[np.intp],
    numbers: tuple[int, ...],
    square: Floats,
    cube: Floats,
    star: NDArray[np.intp],
    width_px: int,
    height_px: int,
) -> FieldSample:
    x, y, width, width_error, e1, e2, e1_error, e2_error, coma1, coma2, trefoil1, trefoil2, third_error, snr = table
    half = np.array([max(width_px - 1, 1), max(height_px - 1, 1)]) / 2
    corner = float(np.hypot(*half))
    e_error = np.sqrt((e1_error**2 + e2_error**2) / 2)
    relative = np.maximum(width_error / width, SMALLEST_ERROR)
    size, shape, size_error, shape_error = shear.squares(width, relative, e1 + 1j * e2, e_error)
    return FieldSample(
        frame=frame,
        results=numbers,
        z=((x - half[0]) + 1j * (y - half[1])) / corner,
        size=size[None],
        shape=np.stack([shape.real, shape.imag]),
        coma=cube * np.stack([coma1, coma2]),
        trefoil=cube * np.stack([trefoil1, trefoil2]),
        size_error=size_error,
        shape_error=np.maximum(shape_error, SMALLEST_ERROR),
        third_error=np.maximum(third_error, SMALLEST_ERROR),
        square=square,
        cube=cube,
        held=held_back(x, y),
        star=star,
        snr=snr,
        corner_px=corner,
        half_width=float(half[0] / corner),
        half_height=float(half[1] / corner),
    )


@dataclass(frozen=True, kw_only=True, slots=True)
class Terms:
    """Coefficients of a model that is linear in them."""

    frame: Floats
    """Shape (n_frames, n_frame_columns)."""
    frame_covariance: Floats
    """Shape (n_frames, n_frame_columns, n_frame_columns), with the doubt of the shared terms in it."""
    shared: Floats
    """Shape (n_shared_columns,)."""
    shared_covariance: Floats
    scatter: float
    """Scatter beyond the given errors, in units of `scale`, of a usual star."""
    mean_error: Floats
    """Error of the mean of each of the frames' terms over all frames, from stars that differ; shape
    (n_frame_columns,)."""


def fit_terms(
    values: Floats,
    frame_columns: Floats,
    shared_columns: Floats,
    *,
    frame: NDArray[np.intp],
    error: Floats,
    scale: Floats,
    frame_prior: Floats,
    star: NDArray[np.intp],
    snr: Floats,
) -> Terms:
    """Fit terms of each frame and terms shared by all frames together.

    The frames' terms are eliminated one frame at a time (each frame's normal equations are a small block), so that
    the cost grows in proportion to the stars. Huber weights act on a star's residual as a whole, not on each component
    of it, so that the result does not depend on the direction of the axes.

    Parameters
    ----------
    values : ndarray, shape (n_components, n_stars)
        One component for a spin-0 quantity, two for any other.
    frame_columns : ndarray, shape (n_frame_columns, n_components, n_stars)
        What each frame's own coefficients multiply.
    shared_columns : ndarray, shape (n_shared_columns, n_components, n_stars)
        What the shared coefficients multiply; may be empty.
    frame : ndarray of int, shape (n_stars,)
        Frame of each star, ascending from 0 without a gap.
    error : ndarray, shape (n_stars,)
        Standard error of each component, over `scale`. [dimensionless]
    scale : ndarray, shape (n_stars,)
        Unit of the errors, in the unit of `values`.
    frame_prior : ndarray, shape (n_frame_columns,)
        Inverse variance of each frame's terms about zero, known beforehand; keeps a frame solvable whose stars lie so
        that two terms look alike.
    star : ndarray of int, shape (n_stars,)
        Number of each star: what is left of one star is taken to be alike in all frames that show it.
    snr : ndarray, shape (n_stars,)
        Signal to noise: bright stars are not doubted for what faint ones do.

    Returns
    -------
    Terms
        With errors of one standard deviation, from the given errors and the scatter seen beyond them, or, if more,
        from how stars differ (`field.repeats`).
    """
    n_own = len(frame_columns)
    columns = np.concatenate([frame_columns, shared_columns.reshape(-1, *values.shape), values[None]])
    starts = np.flatnonzero(np.diff(frame, prepend=-1))
    scatter, huber = np.zeros(len(frame)), np.ones(len(frame))
    own, shared = np.zeros((len(starts), n_own)), np.zeros(len(columns) - n_own - 1)
    for _ in range(ROUNDS):
        variance = (error**2 + scatter**2) * scale**2
        gram = _gram(columns, huber / variance, starts)
        solved = _solve_blocks(gram, n_own, frame_prior)
        own, shared = solved.own, solved.shared
        left = residuals(values, frame_columns, shared_columns, frame, own, shared)
        square = np.einsum("cn,cn->n", left, left) / scale**2
        scatter = scatter_by_brightness(square, error, snr, len(values))
        pull = np.sqrt(square / (error**2 + scatter**2))
        huber = robust.huber_weight(pull)
    shared_covariance, mean_error = _by_stars(solved, columns, left, huber / variance, frame, star)
    carried = solved.carried
    own_covariance = solved.inverse + carried @ shared_covariance @ carried.transpose(0, 2, 1)
    return Terms(
        frame=own,
        frame_covariance=own_covariance,
        shared=shared,
        shared_covariance=shared_covariance,
        scatter=float(np.median(scatter)),
        mean_error=mean_error,
    )


def _by_stars(
    solved: "_Solved", columns: Floats, left: Floats, weight: Floats, frame: NDArray[np.intp], star: NDArray[np.intp]
) -> tuple[Floats, Floats]:
    """Covariance of the shared terms, and errors of the frames' mean terms, with each star's repeats as one."""
    n_own = solved.own.shape[1]
    own_columns, shared_columns = columns[:n_own], columns[n_own:-1]
    own_score = np.einsum("kcn,cn->nk", own_columns, left) * weight[:, None]
    steps = np.zeros((int(star.max()) + 1, len(shared_columns)))
    covariance = solved.covariance
    if len(shared_columns):
        partial = shared_columns - np.einsum("nkp,kcn->pcn", solved.carried[frame], own_columns)
        score = np.einsum("pcn,cn->np", partial, left) * weight[:, None]
        variance, found = variance_by_cluster(Scores(score, partial, weight), covariance, star)
        covariance = widened(covariance, variance)
        steps[np.unique(star)] = found
    step = np.einsum("nij,nj->ni", solved.inverse[frame], own_score)
    mean = np.stack([np.bincount(star, one, len(steps)) for one in step.T], axis=1) / len(solved.own)
    mean -= steps @ solved.carried.mean(axis=0).T
    return covariance, np.sqrt(np.sum(mean**2, axis=0))


def residuals(
    values: Floats, frame_columns: Floats, shared_columns: Floats, frame: NDArray[np.intp], own: Floats, shared: Floats
) -> Floats:
    """What the terms leave of the values, shape (n_components, n_stars).

    Parameters
    ----------
    values : ndarray, shape (n_components, n_stars)
    frame_columns, shared_columns : ndarray, shape (n_columns, n_components, n_stars)
        What the frames' and the shared coefficients multiply.
    frame : ndarray of int, shape (n_stars,)
        Frame of each star.
    own : ndarray, shape (n_frames, n_frame_columns)
    shared : ndarray, shape (n_shared_columns,)

    Returns
    -------
    ndarray, shape (n_components, n_stars)
        In the unit of `values`.
    """
    left = values - np.tensordot(shared, shared_columns.reshape(-1, *values.shape), axes=1)
    for column, coefficient in zip(frame_columns, own.T, strict=True):
        left = left - column * coefficient[frame]
    return left


def scatter_by_brightness(square: Floats, error: Floats, snr: Floats, n_components: int) -> Floats:
    """Scatter beyond the errors of each star, shape (n,): what bright stars show is not set by the faint ones.

    As `excess_scatter`, for each third of the stars by their signal to noise; no less for a fainter third.

    Parameters
    ----------
    square : ndarray, shape (n,)
        Squared residuals, summed over the components.
    error : ndarray, shape (n,)
        Of each component, in the same unit.
    snr : ndarray, shape (n,)
        Signal to noise. [dimensionless]
    n_components : int
        1 or 2.

    Returns
    -------
    ndarray, shape (n,)
        In the unit of `error`.
    """
    if len(square) < CLASSES * FEWEST_OF_A_CLASS or np.quantile(snr, 0.9) < 2 * np.quantile(snr, 0.1):
        return np.full(len(square), excess_scatter(square, error, n_components))
    out, least = np.empty(len(square)), 0.0
    for third in np.array_split(np.argsort(-snr, kind="stable"), CLASSES):
        least = max(least, excess_scatter(square[third], error[third], n_components))
        out[third] = least
    return out


def excess_scatter(square: Floats, error: Floats, n_components: int) -> float:
    """Scatter that must be added to the errors in quadrature for the median residual to be what chance makes it.

    Parameters
    ----------
    square : ndarray, shape (n,)
        Squared residuals, summed over the components.
    error : ndarray, shape (n,)
        Standard error of each component.
    n_components : int
        1 or 2.

    Returns
    -------
    float
        Zero if the errors alone explain the residuals.
    """
    return float(np.sqrt(robust.excess_variance(square, error**2, robust.MEDIAN_SQUARE[n_components])))


def _gram(columns: Floats, weight: Floats, starts: NDArray[np.intp]) -> Floats:
    """Weighted sums of products of all pairs of columns, frame by frame; shape (n_frames, n, n)."""
    n = len(columns)
    gram = np.empty((len(starts), n, n))
    for i, (start, end) in enumerate(zip(starts, np.append(starts[1:], len(weight)), strict=True)):
        here = slice(start, end)
        gram[i] = (columns[:, :, here] * weight[here]).reshape(n, -1) @ columns[:, :, here].reshape(n, -1).T
    return gram


@dataclass(frozen=True, slots=True)
class _Solved:
    """Coefficients and covariances, as if all stars were independent."""

    own: Floats
    inverse: Floats
    """Of the frames' terms, the shared ones known; shape (n_frames, n_own, n_own)."""
    carried: Floats
    """How the frames' terms follow the shared ones, shape (n_frames, n_own, n_shared)."""
    shared: Floats
    covariance: Floats
    """Of the shared terms."""


def _solve_blocks(gram: Floats, n_own: int, prior: Floats) -> _Solved:
    """Solve for the shared terms, the frames' eliminated first (Schur complement)."""
    own_block = gram[:, :n_own, :n_own] + np.diag(prior)
    inverse: Floats = np.linalg.inv(own_block).astype(np.float64)
    cross, own_right = gram[:, :n_own, n_own:-1], gram[:, :n_own, -1]
    carried = inverse @ cross
    normal = (gram[:, n_own:-1, n_own:-1] - cross.transpose(0, 2, 1) @ carried).sum(axis=0)
    right = (gram[:, n_own:-1, -1] - np.einsum("fkp,fk->fp", carried, own_right)).sum(axis=0)
    covariance = np.linalg.pinv(normal, hermitian=True)
    shared = covariance @ right
    own = np.einsum("fij,fj->fi", inverse, own_right) - carried @ shared
    return _Solved(own, inverse, carried, shared, covariance)


def focus_phase(sample: FieldSample) -> Floats | None:
    """Signed distance from focus of each frame, as the root of the squared width beyond the best; shape (n_frames,).

    None unless the sizes fall to a least value and rise again smoothly, as only a passage through focus makes them.

    Parameters
    ----------
    sample : FieldSample

    Returns
    -------
    ndarray, shape (n_frames,), or None
        Negative on one side of the focus. [px]
    """
    size = sample.square[np.flatnonzero(np.diff(sample.frame, prepend=-1))]
    if len(size) < FEWEST_THROUGH_FOCUS:
        return None
    at = np.linspace(-1, 1, len(size))
    square, slope, level = np.polyfit(at, size, 2)
    if square <= 0 or abs(slope) > square:  # the least size lies in the middle half of the frames, or beyond
        return None
    vertex, least = -slope / (2 * square), level - slope**2 / (4 * square)
    left = size - np.polyval([square, slope, level], at)
    if least <= 0 or left.var() > 0.2 * size.var() or square / 4 < DEEP_FOCUS * least:
        return None
    phase: Floats = np.sign(at - vertex) * np.sqrt(np.maximum(size - least, 0))
    return phase


def without_focus(values: Floats, error: Floats, focus: Floats | None) -> tuple[Floats, WithError | None]:
    """Frames' terms less what is in proportion to the distance from focus, and its size at the typical distance.

    Parameters
    ----------
    values : ndarray, shape (n_frames, n)
        Terms of each frame, in any unit.
    error : ndarray, shape (n_frames,)
        Of each of them.
    focus : ndarray, shape (n_frames,), or None
        As of `focus_phase`. [px]

    Returns
    -------
    values : ndarray, shape (n_frames, n)
    size : WithError or None
        None without a passage through focus.
    """
    if focus is None:
        return values, None
    beyond = [
        robust.mean_with_scatter(column - np.polyval(np.polyfit(focus, column, 1), focus), error)[2]
        for column in values.T
    ]
    weight = 1 / (error**2 + np.mean(beyond))
    offset = focus - np.average(focus, weights=weight)
    normal = float(np.sum(weight * offset**2))
    slope = (weight * offset) @ values / normal
    typical = float(np.sqrt(np.mean(focus**2)))
    size = calm_root(float(np.hypot.reduce(slope)) * typical, typical / sqrt(normal), 1, len(slope))
    if size.value < FOLLOWS_FOCUS * size.error:
        return values, size
    return values - np.outer(focus, slope), size


def calm_root(value: float, error: float, power: int, n_components: int) -> WithError:
    """Root of a size, what noise adds to its square taken off; the error from one error up and down.

    Parameters
    ----------
    value, error : float
        The size and the error of each of its components, in any unit.
    power : int
        Which root is taken.
    n_components : int
        That the size is made of.

    Returns
    -------
    WithError
        In the `power`-th root of the unit.
    """
    calm = sqrt(max(value**2 - n_components * error**2, 0.0))
    low, high = max(calm - error, 0.0), calm + error
    spread = (high ** (1 / power) - low ** (1 / power)) / (2 if low > 0 else 1)
    return WithError(value=calm ** (1 / power), error=spread)
