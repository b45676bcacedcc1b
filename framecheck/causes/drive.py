"""Causes in the mount that move the stars unsteadily: gears, backlash, guiding, and knocks."""

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

from framecheck.causes.moved import SEEN, Moved, all_moved
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
)
from framecheck.causes.series import Floats
from framecheck.constants import FWHM_PER_SIGMA, SIGMA_PER_MAD
from framecheck.night.records import Night
from framecheck.night.rhythm import Rhythm, compare_with_worm
from framecheck.read.rig import Rig

SEEN_SCATTER: Final = 0.03
"""[dimensionless] Of a group's typical smear over the squared FWHM, in nights without fault. Chosen."""

RESTLESS: Final = 0.07
"""A usual frame's smear over the squared FWHM from which guiding is restless. [dimensionless] Chosen: random motion
that shows an elongation of 1.07 widens the stars by a tenth."""
RESTLESS_SCATTER: Final = 0.02

SWING_SEEN: Final = 0.5
"""Peak-to-peak swing of the pointing over the FWHM from which a period matters. [dimensionless] Chosen: the stars of a
long exposure are then a tenth wider."""
SWING_SCATTER: Final = 0.25
"""[dimensionless] Of its natural logarithm. Chosen."""
NAMED_PERIOD: Final = 1.5
"""[dimensionless] Log-odds that the worm's own period, as the rig file has it, adds. Chosen."""
ALONG_RA: Final = 0.8
"""Share of a period's motion along right ascension. [dimensionless] Chosen: gears move that axis only."""

RECORDED: Final = 0.2
"""Part of the squared FWHM that a guiding record shows as motion, from which it matters. [dimensionless] Chosen: the
stars are a tenth wider for it; part of it is the air over the guide star."""
RECORDED_SCATTER: Final = 0.05

SLOW: Final = 0.8
"""Correlation of the smear with the speed between frames from which the motion is slow. [dimensionless] Chosen."""
LEFT_BY_DRIFT: Final = 0.45
"""Part of the smear that a drift must leave for something faster to be at work. [dimensionless] Chosen."""

LONG_EXPOSURE_S: Final = 150.0
"""[s] Exposures from which an unguided frame may hold a good part of a gear's turn. Chosen: worms turn in 3 to 15
minutes (common practice, no source)."""
NO_PERIOD_LOG_ODDS: Final = 1.0
"""Log-odds of a periodic error that shows by its direction alone. Chosen: three to one."""

FEWEST_FRAMES: Final = 6

LATEST_SHARE: Final = 0.85
"""Share of the frames above which a trouble is no longer "a part of the night". Chosen."""

WITHOUT_AXES: Final = 0.4
"""Highest log-odds of a backlash where the direction of declination is not known. Chosen."""

SHOCK_SHARE: Final = 0.33
"""Largest share of the frames that single knocks spoil. Chosen: more is wind all night, or something else."""
SHOCK_SIGMA: Final = 6.0
"""Smear off the usual one, over what the night's frames scatter by. Chosen."""
OWN_SIGMA: Final = 3.5
"""Such a smear over the frame's own error. Chosen."""
SHOCK_SEEN: Final = 0.1
"""ln(long axis / short axis) beyond the usual, of such a smear. [dimensionless] Chosen: seen beside others."""
WIDER: Final = 0.08
"""ln(FWHM) above the neighbours' from which a frame without longer stars was shaken. Chosen."""


