"""What the terms make of stars: closed forms, and symmetries that nature has."""

from dataclasses import replace

import numpy as np
import pytest
from drawn_tables import frame_of_stars

from framecheck.model import solve
from framecheck.model.begin import start
from framecheck.model.likelihood import stacked
from framecheck.model.responses import LINE
from framecheck.model.terms import (
    AT,
    AT_FRAME,
    N_AIR,
    N_FRAME,
    N_KIND,
    N_SHARED,
    Numbers,
    Predicted,
    Setting,
    predict,
)
from framecheck.model.zones import zones_of

N = 3


@pytest.fixture(scope="module")
def setting() -> Setting:
    zones = zones_of([frame_of_stars(n=900, fwhm_px=3.0, number=k) for k in range(N)])
    assert zones is not None
    nothing = np.zeros(N)
    return Setting(
        zones=zones, width2_px2=9.0, kind=np.zeros(N, int), n_kinds=1, exposure=np.ones(N),
        course=np.zeros((N, 3)), air_course=np.zeros((N, N_AIR)), focus_course=np.zeros((N, 3)), ln_airmass=nothing,
        temperature=nothing, inverse_beta=np.full(N, 0.25), diffraction2=0.02, obstruction=0.0, turning=nothing,
        turning_error=np.full(N, 0.01), line=nothing + 0j, line_known=np.ones(N, bool),
    )  # fmt: skip


def looks(setting: Setting, **terms: float | complex) -> Predicted:
    """What stars look like with these terms alone; nothing moves."""
    begun = start(setting, {"focus": 0.0, "motion": 0j} | terms)
    return predict(replace(begun, frame=np.zeros_like(begun.frame)), setting)


def spun(numbers: Numbers, name: str, value: float) -> Numbers:
    """The same with one term of every frame, and no other of theirs."""
    frame = np.zeros_like(numbers.frame)
    frame[:, AT_FRAME[name].start] = value
    return replace(numbers, frame=frame)


def test_a_sensor_tilted_through_focus_blurs_both_sides_alike_and_not_the_middle(setting):
    size, x = looks(setting, tilt=0.8 + 0j).size[0], setting.zones.place[0].real
    left, right, middle = (float(size[part].mean()) for part in (x < -0.6, x > 0.6, np.abs(x) < 0.3))
    assert left == pytest.approx(right, rel=0.03)
    assert left > 1.15 * middle


def test_a_bend_blurs_all_corners_alike(setting):
    size, at = looks(setting, bend=0.8).size[0], setting.zones.place[0]
    corners = [float(size[(np.sign(at.real) == i) & (np.sign(at.imag) == j)].mean()) for i in (-1, 1) for j in (-1, 1)]
    assert max(corners) < 1.05 * min(corners)


def test_astigmatism_turns_by_ninety_degrees_through_focus_and_is_round_in_it(setting):
    inside, outside = (looks(setting, focus=z, astigmatism=0.3 + 0.1j).shape for z in (-0.4, 0.4))
    assert inside == pytest.approx(-outside, abs=1e-6)
    assert np.abs(looks(setting, focus=0.0, astigmatism=0.3 + 0.1j).shape).max() < 1e-9


def test_nothing_tells_the_sign_of_focus_and_astigmatism_together(setting):
    one = looks(setting, focus=0.4, astigmatism=0.2j, tilt=0.3 + 0j, bend=0.2, decentred=0.1 + 0.1j)
    other = looks(setting, focus=-0.4, astigmatism=-0.2j, tilt=-0.3 + 0j, bend=-0.2, decentred=0.1 + 0.1j)
    for name in ("size", "shape", "comet", "lobes"):
        assert getattr(one, name) == pytest.approx(getattr(other, name), abs=1e-9)


