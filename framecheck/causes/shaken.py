"""Causes that shake the mount: guiding that never rests, and single knocks."""

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

from framecheck import robust, shear
from framecheck.causes.kinds import WORST_SCATTER, Beforehand, Kinds, beside_drift, of_worst
from framecheck.causes.moved import (
    FEWEST_FRAMES,
    SEEN,
    SLOW,
    SURE_SIGMA,
    Moved,
    all_moved,
    too_few,
)
from framecheck.causes.result import (
    CannotTell,
    Evidence,
    Finding,
    Healthy,
    all_of,
    answer,
    any_of,
    log_odds_above,
    log_odds_of_ratio,
)
from framecheck.causes.series import Floats
from framecheck.constants import FWHM_PER_SIGMA
from framecheck.model.parts import changes_at_random, random_motion2
from framecheck.motion.night import Night
from framecheck.night.records import NightFrame
from framecheck.read.rig import Rig

RESTLESS: Final = 0.15
RESTLESS_SCATTER: Final = 0.4
SCATTER_OF_ONE: Final = 1.2
"""Squared width of a random motion over that of the star, from which guiding is restless, and the scatter of its
logarithm, of many frames and beside that of one. [dimensionless] The first as for all causes (`WORTH_NAMING`); the
second chosen: the memory of the motion is known to a factor; the third: a median deviation, normal statistics."""

RECORDED: Final = 0.2
"""Part of the squared FWHM that a guiding record shows as motion, from which it matters. [dimensionless] Chosen: the
stars are a tenth wider for it; part of it is the air over the guide star."""
RECORDED_SCATTER: Final = 0.05

SMOOTH: Final = 0.6
SMOOTH_SCATTER: Final = 0.1
"""[dimensionless] Correlation of the smear, its mean taken off, with that of the next frame, from which it is no noise:
something turns or drifts. Chosen: a guider forgets within seconds, and frames follow in minutes."""

ALONG_ONE_LOG_ODDS: Final = 2.0
"""Log-odds of corrections that hunt along one direction, and do not change the smear at random. Chosen: optics draw
stars out along one as well."""

LEFT_BY_DRIFT: Final = 0.45
"""Part of the smear that a drift must leave for something faster to be at work. [dimensionless] Chosen."""

SHOCK_SHARE: Final = 0.33
"""Largest share of the frames that single knocks spoil. Chosen: more is wind all night, or something else."""
SHOCK_SIGMA: Final = 8.0
"""Smear off the usual one, over what the night's frames scatter by. Chosen."""
AIRY_BETA: Final = 5.5
"""Moffat exponent beyond which it tells of focus, not of air. Chosen."""
RAGGED: Final = 0.25
"""Fall of ln(beta) below the neighbours' from which light was thrown beside the stars. [dimensionless] Chosen."""
THROWN: Final = 0.2
"""The same where the stars lost light as well, into a second place of theirs. [dimensionless] Chosen."""
LIGHT_LOST: Final = 0.08
"""Part of the stars' light missing against the neighbours'. [dimensionless] Chosen."""
OTHER_STARS: Final = 0.08
"""ln(stars found over the neighbours'), of either sign, that goes with it: second places are found as stars, or hide
faint ones. Chosen."""
BESIDE_SIGMA: Final = 4.0
"""Smear off the usual one that makes a fall of beta alone a knock. Chosen."""
LOST_LOG_ODDS: Final = 0.4
"""Log-odds of a knock from frames full of stars of which none can be measured. Chosen."""
OWN_SIGMA: Final = 3.5
"""Such a smear over the frame's own error. Chosen."""
SHOCK_SEEN: Final = 0.1
"""ln(long axis / short axis) beyond the usual, of such a smear. [dimensionless] Chosen: seen beside others."""
DOUBLED_BY_UNREST: Final = 1.5
"""[FWHM] Distance of second images up to which a mount that never rests makes them. Chosen: further apart, they are
longer than the smears beside them."""
MOSTLY: Final = 0.5
MOSTLY_ALONG: Final = 0.85
"""Smear that a late correction draws over all of it, and cosine of twice the angle between a second image and its axis,
from which the frame is its doing. [dimensionless] Chosen: more than half; within 16 degrees."""
SHOCK_SCATTER: Final = 0.3
"""Of its logarithm. Chosen."""
NOTHING: Final = 6.0
"""Log-odds against what cannot be seen. Chosen."""
WIDER: Final = 0.08
"""ln(FWHM) above the neighbours' from which a frame without longer stars was shaken. Chosen."""


