"""What stars are made of, draw by draw: closed forms of Gaussian stars that a mount moved."""

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

sys.path.append(str(Path(__file__).parent.parent / "causes"))
from moving_nights import FWHM2, SCALE, MovingNight, night_of

from framecheck.causes.optics import explained_optics
from framecheck.field.result import FrameShape
from framecheck.model.begin import start
from framecheck.model.explain import Explained, draws
from framecheck.model.likelihood import usual_spread
from framecheck.model.parts import Parts, changes_at_random, parts_of, parts_of_lines, random_motion2
from framecheck.model.solve import solve_all

EXPOSURE_S = 120.0


def explained(made: MovingNight) -> Explained:
    night = night_of(made)
    optics = explained_optics(night, night.rig)
    assert optics is not None
    return optics.explained


def parts(made: MovingNight, random: float = 0.0, guided_to_px2: float | None = None, by_optics: float = 0.0) -> Parts:
    session = explained(made)
    n = len(session.frames)
    recorded = None if guided_to_px2 is None else np.full(n, guided_to_px2)
    return parts_of(session, np.arange(n), np.full(n, EXPOSURE_S), random, by_optics, recorded)


@pytest.fixture(scope="module")
def shaken() -> MovingNight:
    """Random motion of 1.2 arcsec on each axis, that forgets itself in twelve seconds."""
    return MovingNight(n=20, jitter_arcsec=(1.2, 1.2), guided=True, seed=11)


def test_each_part_taken_out_leaves_a_smaller_star(shaken: MovingNight) -> None:
    made = parts(shaken, random=0.5)
    assert np.all(made.total_px2 >= made.still_px2)
    assert np.all(made.still_px2 >= made.focused_px2)
    assert np.all(made.focused_px2 >= made.own_px2)
    assert np.all(made.own_px2 >= 0)


def test_a_drift_is_taken_out_and_known_by_its_variance() -> None:
    # an even line of 3 px: its variance is L² / 12 (closed form); the still star is 2.8 px wide
    speed = 3.0 * SCALE / 2  # arcsec/min
    made = parts(MovingNight(n=14, pointing=lambda t: speed * t / 60 + 0j, guided=False))
    # the laws are those of turbulent stars, where a line counts for a quarter more than in Gaussian ones
    assert np.median(made.along_px2) == pytest.approx(3.0**2 / 12 / 1.25, rel=0.1)
    assert np.sqrt(np.median(made.still_px2)) == pytest.approx(2.8, rel=0.05)
    assert np.all(np.abs(made.still_shape_px2) < 0.2 * np.abs(made.shape_px2))


def test_frames_of_one_filter_are_taken_apart_by_themselves(shaken: MovingNight) -> None:
    session = explained(shaken)
    rows = np.arange(1, len(session.frames), 2)
    some = parts_of(session, rows, np.full(len(rows), EXPOSURE_S), 0.0)
    assert some.frames == tuple(session.frames[k] for k in rows)
    assert some.shape_px2 == pytest.approx(parts(shaken).shape_px2[rows])


def test_healthy_stars_keep_their_width() -> None:
    made = parts(MovingNight(n=14, guided=True), random=0.2)
    assert np.median(made.still_px2 / made.total_px2) > 0.97


def test_restless_smears_tell_of_a_round_motion_to_a_factor(shaken: MovingNight) -> None:
    low, high = np.percentile(np.median(parts(shaken, random=1.0).round_px2, axis=1), (10, 90))
    assert low < (1.2 / SCALE) ** 2 * 1.5  # its memory is at the long end of what guided mounts have
    assert high > (1.2 / SCALE) ** 2 * 0.7
    assert np.median(parts(shaken, random=0.0).round_px2) < 0.1


def test_what_the_optics_draw_alike_in_all_frames_stays_at_rest_and_is_no_motion() -> None:
    # 1.2 px of FWHM along one axis in each frame: (a² - b²) / 2 of 0.72 px² whoever draws it
    alike = MovingNight(n=14, guided=True, stretch_px2=lambda i: 0.72 + 0j)
    by_mount, by_optics = parts(alike), parts(alike, by_optics=1.0)
    assert np.median(by_mount.along_px2) * FWHM2 / 2 == pytest.approx(0.72, rel=0.15)
    assert np.median(by_optics.along_px2) < 0.15 * np.median(by_mount.along_px2)
    assert np.abs(by_optics.still_shape_px2) == pytest.approx(np.abs(by_mount.shape_px2), rel=0.1)
    assert np.median(by_optics.still_px2 / by_optics.total_px2) > 0.98