def test_a_turning_field_draws_stars_along_the_circle_with_the_square_of_the_distance(setting):
    """A star at p moves by i w p: its shape goes with (i w p)², along the circle; closed form but for the response."""
    turned = spun(start(setting, {"focus": 0.0}), "turning", 0.1)
    shape, at = predict(turned, setting).shape[0], setting.zones.place[0]
    assert shape == pytest.approx(LINE[1] * (0.1j * at) ** 2, rel=0.02)


def test_drift_and_turning_add_as_vectors_so_that_one_side_stands_still(setting):
    """Where drift and turning cancel, i w (p - c) = 0, stars stay round: the field turns about that point."""
    moving = replace(setting, line=np.full(N, -0.5j * (0.6 + 0j)))
    size = predict(spun(start(setting, {"focus": 0.0}), "turning", 0.5), moving).size[0]
    at = setting.zones.place[0]
    assert np.abs(at[np.argmin(size)] - 0.6) < 0.25


def test_motion_widens_comets_away(setting):
    still = looks(setting, decentred=0.4 + 0j)
    shaken = looks(setting, decentred=0.4 + 0j, motion=0.8 + 0j)
    assert np.all(np.abs(shaken.comet) < 0.8 * np.abs(still.comet))


def test_a_halo_only_adds_to_the_wings_and_changes_no_star(setting):
    none, some, less = (looks(setting, halo=halo) for halo in (0.0, 0.2, -0.2))
    assert some.inverse_beta - none.inverse_beta == pytest.approx(0.2, abs=0.01)
    assert less.inverse_beta == pytest.approx(none.inverse_beta, abs=0.01)
    assert np.allclose(some.size, none.size)


def test_wings_of_the_optics_own_blur_are_hidden_in_a_disc(setting):
    def more_wings(focus: float) -> float:
        plain, winged = (looks(setting, own_blur=1.5, own_wings=wings, focus=focus) for wings in (0.0, 0.4))
        return float((winged.inverse_beta - plain.inverse_beta).mean())

    assert more_wings(1.5) < 0.5 * more_wings(0.0)


def test_every_term_has_its_place(setting):
    numbers = start(setting, {"focus": 0.3, "tilt": 0.1 - 0.2j})
    assert numbers.shared[AT["tilt"]].tolist() == [0.1, -0.2]
    assert numbers.kind[0, 1] == 0.3


def test_slopes_are_those_of_each_number_changed_by_itself(setting: Setting) -> None:
    rng = np.random.default_rng(6)
    told = replace(
        setting, course=rng.normal(size=(N, 3)), air_course=rng.normal(size=(N, N_AIR)), ln_airmass=rng.random(N),
        focus_course=rng.normal(size=(N, 3)), temperature=rng.normal(size=N), line=0.3 * rng.normal(size=N) + 0.2j,
    )  # fmt: skip
    begun = start(told, {"focus": 0.4, "tilt": 0.2 + 0.1j, "astigmatism": 0.3j, "drift_0": 0.2 + 0j, "halo": 0.1})
    numbers = replace(begun, frame=0.02 * rng.normal(size=begun.frame.shape))
    now, profile, slopes = solve._slopes(numbers, told)
    one_by_one = solve._each_changed(numbers, np.arange(N_FRAME + N_SHARED + N_KIND))
    other, other_profile = stacked(one_by_one, told)
    changes = np.moveaxis(other - now, 0, 1).reshape(N, len(other), -1)
    assert np.allclose(slopes[..., :-1], changes / solve.STEP, atol=2e-3)
    assert np.allclose(slopes[..., -1], (other_profile - profile).T / solve.STEP, atol=2e-3)


def test_twice_the_exposure_makes_a_line_of_steady_drift_twice_as_long(setting):
    # length is rate times time, and squares of widths add: twice the line, four times the shape while it is short
    drifting = replace(setting, exposure=np.array([1.0, 1.0, 2.0]))
    once, _, twice = np.abs(looks(drifting, drift_0=0.1 + 0j).shape.mean(axis=-1))
    assert twice / once == pytest.approx(4, rel=0.1)
