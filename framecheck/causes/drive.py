"""Causes in the drives: the gear in right ascension, the backlash in declination."""

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

from framecheck import robust, shear
from framecheck.causes.moved import (
    FEWEST_FRAMES,
    SEEN,
    SLOW,
    Moved,
    all_moved,
    too_few,
)
from framecheck.causes.result import (
    CannotTell,
    Evidence,
    Finding,
    Healthy,
    Rival,
    all_of,
    answer,
    any_of,
    log_odds_above,
    log_odds_of_ratio,
)
from framecheck.causes.series import Floats
from framecheck.motion.night import Night
from framecheck.motion.rhythm import Rhythm, compare_with_worm, swing_inside
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

RA_ALONE: Final = 0.93
"""Such a share that random motion, on both axes, hardly reaches. [dimensionless] Chosen: as much in right ascension as
twice that in declination makes 0.8."""
RA_ALONE_SCATTER: Final = 0.025

LONG_EXPOSURE_S: Final = 150.0
"""[s] Exposures from which an unguided frame may hold a good part of a gear's turn. Chosen: worms turn in 3 to 15
minutes (common practice, no source)."""
NO_PERIOD_LOG_ODDS: Final = 1.0
"""Log-odds of a periodic error that shows by its direction alone. Chosen: three to one."""

LATEST_SHARE: Final = 0.85
"""Share of the frames above which a trouble is no longer "a part of the night". Chosen."""

LEFT_ALONE: Final = 3.0
"""Log-odds of a backlash of an axis that nobody corrects, if it is as likely as not that somebody does. Chosen: it is
corrections that come late; whether a mount was guided is itself inferred."""

WITHOUT_AXES: Final = 0.8
"""Highest log-odds of a backlash where the direction of declination is not known. Chosen."""


