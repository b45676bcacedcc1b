"""One star's repeats are one star: errors of the field's pattern count stars, not measurements of them."""

from dataclasses import replace

import numpy as np
import pytest

from framecheck.field.model import fit_field_model
from framecheck.field.records import FieldModel
from framecheck.field.same_stars import number_stars
from framecheck.field.similarity import Similarity
from framecheck.stars.table import STAR_DTYPE

SIZE = (1500, 1000)
CENTRE = (np.array(SIZE) - 1) / 2
FWHM_PX = 2.25


def lies(shift: tuple[float, float], rotation_deg: float = 0.0) -> Similarity:
    centre = complex((SIZE[0] - 1) / 2, (SIZE[1] - 1) / 2)
    return Similarity(centre, np.exp(1j * np.radians(rotation_deg)), complex(*shift))


def table(rng: np.random.Generator, p: np.ndarray, fwhm_px: np.ndarray, snr: np.ndarray) -> np.ndarray:
    """Round stars; widths and shapes as noise makes them: a relative error of 1.5 over the signal to noise."""
    n, error = len(p), 1.5 / snr
    out = np.zeros(n, STAR_DTYPE)
    out["x"], out["y"] = p.T
    out["fwhm_px"], out["fwhm_error_px"] = fwhm_px * (1 + error * rng.standard_normal(n)), fwhm_px * error
    out["e1"], out["e2"] = error * rng.standard_normal((2, n))
    out["e1_error"] = out["e2_error"] = out["third_error"] = error
    out["snr"], out["flux_adu"] = snr, 100 * snr
    out["moment_xx_px2"] = out["moment_yy_px2"] = (FWHM_PX / np.sqrt(8 * np.log(2))) ** 2
    return out


def fit(frame_of, tables, shifts) -> FieldModel:
    results = []
    for one in tables:
        result = frame_of(one, size=SIZE, fwhm_px=FWHM_PX)
        results.append(replace(result, shape=replace(result.shape, moffat_beta=np.inf)))
    model = fit_field_model(results, [lies(shift) for shift in shifts])
    assert isinstance(model, FieldModel)
    return model


def dithers(rng: np.random.Generator, n: int) -> list[tuple[float, float]]:
    return [(0.0, 0.0), *((float(x), float(y)) for x, y in rng.normal(0, 4, (n - 1, 2)))]


def test_a_star_keeps_its_number_through_dithers_and_a_flip() -> None:
    rng = np.random.default_rng(1)
    p = rng.random((40, 2)) * SIZE
    chosen = [np.sort(rng.choice(40, 30, replace=False)) for _ in range(6)]
    places, frames = [], []
    for k, which in enumerate(chosen):
        shift, turn = rng.normal(0, 30, 2), 180.0 * (k > 2)
        moved = (p[which] - CENTRE) * (-1 if k > 2 else 1) + CENTRE + shift
        frames.append(moved + rng.normal(0, 0.2, moved.shape))
        places.append(lies(tuple(shift), turn))
    numbers = number_stars(frames, places)
    truth = np.concatenate(chosen)
    for star in range(40):
        assert len(set(numbers[truth == star])) <= 1
    assert len(set(numbers)) == len(set(truth))
    strangers = number_stars(frames[:2], [None, None])
    assert len(set(strangers)) == 60, "frames that do not lie anywhere share no star"


@pytest.mark.parametrize("n_stars", [25, 60])
def test_errors_are_honest_where_each_star_has_a_width_of_its_own(frame_of, n_stars: int) -> None:
    """Stars that differ by 4 % in width, for good (doubles, colours): twenty frames know them no better than one."""
    pulls = []
    for seed in range(16):
        rng = np.random.default_rng(seed)
        p, own = rng.random((n_stars, 2)) * SIZE, FWHM_PX * (1 + 0.04 * rng.standard_normal(n_stars))
        shifts = dithers(rng, 20)
        tables = [table(rng, p + shift, own, np.full(n_stars, 100.0)) for shift in shifts]
        model = fit(frame_of, tables, shifts)
        pulls += [
            one.value / one.error for one in (model.tilt_x_percent, model.tilt_y_percent, model.curvature_percent)
        ]
    assert 0.6 < np.sqrt(np.mean(np.square(pulls))) < 1.35


def test_faint_wide_stars_in_the_corners_are_no_curvature(frame_of) -> None:
    """Twenty bright stars, flat from 2.2 to 2.3 px, and thirty faint ones towards the corners, a fifth too wide."""
    pulls = []
    for seed in range(6):
        rng = np.random.default_rng(seed)
        bright = (
            (np.array([(i, j) for i in range(5) for j in range(4)]) + rng.uniform(0.1, 0.9, (20, 2))) * SIZE / (5, 4)
        )
        away = rng.uniform(0.6, 0.95, (30, 1)) * rng.choice([-1, 1], (30, 2))
        p = np.concatenate([bright, CENTRE * (1 + away)])
        own = np.concatenate([rng.uniform(2.2, 2.3, 20), FWHM_PX * rng.normal(1.2, 0.08, 30)])
        snr = np.concatenate([rng.uniform(80, 300, 20), rng.uniform(8, 14, 30)])
        shifts = dithers(rng, 20)
        model = fit(frame_of, [table(rng, p + shift, own, snr) for shift in shifts], shifts)
        pulls.append(model.curvature_percent.value / model.curvature_percent.error)
    assert np.abs(pulls).max() < 3, "all that is seen is within the error"
    assert np.sqrt(np.mean(np.square(pulls))) < 2
