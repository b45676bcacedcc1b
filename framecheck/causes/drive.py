"""Causes in the drives: the gear in right ascension, the backlash in declination."""

import math
from typing import Final

import numpy as np

from framecheck import shear
from framecheck.causes.kinds import WORST_SCATTER, Beforehand, Kinds, after_moves, of_worst
from framecheck.causes.moved import (
    FEWEST_FRAMES,
    SEEN,
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
from framecheck.motion.night import Night
from framecheck.motion.rhythm import Rhythm, compare_with_worm, swing_inside
from framecheck.motion.swing import STRAIGHT, Swing, swing_of
from framecheck.read.rig import Rig

SEEN_SCATTER: Final = 0.03
"""[dimensionless] Of a group's typical smear over the squared FWHM, in nights without fault. Chosen."""

SWING_SEEN: Final = 0.10
"""Smear that the swing makes in the exposure where it is fastest, over the squared FWHM, from which a period matters.
[dimensionless] An elongation of 1.10; chosen, as for the optics."""
SWING_SCATTER: Final = 0.4
"""[dimensionless] Of its natural logarithm. Chosen: the amplitude is known to a fifth."""
NOT_TOLD: Final = 4.0
"""Log-odds of a sign that cannot be asked for: it stands in nobody's way. Chosen."""
NAMED_PERIOD: Final = 1.5
"""[dimensionless] Log-odds that the worm's own period, as the rig file has it, adds. Chosen."""
SMEARED: Final = 0.2
"""Variance seen inside exposures over that which the swing makes there, below which the stars did not swing so: they
were moved between exposures. [dimensionless] Chosen: a fifth, since the smear is known to a third."""
SMEARED_SCATTER: Final = 0.4
"""[dimensionless] Of its natural logarithm. Chosen."""
PLAINLY_SMEARED: Final = 0.1
"""Such a smear over the squared FWHM that cannot be overlooked: an elongation of 1.10. [dimensionless] Chosen."""

ALONG_RA: Final = 0.8
"""Share of a period's motion along right ascension. [dimensionless] Chosen: gears move that axis only."""

OF_SMEAR: Final = "the smear swings with a period of"
"""Whether places or smears show a period."""

STRAIGHT_SCATTER: Final = 0.3
"""[dimensionless] Of the logarithm of how straight a swing is. Chosen."""
SMOOTH_SIGMA: Final = 2.5
SMOOTH_SCATTER: Final = 0.8
"""[sigma] From which places follow each other as a slow swing's do. Chosen: one in 160 by chance."""
SWINGS_LOG_ODDS: Final = 2.0
"""Log-odds of a periodic error of which no whole period is seen. Chosen: seven to one; little else moves one axis."""

NO_PERIOD_LOG_ODDS: Final = 1.0
"""Log-odds of a periodic error that shows no period, but frames as a gear draws them. Chosen: three to one."""


def periodic_error(night: Night, rig: Rig, beforehand: Beforehand) -> Finding | Healthy | CannotTell:
    """The pointing, or the smear, swings with one period along right ascension."""
    if rig.mount_type == "fixed":  # no drive
        return Healthy(cause="periodic-error")
    groups = [one for one in all_moved(night) if len(one.frames) >= FEWEST_FRAMES]
    if not groups:
        return too_few("periodic-error", "a run of frames over two turns of the gear or more, with guiding off")
    moved, log_odds, rhythm = max(((one, *_swing(one, rig, beforehand)) for one in groups), key=lambda row: row[1])
    evidence: tuple[Evidence, ...]
    if rhythm is None and (swing := swing_of(moved.motion)) and _by_places(moved) > 0:
        return answer(
            "periodic-error", log_odds, affected=moved.where(moved.size > SEEN), cost=None,
            evidence=(Evidence(statement="no whole period is seen"), _size_without_period(swing, moved.scale_arcsec)),
        )  # fmt: skip
    if rhythm is None:
        kinds = beforehand.kinds_of(moved)
        worst = 0.0 if kinds is None else of_worst(kinds.by_gear)
        which = "right ascension" if moved.along_ra is not None else "one direction"
        evidence = (
            _period_of_smears(kinds),
            Evidence(
                statement=f"in the worst frames stars stretch along {which} to",
                value=float(shear.ratio_of(worst)), unit="long over short axis",
                expected_if_healthy=f"below {shear.ratio_of(SEEN):.2f}",
            ),
        )  # fmt: skip
        return answer(
            "periodic-error", log_odds, affected=moved.where(moved.size > SEEN), cost=None, evidence=evidence, rivals=()
        )
    between = rhythm is moved.tracking.rhythm
    scale = moved.scale_arcsec
    evidence = (
        Evidence(
            statement="the stars swing with a period of" if between else OF_SMEAR,
            value=rhythm.period_s, unit="s", expected_if_healthy="no period",
        ),
        *_size_of_swing(rhythm, scale),
        Evidence(
            statement="chance that noise alone shows such a period", value=100 * rhythm.false_alarm_probability,
            unit="percent", expected_if_healthy="above 0.5",
        ),
        *_worm(rhythm, rig),
    )  # fmt: skip
    return answer(
        "periodic-error",
        log_odds,
        affected=moved.where(moved.size > SEEN),
        cost=float(shear.cost_of(np.median(np.abs(moved.smear)))),
        evidence=evidence,
    )


def _period_of_smears(kinds: Kinds | None) -> Evidence:
    if kinds is None or kinds.swings.period_min is None:
        return Evidence(statement="no period stands out of the motion between frames")
    return Evidence(statement=OF_SMEAR, value=60 * kinds.swings.period_min, unit="s", expected_if_healthy="no period")


def _size_of_swing(rhythm: Rhythm, scale: float | None) -> tuple[Evidence, ...]:
    if rhythm.amplitude_px is None:
        return ()
    unit, factor = ("px", 1.0) if scale is None else ("arcsec", scale)
    return (
        Evidence(
            statement="peak to peak they swing by", value=2 * rhythm.amplitude_px * factor, unit=unit,
            expected_if_healthy="well below the FWHM",
        ),
    )  # fmt: skip


def _size_without_period(swing: Swing, scale: float | None) -> Evidence:
    unit, factor = ("px", 1.0) if scale is None else ("arcsec", scale)
    return Evidence(
        statement="the stars swing along one direction, rms, by", value=swing.along_px * factor, unit=unit,
        expected_if_healthy="well below the FWHM",
    )  # fmt: skip


def _worm(rhythm: Rhythm, rig: Rig) -> tuple[Evidence, ...]:
    if rig.worm_period_s is None:
        return ()
    words = {
        "same": "it is the period of the worm in the rig file",
        "harmonic": "it is a simple part of the worm's period",
        "alias": "frames at this interval can't tell it from the worm's period",
        "other": "it is not the worm's period",
    }  # fmt: skip
    return (Evidence(statement=words[compare_with_worm(rhythm, rig.worm_period_s)], value=rig.worm_period_s, unit="s"),)


def _swing(moved: Moved, rig: Rig, beforehand: Beforehand) -> tuple[float, Rhythm | None]:
    """Log-odds of a gear's period, and the rhythm that speaks for it."""
    best: tuple[float, Rhythm | None] = (-4.0, None)
    between, inside = moved.tracking.rhythm, moved.tracking.rhythm_inside
    if between is not None and between.amplitude_px is not None:
        odds = all_of(
            _surely(between.false_alarm_probability),
            log_odds_of_ratio(_fastest_smear(moved, between), SWING_SEEN, SWING_SCATTER),
            3.0 if moved.tracking.guided is not True else -1.0,
            _swings_inside(moved, between),
        )
        best = max(best, (odds + _known_worm(between, rig), between), key=lambda row: row[0])
        if best[0] > 0:  # positions tell the period and its size; the smear tells neither as well
            return best
    if inside is not None:
        along = moved.along_ra
        axis = 0.0
        if along is not None:
            power = float(np.sum(np.maximum(along.real, 0)) / max(float(np.sum(np.abs(along))), 1e-9))
            axis = log_odds_above(power, ALONG_RA, 0.1)
        low, high = np.percentile(np.abs(moved.smear), [10, 90])
        odds = all_of(
            _surely(inside.false_alarm_probability), log_odds_above(float(high - low), SEEN, SEEN_SCATTER), axis
        )
        best = max(best, (odds + _known_worm(inside, rig), inside), key=lambda row: row[0])
    return max(best, (any_of(_by_gear(moved, beforehand), _by_places(moved)), None), key=lambda row: row[0])


def _fastest_smear(moved: Moved, rhythm: Rhythm) -> float:
    """Smear that a sinusoid adds to the drift's in the exposure where it is fastest, over the squared FWHM.

    Lines along one direction add, so that their square grows by more than the swing's own (closed form).
    """
    seconds = moved.tracking.smears.typical_exposure_s
    turn = 0.5 if not math.isfinite(seconds) else min(seconds / rhythm.period_s, 0.5)
    line_px = 2 * (rhythm.amplitude_px or 0.0) * math.sin(math.pi * turn)
    drift, swing = moved.motion.drift_px_per_min, swing_of(moved.motion)
    along_px = 0.0
    if drift is not None and swing is not None and moved.drift_seen > SURE_SIGMA:
        along_px = float(np.median(moved.line_px)) * abs(math.cos(float(np.angle(drift)) - swing.angle_rad))
    added_px = math.sqrt(line_px * (line_px + 2 * along_px))
    return float(moved.tracking.spin2_of_line(added_px)) / moved.fwhm_px**2


def _swings_inside(moved: Moved, rhythm: Rhythm) -> float:
    """Log-odds that the smear inside exposures is that of the swing, and not of a pointing moved between them.

    A sinusoid of amplitude a leaves inside exposures t, on average, a²/2 (1 - sinc²(t / period)) (closed form).
    """
    seconds = moved.tracking.smears.typical_exposure_s
    if rhythm.amplitude_px is None or not math.isfinite(seconds):
        return NOT_TOLD
    return _smeared(moved, rhythm.amplitude_px**2 / 2 * swing_inside(seconds, rhythm.period_s))


def _smeared(moved: Moved, expected_px2: float) -> float:
    """Log-odds that stars are smeared by as much variance as a motion lets expect; no weight where that is little."""
    if 4 * math.log(2) * expected_px2 < PLAINLY_SMEARED * moved.fwhm_px**2:
        return NOT_TOLD
    seen = float(np.mean(moved.tracking.smears.rms_px**2))
    return log_odds_above(math.log(max(seen / expected_px2, 1e-6)), math.log(SMEARED), SMEARED_SCATTER)


def _by_gear(moved: Moved, beforehand: Beforehand) -> float:
    """Log-odds of a swing along right ascension that places from frame to frame don't show: that smears do."""
    kinds = beforehand.kinds_of(moved)
    if kinds is None:
        return -4.0
    size = log_odds_of_ratio(of_worst(kinds.by_gear), SEEN, WORST_SCATTER)
    odds = [kinds.gear_log_odds, size]
    if kinds.swings.period_min is None:
        odds.append(NO_PERIOD_LOG_ODDS)
    return all_of(*odds)


def _by_places(moved: Moved) -> float:
    """Log-odds of a swing along one direction, too slow or too irregular for a period, that smears the stars."""
    swing = swing_of(moved.motion)
    known = np.isfinite(moved.from_speed)
    if swing is None or not known.any():
        return -4.0
    added = np.maximum(np.abs(moved.from_speed) - np.abs(moved.from_drift), 0.0)[known]
    line_px = moved.tracking.line_px(np.abs(moved.from_speed[known]) * moved.fwhm_px**2)
    return all_of(
        log_odds_above(math.log(swing.straight), math.log(STRAIGHT), STRAIGHT_SCATTER),
        log_odds_above(swing.smooth_sigma, SMOOTH_SIGMA, SMOOTH_SCATTER),
        log_odds_of_ratio(of_worst(added), SWING_SEEN, SWING_SCATTER),
        _smeared(moved, float(np.mean(line_px**2)) / 12),
        -moved.tracking.guided_log_odds,
        SWINGS_LOG_ODDS,
    )


def _known_worm(rhythm: Rhythm, rig: Rig) -> float:
    if rig.worm_period_s is None:
        return 0.0
    return NAMED_PERIOD if compare_with_worm(rhythm, rig.worm_period_s) in ("same", "harmonic") else -NAMED_PERIOD


def _surely(false_alarm: float) -> float:
    """Log-odds that a period is real: one faulty night in ten has one beforehand (chosen)."""
    return math.log(0.1 / max(false_alarm, 1e-6))


def declination_backlash(night: Night, rig: Rig, beforehand: Beforehand) -> Finding | Healthy | CannotTell:
    """After moves of the pointing, or in one part of the night, the stars are drawn out along declination."""
    if rig.mount_type == "fixed":  # no drive
        return Healthy(cause="declination-backlash")
    groups = [one for one in all_moved(night) if len(one.frames) >= FEWEST_FRAMES]
    if not groups:
        return too_few("declination-backlash", "plate-solved headers, or camera_angle_deg in the rig file")
    moved, log_odds, late = max(((one, *_late(one, beforehand)) for one in groups), key=lambda row: row[1])
    there = late > SEEN / 2
    which = "declination" if moved.along_ra is not None else "one direction"
    return answer(
        "declination-backlash",
        log_odds,
        affected=moved.where(there) if log_odds > 0 else frozenset(),
        cost=float(shear.cost_of(_usual(late[there])) * there.mean()),
        evidence=(
            Evidence(
                statement=f"in some frames stars stretch along {which} to",
                value=float(shear.ratio_of(_usual(late[there]))), unit="long over short axis",
                expected_if_healthy=f"below {shear.ratio_of(SEEN):.2f}",
            ),
            Evidence(
                statement="in the other frames", value=float(shear.ratio_of(_usual(moved.size[~there]))),
                unit="long over short axis",
            ),
            Evidence(statement="frames so drawn out", value=float(there.sum()), unit="frames"),
            Evidence(
                statement="of them, just after the pointing was moved",
                value=float((there & after_moves(moved)).sum()), unit="frames",
            ),
        ),
    )  # fmt: skip


def _usual(values: Floats) -> float:
    """Median, 0 of nothing."""
    return float(np.median(values)) if len(values) else 0.0


def _late(moved: Moved, beforehand: Beforehand) -> tuple[float, Floats]:
    """Log-odds of corrections that come late along declination, and the smear that they draw in each frame."""
    kinds = beforehand.kinds_of(moved)
    if kinds is None:
        return -4.0, np.zeros(len(moved.frames))
    odds = all_of(
        kinds.late_log_odds,
        log_odds_of_ratio(of_worst(kinds.late), SEEN, WORST_SCATTER),
    )
    return odds, kinds.late
