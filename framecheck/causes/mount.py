"""Causes in the mount that move the stars steadily: no tracking, a wrong rate, flexure."""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from framecheck import shear
from framecheck.causes.catalogue import CAUSES
from framecheck.causes.moved import (
    LINE_SCATTER,
    LINE_SEEN,
    SEEN,
    SURE_SIGMA,
    Complexes,
    Moved,
    all_moved,
    cos_dec,
    likeliest,
    line_cost,
    no_motion,
    places_px,
    smear_cost,
)
from framecheck.causes.polar_axis import corner_arc
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
from framecheck.causes.series import Bools
from framecheck.constants import SIDEREAL_RATE_ARCSEC_PER_S
from framecheck.motion.night import Night
from framecheck.motion.smears import lines_px
from framecheck.motion.tracking import declination_deg
from framecheck.read.rig import Rig

UNTRACKED_ARCSEC_PER_S: Final = 0.35
"""[arcsec/s] Faster motion is no tracking, or a wrong rate: an axis 80 arcminutes off makes as much (closed form)."""
OF_DRIFT: Final = 0.6
OF_DRIFT_SCATTER: Final = 0.15
"""Line that the drift between frames draws, over that seen, from which it is the drift's. [dimensionless] Chosen."""
RATE_SCATTER: Final = 0.2
"""[dimensionless] Error of ln(rate) of a trail. Chosen."""
PLAIN_LINE: Final = 0.5
"""Length of a line over the FWHM from which its length is known. Chosen."""

TRAILING: Final = 0.2
"""|spin2| over the squared FWHM of a frame that trails: an elongation of 1.22. [dimensionless] Chosen: seen by eye."""
AS_THE_SKY: Final = 0.2
"""|ln(rate / the sky's)|, or over that from frame to frame, up to which they are one. [dimensionless] Chosen: trails
are known to a tenth."""
NO_GEAR: Final = 0.1
"""Rate of the stars over the sky's own that no gear's swing reaches. [dimensionless] Chosen: 100 arcseconds, peak to
peak, in eight minutes make 0.04."""
MOVES: Final = 0.5
"""Rate of the stars over the sky's own below which a drive is at work. [dimensionless] Chosen: no rate is so wrong."""
FEWEST_STEPS: Final = 2
MOST_STEPS: Final = 0.5
"""From frame to frame that are as long as the trails, while the mount stands for a part of the night, and their share
of all steps. [-, dimensionless] Chosen: three frames in a row; dithers in turn hide every second or third."""

LEAST_STEP_PX: Final = 0.5
STEP_SCATTER_PX: Final = 0.1
"""[px] Stars that move by less from one frame to the next are tracked, however they look. Chosen: places are known to
some hundredths."""
NOTHING_SAID: Final = 6.0
"""Log-odds of a sign that cannot be read, where others decide. Chosen."""

FLEXURE_ARCSEC_PER_MIN: Final = 0.1
"""[arcsec/min] Drift of guided frames from which something bends. Chosen: half a pixel in ten minutes."""
COHERENT: Final = 0.85
COHERENT_SCATTER: Final = 0.03
"""From which smear and drift have one direction: within 16 degrees. [dimensionless] Chosen."""
FEWEST_TURNING: Final = 8
ONE_WAY: Final = 0.5
"""Way from first to last frame over the way gone, of a drift whose direction turns slowly: 0.6 over half a turn.
[dimensionless] Closed form; swings and random motion come back to where they were."""


def untracked(night: Night, rig: Rig) -> Finding | Healthy | CannotTell:
    """All frames show lines along one direction whose length is the sky's own motion, or much of it."""
    groups = list(all_moved(night))
    whole, parts = [_sky_motion(one, rig) for one in groups], [stands_for_a_while(one, rig) for one in groups]
    known = [one for one in (*whole, *parts) if one is not None]
    if not known and rig.mount_type == "fixed" and groups:
        return _on_tripod(groups)
    if not known:
        return no_motion(night, "untracked", "the pixel scale is unknown, so a trail has no rate in arcseconds")
    best = max(known, key=lambda one: one.log_odds)
    moved, rate, share = best.moved, best.rate, best.rate / best.full
    trailing = np.abs(moved.smear) > TRAILING if best.run is None else best.run
    where = "at the equator" if declination_deg(moved.frames, moved.tracking.axes) is None else "at this declination"
    return answer(
        "untracked",
        best.log_odds,
        affected=moved.where(trailing),
        cost=smear_cost(moved) if best.run is None else _part_lost(moved, best.run),
        evidence=(
            *_from_here_to_there(best),
            Evidence(statement="stars move over the sensor at", value=rate, unit="arcsec/s", expected_if_healthy=0.0),
            Evidence(
                statement=f"of the sky's own motion {where}", value=100 * share, unit="percent",
                expected_if_healthy=0.0,
            ),
        ),
        rivals=(
            Rival(
                cause="polar-misalignment",
                why_less_likely=f"the axis would have to be {rate * 60 / 0.2625 / 60:.0f} degrees off",
            ),
            *CAUSES["untracked"].rivals,
        ),
    )  # fmt: skip


