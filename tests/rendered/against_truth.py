"""Measured stars beside the drawn ones, and how well noise allows a star to be measured at all."""

from dataclasses import dataclass

import galsim
import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree
from star_field import Scene, star_profile

Floats = NDArray[np.float64]


def assert_same_table(one: NDArray[np.void], other: NDArray[np.void]) -> None:
    """All columns alike; a figure that could not be measured (NaN) is the same as another."""
    assert one.dtype == other.dtype
    for name in one.dtype.names or ():
        np.testing.assert_array_equal(one[name], other[name], err_msg=name)


def angle_between(one_deg: float, other_deg: float) -> float:
    """Angle between two undirected lines. [deg]"""
    return abs((one_deg - other_deg + 90) % 180 - 90)


@dataclass(frozen=True)
class Matches:
    """Which is which: `found[i]` is a row of the measured table and `true[i]` the drawn star it lies on."""

    found: NDArray[np.intp]
    true: NDArray[np.intp]
    n_found: int
    n_true: int

    @property
    def share_found(self) -> float:
        """Drawn stars that were found."""
        return len(np.unique(self.true)) / self.n_true

    @property
    def share_false(self) -> float:
        """Found stars that are no drawn star, or one that another stands for already."""
        return 1 - len(np.unique(self.true)) / max(self.n_found, 1)


def match(x: Floats, y: Floats, true_x: Floats, true_y: Floats, within_px: float) -> Matches:
    """Pair each measured star with the nearest drawn one, if that is near."""
    distance, nearest = cKDTree(np.column_stack([true_x, true_y])).query(np.column_stack([x, y]))
    near = np.flatnonzero(distance < within_px)
    return Matches(found=near, true=nearest[near], n_found=len(x), n_true=len(true_x))


def cramer_rao(scene: Scene, snr: float) -> dict[str, float]:
    """Least standard errors that any unbiased measurement of one star can have.

    Of a fit of position, size, both shears, flux and sky with the profile known, to all pixels that hold its light, in
    the noise of the scene. Fisher information by differences of GalSim's drawings, mean over places within a pixel
    (C. R. Rao 1945 and H. Cramér 1946, as in any textbook of estimation).
    """
    half = int(np.ceil(6 * scene.fwhm_px))
    drawing = _Drawing(scene, half)
    variance_sky = (scene.sky_adu * scene.gain + scene.read_noise_e**2) / scene.gain**2
    squares = []
    for x, y in ((0.0, 0.0), (0.25, 0.4), (0.5, 0.1), (0.5, 0.5)):
        star = drawing.pixels(x, y, 0, 0, 0)
        flux = snr * np.sqrt(variance_sky) / np.sqrt((star**2).sum())
        step = 0.01
        slopes = [flux * drawing.slope((x, y, 0.0, 0.0, 0.0), k, step) for k in range(5)]
        slopes += [star, np.ones_like(star)]
        matrix = np.array(slopes)
        information = (matrix / (variance_sky + flux * star / scene.gain)) @ matrix.T
        bound = np.diag(np.linalg.inv(information)).copy()
        bound[5] /= flux**2
        squares.append(bound)
    names = ("x", "y", "ln_fwhm", "e1", "e2", "ln_flux", "sky")
    return dict(zip(names, np.sqrt(np.mean(squares, axis=0)), strict=True))


@dataclass(frozen=True)
class _Drawing:
    scene: Scene
    half: int

    def pixels(self, x: float, y: float, ln_w: float, e1: float, e2: float) -> Floats:
        star = star_profile(self.scene).expand(np.exp(ln_w)) / np.exp(2 * ln_w)
        star = star.shear(galsim.Shear(eta1=e1, eta2=e2))
        n = 2 * self.half + 1
        return star.drawImage(nx=n, ny=n, scale=1, offset=(x, y), dtype=float).array.ravel()

    def slope(self, at: tuple[float, ...], k: int, step: float) -> Floats:
        low, high = list(at), list(at)
        low[k] -= step
        high[k] += step
        return (self.pixels(*high) - self.pixels(*low)) / (2 * step)