def guiding_noise(night: Night, rig: Rig, beforehand: Beforehand) -> Finding | Healthy | CannotTell:
    """Frames are smeared at random: neither drift, nor a period, nor one part of the night explains it.

    Smears are those that the model leaves to the motion, with what the optics draw taken out.
    """
    groups = [one for one in all_moved(night) if len(one.frames) >= FEWEST_FRAMES]
    if not groups:
        return too_few("guiding-noise", "ten frames or more, or a guiding record of the night")
    moved, log_odds = max(((one, _restless(one, beforehand)) for one in groups), key=lambda row: row[1])
    restless, blur = _restlessness(moved, beforehand)
    return answer(
        "guiding-noise",
        log_odds,
        affected=moved.where(np.abs(beside_drift(moved)) > SEEN),
        cost=blur / (1 + blur),
        evidence=(
            Evidence(
                statement="from frame to frame the smear changes at random by", value=100 * restless,
                unit="percent of the squared FWHM",
                expected_if_healthy=f"below {100 * restless * RESTLESS / blur:.1f}" if blur else None,
            ),
            Evidence(
                statement="a motion that does so widens the stars by", value=100 * (math.sqrt(1 + blur) - 1),
                unit="percent", expected_if_healthy=f"below {100 * (math.sqrt(1 + RESTLESS) - 1):.0f}",
            ),
            *_recorded_evidence(_on_record(moved)),
        ),
    )  # fmt: skip


def _restlessness(moved: Moved, beforehand: Beforehand) -> tuple[float, float]:
    """How much the smear changes at random, and the blur of the motion that does so, both over the squared FWHM."""
    exposure_s = moved.tracking.smears.typical_exposure_s
    exposure_s = exposure_s if math.isfinite(exposure_s) else 60.0
    kinds, optics = beforehand.kinds_of(moved), beforehand.optics
    knocked = np.zeros(len(moved.frames), bool)
    if kinds is not None and kinds.knocked_log_odds > 0:
        knocked = kinds.knocked > 0
    noise = float(np.median(moved.tracking.smears.error_px2 / moved.tracking.smears.fwhm_px**2))
    restless = math.sqrt(max(changes_at_random(beside_drift(moved)[~knocked]) ** 2 - noise**2, 0.0))
    members = np.array(moved.tracking.smears.frames)[~knocked]
    if optics is not None and len(rows := np.flatnonzero(np.isin(optics.explained.frames, members))) >= FEWEST_FRAMES:
        # what the optics change is none of the motion's, and what they seem to is not seen
        by_model = optics.explained.modes[0].numbers.direction_of_frames("motion")[rows]
        restless = min(restless, changes_at_random(by_model))
    return restless, float(random_motion2(restless, exposure_s))


def _on_record(moved: Moved) -> tuple[float, float, float] | None:
    """Median rms of the guide star in right ascension and declination [arcsec], and their part of the squared FWHM."""
    known = [frame.guide_rms_arcsec for frame in moved.frames if frame.guide_rms_arcsec is not None]
    if not known or moved.scale_arcsec is None:
        return None
    ra, dec = (float(value) for value in np.median(np.array(known), axis=0))
    blur = FWHM_PER_SIGMA**2 * (ra**2 + dec**2) / 2
    return ra, dec, blur / (moved.fwhm_px * moved.scale_arcsec) ** 2


def _recorded_evidence(recorded: tuple[float, float, float] | None) -> tuple[Evidence, ...]:
    if recorded is None:
        return ()
    per_axis = math.hypot(*recorded[:2]) / math.sqrt(2)
    return (
        Evidence(
            statement="the guide star moved, per axis, by", value=per_axis, unit="arcsec rms",
            expected_if_healthy="below a fifth of the FWHM",
        ),
    )  # fmt: skip


def _restless(moved: Moved, beforehand: Beforehand) -> float:
    rest = beside_drift(moved)
    # a median deviation of so many numbers, two from each step, is known to this (normal statistics)
    scatter = math.hypot(RESTLESS_SCATTER, SCATTER_OF_ONE / math.sqrt(2 * max(len(rest) - 1, 1)))
    odds = [
        log_odds_of_ratio(_restlessness(moved, beforehand)[1], RESTLESS, scatter),
        log_odds_above(SMOOTH, _lasting(rest - shear.middle(rest), moved.error), SMOOTH_SCATTER),
    ]
    recorded, kinds = _on_record(moved), beforehand.kinds_of(moved)
    if kinds is not None:
        size = log_odds_of_ratio(of_worst(kinds.swings.hunted), SEEN, WORST_SCATTER)
        odds = [any_of(all_of(*odds), all_of(kinds.hunting_log_odds, size, ALONG_ONE_LOG_ODDS))]
    if recorded is not None:
        odds = [any_of(all_of(*odds), log_odds_above(recorded[2], RECORDED, RECORDED_SCATTER))]
    if moved.drift_seen > SURE_SIGMA:
        left = float(np.median(np.abs(rest))) / max(float(np.median(np.abs(moved.smear))), 1e-6)
        odds.append(log_odds_above(left, LEFT_BY_DRIFT, 0.12))
    odds.append(log_odds_above(SLOW, moved.slow, 0.08))
    return all_of(*odds) if kinds is None else min(all_of(*odds), kinds.others_log_odds)