def _on_tripod(groups: list[Moved]) -> Finding | Healthy:
    """A mount that does not follow, with no pixel scale to tell the rate."""
    rows = [(float(np.median(math.sqrt(12) * one.tracking.smears.rms_px)), one) for one in groups]
    line, moved = max(rows, key=lambda row: row[0] / row[1].fwhm_px)
    return answer(
        "untracked",
        log_odds_above(line / moved.fwhm_px, PLAIN_LINE, LINE_SCATTER),
        affected=moved.where(np.abs(moved.smear) > SEEN),
        cost=smear_cost(moved),
        evidence=(
            Evidence(statement="this mount does not follow the sky, and stars trail by", value=line, unit="px",
                     expected_if_healthy=f"below {PLAIN_LINE * moved.fwhm_px:.1f}"),
        ),
        rivals=(),
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class SkyMotion:
    """How the stars of one group trail. [arcsec/s]"""

    moved: Moved
    log_odds: float
    rate: float
    full: float
    """Of the sky at this declination."""
    run: Bools | None = None
    """The frames that trail, where others do not."""


def _part_lost(moved: Moved, run: Bools) -> float:
    """What the smear of some frames makes of the squared FWHM, over all frames."""
    return float(shear.cost_of(np.median(moved.size[run])) * run.mean())


def _from_here_to_there(seen: SkyMotion) -> tuple[Evidence, ...]:
    """In which part of the night stars trail; nothing where they do all night."""
    if seen.run is None:
        return ()
    where = "the first" if seen.run[0] else "the last" if seen.run[-1] else "a row of"
    stood = abs(math.log(seen.rate / seen.full)) < AS_THE_SKY
    return (
        Evidence(statement=f"the mount {'stood still' if stood else 'ran at another rate'} in {where}",
                 value=float(seen.run.sum()), unit="frames", expected_if_healthy=0.0),
    )  # fmt: skip


def _sky_motion(moved: Moved, rig: Rig) -> SkyMotion | None:
    """All frames of a group; None without a pixel scale."""
    scale, exposure = moved.scale_arcsec, moved.tracking.smears.typical_exposure_s
    if scale is None or not exposure > 0:
        return None
    full = SIDEREAL_RATE_ARCSEC_PER_S * cos_dec(moved)
    inside = float(np.median(math.sqrt(12) * moved.tracking.smears.rms_px))
    trailed, drifted = inside * scale / exposure, float(np.median(moved.line_px)) * scale / exposure
    # places from frame to frame tell the rate better than the length of a trail does
    rate = drifted if moved.drift_seen > SURE_SIGMA else trailed
    drawn = log_odds_above(inside / moved.fwhm_px, PLAIN_LINE, LINE_SCATTER)
    if rig.mount_type == "fixed":  # beside the pole the middle may hardly trail
        in_corners = log_odds_above(corner_arc(moved), PLAIN_LINE, LINE_SCATTER)
        return SkyMotion(moved, any_of(drawn, in_corners), rate, full)
    odds = [drawn, _runs_by(moved)]
    if moved.motion.drift_px_per_min is None:
        odds.append(log_odds_of_ratio(trailed, UNTRACKED_ARCSEC_PER_S, RATE_SCATTER))
    else:
        odds.append(log_odds_above(drifted / max(trailed, 1e-6), OF_DRIFT, OF_DRIFT_SCATTER))
        odds.append(moved.tracking.drifting.log_odds("rate", "stopped"))
    return SkyMotion(moved, all_of(*odds), rate, full)


def stands_for_a_while(moved: Moved, rig: Rig) -> SkyMotion | None:
    """The longest run of frames whose stars run over the sensor, inside exposures as from one to the next.

    Moves of the pointing within the run, and frames whose place is unknown, do not end it.

    Parameters
    ----------
    moved : Moved
    rig : Rig

    Returns
    -------
    SkyMotion or None
        None without such a run, where all frames do so, and on a fixed mount.
    """
    scale, smears = moved.scale_arcsec, moved.tracking.smears
    if scale is None or rig.mount_type == "fixed":
        return None
    line, full = math.sqrt(12) * smears.rms_px, SIDEREAL_RATE_ARCSEC_PER_S * cos_dec(moved)
    with np.errstate(divide="ignore", invalid="ignore"):
        trailed = line * scale / smears.exposure_s
        step = np.diff(places_px(moved)) / (60 * np.diff(smears.minutes))
        agrees = np.abs(np.log(np.abs(step) * scale / np.sqrt(trailed[1:] * trailed[:-1]))) < AS_THE_SKY
    begin, end = _longest((trailed > NO_GEAR * full) & (line > PLAIN_LINE * moved.fwhm_px))
    run = np.zeros(len(line), bool)
    run[begin:end] = True
    inside = agrees & run[1:] & run[:-1]
    if inside.sum() < max(FEWEST_STEPS, MOST_STEPS * (end - begin - 1)) or run.all():
        return None
    rate = float(np.median(np.abs(step[inside]))) * scale
    if not np.median(trailed[~run]) < MOVES * rate:  # so it is all the while
        return None
    log_odds = all_of(
        log_odds_above(float(np.median(line[run]) / moved.fwhm_px), PLAIN_LINE, LINE_SCATTER),
        log_odds_of_ratio(rate, NO_GEAR * full, RATE_SCATTER),
        log_odds_above(AS_THE_SKY, float(np.median(np.abs(np.log(trailed[run] / rate)))), RATE_SCATTER / 4),
        log_odds_above(shear.coherence(moved.smear[1:][inside], step[inside] ** 2), COHERENT, COHERENT_SCATTER),
    )
    return SkyMotion(moved, log_odds, rate, full, run)


def _longest(there: Bools) -> tuple[int, int]:
    """First and last (excluded) of the longest row of True."""
    ends = np.flatnonzero(np.diff(np.concatenate([[0], there.astype(int), [0]])))
    rows = list(zip(ends[::2].tolist(), ends[1::2].tolist(), strict=True))
    return max(rows, key=lambda row: row[1] - row[0], default=(0, 0))


def _runs_by(moved: Moved) -> float:
    """Log-odds that stars move from frame to frame, as under any mount that does not follow; no weight if unknown."""
    places = places_px(moved)
    known = places[np.isfinite(places)]
    if len(known) < 2:
        return NOTHING_SAID
    return log_odds_above(float(np.median(np.abs(np.diff(known)))), LEAST_STEP_PX, STEP_SCATTER_PX)


def differential_flexure(night: Night, rig: Rig) -> Finding | Healthy | CannotTell:
    """Guided frames drift all the same, steadily, and are smeared along that drift."""
    if rig.mount_type == "fixed":  # no guider; the sky itself drifts
        return Healthy(cause="differential-flexure")
    known = [one for one in all_moved(night) if one.motion.drift_x_px_per_min is not None]
    if not known:
        return no_motion(night, "differential-flexure", "fewer than three frames share stars")
    moved, log_odds = likeliest(known, _bending)
    line, expected = _line(moved)
    rate = 60 * line / moved.tracking.smears.typical_exposure_s
    evidence = [
        Evidence(
            statement="the frames drift by", value=rate if moved.scale_arcsec is None else rate * moved.scale_arcsec,
            unit="px/min" if moved.scale_arcsec is None else "arcsec/min",
            expected_if_healthy=f"below {FLEXURE_ARCSEC_PER_MIN} with a guider",
        ),
        Evidence(
            statement="that trails a star in one exposure by", value=line, unit="px",
            expected_if_healthy=f"below {LINE_SEEN * moved.fwhm_px:.1f}",
        ),
        Evidence(
            statement="of the smear expected from this drift is seen",
            value=100 * shear.seen_of(moved.smear, expected),
            unit="percent",
            expected_if_healthy="none is expected",
        ),
    ]  # fmt: skip
    return answer(
        "differential-flexure",
        log_odds,
        affected=moved.every_frame if log_odds > 0 else frozenset(),
        cost=line_cost(line / moved.fwhm_px),
        evidence=tuple(evidence),
        rivals=(
            Rival(
                cause="polar-misalignment",
                why_less_likely="a guider takes its drift out, and leaves a turning field" if moved.tracking.guided
                else "whether a guider was at work is not known; without one, the axis explains it better",
            ),
            *CAUSES["differential-flexure"].rivals,
        ),
    )  # fmt: skip


def _bending(moved: Moved) -> float:
    line_px, _ = _line(moved)
    return all_of(
        moved.tracking.drifting.log_odds("bends"),
        log_odds_above(line_px / moved.fwhm_px, LINE_SEEN, LINE_SCATTER),
    )


def _line(moved: Moved) -> tuple[float, Complexes]:
    """Usual length of the drift's line in an exposure, and the smear expected.

    Where the direction turns slowly, the speed beside each frame tells line and smear, else one drift for all.
    """
    smears = moved.tracking.smears
    local = lines_px(moved.motion, smears.frames, smears.exposure_s)
    known = np.isfinite(local)
    straight = float(np.median(moved.line_px)), moved.from_drift
    if known.sum() < FEWEST_TURNING:
        return straight
    kept = float(abs(local[known].sum()) / max(np.abs(local[known]).sum(), 1e-9))
    alike = shear.coherence(moved.smear[known], moved.from_speed[known])
    if kept < ONE_WAY or alike < COHERENT or float(np.median(moved.size)) < SEEN:
        return straight
    return float(np.median(np.abs(local[known]))), np.where(known, moved.from_speed, moved.from_drift)