def periodic_error(night: Night, rig: Rig) -> Finding | Healthy | CannotTell:
    """The pointing, or the smear, swings with one period along right ascension."""
    groups = [one for one in all_moved(night) if len(one.frames) >= FEWEST_FRAMES]
    if not groups:
        return _too_few("periodic-error", "a run of frames over two turns of the gear or more, with guiding off")
    moved, log_odds, rhythm = max(((one, *_swing(one, rig)) for one in groups), key=lambda row: row[1])
    evidence: tuple[Evidence, ...]
    if rhythm is None:
        evidence = (
            Evidence(statement="no period stands out of the motion between frames"),
            Evidence(
                statement="unguided stars are drawn out along right ascension by",
                value=_ratio(float(np.median(np.abs(moved.smear)))), unit="long over short axis",
                expected_if_healthy=f"below {_ratio(SEEN):.2f}",
            ),
        )  # fmt: skip
        return answer(
            "periodic-error", log_odds, frames_affected=int((moved.size > SEEN).sum()), cost=None, evidence=evidence
        )
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
        frames_affected=int((moved.size > SEEN).sum()),
        cost=float(1 - np.exp(-np.arcsinh(np.median(np.abs(moved.smear))))),
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
        "alias": "frames at this interval cannot tell it from the worm's period",
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
            _above(2 * between.amplitude_px / moved.fwhm_px, SWING_SEEN, SWING_SCATTER),
            3.0 if moved.tracking.guided is not True else -1.0,
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
    if rig.guided is False:
        others.append((_along_ra_all_night(moved), None))
    return max(others, key=lambda row: row[0])


def _comes_and_goes(moved: Moved) -> float:
    """Log-odds of a swing along right ascension, too short a run for its period: the smear follows the speed."""
    along = moved.along_ra
    if along is None:
        return -4.0
    power = float(np.sum(np.maximum(along.real, 0)) / max(float(np.sum(np.abs(along))), 1e-9))
    low, high = np.percentile(along.real, [10, 90])
    return all_of(
        log_odds_above(moved.slow, SLOW, 0.08),
        log_odds_above(power, ALONG_RA, 0.08),
        log_odds_above(float(high - low), SEEN, SEEN_SCATTER),
        NO_PERIOD_LOG_ODDS,
        -moved.tracking.guided_log_odds,
    )