def periodic_error(night: Night, rig: Rig) -> Finding | Healthy | CannotTell:
    """The pointing, or the smear, swings with one period along right ascension."""
    groups = [one for one in all_moved(night) if len(one.frames) >= FEWEST_FRAMES]
    if not groups:
        return too_few("periodic-error", "a run of frames over two turns of the gear or more, with guiding off")
    moved, log_odds, rhythm = max(((one, *_swing(one, rig)) for one in groups), key=lambda row: row[1])
    evidence: tuple[Evidence, ...]
    if rhythm is None:
        evidence = (
            Evidence(statement="no period stands out of the motion between frames"),
            Evidence(
                statement="unguided stars stretch along right ascension to",
                value=float(shear.ratio_of(np.median(np.abs(moved.smear)))), unit="long over short axis",
                expected_if_healthy=f"below {shear.ratio_of(SEEN):.2f}",
            ),
        )  # fmt: skip
        return answer("periodic-error", log_odds, affected=moved.where(moved.size > SEEN), cost=None, evidence=evidence)
    between = rhythm is moved.tracking.rhythm
    scale = moved.scale_arcsec
    evidence = (
        Evidence(
            statement="the stars swing with a period of" if between else "the smear swings with a period of",
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
        rivals=(
            Rival(cause="polar-misalignment", why_less_likely="it drifts one way; this motion comes back"),
            Rival(cause="guiding-noise", why_less_likely="it has no period; this one does"),
        ),
    )


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


def _swing(moved: Moved, rig: Rig) -> tuple[float, Rhythm | None]:
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
    others = [best, (_comes_and_goes(moved), None)]
    others.append((_along_ra_all_night(moved), None))
    return max(others, key=lambda row: row[0])


def _fastest_smear(moved: Moved, rhythm: Rhythm) -> float:
    """Smear that a sinusoid makes in the exposure where it is fastest, over the squared FWHM: closed form."""
    seconds = moved.tracking.smears.typical_exposure_s
    turn = 0.5 if not math.isfinite(seconds) else min(seconds / rhythm.period_s, 0.5)
    line_px = 2 * (rhythm.amplitude_px or 0.0) * math.sin(math.pi * turn)
    return float(moved.tracking.spin2_of_line(line_px)) / moved.fwhm_px**2


def _swings_inside(moved: Moved, rhythm: Rhythm) -> float:
    """Log-odds that the smear inside exposures is that of the swing, and not of a pointing moved between them.

    A sinusoid of amplitude a leaves inside exposures t, on average, a²/2 (1 - sinc²(t / period)) (closed form).
    """
    seconds = moved.tracking.smears.typical_exposure_s
    if rhythm.amplitude_px is None or not math.isfinite(seconds):
        return NOT_TOLD
    expected = rhythm.amplitude_px**2 / 2 * swing_inside(seconds, rhythm.period_s)
    if 4 * math.log(2) * expected < PLAINLY_SMEARED * moved.fwhm_px**2:
        return NOT_TOLD
    seen = float(np.mean(moved.tracking.smears.rms_px**2))
    return log_odds_above(math.log(max(seen / expected, 1e-6)), math.log(SMEARED), SMEARED_SCATTER)


def _comes_and_goes(moved: Moved) -> float:
    """Log-odds of a swing along right ascension, too short a run for its period.

    The smear follows the speed from frame to frame or, where frames come too seldom to tell, lies, without a guider,
    along right ascension alone, as random motion does not. Where the axes are not known, it must keep to one direction
    at least.
    """
    along = moved.along_ra
    unknown = along is None
    if along is None:
        along = moved.smear * shear.direction(np.sum(moved.smear)).conj()
    power = float(np.sum(np.maximum(along.real, 0)) / max(float(np.sum(np.abs(along))), 1e-9))
    low, high = np.percentile(along.real, [10, 90])
    surely_free = moved.tracking.guided is False
    alone = log_odds_above(power, RA_ALONE, RA_ALONE_SCATTER) if surely_free and not unknown else -4.0
    return all_of(
        any_of(log_odds_above(moved.slow, SLOW, 0.08), alone),
        log_odds_above(power, ALONG_RA, 0.08),
        log_odds_above(float(high - low), SEEN, SEEN_SCATTER),
        NO_PERIOD_LOG_ODDS / 2 if unknown else NO_PERIOD_LOG_ODDS,
        -moved.tracking.guided_log_odds,
    )


def _along_ra_all_night(moved: Moved) -> float:
    """Log-odds that unguided exposures, as long as a turn of the gear or longer, are all smeared along right ascension.

    No period can then be seen: each frame holds all of it.
    """
    along = moved.along_ra
    if along is None or (moved.drift_seen > 4 and _drift_share(moved) > 0.5):
        return -4.0
    seconds = moved.tracking.smears.typical_exposure_s
    power = float(np.sum(np.maximum(along.real, 0)) / max(float(np.sum(np.abs(along))), 1e-9))
    return all_of(
        log_odds_above(float(np.median(along.real)), SEEN, SEEN_SCATTER),
        log_odds_above(power, ALONG_RA, 0.08),
        log_odds_above(math.log(max(seconds, 1.0)), math.log(LONG_EXPOSURE_S), 0.3),
        NO_PERIOD_LOG_ODDS,
        -moved.tracking.guided_log_odds,
    )


def _drift_share(moved: Moved) -> float:
    """Part of the smear that the drift between exposures makes."""
    seen = float(np.median(np.abs(moved.smear)))
    return float(np.median(np.abs(moved.from_drift))) / max(seen, 1e-6)


def _known_worm(rhythm: Rhythm, rig: Rig) -> float:
    if rig.worm_period_s is None:
        return 0.0
    return NAMED_PERIOD if compare_with_worm(rhythm, rig.worm_period_s) in ("same", "harmonic") else -NAMED_PERIOD


def _surely(false_alarm: float) -> float:
    """Log-odds that a period is real: one faulty night in ten has one beforehand (chosen)."""
    return math.log(0.1 / max(false_alarm, 1e-6))


def declination_backlash(night: Night, rig: Rig) -> Finding | Healthy | CannotTell:
    """In one part of the night, and only there, the stars are drawn out along declination."""
    groups = [one for one in all_moved(night) if len(one.frames) >= FEWEST_FRAMES]
    if not groups:
        return too_few("declination-backlash", "plate-solved headers, or camera_angle_deg in the rig file")
    moved, log_odds, block = max(((one, *_late(one)) for one in groups), key=lambda row: row[1])
    if moved.along_ra is None:
        log_odds = min(log_odds, WITHOUT_AXES)
    across = _across_ra(moved)
    inside, outside = across[block], across[~block]
    which = "declination" if moved.along_ra is not None else "one direction"
    statement = f"in one part of the night stars stretch along {which} to"
    return answer(
        "declination-backlash",
        log_odds,
        affected=moved.where(block) if log_odds > 0 else frozenset(),
        cost=float(shear.cost_of(_usual(inside)) * block.mean()),
        evidence=(
            Evidence(
                statement=statement, value=float(shear.ratio_of(_usual(inside))), unit="long over short axis",
                expected_if_healthy=f"below {shear.ratio_of(SEEN):.2f}",
            ),
            Evidence(
                statement="in the other frames", value=float(shear.ratio_of(_usual(outside))),
                unit="long over short axis",
            ),
            Evidence(statement="frames of that part", value=float(block.sum()), unit="frames"),
        ),
        rivals=(
            Rival(cause="polar-misalignment", why_less_likely="its drift lasts all night, this lasts for a part of it"),
            Rival(cause="shock", why_less_likely="knocks push in any direction, this goes along declination"),
        ),
    )  # fmt: skip


def _usual(values: Floats) -> float:
    """Median, 0 of nothing."""
    return float(np.median(values)) if len(values) else 0.0


def _late(moved: Moved) -> tuple[float, NDArray[np.bool_]]:
    """Log-odds of a run of frames smeared along declination, and that run."""
    n = len(moved.frames)
    along = _relative(moved)
    across, error = -along.real, moved.error
    first, last = _run(across, error)
    block = np.zeros(n, bool)
    block[first:last] = True
    if not block.any() or block.all():
        return -4.0, block
    inside, outside = across[block], across[~block]
    size = float(np.median(inside))
    scatter = robust.mad_std(outside) if len(outside) > 2 else 0.05
    step = (size - float(np.median(outside))) / math.hypot(max(scatter, float(np.median(error)), 0.02), 0.01)
    off_axis = np.abs(along.imag[block])
    pure = float(np.sum(np.maximum(inside, 0)) / max(float(np.sum(np.hypot(inside, off_axis))), 1e-9))
    odds = all_of(
        log_odds_above(size, SEEN, SEEN_SCATTER),
        log_odds_above(step, 4.0, 1.3),
        log_odds_above(pure, 0.85, 0.06),
        log_odds_above(LATEST_SHARE, float(block.mean()), 0.06),
        log_odds_above(float(block.sum()), 1.5, 0.6),
        log_odds_above(float(np.mean(inside > np.median(outside) + SEEN / 2)), 0.6, 0.1),
        moved.tracking.guided_log_odds + LEFT_ALONE,
    )
    return odds, block


def _relative(moved: Moved) -> NDArray[np.complex128]:
    """Smear with its direction counted from right ascension; without known axes, from across the strongest smears."""
    if moved.along_ra is not None:
        return moved.along_ra
    off = moved.smear - moved.middle
    strongest = np.sum(off * np.abs(off))
    out: NDArray[np.complex128] = -off * shear.direction(strongest).conj()
    return out


def _across_ra(moved: Moved) -> Floats:
    out: Floats = -_relative(moved).real
    return out


def _run(value: Floats, error: Floats) -> tuple[int, int]:
    """First and last (excluded) of the run of frames whose mean stands out most from that of the others."""
    n = len(value)
    weight = 1 / np.maximum(error, 0.02) ** 2
    sums, weights = (np.concatenate([[0.0], np.cumsum(one)]) for one in (weight * value, weight))
    best, found = 0.0, (0, 0)
    for first in range(n - 1):
        inside = weights[first + 2 :] - weights[first]
        outside = weights[-1] - inside
        with np.errstate(divide="ignore", invalid="ignore"):
            gap = (sums[first + 2 :] - sums[first]) / inside - (sums[-1] - sums[first + 2 :] + sums[first]) / outside
            gain = gap * np.sqrt(inside * outside / (inside + outside))
        gain = np.where(outside > 1e-9 * weights[-1], gain, 0.0)
        longest = int(np.argmax(gain))
        if gain[longest] > best:
            best, found = float(gain[longest]), (first, first + 2 + longest)
    return found
