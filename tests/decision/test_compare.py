"""A change is told where nights show one, and nowhere else: nights drawn by hand, with closed forms beside them."""

from dataclasses import replace

import numpy as np
import pytest
from past_nights import EXPOSURE_S, MAIN, RIG_FACTS, Made, night, with_rig

from framecheck.decision.compare import Comparison, Row, compare, same_rig
from framecheck.decision.night_figures import zenith_fwhm
from framecheck.decision.quantities import QUANTITIES
from framecheck.decision.records import TrackingFigures
from framecheck.report.comparison_words import rig_words

CALM = {"restless": 0.0, "smear_scatter": 0.0, "curvature_scatter": 0.0}
"""Nights in which nothing scatters: figures are then closed forms."""
ZENITH = {"airmass": (1.0, 1.0)}
WIDE, MIDDLE, FLAT = (2**2 + 1.2**2) * (np.array([1.18, 1.15, 1.06]) ** 2 - 1)
"""[arcsec²] Growth of the squared width to the corners: 18, 15 and 6 % of the star that the night makes at the zenith
(closed form)."""


def row(comparison: Comparison, key: str) -> Row:
    return next(one for one in comparison.rows if one.quantity.key == key)


def change(comparison: Comparison, key: str) -> float:
    found = row(comparison, key).change
    assert found is not None
    return found.value


def test_the_airs_part_shrinks_as_the_air_mass_to_the_power_of_six_tenths() -> None:
    # closed form; Fried 1966 and shared/reference_values.csv, PSF-28: 1.5157166 at air mass 2
    air, rest = 2.0, 1.5
    seen = np.hypot([air, air * 1.5157166], rest)
    share = float(1 - rest**2 / np.median(seen) ** 2)
    assert zenith_fwhm(seen, np.array([1.0, 2.0]), share) == pytest.approx([2.5, 2.5], rel=1e-6)


def test_nights_that_differ_only_in_air_mass_do_not_differ() -> None:
    high, low = night(airmass=(1.05, 1.1), **CALM), night(airmass=(1.6, 2.0), **CALM)
    (found,) = compare([high, low])
    assert all(one.verdict == "no change shown" for one in found.rows)
    assert change(found, "fwhm_at_zenith") == pytest.approx(0, abs=1e-3)
    assert change(found, "fwhm_without_air") == pytest.approx(0, abs=1e-9)


@pytest.mark.parametrize("seeing", [1.2, 2.0, 4.0])
def test_a_change_of_the_optics_is_the_same_in_any_air(seeing: float) -> None:
    # what curvature and tilt add to the squared width does not depend on the air: closed form
    before = night(seeing=2.0, curvature_arcsec2=WIDE, tilt_arcsec2=0.8, **CALM)
    after = night(seeing=seeing, curvature_arcsec2=FLAT, tilt_arcsec2=0.1, **CALM)
    (found,) = compare([before, after])
    (in_like_air,) = compare([before, night(seeing=2.0, curvature_arcsec2=FLAT, tilt_arcsec2=0.1, **CALM)])
    for key in ("curvature", "tilt", "fwhm_without_air", "smear"):
        assert change(found, key) == pytest.approx(change(in_like_air, key), rel=0.01, abs=1e-9), key


def test_a_new_spacing_that_flattens_the_field_helped() -> None:
    before = night(seed=1, curvature_arcsec2=WIDE, **ZENITH)
    after = night(seed=2, days=3, curvature_arcsec2=FLAT, **ZENITH)
    (found,) = compare([before, after])
    curvature = row(found, "curvature")
    assert curvature.reference is not None
    assert curvature.reference.value == pytest.approx(18, abs=1)
    assert curvature.verdict == "better"
    assert [one.quantity.key for one in found.rows if one.verdict in ("better", "worse")] == ["curvature"]


def test_the_way_back_made_it_worse() -> None:
    (found,) = compare(
        [night(seed=1, curvature_arcsec2=FLAT, **ZENITH), night(seed=2, curvature_arcsec2=WIDE, **ZENITH)]
    )
    assert row(found, "curvature").verdict == "worse"


def test_a_better_alignment_helped() -> None:
    (found,) = compare([night(seed=1, polar_arcmin=6.0), night(seed=2, polar_arcmin=1.0)])
    assert row(found, "polar_error").verdict == "better"
    assert change(found, "polar_error") == -5


def test_another_night_of_better_air_helped_nobody() -> None:
    (found,) = compare([night(seed=1, seeing=2.8), night(seed=2, seeing=1.9)])
    assert {one.verdict for one in found.rows} == {"no change shown"}
    assert change(found, "air_at_zenith") == pytest.approx(-0.9, abs=0.3)


def test_each_night_stands_beside_the_first() -> None:
    nights = [night(seed=1), night(seed=2), night(seed=3, smear=1.5)]
    second, third = compare(nights)
    assert (second.reference, second.other) == (nights[0], nights[1])
    assert (third.reference, third.other) == (nights[0], nights[2])
    assert row(third, "smear").verdict == "worse"


def test_one_night_is_no_comparison() -> None:
    with pytest.raises(ValueError, match="two nights"):
        compare([night()])