def _lasting(off: NDArray[np.complex128], error: Floats) -> float:
    """Correlation of what one frame is off by with what the next is, less the error that so few frames leave in it.

    Measuring errors are taken out of its scale.
    """
    power = float(np.mean(np.abs(off) ** 2) - 2 * np.mean(error**2))
    if power <= 0:
        return 0.0
    alike = float(np.mean((off[1:] * off[:-1].conj()).real)) / power
    return alike - 1 / math.sqrt(2 * len(off))


def shock(night: Night, rig: Rig, beforehand: Beforehand) -> Finding | Healthy | CannotTell:
    """Single frames are spoilt: doubled stars, or a smear that no neighbour shares."""
    groups = [one for one in all_moved(night) if len(one.frames) >= FEWEST_FRAMES]
    if not groups:
        return too_few("shock", "more frames, to tell a knock from what all of them suffer")
    still = rig.mount_type == "fixed"
    moved, log_odds, spoilt = max(((one, *_knocked(one, beforehand, still)) for one in groups), key=lambda row: row[1])
    worst = float(np.max(np.abs(moved.smear)))
    affected = moved.where(spoilt) | moved.series.where(_unmeasurable(moved))
    return answer(
        "shock",
        log_odds,
        affected=affected,
        cost=len(affected) / len(moved.series.frames),
        evidence=(
            Evidence(statement="stars are double, smeared or blurred, as in no other frame, in",
                     value=float(len(affected)), unit="frames", expected_if_healthy=0.0),
            Evidence(statement="in the worst of them stars stretch to", value=float(shear.ratio_of(worst)),
                     unit="long over short axis", expected_if_healthy=float(shear.ratio_of(abs(moved.middle)))),
        ),
    )  # fmt: skip


def _knocked(moved: Moved, beforehand: Beforehand, still: bool) -> tuple[float, NDArray[np.bool_]]:
    """Log-odds of knocks, and the frames they spoilt; on a mount that stands still nothing else changes a smear."""
    e = moved.e
    off = np.abs(e - shear.middle(e))
    scale = np.hypot(max(float(np.median(off)) / 1.177, 0.01), moved.error * OWN_SIGMA / SHOCK_SIGMA)
    kinds = beforehand.kinds_of(moved)
    late = _late(moved, kinds)
    neighbours = _highest_near(np.log(moved.tracking.smears.fwhm_px))
    wider = np.where(late, 0.0, np.log(moved.tracking.smears.fwhm_px) - neighbours)
    spread = max(robust.spread(wider), 0.02)
    restless = float(np.median(off)) > SHOCK_SEEN
    apart = _apart_px(moved) / moved.tracking.smears.fwhm_px
    doubled = (apart > (DOUBLED_BY_UNREST if restless else 0.0)) & ~late
    knocked = np.zeros(len(off)) if kinds is None or kinds.knocked_log_odds < 0 else kinds.knocked
    drawn = ((off > SHOCK_SIGMA * scale) & (off > SHOCK_SEEN) & ~late) | (knocked > SHOCK_SEEN / 2)
    blurred = (wider > SHOCK_SIGMA * spread) & (wider > WIDER)
    wings = np.log([_beta(frame) for frame in moved.frames])
    fallen = np.where(late, 0.0, -wings - _highest_near(-wings))
    usual = max(robust.spread(fallen), 0.02)
    thrown = ((fallen > THROWN) & _lost_light(moved)) | (
        (fallen > SHOCK_SIGMA * usual) & (fallen > RAGGED) & (off > BESIDE_SIGMA * scale)
    )
    ragged = thrown & (not restless)
    spoilt = drawn | doubled | blurred | ragged
    lost = int(_unmeasurable(moved).sum())
    if not spoilt.any() and lost:
        share = lost / max(len(moved.series.frames), 1)
        return all_of(LOST_LOG_ODDS, log_odds_above(SHOCK_SHARE, share, 0.06)), spoilt
    if not spoilt.any():
        return _drawn_by_knocks(kinds), spoilt
    widest = float(np.max(np.minimum(wider / WIDER, wider / spread / SHOCK_SIGMA)))
    most = float(np.max(np.where(ragged, fallen, 0.0))) / THROWN
    aside = float(np.max(np.where(drawn, off, 0.0))) if still else 0.0
    odds = (
        3.0
        if doubled.any()
        else any_of(
            LOST_LOG_ODDS if lost else -NOTHING,
            log_odds_above(most, 1.2, 0.2),
            _drawn_by_knocks(kinds),
            log_odds_of_ratio(aside, SHOCK_SEEN, SHOCK_SCATTER),
            log_odds_above(widest, 1.6, 0.4),
        )
    )
    return all_of(odds, log_odds_above(SHOCK_SHARE, float(spoilt.mean()), 0.06), -_in_a_row(e, spoilt)), spoilt


