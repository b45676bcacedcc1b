"""Single stars: as precise as noise allows, with errors that say so, and centred where they lie."""

import numpy as np
import pytest
from against_truth import cramer_rao, match
from star_field import Scene

MANY = {"n_stars": 1000, "size": (2200, 1800)}
CASES = [
    (3.2, 1.0, 20.0),
    (3.2, 1.0, 50.0),
    (3.2, 1.0, 200.0),
    (2.0, 1.0, 50.0),
    (2.0, 1.3, 200.0),
    (5.0, 1.0, 50.0),
]


def compare(result, truth) -> dict[str, tuple[np.ndarray, np.ndarray]]:
    """Difference from truth and stated error of each good star, by quantity."""
    good = result.stars.good
    pairs = match(good["x"], good["y"], truth.x, truth.y, within_px=2.0)
    stars, true = good[pairs.found], pairs.true
    e, twice = np.log(truth.elongation), 2 * np.radians(truth.pa_deg)
    flux = truth.flux_adu[true]
    return {
        "x": (stars["x"] - truth.x[true], stars["x_error"]),
        "y": (stars["y"] - truth.y[true], stars["y_error"]),
        "ln_fwhm": (np.log(stars["fwhm_px"] / truth.fwhm_px), stars["fwhm_error_px"] / stars["fwhm_px"]),
        "e1": (stars["e1"] - e * np.cos(twice), stars["e1_error"]),
        "e2": (stars["e2"] - e * np.sin(twice), stars["e2_error"]),
        "ln_flux": (np.log(stars["flux_adu"] / flux), stars["flux_error_adu"] / stars["flux_adu"]),
    }


@pytest.mark.parametrize(("fwhm_px", "elongation", "snr"), CASES)
def test_scatter_is_within_1_3_of_the_least_possible(drawn, fwhm_px: float, elongation: float, snr: float) -> None:
    scene = {"fwhm_px": fwhm_px, "elongation": elongation, "snr": snr, **MANY}
    result, truth = drawn(**scene)
    least = cramer_rao(Scene(**scene), snr)
    differences = compare(result, truth)
    assert len(differences["x"][0]) > 0.98 * truth.n_stars
    for name, (difference, _) in differences.items():
        assert np.std(difference) < 1.3 * least[name], name


@pytest.mark.parametrize(("fwhm_px", "elongation", "snr"), CASES)
def test_stated_errors_are_the_scatter(drawn, fwhm_px: float, elongation: float, snr: float) -> None:
    # a thousand stars: their standard deviation is known to 2.2 per cent
    result, truth = drawn(fwhm_px=fwhm_px, elongation=elongation, snr=snr, **MANY)
    for name, (difference, error) in compare(result, truth).items():
        assert 0.9 < np.std(difference / error) < 1.1, name


@pytest.mark.parametrize(("profile", "beta"), [("moffat", 3.0), ("gaussian", 0.0), ("kolmogorov", 0.0)])
@pytest.mark.parametrize("fwhm_px", [1.5, 2.0, 3.0, 5.0])
def test_centres_are_unbiased_to_a_hundredth_of_a_pixel(drawn, profile: str, beta: float, fwhm_px: float) -> None:
    result, truth = drawn(profile=profile, beta=beta, fwhm_px=fwhm_px, snr=200.0, n_stars=400)
    good = result.stars.good
    pairs = match(good["x"], good["y"], truth.x, truth.y, within_px=2.0)
    assert len(pairs.found) > 0.98 * truth.n_stars
    for axis in ("x", "y"):
        true = getattr(truth, axis)[pairs.true]
        off = good[axis][pairs.found] - true
        assert abs(off.mean()) < 0.01
        # nor are they drawn towards the middles or the edges of pixels
        for quarter in range(4):
            here = off[(true % 1 * 4).astype(int) == quarter]
            assert abs(here.mean()) < 0.01 + 2 * here.std() / np.sqrt(len(here)), quarter


def test_flux_and_signal_to_noise_are_those_drawn(drawn) -> None:
    result, truth = drawn(fwhm_px=3.2, snr=200.0, **MANY)
    good = result.stars.good
    pairs = match(good["x"], good["y"], truth.x, truth.y, within_px=2.0)
    stars = good[pairs.found]
    assert np.median(stars["flux_adu"] / truth.flux_adu[pairs.true]) == pytest.approx(1, abs=0.02)
    assert np.median(stars["snr"]) == pytest.approx(200.0, rel=0.02)
    assert np.median(stars["sky_adu"]) == pytest.approx(truth.sky_adu, abs=0.1 * truth.noise_adu)


def test_clipped_stars_are_flagged_and_kept_out(drawn) -> None:
    from framecheck.stars.flags import StarFlag

    snr = tuple(np.geomspace(50, 40_000, 200))
    result, truth = drawn(fwhm_px=4.0, n_stars=200, snr=snr)
    clipped = truth.peak_adu + truth.sky_adu > 1.1 * 65535  # a centred pixel would be over the top
    sound = truth.peak_adu + truth.sky_adu < 0.9 * 65535
    assert result.stars.n_saturated == pytest.approx(clipped.sum(), abs=0.15 * clipped.sum() + 3)
    table = result.stars.table
    pairs = match(table["x"], table["y"], truth.x, truth.y, within_px=3.0)
    flagged = (table["flags"][pairs.found] & StarFlag.SATURATED) > 0
    assert flagged[clipped[pairs.true]].all()
    assert not flagged[sound[pairs.true]].any()
    assert result.shape.fwhm_px == pytest.approx(truth.fwhm_px, rel=0.01)
