"""One zero point a filter: groups that differ in exposure alone share their light per second."""

from collections.abc import Sequence
from typing import Final

import numpy as np

from framecheck import robust
from framecheck.constants import FEWEST_OF_A_MEDIAN, KNOWN_SIGMA
from framecheck.field.result import FrameResult
from framecheck.night.register import Match, make_reference, register
from framecheck.night.sources import sources_of
from framecheck.night.transparency import HUBER_SIGMA, GroupLight, best_of

LEAST_SNR: Final = 15.0
"""Chosen: fainter stars are found in short exposures where noise made them brighter, which would hide a cloud."""

STAR_SCATTER: Final = 0.01
"""[dimensionless] Relative scatter of a star's flux between groups that is always allowed for. Chosen: twice that
between frames of a group (`transparency.LEAST_SCATTER`), since stars fall on other pixels and fill them otherwise.
As much may be common to all stars of a group: shutters, and pixels that answer less as they fill."""


def dimmed_groups(results: Sequence[FrameResult], lights: Sequence[GroupLight]) -> list[tuple[float, float] | None]:
    """How far the best frames of groups lie below the brightest of them all, per second.

    Parameters
    ----------
    results : sequence of FrameResult
        The reference frame of each group: one session, target, filter and camera setting, other exposures.
    lights : sequence of GroupLight
        Of the same groups, per second.

    Returns
    -------
    list of (float, float) or None
        Natural logarithm of the light lost, 0 where less is not sure, and its error; None for a group that shares too
        few stars with the one of most stars. Air mass is not divided out.
    """
    base = max(range(len(results)), key=lambda k: int(np.isfinite(lights[k].level).sum()))
    exposure = results[base].exposure
    reference = make_reference(sources_of(results[base]), (exposure.width_px, exposure.height_px))
    tops: list[tuple[float, float] | None] = []
    for k, (result, light) in enumerate(zip(results, lights, strict=True)):
        known = light.zero_point[np.isfinite(light.zero_point)]
        match = None if k == base else register(reference, sources_of(result))
        link = (0.0, 0.0) if k == base else None if match is None else _offset(lights[base], light, match)
        tops.append(None if link is None or not len(known) else (best_of(known) + link[0], link[1]))
    linked = [top for top in tops if top is not None]
    if len(linked) < 2:
        return [None] * len(results)
    brightest, error = max(linked)
    out: list[tuple[float, float] | None] = []
    for top in tops:
        if top is None:
            out.append(None)
            continue
        dimmed, sigma = brightest - top[0], float(np.hypot(error, top[1]))
        out.append((dimmed if dimmed > KNOWN_SIGMA * sigma else 0.0, sigma))
    return out


def _offset(base: GroupLight, other: GroupLight, match: Match) -> tuple[float, float] | None:
    """What to add to a group's zero points to set them beside those of the base, and its error."""
    there, here = match.reference_rows, match.frame_rows
    inside = (there < len(base.level)) & (here < len(other.level))
    there, here = there[inside], here[inside]
    difference = other.level[here] - base.level[there]
    sigma = np.hypot(np.hypot(other.level_error[here], base.level_error[there]), STAR_SCATTER)
    good = np.isfinite(difference) & (sigma < 1 / LEAST_SNR)
    if good.sum() < FEWEST_OF_A_MEDIAN:
        return None
    difference, sigma = difference[good], sigma[good]
    centre = float(robust.huber_mean(difference, sigma**-2, HUBER_SIGMA))
    weight = robust.huber_weight(np.abs(difference - centre) / sigma, HUBER_SIGMA) / sigma**2
    chi2 = float(np.sum(np.minimum(((difference - centre) / sigma) ** 2, 2 * HUBER_SIGMA**2)) / (len(sigma) - 1))
    return centre, float(np.hypot(np.sqrt(max(chi2, 1.0) / np.sum(weight)), STAR_SCATTER))