def _late(moved: Moved, kinds: Kinds | None) -> NDArray[np.bool_]:
    """Frames that a correction which came late drew out or, if it came at once, doubled: along its axis."""
    if kinds is None or kinds.late_log_odds < 0:
        return np.zeros(len(moved.frames), bool)
    axis = np.angle(np.sum(kinds.late * moved.smear))
    doubled = np.array([np.nan if one is None else complex(*one) for one in _second_px(moved)]) ** 2
    along = doubled * np.exp(-1j * axis)
    return (kinds.late > MOSTLY * np.abs(moved.smear)) & ~(along.real < MOSTLY_ALONG * np.abs(along))


def _apart_px(moved: Moved) -> Floats:
    """Distance of the stars' second images in each frame; 0 where there are none."""
    return np.array([0.0 if one is None else math.hypot(*one) for one in _second_px(moved)])


def _second_px(moved: Moved) -> list[tuple[float, float] | None]:
    """Where the stars' second images lie from the first in each frame."""
    return [frame.result.stars.doubled_px for frame in moved.frames]


def _drawn_by_knocks(kinds: Kinds | None) -> float:
    """Log-odds that some frames are drawn out as by knocks, and enough to be seen."""
    if kinds is None:
        return -NOTHING
    return all_of(kinds.knocked_log_odds, log_odds_of_ratio(float(kinds.knocked.max()), SHOCK_SEEN, SHOCK_SCATTER))


def _lost_light(moved: Moved) -> NDArray[np.bool_]:
    """Frames whose stars are dimmer than in the frames beside them, and more or fewer."""
    light = np.array([frame.transparency if frame.transparency is not None else np.nan for frame in moved.frames])
    found = np.log([max(frame.result.stars.n_found, 1) for frame in moved.frames])
    with np.errstate(divide="ignore", invalid="ignore"):  # under a cloud that let nothing through
        dimmer = 1 - light / _median_near(light)
    dimmer[[0, -1]] = 0.0  # with frames on one side only, dew looks alike
    out: NDArray[np.bool_] = (np.nan_to_num(dimmer) > LIGHT_LOST) & (np.abs(found - _median_near(found)) > OTHER_STARS)
    return out


def _beta(frame: NightFrame) -> float:
    """Moffat exponent, told no further than air makes it."""
    return 3.0 if frame.result.shape is None else min(frame.result.shape.moffat_beta, AIRY_BETA)


def _unmeasurable(moved: Moved) -> NDArray[np.bool_]:
    """Frames of the series with as many stars as others of which none could be measured: doubled, or scribbles."""
    frames = moved.series.frames
    usual = float(np.median([frame.result.stars.n_found for frame in frames]))
    return np.array([one.result.shape is None and one.result.stars.n_found > 0.6 * usual for one in frames], bool)


def _in_a_row(e: NDArray[np.complex128], spoilt: NDArray[np.bool_]) -> float:
    """Log-odds that spoilt frames follow each other with one direction of smear, as no knocks do."""
    where = np.flatnonzero(spoilt)
    if len(where) < 3 or where[-1] - where[0] >= len(where) + 1:
        return -3.0
    alike = abs(np.sum(e[where])) / max(float(np.sum(np.abs(e[where]))), 1e-9)
    return log_odds_above(float(alike), 0.8, 0.08)


def _near(n: int) -> list[list[int]]:
    """The two frames before and the two after each."""
    return [[i for i in range(max(k - 2, 0), min(k + 3, n)) if i != k] or [k] for k in range(n)]


def _median_near(value: Floats) -> Floats:
    return np.array([np.median(value[one]) for one in _near(len(value))])


def _highest_near(value: Floats) -> Floats:
    """Highest of the two frames before and the two after each: what stands above it is no slow change."""
    return np.array([value[one].max() for one in _near(len(value))])