def test_a_guiding_record_settles_it(shaken: MovingNight) -> None:
    # as much as it shows, from half to a third more: air and what is faster than its exposures
    recorded = parts(shaken, guided_to_px2=1.0)
    variance = np.median(recorded.along_px2 / 2 + recorded.round_px2, axis=1)
    assert np.percentile(variance, 5) > 0.4
    assert np.percentile(variance, 95) < 1.8


def test_of_independent_places_the_scatter_of_the_smear_is_known() -> None:
    # closed form: variances and covariance of N places scatter by s² / sqrt(N)
    rng = np.random.default_rng(7)
    places = rng.normal(0, 0.8, (4000, 30, 2))
    x, y = (places - places.mean(axis=1, keepdims=True)).transpose(2, 0, 1)
    smear = ((x**2).mean(1) - (y**2).mean(1)) / 2 + 1j * (x * y).mean(1)
    scatter = changes_at_random(smear)
    assert scatter == pytest.approx(0.8**2 / np.sqrt(30), rel=0.06)
    assert random_motion2(scatter, 120.0, 4.0) == pytest.approx(0.8**2, rel=0.06)


def test_rounding_does_not_change_what_is_drawn(shaken: MovingNight) -> None:
    # another library for matrices rounds otherwise: a cause must not appear or go for that
    session = explained(shaken)
    noise = np.random.default_rng(3).standard_normal(session.modes[0].covariance.shape)
    rounded = tuple(
        replace(mode, covariance=mode.covariance * (1 + 1e-13 * (noise + noise.T))) for mode in session.modes
    )
    once, again = draws(session, 20), draws(replace(session, modes=rounded), 20)
    assert np.allclose(once.shared, again.shared, atol=1e-6)
    assert np.allclose(once.frame, again.frame, atol=1e-6)


def test_climbs_side_by_side_end_where_each_ends_by_itself(shaken: MovingNight) -> None:
    setting = explained(shaken).setting
    begins = [start(setting, begin) for begin in ({"focus": 0.1, "own_blur": 1.5}, {"focus": 1.1}, {"focus": 0.0})]
    spreads = [usual_spread(), usual_spread(), replace(usual_spread(), alike=0.1 * np.ones(4))]
    together = solve_all(setting, begins, spreads, rounds=3)
    alone = [solve_all(setting, [begin], [its], rounds=3)[0] for begin, its in zip(begins, spreads, strict=True)]
    for one, other in zip(together, alone, strict=True):
        assert one.log_evidence == pytest.approx(other.log_evidence, abs=1e-3)
        assert np.allclose(one.numbers.shared, other.numbers.shared, atol=1e-4)
        assert np.allclose(one.numbers.frame, other.numbers.frame, atol=1e-4)
    assert len({round(one.log_evidence) for one in together}) == 3


def test_two_frames_tell_of_nothing_random() -> None:
    assert changes_at_random(np.array([0.1 + 0j, 0.3j])) == 0


def test_across_a_long_line_the_star_is_as_wide_as_still() -> None:
    line = FrameShape(
        fwhm_px=6.0, fwhm_px_error=0.1, elongation=4.0, elongation_error=0.1, elongation_pa_deg=0.0,
        e1=float(np.log(4)), e2=0.0, moffat_beta=3.5, half_flux_radius_px=4.0, trail_length_px=12.0, n_measured=40,
    )  # fmt: skip
    made = parts_of_lines([3, 5], [line, replace(line, trail_length_px=None)])
    assert made.frames == (3, 5)
    still, length = np.sqrt(made.still_px2), np.sqrt(12 * made.along_px2)
    assert np.median(still, axis=0) == pytest.approx([3.0, 3.0])
    assert np.median(length, axis=0) == pytest.approx([12.0, 12.0])
    for drawn in (still / 3, length / 12):  # neither is known exactly
        assert np.percentile(drawn, [16, 84]) == pytest.approx([0.97, 1.03], abs=0.01)
    assert (FWHM2 * made.along_px2 > made.total_px2).all()