def unchanged_pair(rng: np.random.Generator) -> Comparison:
    """Two nights of one rig, with weather, and with the scatter between nights that the intervals allow for."""
    usual = Made()
    nights = []
    for _ in range(2):
        grown = (usual.seeing**2 + usual.rest**2) * ((1 + (9 + 2.9 * rng.normal()) / 100) ** 2 - 1)
        nights.append(
            night(
                seed=int(rng.integers(1 << 31)), n_frames=int(rng.integers(40, 200)),
                seeing=usual.seeing * np.exp(0.25 * rng.normal()), smear=usual.smear * np.exp(0.15 * rng.normal()),
                airmass=(1.0 + rng.random(), 1.0 + rng.random()), curvature_arcsec2=grown, curvature_scatter=0.2,
                drift=(0.02 + 0.1 * rng.normal(), 0.05 + 0.1 * rng.normal()),
                polar_arcmin=3 + 0.1 * rng.normal(),
            )
        )  # fmt: skip
    (found,) = compare(nights)
    return found


def test_intervals_of_no_change_hold_it_in_95_of_100() -> None:
    # Statement of the intervals; 250 pairs: standard error of a share 1.4 %, so 3 of them. Drift is a length, which
    # noise cannot make negative, and a wide star's seeing is allowed more scatter: their intervals hold it more often.
    rng = np.random.default_rng(3)
    n = 250
    pairs = [unchanged_pair(rng) for _ in range(n)]
    for key, most in (("smear", 0.99), ("curvature", 0.99), ("polar_error", 0.99), ("fwhm_at_zenith", 1), ("drift", 1)):
        bounds = [row(one, key).bounds() for one in pairs]
        held = np.mean([low <= 0 <= high for low, high in (one for one in bounds if one is not None)])
        assert 0.95 - 3 * np.sqrt(0.95 * 0.05 / n) < held <= most, (key, held)
    claims = np.mean([any(one.verdict in ("better", "worse") for one in pair.rows) for pair in pairs])
    assert claims < 0.05 + 3 * np.sqrt(0.05 * 0.95 / n)  # Bonferroni: at most 1 in 20


def test_a_hint_is_not_a_claim() -> None:
    # between 95 % and the level asked of one of so many figures
    (found,) = compare(
        [night(seed=1, curvature_arcsec2=FLAT, **ZENITH), night(seed=2, curvature_arcsec2=MIDDLE, **ZENITH)]
    )
    curvature = row(found, "curvature")
    bounds = curvature.bounds()
    assert bounds is not None
    assert bounds[0] > 0
    assert curvature.is_hint
    assert curvature.verdict == "no change shown"


def test_what_another_exposure_or_filter_changes_is_not_compared() -> None:
    other = replace(MAIN, id="M 101/Ha/300s", filter="Ha", exposure_s=2.5 * EXPOSURE_S)
    (found,) = compare([night(seed=1, smear=0.3), night(seed=2, smear=2.0, main=other)])
    assert row(found, "smear").verdict == "not comparable"
    assert row(found, "smear").because == "the nights differ in exposure"
    assert row(found, "fwhm_at_zenith").because == "the nights differ in filter"
    assert row(found, "polar_error").change is not None


def test_the_field_of_other_optics_is_not_compared_but_the_mount_is() -> None:
    longer = with_rig(night(seed=2), focal_length_mm=1000.0, pixel_scale_arcsec=0.78)
    (found,) = compare([night(seed=1), longer])
    assert found.same_rig is False
    assert {one.name for one in found.facts if one.same is False} == {"focal length", "pixel scale", "field of view"}
    assert row(found, "curvature").because == "the nights differ in field of view and focal length"
    assert row(found, "drift").change is not None


@pytest.mark.parametrize(
    ("facts", "same"),
    [
        ({}, True),
        ({"focal_length_mm": 532.0}, True),  # a header's rounding
        ({"focal_length_mm": 600.0}, False),
        ({"mount_type": "tracker"}, False),
        ({"mount_type": None}, True),
        ({"camera_angle_deg": 100.0}, True),  # a turned camera is the same camera
        (dict.fromkeys(RIG_FACTS), None),
    ],
)
def test_rigs_are_told_apart_by_their_facts(facts: dict[str, float | str | None], same: bool | None) -> None:
    assert same_rig(night(), with_rig(night(), **facts)) is same


def test_a_lens_stopped_down_is_the_same_lens() -> None:
    wide = with_rig(night(seed=1), aperture_mm=67.5, lens_f_number=2.0)
    stopped = with_rig(night(seed=2), aperture_mm=33.75, lens_f_number=4.0)
    (found,) = compare([wide, stopped])
    assert found.same_rig is True
    assert rig_words(found).endswith("Also different: lens at f/2, then at f/4.")
    assert same_rig(wide, with_rig(night(seed=2), aperture_mm=33.75)) is False


def test_what_a_night_lacks_is_named_and_not_guessed() -> None:
    old = replace(night(seed=2), field_stretches=None, course=None, tracking=TrackingFigures(), budget=())
    (found,) = compare([night(seed=1), old])
    for key in ("curvature", "tilt", "coma", "drift", "polar_error", "fwhm_without_air", "fwhm_at_zenith"):
        assert row(found, key).verdict == "not known", key
        assert "the other night lacks" in row(found, key).because
    assert row(found, "smear").change is not None


def test_a_night_of_eight_frames_has_no_interval() -> None:
    (found,) = compare([night(), night(seed=2, n_frames=8)])
    assert row(found, "smear").verdict == "not known"


def test_without_a_scale_lengths_are_told_in_pixels() -> None:
    nights = [with_rig(night(seed=k), pixel_scale_arcsec=None) for k in (1, 2)]
    (found,) = compare(nights)
    assert row(found, "smear").unit == "px"
    assert row(found, "fwhm_without_air").verdict == "not known"


def test_every_figure_says_what_it_takes() -> None:
    assert len({one.key for one in QUANTITIES}) == len(QUANTITIES)
    assert all(one.missing for one in QUANTITIES)
