"""Single stars: as precise as the noise allows, with errors that say so."""

import galsim
import numpy as np
import pytest
from rendered_stars import PROFILES, Scene

ROOT_2_N = 3 / np.sqrt(2 * 300)  # three standard errors of a standard deviation of 300 values


def matched(result, truth) -> tuple[np.ndarray, np.ndarray]:
    """Indices of good stars and of their true ones."""
    good = np.flatnonzero(result.stars.table["flags"] == 0)
    table = result.stars.table[good]
    distance = np.hypot(table["x"][:, None] - truth.x, table["y"][:, None] - truth.y)
    nearest = distance.argmin(axis=1)
    near = distance[np.arange(len(good)), nearest] < 2
    return good[near], nearest[near]


def cramer_rao(scene: Scene, flux: float, half: int = 20) -> dict[str, float]:
    """Least standard errors of x, ln(fwhm) and e1 for a fit of position, size, shear, flux and sky, beta known.

    Fisher information by differences of GalSim images: no code of ours.
    """
    n = 2 * half + 1

    def image(dx: float, dy: float, ln_w: float, e1: float, e2: float, f: float, sky: float) -> np.ndarray:
        star = PROFILES[scene.profile](scene.fwhm_px * np.exp(ln_w)).shear(galsim.Shear(eta1=e1, eta2=e2))
        drawn = star.withFlux(f).drawImage(nx=n, ny=n, scale=1, offset=(dx, dy), dtype=float).array
        return drawn.ravel() + sky

    at = np.array([0.2, -0.1, 0, 0, 0, flux, 0])
    step = np.array([1e-2, 1e-2, 1e-2, 1e-2, 1e-2, flux * 1e-2, 1.0])
    slopes = []
    for k in range(7):
        high, low = at.copy(), at.copy()
        high[k] += step[k]
        low[k] -= step[k]
        slopes.append((image(*high) - image(*low)) / (2 * step[k]))
    variance = scene.noise_adu**2 + (image(*at) / scene.gain if scene.gain else 0.0)
    slopes = np.array(slopes)
    bound = np.sqrt(np.diag(np.linalg.inv((slopes / variance) @ slopes.T)))
    return {"x": bound[0], "ln_fwhm": bound[2], "e1": bound[3]}


@pytest.mark.parametrize("snr", [20.0, 50.0, 200.0])
@pytest.mark.parametrize("gain", [None, 0.5])
def test_scatter_is_near_the_cramer_rao_bound_and_errors_are_right(measured, snr: float, gain: float | None) -> None:
    scene = Scene(fwhm_px=3.2, snr=snr, gain=gain, seed=4)
    result, truth = measured(scene)
    mine, theirs = matched(result, truth)
    table = result.stars.table[mine]
    bound = cramer_rao(scene, truth.flux[0])
    ln_fwhm = np.log(table["fwhm_px"])
    x = table["x"] - truth.x[theirs]
    assert len(mine) >= 290
    assert np.std(ln_fwhm) < 1.3 * bound["ln_fwhm"]
    assert np.std(table["e1"]) < 1.3 * bound["e1"]
    assert np.std(x) < 1.3 * bound["x"]
    pulls = {
        "fwhm": (ln_fwhm - ln_fwhm.mean()) / (table["fwhm_error_px"] / table["fwhm_px"]),
        "e1": (table["e1"] - table["e1"].mean()) / table["e1_error"],
        "x": x / table["x_error"],
        "flux": (table["flux_adu"] - table["flux_adu"].mean()) / table["flux_error_adu"],
    }
    for name, pull in pulls.items():
        assert np.std(pull) == pytest.approx(1, abs=0.1 + ROOT_2_N / 3), name


@pytest.mark.parametrize("fwhm_px", [1.5, 2.0, 3.0, 5.0])
def test_centres_are_unbiased_to_a_hundredth_of_a_pixel(measured, fwhm_px: float) -> None:
    result, truth = measured(Scene(fwhm_px=fwhm_px, snr=200.0, seed=5))
    mine, theirs = matched(result, truth)
    dx = result.stars.table["x"][mine] - truth.x[theirs]
    dy = result.stars.table["y"][mine] - truth.y[theirs]
    assert abs(dx.mean()) < 0.01
    assert abs(dy.mean()) < 0.01
    # No pull towards pixel centres either: the mean offset in each quarter of a pixel.
    quarter = np.floor((truth.x[theirs] % 1) * 4).astype(int)
    for k in range(4):
        here = dx[quarter == k]
        assert abs(here.mean()) < 0.01 + 3 * here.std() / np.sqrt(len(here))


def test_coma_shows_as_a_third_moment_and_a_perfect_star_has_none() -> None:
    """Weighted third moments of GalSim's optical PSFs: rows ORA-40 of shared/reference_values.csv."""
    from framecheck.stars.moments import measure_moments

    def moments(**terms: float):
        optics = galsim.OpticalPSF(lam=550, diam=0.1, obscuration=0, pad_factor=2, oversampling=2, **terms)
        star = galsim.Convolve(optics, galsim.Kolmogorov(fwhm=2.0))
        image = star.drawImage(nx=101, ny=101, scale=0.25)
        sigma = image.FindAdaptiveMom().moments_sigma
        zero = np.zeros(1)
        return measure_moments(image.array[None].astype(np.float32), np.ones(1), zero, zero, sigma, rounds=6)

    perfect, coma = moments(), moments(coma1=0.20)
    assert np.hypot(perfect.coma1, perfect.coma2)[0] < 0.01
    assert np.hypot(coma.coma1, coma.coma2)[0] == pytest.approx(0.191968, abs=0.02)
