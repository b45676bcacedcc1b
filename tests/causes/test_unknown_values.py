"""What is not known speaks for nothing: no comparison with NaN decides."""

import math
from dataclasses import replace

import numpy as np
import pytest
from made_nights import N, make_night

from framecheck.causes.dew import dew
from framecheck.causes.result import Finding, Healthy, all_of, answer, any_of, log_odds_above, log_odds_of_ratio
from framecheck.causes.sky import sky_gradient
from framecheck.causes.weigh import weigh
from framecheck.motion.night import Night

I = np.arange(N)  # noqa: E741
LATE = I / (N - 1)


def claims(found: object) -> bool:
    return isinstance(found, Finding) and found.confidence >= 0.5


def focus_drift(night: Night) -> object:
    return next((one for one in weigh(night, night.rig)[0] if one.cause == "focus-drift"), None)


def with_unknown_light(night: Night, where: np.ndarray) -> Night:
    """The night with frames of which nothing tells the light: too few stars came through."""
    frames = tuple(
        replace(frame, transparency=None, transparency_error=None) if unknown else frame
        for frame, unknown in zip(night.frames, where, strict=True)
    )
    return replace(night, frames=frames)


@pytest.mark.parametrize("unknown", [(math.nan, 1.0, 0.1), (1.0, math.nan, 0.1), (1.0, 1.0, math.nan)])
def test_a_quantity_that_is_unknown_neither_claims_nor_outweighs(unknown: tuple[float, float, float]) -> None:
    odds = log_odds_above(*unknown)
    assert isinstance(answer("cloud", odds, affected=frozenset({0}), cost=None, evidence=()), Healthy)
    assert any_of(odds, 1.0) == pytest.approx(1.0, abs=1e-6)
    assert all_of(-odds, 1.0) == pytest.approx(1.0, abs=1e-6)
    assert all_of(odds, 5.0) < -5
    assert log_odds_of_ratio(math.nan, 1.0, 0.1) < -5
    assert isinstance(answer("cloud", math.nan, affected=frozenset({0}), cost=None, evidence=()), Healthy)


def test_a_starless_frame_is_not_clear() -> None:
    """Lamps light up a cloud that lets no star through: its sky is the cloud's, not the night's."""
    thick = (I > 20) & (I < 27)
    lit = make_night(sky=1 + 3.0 * thick)
    assert claims(sky_gradient(lit, lit.rig))
    starless = with_unknown_light(lit, thick)
    assert not claims(sky_gradient(starless, starless.rig))


def test_a_sky_of_unknown_noise_does_not_speak_for_dew() -> None:
    fog = np.clip(LATE - 0.4, 0, None)
    night = make_night(light=1 - 0.6 * fog, widening=1 + 0.6 * fog)
    assert claims(dew(night, night.rig))
    blind = replace(
        night, frames=tuple(replace(f, result=replace(f.result, sky=replace(f.result.sky, noise_adu=0.0)))
                            for f in night.frames)
    )  # fmt: skip
    assert not claims(dew(blind, blind.rig))


def test_stars_that_fade_are_not_taken_for_kept_because_some_frames_lost_them() -> None:
    """Stars grow and soften while their light goes: what fades is no drift of focus, even if a third is unknown."""
    night = make_night(light=1 - 0.5 * LATE, widening=1 + 0.5 * LATE**2)
    assert not claims(focus_drift(night))
    hidden = with_unknown_light(night, I % 3 == 2)
    assert not claims(focus_drift(hidden))