def _along_ra_all_night(moved: Moved) -> float:
    """Log-odds that unguided exposures, as long as a turn of the gear or longer, are all smeared along right ascension.

    No period can then be seen: each frame holds all of it.
    """
    along = moved.along_ra
    if along is None or (moved.drift_seen > 4 and _drift_share(moved) > 0.5):
        return -4.0
    seconds = float(np.nanmedian(moved.tracking.smears.exposure_s))
    power = float(np.sum(np.maximum(along.real, 0)) / max(float(np.sum(np.abs(along))), 1e-9))
    return all_of(
        log_odds_above(float(np.median(along.real)), SEEN, SEEN_SCATTER),
        log_odds_above(power, ALONG_RA, 0.08),
        log_odds_above(math.log(max(seconds, 1.0)), math.log(LONG_EXPOSURE_S), 0.3),
        NO_PERIOD_LOG_ODDS,
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


def _above(value: float, limit: float, scatter: float) -> float:
    return log_odds_above(math.log(max(value, 1e-6)), math.log(limit), scatter)


def declination_backlash(night: Night, rig: Rig) -> Finding | Healthy | CannotTell:
    """In one part of the night, and only there, the stars are drawn out along declination."""
    groups = [one for one in all_moved(night) if len(one.frames) >= FEWEST_FRAMES]
    if not groups:
        return _too_few("declination-backlash", "plate-solved headers, or camera_angle_deg in the rig file")
    moved, log_odds, block = max(((one, *_late(one)) for one in groups), key=lambda row: row[1])
    if moved.along_ra is None:
        log_odds = min(log_odds, WITHOUT_AXES)
    across = _across_ra(moved)
    inside, outside = across[block], across[~block]
    which = "declination" if moved.along_ra is not None else "one direction"
    statement = f"in one part of the night stars are drawn out along {which} by"
    return answer(
        "declination-backlash",
        log_odds,
        frames_affected=int(block.sum()) if log_odds > 0 else 0,
        cost=float(1 - np.exp(-np.arcsinh(max(_usual(inside), 0.0)))) * float(block.mean()),
        evidence=(
            Evidence(
                statement=statement, value=_ratio(_usual(inside)), unit="long over short axis",
                expected_if_healthy=f"below {_ratio(SEEN):.2f}",
            ),
            Evidence(
                statement="in the other frames", value=_ratio(_usual(outside)),
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
    scatter = SIGMA_PER_MAD * float(np.median(np.abs(outside - np.median(outside)))) if len(outside) > 2 else 0.05
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
    )
    return odds, block


def _relative(moved: Moved) -> NDArray[np.complex128]:
    """Smear with its direction counted from right ascension; without known axes, from across the strongest smears."""
    if moved.along_ra is not None:
        return moved.along_ra
    off = moved.smear - moved.middle
    strongest = np.sum(off * np.abs(off))
    out: NDArray[np.complex128] = -off * np.exp(-1j * np.angle(strongest))
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
    for first in range(n):
        for last in range(first + 2, n + 1):
            inside = weights[last] - weights[first]
            outside = weights[-1] - inside
            if outside <= 0:
                continue
            gap = (sums[last] - sums[first]) / inside - (sums[-1] - sums[last] + sums[first]) / outside
            gain = gap * math.sqrt(inside * outside / (inside + outside)) if gap > 0 else 0.0
            if gain > best:
                best, found = gain, (first, last)
    return found


def guiding_noise(night: Night, rig: Rig) -> Finding | Healthy | CannotTell:
    """Most frames are smeared at random: neither drift, nor a period, nor one part of the night explains it."""
    groups = [one for one in all_moved(night) if len(one.frames) >= FEWEST_FRAMES]
    if not groups:
        return _too_few("guiding-noise", "ten frames or more, or a guiding record of the night")
    moved, log_odds = max(((one, _restless(one, rig)) for one in groups), key=lambda row: row[1])
    rest = _unexplained(moved)
    recorded = _on_record(moved)
    return answer(
        "guiding-noise",
        log_odds,
        frames_affected=int((np.abs(rest) > SEEN).sum()),
        cost=float(1 - np.exp(-np.arcsinh(np.median(np.abs(rest))))),
        evidence=(
            Evidence(
                statement="stars of a usual frame are drawn out, drift aside, by",
                value=_ratio(float(np.median(np.abs(rest)))), unit="long over short axis",
                expected_if_healthy=f"below {_ratio(SEEN):.2f}",
            ),
            Evidence(
                statement="from frame to frame that smear changes at random by", value=100 * moved.scatter,
                unit="percent of the squared FWHM", expected_if_healthy="below 3",
            ),
            *_recorded_evidence(recorded),
        ),
        rivals=(
            Rival(cause="astigmatism", why_less_likely="optics draw all frames alike, these change"),
            Rival(cause="poor-seeing", why_less_likely="air blurs evenly in all directions over a minute"),
        ),
    )  # fmt: skip


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


def _unexplained(moved: Moved) -> NDArray[np.complex128]:
    """Smear less what the drift makes, as far as it is seen along it."""
    power = float(np.sum(np.abs(moved.from_drift) ** 2))
    if power <= 0 or moved.drift_seen < 4:
        return moved.smear
    seen = float(np.clip(np.sum((moved.smear * moved.from_drift.conj()).real) / power, 0.0, 1.3))
    out: NDArray[np.complex128] = moved.smear - seen * moved.from_drift
    return out


def _restless(moved: Moved, rig: Rig) -> float:
    rest = _unexplained(moved)
    typical = float(np.median(np.sqrt(np.maximum(np.abs(rest) ** 2 - 2 * moved.error**2, 0))))
    middle = complex(np.median(rest.real), np.median(rest.imag))
    off = np.abs(rest - middle)
    scatter = math.sqrt(max(float(np.median(off)) ** 2 / 1.386 - float(np.median(moved.error)) ** 2, 0.0))
    odds = [
        any_of(log_odds_above(typical, RESTLESS, RESTLESS_SCATTER), log_odds_above(scatter, 0.06, 0.015)),
        log_odds_above(scatter, 0.02, 0.006),
    ]
    recorded = _on_record(moved)
    if recorded is not None:
        odds = [any_of(all_of(*odds), log_odds_above(recorded[2], RECORDED, RECORDED_SCATTER))]
    late, _ = _late(moved)
    odds.append(-late)
    period, _ = _swing(moved, rig)
    odds.append(-period)
    if moved.drift_seen > 4:
        left = float(np.median(np.abs(rest))) / max(float(np.median(np.abs(moved.smear))), 1e-6)
        odds.append(log_odds_above(left, LEFT_BY_DRIFT, 0.12))
    odds.append(log_odds_above(SLOW, moved.slow, 0.08))
    return all_of(*odds)


def shock(night: Night, rig: Rig) -> Finding | Healthy | CannotTell:
    """Single frames are spoilt: doubled stars, or a smear that no neighbour shares."""
    groups = [one for one in all_moved(night) if len(one.frames) >= FEWEST_FRAMES]
    if not groups:
        return _too_few("shock", "more frames, to tell a knock from what all of them suffer")
    moved, log_odds, spoilt = max(((one, *_knocked(one)) for one in groups), key=lambda row: row[1])
    worst = float(np.max(np.abs(moved.smear)))
    return answer(
        "shock",
        log_odds,
        frames_affected=int(spoilt.sum()),
        cost=float(spoilt.mean()),
        evidence=(
            Evidence(statement="frames stand out by a smear of their own", value=float(spoilt.sum()), unit="frames",
                     expected_if_healthy=0.0),
            Evidence(statement="in the worst of them stars are drawn out by", value=_ratio(worst),
                     unit="long over short axis", expected_if_healthy=_ratio(abs(moved.middle))),
        ),
        rivals=(
            Rival(cause="guiding-noise", why_less_likely="it spoils most frames, these are few"),
            Rival(cause="declination-backlash", why_less_likely="it spoils frames in a row, along declination"),
        ),
    )  # fmt: skip


def _knocked(moved: Moved) -> tuple[float, NDArray[np.bool_]]:
    e = moved.e
    off = np.abs(e - complex(np.median(e.real), np.median(e.imag)))
    scale = np.hypot(max(float(np.median(off)) / 1.177, 0.01), moved.error * OWN_SIGMA / SHOCK_SIGMA)
    neighbours = _neighbours(np.log(moved.tracking.smears.fwhm_px))
    wider = np.log(moved.tracking.smears.fwhm_px) - neighbours
    spread = max(SIGMA_PER_MAD * float(np.median(np.abs(wider))), 0.02)
    doubled = np.array([getattr(frame.result.stars, "doubled_px", None) is not None for frame in moved.frames])
    drawn = (off > SHOCK_SIGMA * scale) & (off > SHOCK_SEEN)
    blurred = (wider > SHOCK_SIGMA * spread) & (wider > WIDER)
    spoilt = drawn | doubled | blurred
    if not spoilt.any():
        most = float(np.max(np.minimum(off / SHOCK_SEEN, off / scale / SHOCK_SIGMA)))
        return log_odds_above(most, 1.0, 0.2) - 1.0, spoilt
    surest = float(np.max(np.minimum(off / SHOCK_SEEN, off / scale / SHOCK_SIGMA)))
    widest = float(np.max(np.minimum(wider / WIDER, wider / spread / SHOCK_SIGMA)))
    odds = 3.0 if doubled.any() else any_of(log_odds_above(surest, 1.2, 0.2), log_odds_above(widest, 1.6, 0.4))
    return all_of(odds, log_odds_above(SHOCK_SHARE, float(spoilt.mean()), 0.06), -_in_a_row(e, spoilt)), spoilt


def _in_a_row(e: NDArray[np.complex128], spoilt: NDArray[np.bool_]) -> float:
    """Log-odds that spoilt frames follow each other with one direction of smear, as no knocks do."""
    where = np.flatnonzero(spoilt)
    if len(where) < 3 or where[-1] - where[0] >= len(where) + 1:
        return -3.0
    alike = abs(np.sum(e[where])) / max(float(np.sum(np.abs(e[where]))), 1e-9)
    return log_odds_above(float(alike), 0.8, 0.08)


def _neighbours(value: Floats) -> Floats:
    """Median of the two frames before and the two after each."""
    n = len(value)
    out = np.empty(n)
    for k in range(n):
        near = [i for i in range(k - 2, k + 3) if 0 <= i < n and i != k]
        out[k] = np.median(value[near]) if near else value[k]
    return out


def _ratio(smear: float) -> float:
    """Long over short axis of a smear over the squared FWHM."""
    return float(np.exp(np.arcsinh(max(smear, 0.0))))


def _too_few(cause: str, settles: str, because: str = "") -> CannotTell:
    return CannotTell(
        cause=cause,
        because=because or f"fewer than {FEWEST_FRAMES} frames of one kind have stars enough",
        what_would_settle_it=settles,
    )
