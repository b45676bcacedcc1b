"""Laws that every judgement keeps, whatever happened in the night: its parts tell one story."""

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

sys.path.append(str(Path(__file__).parent.parent / "causes"))
import made_nights
from moving_nights import MovingNight, night_of

from framecheck.causes.result import CLAIMED
from framecheck.causes.weigh import weigh
from framecheck.decision.judge import judge
from framecheck.decision.judgement import Judgement
from framecheck.decision.records import WhatIf
from framecheck.motion.night import Night

SHORT = made_nights.AIRMASS[:10]


def messy_night(seed: int) -> MovingNight:
    """Faults of mount, focus and optics at random strengths, several at once, some frames spoilt."""
    rng = np.random.default_rng(seed)

    def sometimes(most: float) -> float:
        return float(rng.random() < 0.5) * float(rng.uniform(0, most))

    drift, swing, period = sometimes(3.0) * np.exp(6.28j * rng.random()), sometimes(4.0), rng.uniform(300, 700)
    width, growth, cloud = rng.uniform(1.5, 5.0), sometimes(0.8), sometimes(0.7)
    n, stretch, knocked = int(rng.integers(8, 14)), sometimes(4.0), int(rng.integers(-4, 8))
    shape = stretch * np.exp(6.28j * rng.random())

    def pointing(t):
        path = drift * t / 60 + swing * np.sin(2 * np.pi * t / period)
        return path + 6.0 * (t > 130.0 * knocked + 60) * (t < 130.0 * knocked + 90) * (knocked > 0)

    return MovingNight(
        n=n, seed=seed, pointing=pointing, jitter_arcsec=(sometimes(1.2), sometimes(1.2)),
        turning_deg_per_hour=sometimes(1.0), fwhm_px=lambda i: width * (1 + growth * i / n),
        beta=lambda i: 3.6 + 8 * growth, light=lambda i: 1 - cloud * (i % 3 == 1), tilt_percent=sometimes(40.0),
        bowl_percent=sometimes(40.0), coma_px3=sometimes(3.0) + 0j, constant_coma_px3=sometimes(3.0) * 1j,
        trefoil_px3=sometimes(2.0) + 0j, stretch_px2=lambda i: shape, dither_px=sometimes(6.0),
        guided=(None, True, False)[int(rng.integers(3))], solved=bool(rng.random() < 0.7),
    )  # fmt: skip


@pytest.fixture(scope="module")
def judged() -> list[Judgement]:
    return [judge(night_of(messy_night(seed))) for seed in range(7)]


def claimed(judgement: Judgement) -> set[str]:
    return {one.cause for one in judgement.findings if one.confidence >= CLAIMED}


def what_if(judgement: Judgement, case: str) -> WhatIf:
    return next(one for one in judgement.what_if if one.case == case)


def test_the_nights_are_messy(judged: list[Judgement]) -> None:
    causes = set().union(*map(claimed, judged))
    assert len(causes) > 6, causes
    assert any(len(claimed(one)) > 2 for one in judged)


def test_the_budgets_shares_are_shares_of_one_whole(judged: list[Judgement]) -> None:
    for judgement in judged:
        shares = [term.share for term in judgement.budget]
        assert sum(shares) == pytest.approx(1)
        assert all(0 <= share <= 1 for share in shares)
        assert all(term.low <= term.fwhm_arcsec <= term.high for term in judgement.budget if term.fwhm_arcsec)


def test_perfect_tracking_never_loses_a_frame_nor_exposes_longer_than_the_night_was(judged: list[Judgement]) -> None:
    for judgement in judged:
        taken = sum(frame.result.exposure.exposure_s or 0.0 for frame in judgement.night.frames)
        before, after = what_if(judgement, "as it was"), what_if(judgement, "perfect tracking")
        assert after.kept >= before.kept
        assert (before.effective_exposure_s or 0.0) <= (after.effective_exposure_s or 0.0) <= taken
        assert after.recorded_fwhm_arcsec <= before.recorded_fwhm_arcsec * (1 + 1e-9)
        # as the night was judged, so it is told
        assert before.kept == sum(grade.grade == "keep" for grade in judgement.grades)


def test_the_gain_the_share_and_the_rms_of_the_motion_agree(judged: list[Judgement]) -> None:
    for judgement in judged:
        decision = judgement.mount_decision
        gain, rms = decision.gain, decision.tracking_rms_arcsec
        assert 0 <= gain.low <= gain.value <= gain.high < 1
        assert rms.low <= rms.value <= rms.high
        assert gain.value == pytest.approx(what_if(judgement, "perfect tracking").narrower, abs=0.03)
        share = next(term.share for term in judgement.budget if term.term == "tracking")
        assert (share < 0.05) or gain.value > 0.2 * share
        if rms.value < 0.5 * decision.needed_rms_arcsec:
            assert gain.value < 0.1
        if decision.answer == "not needed":
            assert decision.ladder == ()
            assert gain.value < 0.1


def test_one_word_on_the_pixels(judged: list[Judgement]) -> None:
    for judgement in [*judged, *(judge(made_nights.make_night(widening=w, airmass=SHORT)) for w in (0.6, 0.84, 2.2))]:
        said = claimed(judgement) & {"undersampled", "oversampled"}
        assert said == {judgement.sampling.verdict} - {"well sampled"}


def test_what_is_claimed_is_no_less_likely_rival_of_another_claim(judged: list[Judgement]) -> None:
    for judgement in judged:
        made = claimed(judgement)
        for finding in judgement.findings:
            if finding.cause in made:
                assert not {rival.cause for rival in finding.rivals} & made


def test_two_comets_at_once_do_not_exclude_each_other() -> None:
    findings, _ = weigh(night := night_of(MovingNight(n=8, coma_px3=3 + 0j, constant_coma_px3=3j)), night.rig)
    comets = [one for one in findings if one.cause in ("coma", "miscollimation")]
    assert [one.confidence > CLAIMED for one in comets] == [True, True]
    assert not any(rival.cause in ("coma", "miscollimation") for one in comets for rival in one.rivals)


def test_stars_that_the_air_makes_are_not_called_missed_focus() -> None:
    # 1.2 arcsec over 0.36 arcsec a pixel: 3.3 px, in focus, and below what air may make
    rig = replace(made_nights.RIG, focal_length_mm=2150.0)
    night = made_nights.make_night(seeing_arcsec=1.2, beta=3.4, rig=rig)
    made = {one.cause for one in weigh(night, rig)[0] if one.confidence >= CLAIMED}
    assert not {"defocus", "oversampled"} & made


def half(night: Night, part: slice) -> Night:
    members = night.groups[0].members[part]
    frames = tuple(night.frames[i] for i in members)
    return replace(night, frames=frames, groups=(replace(night.groups[0], members=tuple(range(len(frames)))),))


def test_what_is_seen_at_a_low_altitude_in_both_halves_is_seen_in_the_night() -> None:
    # a target that sets while the air becomes calm: its lowest frames are no worse than the first
    airmass = np.linspace(2.0, 3.2, made_nights.N)
    night = made_nights.make_night(airmass=airmass, widening=(airmass[0] / airmass) ** 0.9)
    for part in (night, half(night, slice(None, 20)), half(night, slice(20, None))):
        (low,) = [one for one in weigh(part, night.rig)[0] if one.cause == "low-altitude"]
        assert low.confidence > 0.9
